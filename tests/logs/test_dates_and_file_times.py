"""Dates that could be read in two ways, and logs found by file times: told with their evidence."""

import os
from datetime import datetime

import numpy as np
import pandas as pd
import pytest
from made_logs import clock, frame_log, frame_times, table

from gpubench_kit.checks.review import check_review
from gpubench_kit.logs.review import open_review
from gpubench_kit.metrics.inspect_log import inspect_log
from gpubench_kit.metrics.per_run import compute_run_metrics
from gpubench_kit.model.plan import ReviewPlan


def _plan(folder, **sections):
    """Return a plan of one card, two tunings and one game in this folder."""
    plan = {
        "review": {"title": "Larkmoor 4"},
        "cards": [{"name": "Larkmoor 4"}],
        "tunings": [{"name": "factory", "reference": True}, {"name": "quiet"}],
        "games": [{"name": "Salt Orchard"}],
    }
    return ReviewPlan.from_dict({**plan, **sections}, folder=folder)


def _dated(day, *, seed=0):
    """Return a frame log whose clock writes this date with slashes."""
    frame_ms = frame_times(60, seed=seed)
    starts = (np.cumsum(frame_ms) - frame_ms) / 1000
    stamps = [f"{day} {one.split('T')[1]}" for one in clock(starts)]
    return table({"at": stamps, "t": [f"{one:.6f}" for one in starts], "f": frame_ms})


