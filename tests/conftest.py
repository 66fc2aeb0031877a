"""What all tests share: guards against hidden state, small fixtures, the bundled report built once.

With ``CI`` set in the environment a skipped test fails the session, unless its reason is listed here.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import hypothesis
import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[1]

#: Reasons for which a test may be skipped even in CI; each must begin with one of these.
SKIPS_ALLOWED_IN_CI: tuple[str, ...] = ()

IN_CI = os.environ.get("CI", "").lower() in {"1", "true", "yes"}

# Examples differ from run to run at a desk, where a new failure is news, and are the same in CI, where it is noise.
hypothesis.settings.register_profile("desk", deadline=None)
hypothesis.settings.register_profile("ci", deadline=None, derandomize=True, database=None)
hypothesis.settings.load_profile("ci" if IN_CI else "desk")

# A run in the background of a shell ignores interruptions, and so would the commands that tests start to interrupt.
if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

_skips = pytest.StashKey[list[tuple[str, str]]]()


@pytest.fixture(autouse=True)
def _global_random_state_stays():
    """Fail the test that draws from numpy's global generator: its results could not be made again."""
    before = np.random.get_state(legacy=False)["state"]
    yield
    after = np.random.get_state(legacy=False)["state"]
    if after["pos"] != before["pos"] or not np.array_equal(after["key"], before["key"]):
        pytest.fail("numpy's global random state moved; draw from a Generator made from a stated seed")


@pytest.fixture(autouse=True)
def _no_figure_stays_open():
    """Close the figures that a test left open, so that none is counted in the next."""
    yield
    pyplot = sys.modules.get("matplotlib.pyplot")
    if pyplot is not None:
        pyplot.close("all")


@pytest.fixture
def rng() -> np.random.Generator:
    """Return a generator that gives the same numbers in every run."""
    return np.random.default_rng(20261102)


@pytest.fixture(scope="session")
def built_demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of the bundled ten-game review's report, built once for all test processes."""
    return _built_once("ten_games", tmp_path_factory)


@pytest.fixture(scope="session")
def built_real_scenes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of the bundled real measurements' report, built once for all test processes."""
    return _built_once("real_scenes", tmp_path_factory)


@pytest.fixture(scope="module")
def notebooks_here() -> Iterator[None]:
    """Run the notebooks of pages in this process, for modules whose tests are not about processes."""
    # Here, so that the tests of lower layers do not need the upper ones.
    from notebooks_here import notebooks_run_here

    with notebooks_run_here():
        yield


def _built_once(review: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the report of a bundled review, unless another test process has done so."""
    # Here, so that the tests of lower layers do not need the upper ones.
    from made_once import made_once

    from gpubench_kit import build_report

    data = ROOT / "data" / review
    return made_once(review, tmp_path_factory, lambda folder: build_report(data, folder, record_look=False))


def pytest_configure(config: pytest.Config) -> None:
    """Start the list of skipped tests."""
    config.stash[_skips] = []
    config.pluginmanager.register(_SkipGuard(config), "skip-guard")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Put tests of the whole kit first; leave out those that take many minutes unless asked for by their mark."""
    # They take longest: at the end of a run one process would wait for another that has begun one of them.
    items.sort(key=lambda item: item.path.parent != ROOT / "tests")
    if "long" in (config.option.markexpr or ""):
        return
    long = [item for item in items if item.get_closest_marker("long")]
    if long:
        config.hook.pytest_deselected(items=long)
        items[:] = [item for item in items if item not in long]


class _SkipGuard:
    """Fails the session in CI when a test was skipped without a reason that is allowed there."""

    def __init__(self, config: pytest.Config):
        self.skips = config.stash[_skips]

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Note a test that was skipped; an expected failure is not one."""
        if report.skipped and not hasattr(report, "wasxfail"):
            self._note(report.nodeid, report.longrepr)

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        """Note a module that was skipped whole."""
        if report.skipped:
            self._note(report.nodeid, report.longrepr)

    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """Fail the session where skips are not allowed."""
        if IN_CI and self.skips and session.exitstatus in {pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED}:
            session.exitstatus = pytest.ExitCode.TESTS_FAILED

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        """Name the skipped tests that failed the session."""
        if IN_CI and self.skips:
            terminalreporter.section("skipped, which is not allowed in CI")
            for nodeid, reason in self.skips:
                terminalreporter.line(f"{nodeid}: {reason}")

    def _note(self, nodeid: str, longrepr: object) -> None:
        """Keep a skip unless its reason is on the list."""
        reason = str(longrepr[2] if isinstance(longrepr, tuple) else longrepr).removeprefix("Skipped: ")
        if not reason.startswith(SKIPS_ALLOWED_IN_CI or ("\0",)):
            self.skips.append((nodeid, reason))
