"""Many reports at once: one that fails, hangs or ends its process is lost alone, and nothing half-written stays."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest
from joblib.externals.loky import process_executor
from odd_workers import odd_report
from small_folder import write_small_review

from gpubench_kit.model.errors import ReportError
from gpubench_kit.report import many_reviews
from gpubench_kit.report.many_reviews import Outcome, ThisMachine, make_reports, report_of, tasks_of

#: Long enough for a process to load the kit on a busy machine; and for one that has loaded it.
_LIMIT_S, _LIMIT_LOADED_S = 300, 8


@pytest.fixture
def odd(monkeypatch, tmp_path):
    """Return a function that makes odd reports of some names in two processes, and returns what became of each."""
    monkeypatch.setattr(many_reviews, "report_of", odd_report)

    def made(*names: str, limit_s: float = _LIMIT_S, **options) -> dict[str, Outcome]:
        tasks = tasks_of([tmp_path / name for name in names], tmp_path / "out")
        outcomes = make_reports(tasks, ThisMachine(len(tasks), workers=2), limit_s=limit_s, **options)
        return {Path(one.review).name: one for one in outcomes}

    return made


def _unfinished(folder: Path) -> list[str]:
    """Return the names of what was left half-written."""
    return [one.name for one in folder.rglob("*") if one.name.endswith(".part")]


def test_outcomes_come_in_the_order_of_the_folders_and_one_failure_stops_nothing(odd, tmp_path):
    seen = []
    outcomes = odd("d", "fails", "a", "c", "b", progress=lambda share, what: seen.append((share, what)))
    assert list(outcomes) == ["d", "fails", "a", "c", "b"]
    assert [one.outcome for one in outcomes.values()] == ["made", "bad input", "made", "made", "made"]
    assert sorted(one.name for one in (tmp_path / "out").iterdir()) == ["a", "b", "c", "d"]
    shares = [share for share, _ in seen]
    assert shares == sorted(shares)
    assert (seen[0], shares[-1]) == ((0.0, "0 of 5 reviews"), 1.0)


def test_where_no_process_can_be_started_every_report_is_lost_at_once(odd, monkeypatch):
    def refused(_engine):
        raise OSError("no more processes")

    monkeypatch.setattr(ThisMachine, "parallel", refused)
    outcomes = odd("a", "b", "c")
    assert {one.outcome for one in outcomes.values()} == {"lost"}
    assert "could not be handed to a worker (no more processes)" in str(outcomes["b"].faults[0])


@pytest.mark.slow
def test_a_review_that_ends_its_process_is_lost_alone(odd, tmp_path):
    outcomes = odd("a", "b", "ends", "c", "d", "e")
    assert {name for name, one in outcomes.items() if one.outcome == "lost"} == {"ends"}
    assert "probably because memory ran out" in str(outcomes["ends"].faults[0])
    assert _unfinished(tmp_path) == []


@pytest.mark.slow
def test_a_review_that_hangs_is_lost_alone_after_the_limit(odd, tmp_path):
    odd("slow a", "slow b")
    outcomes = odd("a", "hangs", "b", "c", limit_s=_LIMIT_LOADED_S)
    assert {name for name, one in outcomes.items() if one.outcome == "lost"} == {"hangs"}
    assert "no report came back within 8 s" in str(outcomes["hangs"].faults[0])
    assert _unfinished(tmp_path) == []


def test_a_report_that_did_not_arrive_is_lost(odd):
    outcomes = odd("a", "lies")
    assert [one.outcome for one in outcomes.values()] == ["made", "lost"]
    assert "it did not arrive here" in str(outcomes["lies"].faults[0])


@pytest.mark.slow
def test_an_interruption_leaves_nothing_half_written(odd, tmp_path):
    def interrupted(share: float, what: str) -> None:
        if share > 0:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        odd("a", "hangs", "b", "hangs too", progress=interrupted)
    assert _unfinished(tmp_path) == []


def test_a_task_handed_over_at_the_moment_of_an_interruption_is_given_up_without_a_word(odd, monkeypatch, capfd):
    def interrupted(share: float, what: str) -> None:
        if share > 0:
            raise KeyboardInterrupt

    def flagged(thread):
        thread.work_ids_queue.put(-1)
        flag(thread)

    flag = process_executor._ExecutorManagerThread.flag_executor_shutting_down
    monkeypatch.setattr(process_executor._ExecutorManagerThread, "flag_executor_shutting_down", flagged)
    with pytest.raises(KeyboardInterrupt):
        odd("a", "hangs", "b", progress=interrupted)
    assert "Traceback" not in capfd.readouterr().err


def test_the_rest_is_foretold_from_reports_that_were_made():
    made = [Outcome("a", "made", seconds=20.0), Outcome("b", "up to date", seconds=0.1)]
    assert many_reviews._so_far(made, 12, 2) == "2 of 12 reviews, about 1 min 40 s left"
    assert many_reviews._so_far(made[1:], 12, 2) == "1 of 12 reviews"
    assert many_reviews._so_far(made, 3, 8) == "2 of 3 reviews, about 20 s left"


def test_each_report_gets_its_share_of_the_cores(monkeypatch):
    monkeypatch.setattr("gpubench_kit.report.many_reviews.cpu_count", lambda: 8)
    engines = [ThisMachine(count) for count in (1, 3, 100)]
    assert [(one.workers, one.cores) for one in engines] == [(1, 8), (3, 2), (8, 1)]


def test_two_reviews_of_one_name_are_refused_before_anything_is_made(tmp_path):
    folders = [tmp_path / "a" / "Mine", tmp_path / "b" / "mine", tmp_path / "c", tmp_path / "c" / "plan.toml"]
    for folder in folders[:3]:
        folder.mkdir(parents=True)
    folders[3].write_text("")
    with pytest.raises(ReportError) as caught:
        tasks_of(folders)
    assert len(caught.value.faults) == 2
    assert "would go to one folder" in str(caught.value)


def test_a_folder_and_its_plan_are_one_review_and_earlier_reports_go_by_name(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / "plan.toml").write_text("")
    [task] = tasks_of(["mine/plan.toml"], previous="published")
    assert (task.report, task.previous) == (tmp_path / "reports" / "mine", tmp_path / "published" / "mine")


def test_a_fault_of_the_kit_is_told_with_its_review(monkeypatch, tmp_path):
    def broken(*_words, **_options):
        raise ZeroDivisionError("by nothing")

    monkeypatch.setattr("gpubench_kit.report.many_reviews.is_up_to_date", broken)
    outcome = report_of(*tasks_of([tmp_path / "mine"], tmp_path))
    assert outcome.outcome == "internal error"
    assert "ZeroDivisionError: by nothing" in str(outcome.faults[0])


def _files(folder: Path) -> dict[str, bytes]:
    """Return the files of a report, notebooks apart."""
    found = (path for path in sorted(folder.rglob("*")) if path.is_file() and path.parent.name != "notebooks")
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in found}


def _command(*words: object) -> list[str]:
    """Return the command that makes reports."""
    return [sys.executable, "-m", "gpubench_kit", "report", *map(os.fspath, words)]


@pytest.mark.slow
def test_reports_made_at_once_are_those_made_alone_and_a_second_call_goes_on(small_built, tmp_path):
    first = write_small_review(tmp_path / "first")
    shutil.copytree(first, tmp_path / "second")
    (tmp_path / "bad").mkdir()
    folders = [first, tmp_path / "bad", tmp_path / "second"]
    done = subprocess.run(_command(*folders), cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert done.stderr.startswith(f"{tmp_path / 'bad'}:\nFault: plan.toml: ")
    assert [line.split()[1] for line in done.stdout.splitlines()] == ["outcome", "made", "bad", "made"]
    reports = tmp_path / "reports"
    assert "first/index.html" in (reports / "index.html").read_text(encoding="utf-8")
    assert _files(reports / "first") == _files(reports / "second") == _files(tmp_path / "out")

    (tmp_path / "second" / "plan.toml").write_text(
        (first / "plan.toml").read_text(encoding="utf-8").replace("small", "smaller"), encoding="utf-8"
    )
    kept = (reports / "first" / "index.html").stat().st_mtime_ns
    done = subprocess.run(_command(first, folders[2]), cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert [line.split()[1] for line in done.stdout.splitlines()] == ["outcome", "up", "made"]
    assert (reports / "first" / "index.html").stat().st_mtime_ns == kept
    assert json.loads((reports / "second" / "manifest.json").read_text())["title"].endswith("a smaller review")


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "killpg"), reason="a terminal's interruption is made otherwise here")
def test_an_interruption_ends_every_process(tmp_path):
    folders = [write_small_review(tmp_path / name) for name in ("a", "b", "c")]
    marked = {**os.environ, "GPUBENCH_KIT_TEST_RUN": os.fspath(tmp_path)}
    running = subprocess.Popen(
        _command(*folders, "-o", tmp_path / "out"), env=marked, start_new_session=True, stderr=subprocess.PIPE
    )
    for _ in range(1200):
        if len(list((tmp_path / "out").glob(".*.part/notebooks"))) == 2:
            break
        time.sleep(0.1)
    time.sleep(2)
    os.killpg(running.pid, signal.SIGINT)
    told = running.communicate(timeout=60)[1].decode()
    assert running.returncode == 130
    assert told == "Stopped. An earlier report is as it was.\n"
    assert _unfinished(tmp_path) == []
    time.sleep(3)
    assert [one.info for one in psutil.process_iter(["pid", "cmdline"]) if _is_of(one, tmp_path)] == []


def _is_of(process: psutil.Process, folder: Path) -> bool:
    """Return whether a process descends from a command that was marked with a folder."""
    try:
        return process.environ().get("GPUBENCH_KIT_TEST_RUN") == os.fspath(folder)
    except (psutil.NoSuchProcess, psutil.AccessDenied, psutil.ZombieProcess):
        return False
