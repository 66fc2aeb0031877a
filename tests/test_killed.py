"""Killed at any moment, the kit leaves no process, and the earlier report is there and whole."""

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import psutil
import pytest

from gpubench_kit.synthetic.recipe import MadeGame, MadeReview, MadeTuning
from gpubench_kit.synthetic.review import write_review

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no signal that cannot be caught")

#: Longest that a process of the kit may outlive the command [s].
LONGEST_S = 10.0
MARK = "GPUBENCH_KIT_TEST_KILLED"
RECIPE = MadeReview(
    "Killed",
    tunings=(MadeTuning("factory"), MadeTuning("quiet", power_pct=-15.0)),
    games=(MadeGame("Salt Orchard", 90.0),),
    seed=3,
    rounds=2,
    scene_s=4.0,
)
EARLIER = {"manifest.json": '{"format_version": 1}', "index.html": "the earlier report"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Return a small review."""
    made = tmp_path_factory.mktemp("killed") / "review"
    made.mkdir()
    return write_review(made, RECIPE)


@pytest.fixture
def report(tmp_path):
    """Return the folder of an earlier report."""
    place = tmp_path / "reports" / "review"
    place.mkdir(parents=True)
    for name, text in EARLIER.items():
        (place / name).write_text(text)
    return place


def _begin(folder, report, command="report"):
    """Start a command whose processes all carry a mark."""
    words = [sys.executable, "-P", "-m", "gpubench_kit", command, str(folder), "-o", str(report), "--quiet"]
    marked = {**os.environ, MARK: str(report)}
    return subprocess.Popen(words, env=marked, stderr=subprocess.DEVNULL, start_new_session=True)


def _left(report):
    """Return the processes that carry the mark."""
    found = []
    for process in psutil.process_iter():
        try:
            if process.status() != psutil.STATUS_ZOMBIE and process.environ().get(MARK) == str(report):
                found.append(process)
        except psutil.Error:
            continue
    return found


def _kill_and_look(running, report):
    """Kill a command, and hold what it leaves against what was promised."""
    assert running.poll() is None, "the command was done before it could be killed"
    os.kill(running.pid, signal.SIGKILL)
    running.wait()
    end = time.monotonic() + LONGEST_S
    while (left := _left(report)) and time.monotonic() < end:
        time.sleep(0.2)
    lines = [" ".join(one.cmdline()) for one in left if one.is_running()]
    for one in left:
        one.kill()
    assert lines == []
    assert {path.name: path.read_text() for path in report.iterdir()} == EARLIER


def _exists(report, pattern):
    """Return whether what is being made holds such a file."""
    return any(report.parent.glob(f".review.*.part/{pattern}"))


MOMENTS = {
    "the place is made": lambda report: _exists(report, "notebooks"),
    "the notebook runs": lambda report: any("ipykernel" in " ".join(one.cmdline()) for one in _left(report)),
    "tables are written": lambda report: _exists(report, "tables/*.csv"),
    "the page is there": lambda report: _exists(report, "index.html"),
}


def _reached(moment, folder, report):
    """Return a command that is at a moment, begun again where the moment was over before it could be seen."""
    for _ in range(10):
        running = _begin(folder, report)
        end = time.monotonic() + 120
        while running.poll() is None and time.monotonic() < end:
            if MOMENTS[moment](report):
                _stop(running)
                if running.poll() is None and MOMENTS[moment](report):
                    return running
                os.kill(running.pid, signal.SIGCONT)
            # Looking all the time would take from the command the core that it needs.
            time.sleep(0.003)
        assert running.wait() == 0
        shutil.rmtree(report)
        report.mkdir()
        for name, text in EARLIER.items():
            (report / name).write_text(text)
    raise AssertionError("the command was always done before it could be stopped")


def _stop(running):
    """Stop a command where it is, so that what it has made stays as it is."""
    os.kill(running.pid, signal.SIGSTOP)
    while running.poll() is None and psutil.Process(running.pid).status() != psutil.STATUS_STOPPED:
        time.sleep(0.001)


@pytest.mark.slow
@pytest.mark.parametrize("moment", MOMENTS)
def test_a_killed_report_leaves_no_process_and_the_earlier_one(folder, report, moment):
    running = _reached(moment, folder, report)
    _kill_and_look(running, report)
    shutil.rmtree(folder.parent / "looks", ignore_errors=True)


@pytest.mark.slow
def test_what_killed_commands_left_does_not_stop_the_next(folder, report):
    for _ in range(2):
        running = _begin(folder, report)
        while not MOMENTS["the place is made"](report):
            time.sleep(0.01)
        _kill_and_look(running, report)
    assert _begin(folder, report).wait() == 0
    assert [path.name for path in report.parent.iterdir() if path.name.startswith(".")] == []
    assert (report / "index.html").read_text() != EARLIER["index.html"]


@pytest.mark.slow
def test_a_second_report_stops_with_one_message_and_the_first_is_made(folder, report):
    first = _begin(folder, report)
    while not MOMENTS["the place is made"](report):
        time.sleep(0.01)
    words = [sys.executable, "-P", "-m", "gpubench_kit", "check", str(folder), "-o", str(report)]
    second = subprocess.run(words, capture_output=True, text=True, check=False)
    assert second.returncode == 2
    assert second.stderr == (
        "Fault: output folder 'review': another command of the kit is at work on it. "
        "Wait until that is done, and call again, or name another folder with --output.\n"
    )
    assert first.wait() == 0
    assert (report / "index.html").read_text() != EARLIER["index.html"]


@pytest.mark.long
@pytest.mark.parametrize("seed", range(40))
def test_a_report_killed_at_any_time_leaves_nothing(folder, report, seed):
    running = _begin(folder, report)
    time.sleep(np.random.default_rng(seed).uniform(0.1, 5.0))
    if running.poll() is None:
        _kill_and_look(running, report)


@pytest.mark.slow
def test_paths_in_a_report_are_short_enough_for_windows(built_demo: Path):
    paths = [path.relative_to(built_demo).as_posix() for path in built_demo.rglob("*")]
    assert max(map(len, paths)) <= 100
