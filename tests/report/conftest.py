"""Fixtures of the tests of reports."""

from __future__ import annotations

import pytest

from tests.page.conftest import MadeUp, made_up


@pytest.fixture(scope="session")
def review_of_pages() -> MadeUp:
    """Return a made-up review as tables."""
    return made_up()


#: Files whose slow tests were seen to pass on the rebuilt page.
FOLLOWED = ("test_earlier_report.py", "test_given_parameters.py")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    for item in items:
        if item.path.parent.name == "report" and item.get_closest_marker("slow") and item.path.name not in FOLLOWED:
            item.add_marker(pytest.mark.long)
