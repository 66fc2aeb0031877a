"""Ctrl-C at any moment: one plain sentence, an earlier page untouched, nothing half-written."""

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from gpubench_kit.synthetic.recipe import MadeGame, MadeReview, MadeTuning
from gpubench_kit.synthetic.review import write_review

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="Windows has no interrupt for a group of processes"),
]

RECIPE = MadeReview(
    "Stopped",
    tunings=(MadeTuning("factory"), MadeTuning("quiet", power_pct=-15.0)),
    games=(MadeGame("Salt Orchard", 90.0),),
    seed=3,
    rounds=2,
    scene_s=4.0,
)
STOPPED = "Stopped. An earlier report is as it was.\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Return a small review."""
    made = tmp_path_factory.mktemp("made") / "review"
    made.mkdir()
    return write_review(made, RECIPE)


def _earlier(place):
    """Put an earlier page where the new one goes, as the kit leaves it; return its files."""
    place.mkdir(parents=True)
    (place / "check").mkdir()
    for name in ("check.html", "check/findings.csv"):
        (place / name).write_text(f"earlier {name}", encoding="utf-8")
    return _files(place.parent)


def _files(folder):
    """Return every file below a folder with its content."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def _stop_when(words, is_time, *, most_s=60.0):
    """Start a command, interrupt its whole group as a terminal does once it is time, return what it said."""
    process = subprocess.Popen(
        [sys.executable, "-m", "gpubench_kit", *words],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    deadline = time.monotonic() + most_s
    while not is_time() and process.poll() is None and time.monotonic() < deadline:
        time.sleep(0.01)
    if process.poll() is None:
        os.killpg(process.pid, signal.SIGINT)
    said, told = process.communicate(timeout=60)
    return process.returncode, said, told


def _after(seconds):
    """Return the moment so many seconds from its first question on."""
    started = []

    def is_time():
        started.append(time.monotonic())
        return started[-1] - started[0] >= seconds

    return is_time


def _when(place, pattern, seconds=0.0):
    """Return the moment so many seconds after a file of this pattern appeared."""
    waited = _after(seconds)
    return lambda: any(place.glob(pattern)) and waited()


@pytest.mark.parametrize("moment", ["loading", "made place", "reading", "running"])
@pytest.mark.parametrize("command", ["check", "report"])
def test_page_stopped_at_any_moment_leaves_the_earlier_one(folder, tmp_path, command, moment):
    sheet = _files(folder)
    # A quick machine may be done before the moment comes: it then comes sooner, in a new place.
    for sooner in (1.0, 0.7, 0.4, 0.2, 0.1):
        reports = tmp_path / f"reports {sooner}"
        before = _earlier(reports / "review") if command == "check" else {}
        reports.mkdir(exist_ok=True)
        is_time = {
            "loading": _after(0.4 * sooner),
            "made place": _when(reports, ".*.part"),
            "reading": _when(reports, ".*.part", 1.0 * sooner),
            "running": _when(reports, ".*.part", 2.5 * sooner),
        }[moment]
        code, said, told = _stop_when([command, str(folder), "-o", str(reports / "review")], is_time)
        if code != 0:
            break
        for made in folder.glob("looks*.csv"):
            made.unlink()
    assert (said, told) == ("", STOPPED)
    # A shell shows 130 for both.
    assert code in (130, -signal.SIGINT)
    assert _files(reports) == before
    assert _files(folder) == sheet


def test_inspection_stopped_says_so_in_one_sentence(folder, tmp_path):
    log = tmp_path / "long.csv"
    log.write_text("t,f\n" + "".join(f"{k * 0.016:.3f},16.0\n" for k in range(1_500_000)), encoding="utf-8")
    code, said, told = _stop_when(["inspect", str(log)], _after(0.4))
    assert (said, told) == ("", STOPPED)
    assert code in (130, -signal.SIGINT)


def test_page_is_made_after_a_stop_as_if_nothing_had_been(folder, tmp_path):
    reports = tmp_path / "reports"
    reports.mkdir()
    words = ["check", str(folder), "-o", str(reports / "review")]
    _stop_when(words, _when(reports, ".*.part", 1.0))
    done = subprocess.run(
        [sys.executable, "-m", "gpubench_kit", *words], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert Path(reports / "review" / "check.html").stat().st_size > 10_000
    shutil.rmtree(reports)
