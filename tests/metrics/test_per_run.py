"""One pass over the logs gives every metric of every run, merged with what was typed."""

import sys

import numpy as np
import pandas as pd
import pytest
from joblib import cpu_count
from made_logs import clock, frame_log, frame_times, sensor_signal, table

from gpubench_kit.logs.read_frames import FormatMemory
from gpubench_kit.logs.review import open_review
from gpubench_kit.metrics import per_run
from gpubench_kit.metrics.formulas import average_fps, low_fps
from gpubench_kit.metrics.per_run import MetricRules, RowColumns, compute_run_metrics, merge_typed
from gpubench_kit.model.errors import LogError
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.table_checks import check_table
from gpubench_kit.model.tables import RUN_METRICS

N_RUNS = 4


def _plan(folder, **analysis):
    """Return a plan of one card, two tunings and one game in this folder."""
    plan = {
        "review": {"title": "Larkmoor 4"},
        "cards": [{"name": "Larkmoor 4"}],
        "tunings": [{"name": "factory", "reference": True}, {"name": "quiet"}],
        "games": [{"name": "Salt Orchard"}],
        "analysis": analysis,
    }
    return ReviewPlan.from_dict(plan, folder=folder)


def _write(folder, *, typed=None, with_sensors=True, logs=True):
    """Write a review of four runs, with logs or typed numbers or both."""
    (folder / "logs").mkdir()
    rows = []
    for number in range(N_RUNS):
        row = {"run": f"r{number}", "tuning": ("factory", "quiet")[number % 2], "game": "Salt Orchard"}
        row |= {"round": number // 2 + 1, "order": number + 1, **(typed or {})}
        if logs:
            (folder / "logs" / f"f{number}.csv").write_text(frame_log(frame_times(seed=number)), encoding="utf-8")
            row["frame_log"] = f"logs/f{number}.csv"
        if logs and with_sensors:
            times, load, watts = sensor_signal(frame_times(seed=number).sum() / 1000, step_s=0.2)
            text = table({"c": clock(times), "board_w": watts.round(1), "load_pct": load})
            (folder / "logs" / f"s{number}.csv").write_text(text, encoding="utf-8")
            row["sensor_log"] = f"logs/s{number}.csv"
        rows.append(row)
    pd.DataFrame(rows).to_csv(folder / "runs.csv", index=False)


def _metrics(folder, **analysis):
    """Return the metrics of a folder as a table of runs by metrics, the long table and the findings."""
    plan = _plan(folder, **analysis)
    review = open_review(plan)
    metrics = compute_run_metrics(review, plan)
    return metrics.pivot(index="run", columns="metric", values="value"), metrics, review.findings


def test_metrics_of_frames_and_sensors_come_in_sheet_order(tmp_path):
    _write(tmp_path)
    wide, long, _ = _metrics(tmp_path)
    check_table(long, RUN_METRICS)
    assert long["run"].drop_duplicates().tolist() == [f"r{number}" for number in range(N_RUNS)]
    frame_ms = frame_times(seed=2)
    assert wide.loc["r2", "avg_fps"] == pytest.approx(average_fps(frame_ms))
    assert wide.loc["r2", "low_1pct_fps"] == pytest.approx(low_fps(frame_ms))
    assert wide.loc["r2", "board_w"] == pytest.approx(300.0, abs=0.5)
    assert wide.loc["r2", "energy_per_frame_j"] == pytest.approx(wide.loc["r2", "board_w"] / average_fps(frame_ms))
    assert wide.loc["r2", "load_pct"] == pytest.approx(98.0)
    assert set(long["source"]) == {"log"}


def test_edges_of_a_slow_sensor_are_left_out(tmp_path):
    _write(tmp_path)
    whole = _metrics(tmp_path, sensor_edge_s=0.0)[0].loc["r0", "board_w"]
    # Of 6.4 s, the ramp of one second lowers the mean by half a second of 260 W.
    assert whole == pytest.approx(300 - 260 * 0.5 / 6.4, rel=0.02)


def test_definition_of_the_plan_is_used_and_told(tmp_path):
    _write(tmp_path, with_sensors=False)
    wide, long, _ = _metrics(tmp_path, low_definition="time_share")
    expected = low_fps(frame_times(seed=0), definition="time_share")
    assert wide.loc["r0", "low_1pct_fps"] == pytest.approx(expected)
    told = long.loc[long["metric"] == "low_1pct_fps", "definition"].unique().tolist()
    assert told == ["1000 / the frame time from which on frames make up at least 1 % of the run's time"]


def test_hitches_are_computed_only_if_asked_for(tmp_path):
    _write(tmp_path, with_sensors=False)
    assert "hitch_ms_per_min" not in _metrics(tmp_path)[0]
    wide = _metrics(tmp_path, metrics=["avg_fps", "hitch_ms_per_min"], margins={"hitch_ms_per_min": 20.0})[0]
    assert (wide["hitch_ms_per_min"] >= 0).all()


def test_low_of_few_frames_gets_a_finding_if_asked_for(tmp_path):
    _write(tmp_path, with_sensors=False)
    assert not [one for one in _metrics(tmp_path)[2] if one.check == "too_few_frames"]
    found = _metrics(tmp_path, metrics=["low_0p1pct_fps"], primary="low_0p1pct_fps")[2]
    assert [one.run for one in found if one.check == "too_few_frames"] == ["r0", "r1", "r2", "r3"]


def test_typed_numbers_serve_without_logs_and_give_energy(tmp_path):
    _write(tmp_path, logs=False, typed={"avg_fps": "120.0", "board_w": "240"})
    wide, long, _ = _metrics(tmp_path)
    assert wide.loc["r0"].to_dict() == pytest.approx(
        {"avg_fps": 120.0, "board_w": 240.0, "energy_per_frame_j": 2.0, "frames_per_j": 0.5}
    )
    steps = long[long["run"] == "r0"].set_index("metric")["step"]
    assert steps["avg_fps"] == pytest.approx(0.1)
    assert steps["energy_per_frame_j"] == pytest.approx(2.0 * (0.1 / 120 + 1 / 240))
    assert set(long["source"]) == {"typed"}


def test_log_counts_where_the_sheet_disagrees_and_a_finding_says_so(tmp_path):
    _write(tmp_path, with_sensors=False, typed={"avg_fps": "99.5", "sound_dba": "38.5"})
    wide, long, findings = _metrics(tmp_path)
    assert wide.loc["r0", "avg_fps"] == pytest.approx(average_fps(frame_times(seed=0)))
    assert wide.loc["r0", "sound_dba"] == 38.5
    assert long.duplicated(["run", "metric"]).sum() == 0
    assert sum(one.check == "typed_and_log_disagree" for one in findings) == N_RUNS


def test_typed_power_and_logged_frames_give_energy(tmp_path):
    _write(tmp_path, with_sensors=False, typed={"board_w": "240.5"})
    wide = _metrics(tmp_path)[0]
    assert wide.loc["r1", "energy_per_frame_j"] == pytest.approx(240.5 / average_fps(frame_times(seed=1)))


def test_two_processes_give_the_same_table(tmp_path):
    _write(tmp_path)
    plan = _plan(tmp_path)
    alone = compute_run_metrics(open_review(plan), plan)
    review = open_review(plan)
    together = compute_run_metrics(review, plan, processes=2)
    pd.testing.assert_frame_equal(alone, together)
    assert review.runs["n_frames"].tolist() == [400] * N_RUNS


def test_many_runs_are_read_by_every_core_and_few_by_this_process_alone(tmp_path, monkeypatch):
    _write(tmp_path)
    plan, asked = _plan(tmp_path), []
    monkeypatch.setattr(per_run, "_results", lambda *about: asked.append(about[-1]) or iter(()))
    for runs in (N_RUNS + 1, N_RUNS):
        monkeypatch.setattr(per_run, "_RUNS_FOR_PROCESSES", runs)
        compute_run_metrics(open_review(plan), plan)
    assert asked == [1, cpu_count()]


def test_progress_is_told_after_each_run(tmp_path):
    _write(tmp_path, with_sensors=False)
    plan, seen = _plan(tmp_path), []
    compute_run_metrics(open_review(plan), plan, progress=lambda done, total: seen.append((done, total)))
    assert seen == [(1, 4), (2, 4), (3, 4), (4, 4)]


def test_faults_of_all_logs_are_raised_together_after_the_pass(tmp_path):
    _write(tmp_path, with_sensors=False)
    for number in (0, 3):
        (tmp_path / "logs" / f"f{number}.csv").write_text("elapsed_s,frame_ms\n", encoding="utf-8")
    with pytest.raises(LogError, match=r"(?s)run 'r0'.*run 'r3'"):
        _metrics(tmp_path)


def test_idle_run_without_frames_gives_its_sensor_means(tmp_path):
    (tmp_path / "logs").mkdir()
    times = np.arange(0, 30, 0.5)
    text = table({"c": clock(times), "board_w": np.full(60, 31.5), "core_c": 40 + times % 2})
    (tmp_path / "logs" / "idle.csv").write_text(text, encoding="utf-8")
    (tmp_path / "logs" / "f.csv").write_text(frame_log(frame_times()), encoding="utf-8")
    rows = [
        {"run": "r0", "tuning": "factory", "purpose": "measure", "frame_log": "logs/f.csv", "order": 1},
        {"run": "r1", "tuning": "quiet", "purpose": "measure", "frame_log": "logs/f.csv", "order": 2},
        {"run": "r2", "tuning": "factory", "purpose": "idle", "sensor_log": "logs/idle.csv", "order": 3},
    ]
    pd.DataFrame([{"game": "Salt Orchard", "round": 1, **row} for row in rows]).to_csv(
        tmp_path / "runs.csv", index=False
    )
    wide = _metrics(tmp_path)[0]
    assert wide.loc["r2", "board_w"] == pytest.approx(31.5)
    assert np.isnan(wide.loc["r2", "avg_fps"])


def test_rows_kept_as_columns_are_the_table_of_the_rows():
    rows = [
        {
            "run": run,
            "metric": "avg_fps",
            "value": value,
            "unit": "fps",
            "source": "log",
            "definition": "d",
            "step": 0,
            "certainty": "proven",
        }
        for run, value in (("a", 60.25), ("b", 1 / 3))
    ]
    columns = RowColumns()
    columns.add(iter(rows))
    pd.testing.assert_frame_equal(columns.table(["a", "b"]), RUN_METRICS.frame(rows))
    pd.testing.assert_frame_equal(columns.table(["b", "a"]), RUN_METRICS.frame(rows[::-1]))
    assert len(RowColumns().table([])) == 0


def test_a_typed_number_does_not_take_the_place_of_one_that_waits_for_its_confirmation():
    row = {"run": "r1", "metric": "avg_fps", "value": 120.0, "unit": "fps", "certainty": "likely", "step": 0.0}
    typed = pd.DataFrame({"run": ["r1"], "metric": ["avg_fps"], "value": [119.9], "step": [0.1]})
    merged, findings = merge_typed([row], typed, {"r1"})
    assert merged == [row]
    (told,) = findings
    assert told.check == "typed_beside_likely"
    assert "typed as 119.9" in told.message
    assert "gives 120: neither is used" in told.message


def test_a_plain_run_enters_few_modules_and_functions(tmp_path):
    _write(tmp_path, with_sensors=False)
    plan = _plan(tmp_path)
    tasks, rules, memory = open_review(plan).tasks, MetricRules.of_plan(plan), FormatMemory()
    for task in tasks[:2]:
        per_run._result(task, rules, memory)
    entered = set()

    def note(frame, event, _):
        code = frame.f_code
        if event == "call" and "gpubench_kit" in code.co_filename and not code.co_name.startswith("<"):
            entered.add((code.co_filename, code.co_qualname))

    sys.setprofile(note)
    try:
        result = per_run._result(tasks[2], rules, memory)
    finally:
        sys.setprofile(None)
    assert result.rows
    # One of them is the catalogue, which says what the format was told from.
    assert len({module for module, _ in entered}) <= 12
    assert len(entered) <= 60
