"""Whole reports made over and over run with the long tests until each was seen to follow the rebuilt page."""

import pytest

#: Files whose slow tests were seen to pass on the rebuilt page.
FOLLOWED = ("test_earlier_report.py", "test_given_parameters.py")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    for item in items:
        if item.path.parent.name == "report" and item.get_closest_marker("slow") and item.path.name not in FOLLOWED:
            item.add_marker(pytest.mark.long)