def _evening(folder, logs, *, named=True, **columns):
    """Write runs of two tunings in turns, with these logs (name to text)."""
    (folder / "logs").mkdir()
    for name, text in logs.items():
        (folder / "logs" / name).write_text(text, encoding="utf-8")
    n_runs = len(logs)
    sheet = {
        "run": [f"r{k}" for k in range(n_runs)], "tuning": [("factory", "quiet")[k % 2] for k in range(n_runs)],
        "game": "Salt Orchard", "round": [k // 2 + 1 for k in range(n_runs)], "order": range(1, n_runs + 1),
        "frame_log": list(logs) if named else "", **columns,
    }  # fmt: skip
    pd.DataFrame(sheet).to_csv(folder / "runs.csv", index=False)


def _checked(folder, **logs):
    """Return the runs and findings of a review."""
    plan = _plan(folder, logs=logs)
    review = open_review(plan)
    metrics = compute_run_metrics(review, plan)
    return review.runs, check_review(review, metrics, plan).set_index("check")


def test_date_that_could_begin_with_the_month_is_told_with_both_readings(tmp_path):
    (tmp_path / "run.csv").write_text(_dated("03/04/2026"), encoding="utf-8")
    (finding,) = inspect_log(tmp_path / "run.csv")["findings"]
    assert "were read as 2026-04-03, not as 2026-03-04" in finding["message"]
    assert '[logs] date_order = "day_first"' in finding["action"]


@pytest.mark.parametrize("day", ["13/04/2026", "04/13/2026", "04/04/2026", "03.04.2026", "2026/04/03"])
def test_date_that_can_be_read_in_one_way_only_is_no_finding(tmp_path, day):
    (tmp_path / "run.csv").write_text(_dated(day), encoding="utf-8")
    assert inspect_log(tmp_path / "run.csv")["findings"] == []


def test_order_that_does_not_depend_on_the_reading_of_dates_is_known(tmp_path):
    _evening(tmp_path, {f"{k}.csv": _dated(f"0{3 + k}/04/2026", seed=k) for k in range(3)})
    runs, findings = _checked(tmp_path)
    assert runs["order_known"].all()
    assert runs["order_done"].tolist() == [1, 2, 3]
    assert findings.loc["date_order_in_doubt", "message"].str.contains("read as 2026-04-0").all()


LATER = {"a.csv": _dated("12/03/2026"), "b.csv": _dated("01/04/2026", seed=1)}


def test_order_that_depends_on_the_reading_of_dates_is_not_known_and_asked_for(tmp_path):
    _evening(tmp_path, LATER)
    runs, findings = _checked(tmp_path)
    assert not runs["order_known"].any()
    assert "whether dates begin with the day or the month" in findings.loc["order_not_verified", "message"]


@pytest.mark.parametrize(("order", "done"), [("day_first", [1, 2]), ("month_first", [2, 1])])
def test_line_of_the_plan_decides_how_dates_are_read(tmp_path, order, done):
    _evening(tmp_path, LATER)
    runs, findings = _checked(tmp_path, date_order=order)
    assert runs["order_done"].tolist() == done
    assert "date_order_in_doubt" not in findings.index


def test_typed_starts_in_doubt_do_not_decide_the_order(tmp_path):
    typed = ["12/03/2026 21:00", "01/04/2026 21:00"]
    logs = {f"{k}.csv": frame_log(frame_times(60, seed=k)) for k in range(2)}
    _evening(tmp_path, logs, started_at=typed)
    runs, findings = _checked(tmp_path)
    assert not runs["order_known"].any()
    assert "[logs] date_order" in findings.loc["order_not_verified", "action"]


def _closed(folder, name, moment):
    """Set when a log was last written."""
    seconds = datetime.fromisoformat(moment).timestamp()
    os.utime(folder / "logs" / name, (seconds, seconds))


def _logs(names):
    """Return logs without a clock."""
    return {name: frame_log(frame_times(60, seed=k)) for k, name in enumerate(names)}


TYPED = ["2026-11-02 21:00", "2026-11-02 21:03", "2026-11-02 21:06"]


def test_logs_without_a_clock_are_found_by_file_times_with_the_evidence(tmp_path):
    _evening(tmp_path, _logs(["x.csv", "y.csv", "z.csv"]), named=False, started_at=TYPED)
    closed = {"z.csv": "2026-11-02 21:01:10", "x.csv": "2026-11-02 21:04:12", "y.csv": "2026-11-02 21:07:09"}
    for name, moment in closed.items():
        _closed(tmp_path, name, moment)
    review = open_review(_plan(tmp_path))
    assert [task.frame_name for task in review.tasks] == ["logs/z.csv", "logs/x.csv", "logs/y.csv"]
    message = next(one.message for one in review.findings if one.run == "r1")
    assert "closed at 2026-11-02 21:04:12, the run started at 2026-11-02 21:03:00" in message


def test_times_of_a_copy_are_no_evidence_and_neither_is_the_alphabet(tmp_path):
    _evening(tmp_path, _logs(["x.csv", "y.csv", "z.csv"]), named=False, started_at=TYPED)
    for name in ("x.csv", "y.csv", "z.csv"):
        _closed(tmp_path, name, "2026-11-03 09:00:00")
    review = open_review(_plan(tmp_path), keep_going=True)
    assert review.tasks == ()
    assert "neither clocks nor file times nor numbers in the names give their order" in review.findings[0].message


def test_numbers_in_names_give_the_order_of_a_copy(tmp_path):
    _evening(tmp_path, _logs(["run 10.csv", "run 2.csv", "run 9.csv"]), named=False)
    for name in ("run 10.csv", "run 2.csv", "run 9.csv"):
        _closed(tmp_path, name, "2026-11-03 09:00:00")
    review = open_review(_plan(tmp_path))
    assert [task.frame_name for task in review.tasks] == ["logs/run 2.csv", "logs/run 9.csv", "logs/run 10.csv"]
    assert all("by their numbers" in one.message for one in review.findings if one.check == "log_guessed")


def test_file_times_that_do_not_fit_every_typed_start_are_not_used(tmp_path):
    _evening(tmp_path, _logs(["x.csv", "y.csv", "z.csv"]), named=False, started_at=TYPED)
    for name, minute in (("x.csv", 1), ("y.csv", 2), ("z.csv", 7)):
        _closed(tmp_path, name, f"2026-11-02 21:0{minute}:30")
    review = open_review(_plan(tmp_path), keep_going=True)
    assert review.tasks == ()
    (asked,) = (one for one in review.findings if one.check == "logs_not_matched")
    assert "file times do not give one log after each typed start" in asked.message
    assert "column frame_log" in asked.action
    assert "[logs] pattern =" in asked.action


def test_names_without_numbers_yield_to_file_times(tmp_path):
    _evening(tmp_path, _logs(["b.csv", "a.csv"]), named=False)
    for name, minute in (("b.csv", 1), ("a.csv", 4)):
        _closed(tmp_path, name, f"2026-11-02 21:0{minute}:00")
    review = open_review(_plan(tmp_path))
    assert [task.frame_name for task in review.tasks] == ["logs/b.csv", "logs/a.csv"]
    assert "number 1 of 2, by their file times" in review.findings[0].message


def test_numbered_names_against_file_times_are_not_guessed_between(tmp_path):
    _evening(tmp_path, _logs(["run 2.csv", "run 10.csv"]), named=False)
    for name, minute in (("run 2.csv", 9), ("run 10.csv", 4)):
        _closed(tmp_path, name, f"2026-11-02 21:0{minute}:00")
    review = open_review(_plan(tmp_path), keep_going=True)
    assert review.tasks == ()
    assert "numbers in their names is not that of their file times" in review.findings[0].message


def test_two_logs_near_one_typed_start_are_not_guessed_between(tmp_path):
    frame_ms = frame_times(60)
    starts = (np.cumsum(frame_ms) - frame_ms) / 1000
    logs = {
        name: table({"at": clock(starts, start), "t": [f"{one:.6f}" for one in starts], "f": frame_ms})
        for name, start in (("x.csv", "2026-11-02T21:00:40"), ("y.csv", "2026-11-02T20:59:50"))
    }
    _evening(tmp_path, logs, named=False, started_at=["2026-11-02 21:00", "2026-11-02 23:00"])
    review = open_review(_plan(tmp_path), keep_going=True)
    assert review.tasks == ()
    assert "several clocks are near the same typed start" in review.findings[0].message


def test_typed_minutes_and_clocks_a_minute_apart_are_matched_in_their_order(tmp_path):
    logs = {}
    for k, start in enumerate(("2026-11-02T21:00:45", "2026-11-02T21:01:55", "2026-11-02T21:03:05")):
        frame_ms = frame_times(60, seed=k)
        starts = (np.cumsum(frame_ms) - frame_ms) / 1000
        logs[f"{k}.csv"] = table({"at": clock(starts, start), "t": [f"{t:.6f}" for t in starts], "f": frame_ms})
    typed = ["2026-11-02 21:00", "2026-11-02 21:01", "2026-11-02 21:03"]
    _evening(tmp_path, logs, named=False, started_at=typed)
    assert [task.frame_name for task in open_review(_plan(tmp_path)).tasks] == [f"logs/{k}.csv" for k in range(3)]
