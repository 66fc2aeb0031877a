"""Fixtures of the tests of reports."""

from __future__ import annotations

import pytest

from tests.page.conftest import MadeUp, made_up


@pytest.fixture(scope="session")
def review_of_pages() -> MadeUp:
    """Return a made-up review as tables."""
    return made_up()
