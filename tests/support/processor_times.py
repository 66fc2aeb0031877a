"""Processor time of every test, its set-up and the processes that it starts included; for `benchmarks/tests.py`.

A plugin of pytest: ``pytest -p processor_times``. Processor time is the same on a busy machine, unlike the clock.
"""

from __future__ import annotations

import os
from collections import Counter

import pytest

KEY = "processor_s"
SLOWEST = 20

_spent: dict[str, float] = {}


def _processor_s() -> float:
    """Return the processor time of this process and of all its processes that have ended [s]."""
    return sum(os.times()[:4])


@pytest.hookimpl(wrapper=True)
def pytest_runtest_setup(item):
    """Start counting before fixtures are made."""
    item.stash[_STARTED] = _processor_s()
    return (yield)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_teardown(item):
    """Stop counting after fixtures are taken down."""
    try:
        return (yield)
    finally:
        item.user_properties.append((KEY, _processor_s() - item.stash[_STARTED]))


def pytest_runtest_logreport(report):
    """Keep the time of a test that has ended; tests of other workers arrive here too."""
    if report.when == "teardown":
        _spent[report.nodeid] = dict(report.user_properties)[KEY]


def pytest_terminal_summary(terminalreporter):
    """Print the folders and the slowest tests."""
    if not _spent:
        return
    folders: Counter[str] = Counter()
    for name, seconds in _spent.items():
        parts = name.split("::")[0].split("/")
        folders[parts[1] if len(parts) > 2 else "tests"] += seconds
    line = terminalreporter.write_line
    terminalreporter.section("processor time")
    line(f"{sum(_spent.values()):8.1f} s   all {len(_spent)} tests")
    for folder, seconds in folders.most_common():
        line(f"{seconds:8.1f} s   {folder}")
    line(f"the slowest {SLOWEST}:")
    for name, seconds in Counter(_spent).most_common(SLOWEST):
        line(f"{seconds:8.1f} s   {name}")


_STARTED = pytest.StashKey[float]()
