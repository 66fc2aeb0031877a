"""A headless browser for the tests that open a page; in CI one must be there."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from offline_browser import browser_path, launch
from playwright.sync_api import Browser, sync_playwright


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Return a headless browser, one for all tests of this process: two drivers in one do not go together."""
    if browser_path() is None:
        reason = "no Chromium on this machine (Debian: apt install chromium)"
        pytest.fail(reason) if os.environ.get("CI") else pytest.skip(reason)
    with sync_playwright() as driver:
        running = launch(driver)
        yield running
        running.close()
