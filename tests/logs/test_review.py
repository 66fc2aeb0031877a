"""A review folder is opened, read one run at a time, and every fault is told in one go."""

import os

import numpy as np
import pandas as pd
import pytest
from made_logs import clock, frame_log, frame_times, sensor_signal, table

from gpubench_kit.logs.frame_timing import FRAME_SHARES
from gpubench_kit.logs.match_files import clock_set_back
from gpubench_kit.logs.review import open_review
from gpubench_kit.model.errors import GpubenchError, LogError
from gpubench_kit.model.plan import ReviewPlan

COLUMNS = ["run", "tuning", "game", "round", "order", "started_at", "frame_log", "sensor_log", "excluded"]


def _plan(folder, **sections):
    """Return a plan of one card, two tunings and one game in this folder."""
    plan = {
        "review": {"title": "Larkmoor 4"},
        "cards": [{"name": "Larkmoor 4"}],
        "tunings": [{"name": "factory", "reference": True}, {"name": "quiet"}],
        "games": [{"name": "Salt Orchard"}],
    }
    return ReviewPlan.from_dict({**plan, **sections}, folder=folder)


def _folder(folder, rows, *, logs=None):
    """Write a run sheet and logs; ``rows`` are dicts, ``logs`` names to texts."""
    (folder / "logs").mkdir(exist_ok=True)
    for name, text in (logs or {}).items():
        (folder / "logs" / name).write_text(text, encoding="utf-8")
    sheet = pd.DataFrame(rows).reindex(columns=[*COLUMNS, *({key for row in rows for key in row} - set(COLUMNS))])
    sheet.to_csv(folder / "runs.csv", index=False)


def _row(number, **cells):
    """Return one row of a run sheet."""
    tuning = ("factory", "quiet")[number % 2]
    row = {
        "run": f"r{number}",
        "tuning": tuning,
        "game": "Salt Orchard",
        "round": number // 2 + 1,
        "order": number + 1,
    }
    return {**row, "frame_log": f"logs/r{number}.csv", **cells}


def _four(folder, **cells_of_first):
    """Write a folder with four runs; the first may differ."""
    rows = [_row(0, **cells_of_first), *(_row(number) for number in range(1, 4))]
    _folder(folder, rows, logs={f"r{number}.csv": frame_log(frame_times(seed=number)) for number in range(4)})


def test_facts_are_read_once_and_fill_the_table_of_runs(tmp_path):
    _four(tmp_path)
    review = open_review(_plan(tmp_path))
    assert review.runs["n_frames"].isna().all()
    facts = review.facts()
    for number in range(4):
        (tmp_path / "logs" / f"r{number}.csv").unlink()
    assert review.facts().equals(facts)
    assert review.runs["n_frames"].tolist() == [400] * 4
    assert review.runs["duration_s"].tolist() == pytest.approx(
        [frame_times(seed=number).sum() / 1000 for number in range(4)]
    )
    assert review.runs["frame_log_sha256"].str.len().tolist() == [64] * 4


def test_quantiles_of_the_frames_are_kept_for_the_percentile_curve(tmp_path):
    _four(tmp_path)
    review = open_review(_plan(tmp_path))
    review.facts()
    expected = np.percentile(frame_times(seed=2), FRAME_SHARES)
    assert review.facts_of("r2").frame_quantiles_ms == pytest.approx(expected.tolist(), rel=1e-3)


def test_runs_come_one_at_a_time_with_frames_and_samples(tmp_path):
    length_s = frame_times(seed=0).sum() / 1000
    times, load, watts = sensor_signal(length_s, step_s=0.2)
    _four(tmp_path, sensor_log="logs/s0.csv")
    text = table({"c": clock(times), "board_w": watts.round(1), "load_pct": load})
    (tmp_path / "logs" / "s0.csv").write_text(text, encoding="utf-8")
    first, *others = open_review(_plan(tmp_path)).read_runs()
    assert sorted(first.sensors) == ["board_w", "load_pct"]
    assert first.sensor_time_s[0] == pytest.approx(-5.0, abs=0.2)
    assert first.facts.alignment == "load_edge"
    assert [dict(run.sensors) for run in others] == [{}] * 3
    assert [run.frames.frame_ms.size for run in others] == [400] * 3


BROKEN = {
    "r0.csv": "",
    "r1.csv": "elapsed_s,frame_ms\n" + "".join(f"{k / 100:.4f},{10 if k != 7 else 'abc'}\n" for k in range(20)),
    "r2.csv": "name,note\nx,y\n",
}


def test_all_faults_of_logs_are_told_in_one_error(tmp_path):
    rows = [*(_row(number) for number in range(4)), _row(5)]
    _folder(tmp_path, rows, logs={**BROKEN, "r3.csv": frame_log(frame_times())})
    with pytest.raises(LogError) as caught:
        list(open_review(_plan(tmp_path)).read_runs())
    told = "\n".join(str(fault) for fault in caught.value.faults)
    for part in (
        "run 'r0', logs/r0.csv: the file is empty",
        "run 'r1', logs/r1.csv, line 9: column 'frame_ms' holds 'abc' where a number is expected",
        "run 'r2', logs/r2.csv: no rows with numbers",
        "run 'r5': log 'logs/r5.csv' is missing",
    ):
        assert part in told
    assert "r3" not in told


def test_check_goes_on_past_unusable_logs(tmp_path):
    _folder(tmp_path, [_row(number) for number in range(4)], logs={**BROKEN, "r3.csv": frame_log(frame_times())})
    review = open_review(_plan(tmp_path), keep_going=True)
    assert review.facts()["n_frames"].tolist() == [0, 0, 0, 400]
    stops = [one.run for one in review.findings if one.check == "log_unusable"]
    assert stops == ["r0", "r1", "r2"]
    assert {one.severity for one in review.findings if one.check == "log_unusable"} == {"stop"}


def test_unusable_log_of_an_excluded_run_is_a_note(tmp_path):
    _four(tmp_path, excluded="crash")
    (tmp_path / "logs" / "r0.csv").write_text("", encoding="utf-8")
    review = open_review(_plan(tmp_path))
    review.facts()
    review.raise_faults()
    assert [one.check for one in review.findings] == ["excluded_log_unusable"]


def test_row_without_log_and_numbers_is_not_recorded_yet(tmp_path):
    _four(tmp_path, frame_log="")
    review = open_review(_plan(tmp_path))
    assert [one.check for one in review.findings] == ["not_recorded_yet", "files_without_row"]
    assert review.runs["is_recorded"].tolist() == [False, True, True, True]


def test_link_that_leads_out_of_the_folder_is_not_followed(tmp_path):
    outside = tmp_path / "outside.csv"
    outside.write_text(frame_log(frame_times()), encoding="utf-8")
    folder = tmp_path / "review"
    folder.mkdir()
    _four(folder)
    (folder / "logs" / "r0.csv").unlink()
    try:
        os.symlink(outside, folder / "logs" / "r0.csv")
    except OSError:  # systems that let only some users make links
        return
    with pytest.raises(GpubenchError, match="leaves the review folder"):
        open_review(_plan(folder))


def test_pattern_of_the_plan_names_logs(tmp_path):
    rows = [_row(number, frame_log="") for number in range(2)]
    names = {
        "Salt Orchard_factory_1.csv": frame_log(frame_times()),
        "Salt Orchard_quiet_1.csv": frame_log(frame_times(seed=2)),
    }
    _folder(tmp_path, rows, logs=names)
    review = open_review(_plan(tmp_path, logs={"pattern": "{game}_{tuning}_{round}.csv"}))
    assert review.facts()["n_frames"].tolist() == [400, 400]
    assert [one.check for one in review.findings] == ["log_by_pattern"] * 2


def _clocked(seed, start):
    """Return a frame log that began at this time."""
    frame_ms = frame_times(seed=seed)
    starts = (np.cumsum(frame_ms) - frame_ms) / 1000
    return table({"c": clock(starts, start), "t": [f"{one:.6f}" for one in starts], "f": frame_ms})


def test_order_done_comes_from_clocks_and_not_from_the_plan(tmp_path):
    starts = ["2026-11-02T21:00:00", "2026-11-02T20:50:00", "2026-11-02T21:20:00", "2026-11-02T21:10:00"]
    logs = {f"r{number}.csv": _clocked(number, start) for number, start in enumerate(starts)}
    _folder(tmp_path, [_row(number) for number in range(4)], logs=logs)
    review = open_review(_plan(tmp_path))
    assert review.runs["order_known"].tolist() == [False] * 4
    review.facts()
    assert review.runs["order_done"].tolist() == [2, 1, 4, 3]
    assert review.runs["order_known"].tolist() == [True] * 4


def test_order_done_comes_from_typed_start_times(tmp_path):
    starts = ["2026-11-02 21:00", "2026-11-02 20:50", "2026-11-02 21:20", "2026-11-02 21:10"]
    rows = [_row(number, started_at=start) for number, start in enumerate(starts)]
    _folder(tmp_path, rows, logs={f"r{number}.csv": frame_log(frame_times()) for number in range(4)})
    assert open_review(_plan(tmp_path)).runs["order_done"].tolist() == [2, 1, 4, 3]


def test_order_without_clocks_is_as_planned_and_not_known(tmp_path):
    _four(tmp_path)
    review = open_review(_plan(tmp_path))
    review.facts()
    assert review.runs["order_done"].tolist() == [1, 2, 3, 4]
    assert not review.runs["order_known"].any()


def test_routine_notes_of_many_runs_are_one_note(tmp_path):
    rows = [_row(number) for number in range(6)]
    _folder(
        tmp_path,
        rows,
        logs={f"r{number}.csv": frame_log(frame_times(seed=number)) + "1.0,1" for number in range(6)},
    )
    review = open_review(_plan(tmp_path))
    review.facts()
    (note,) = review.findings
    assert (note.check, note.run, note.found) == ("cut_last_line", "", 6.0)
    assert note.message.startswith("in 6 runs a last line without line end was left out. For example run 'r0'")


def test_declared_columns_of_one_card_are_used_for_its_runs(tmp_path):
    frame_ms = frame_times()
    _four(tmp_path)
    for number in range(4):
        text = table({"first": frame_ms, "second": frame_ms + 1})
        (tmp_path / "logs" / f"r{number}.csv").write_text(text, encoding="utf-8")
    logs = {"Larkmoor 4": {"frame_time": {"column": "second", "unit": "ms"}}}
    review = open_review(_plan(tmp_path, logs=logs))
    assert review.facts()["duration_s"].tolist() == pytest.approx([(frame_ms + 1).sum() / 1000] * 4)


def _shared_sensors(folder, n_runs=2):
    """Write a folder whose runs share one sensor log by the wall clock; return it."""
    lengths = [frame_times(seed=number).sum() / 1000 for number in range(n_runs)]
    times, load, watts = sensor_signal(lengths[0], before_s=10.0, after_s=200.0, step_s=0.5)
    text = table({"c": clock(times, "2026-11-02T20:59:50"), "board_w": watts.round(1), "load_pct": load})
    logs = {f"r{number}.csv": _clocked(number, f"2026-11-02T21:0{number}:00") for number in range(n_runs)}
    _folder(
        folder, [_row(number, sensor_log="logs/s.csv") for number in range(n_runs)], logs={**logs, "s.csv": text}
    )
    return folder / "logs" / "s.csv"


def test_sensor_log_of_many_runs_is_read_once_and_cut_to_each(tmp_path):
    shared = _shared_sensors(tmp_path)
    runs = open_review(_plan(tmp_path, logs={"sensor_clock": "same_machine"})).read_runs()
    first = next(runs)
    shared.unlink()
    second = next(runs)
    assert (first.facts.alignment, first.facts.shift_s) == ("clock", -10.0)
    assert first.facts.mean_load_pct == pytest.approx(98.0)
    # By its clock the card idled during the second run: that cannot be its place in the log.
    assert second.sensors == {}
    assert "the card idled for most of this run" in second.findings[-1].message


def test_clocks_alone_never_place_the_runs_of_a_shared_sensor_log(tmp_path):
    _shared_sensors(tmp_path)
    review = open_review(_plan(tmp_path))
    _, second = review.read_runs()
    assert second.sensors == {}
    (finding,) = [one for one in review.findings if one.check == "clock_not_proven"]
    assert "it spans 2 runs" in finding.message
    assert 'sensor_clock = "same_machine"' in finding.action


def test_faults_of_both_logs_of_a_run_are_told(tmp_path):
    _four(tmp_path, sensor_log="logs/s0.csv")
    (tmp_path / "logs" / "r0.csv").write_text("", encoding="utf-8")
    (tmp_path / "logs" / "s0.csv").write_text("no sensors\n", encoding="utf-8")
    with pytest.raises(LogError, match=r"(?s)logs/r0\.csv: the file is empty.*logs/s0\.csv: no rows with numbers"):
        list(open_review(_plan(tmp_path)).read_runs())


def _loose(folder, starts, rows):
    """Write frame logs with clocks that no row names, under names that say nothing."""
    logs = {f"rec {len(starts) - k}.csv": _clocked(k, start) for k, start in enumerate(starts)}
    _folder(folder, rows, logs=logs)


STARTS = ["2026-11-02T21:00:10", "2026-11-02T21:03:40", "2026-11-02T21:07:05"]


def test_logs_without_names_are_found_by_start_and_clock(tmp_path):
    typed = ["2026-11-02 21:07", "2026-11-02 21:00", "2026-11-02 21:04"]
    _loose(tmp_path, STARTS, [_row(k, frame_log="", started_at=start) for k, start in enumerate(typed)])
    review = open_review(_plan(tmp_path))
    assert [task.frame_name for task in review.tasks] == ["logs/rec 1.csv", "logs/rec 3.csv", "logs/rec 2.csv"]
    guesses = [one for one in review.findings if one.check == "log_guessed"]
    assert "'logs/rec 1.csv' was taken by its clock and the start typed in the sheet" in guesses[0].message


def test_logs_without_names_are_found_by_sequence_if_there_are_as_many(tmp_path):
    _loose(tmp_path, STARTS, [_row(k, frame_log="") for k in range(3)])
    review = open_review(_plan(tmp_path))
    assert [task.frame_name for task in review.tasks] == ["logs/rec 3.csv", "logs/rec 2.csv", "logs/rec 1.csv"]
    assert sum(one.check == "log_guessed" for one in review.findings) == 3


def test_names_that_speak_of_tunings_go_before_their_sequence(tmp_path):
    kinds = (("quiet", 1), ("factory", 1), ("quiet", 2))
    rows = [_row(k, frame_log="", tuning=tuning, round=n) for k, (tuning, n) in enumerate(kinds)]
    names = ["factory 1.csv", "quiet 1.csv", "quiet 2.csv"]
    _folder(tmp_path, rows, logs={name: _clocked(k, STARTS[k]) for k, name in enumerate(names)})
    review = open_review(_plan(tmp_path))
    assert [task.frame_name for task in review.tasks] == [f"logs/{names[k]}" for k in (1, 0, 2)]
    guesses = [one.message for one in review.findings if one.check == "log_guessed"]
    assert all("by the game, tuning and number in its name" in message for message in guesses)


def test_a_log_named_for_another_tuning_is_never_taken_by_its_clock(tmp_path):
    rows = [_row(k, frame_log="", tuning=tuning, started_at=start.replace("T", " "))
            for k, (tuning, start) in enumerate(zip(("quiet", "factory"), STARTS, strict=False))]  # fmt: skip
    logs = {"a factory.csv": _clocked(0, STARTS[0]), "b quiet.csv": _clocked(1, STARTS[1])}
    _folder(tmp_path, rows, logs=logs)
    review = open_review(_plan(tmp_path), keep_going=True)
    assert review.tasks == ()
    (asked,) = (one for one in review.findings if one.check == "logs_not_matched")
    assert "the name of 'logs/a factory.csv' speaks of another game or tuning than run 'r0'" in asked.message


def _named_otherwise(folder, names, **cells):
    """Return the runs whose logs have these names, by the tuning of another one."""
    rows = [_row(k, frame_log=f"logs/{name}", **cells) for k, name in enumerate(names)]
    logs = {name.rpartition("/")[2]: frame_log(frame_times(seed=k)) for k, name in enumerate(names)}
    _folder(folder, rows, logs=logs)
    findings = open_review(_plan(folder), keep_going=True).findings
    return [(one.run, one.severity) for one in findings if one.check == "log_named_otherwise"]


def test_a_log_named_for_another_tuning_than_its_row_stops_the_run(tmp_path):
    right = [
        "Salt Orchard factory 1.csv",
        "Salt Orchard quiet 1.csv",
        "Salt Orchard factory 2.csv",
        "a quiet 2.csv",
    ]
    assert _named_otherwise(tmp_path, right) == []
    # Each run has the log of the run before it.
    shifted = [right[-1], *right[:-1]]
    assert _named_otherwise(tmp_path, shifted) == [(f"r{k}", "stop") for k in range(4)]
    assert _named_otherwise(tmp_path, shifted, excluded="crash") == []


def test_a_word_that_all_names_hold_speaks_of_no_row(tmp_path):
    assert _named_otherwise(tmp_path, [f"quiet bench {k}.csv" for k in range(4)]) == []
    assert _named_otherwise(tmp_path, ["quiet or factory 1.csv", "x.csv", "factory.csv", "quiet.csv"]) == []


@pytest.mark.parametrize("typed", [{}, {"avg_fps": 101.5}])
def test_a_sensor_log_of_all_tells_nothing_of_a_row_without_frames(tmp_path, typed):
    rows = [_row(k, sensor_log="logs/all.csv", **(typed if k == 0 else {})) for k in range(4)]
    rows[0]["frame_log"] = ""
    signal = table({"time_s": np.arange(300.0), "board_w": 200 + np.sin(np.arange(300.0)).round(2)})
    logs = {f"r{k}.csv": frame_log(frame_times(seed=k)) for k in range(1, 4)}
    _folder(tmp_path, rows, logs=logs | {"all.csv": signal})
    review = open_review(_plan(tmp_path), keep_going=True)
    assert [task.run for task in review.tasks] == ["r1", "r2", "r3"]
    (told,) = (one for one in review.findings if one.check == "samples_of_others")
    assert "1 row of the run sheet names no frame log" in told.message
    # A log of its own is that of a run without frames, such as one with the card idle.
    rows[0]["sensor_log"] = "logs/own.csv"
    _folder(tmp_path, rows, logs={"own.csv": signal})
    assert len(open_review(_plan(tmp_path), keep_going=True).tasks) == 4


def test_logs_that_do_not_match_the_number_of_rows_are_not_guessed(tmp_path):
    _loose(tmp_path, STARTS[:2], [_row(k, frame_log="") for k in range(3)])
    review = open_review(_plan(tmp_path), keep_going=True)
    assert review.tasks == ()
    assert [one.check for one in review.findings] == ["logs_not_matched", "not_recorded_yet", "files_without_row"]


def _evening(folder, starts, **cells):
    """Return the review of runs with logs of their own, which begin at these times by a clock without a zone."""
    logs = {f"r{number}.csv": _clocked(number, f"2026-10-25T{start}") for number, start in enumerate(starts)}
    _folder(folder, [_row(number, **cells) for number in range(len(starts))], logs=logs)
    review = open_review(_plan(folder))
    review.facts()
    return review


def test_clock_set_back_by_an_hour_does_not_turn_the_order_round(tmp_path):
    review = _evening(tmp_path, ["02:50:00", "02:55:00", "02:55:03", "02:58:00"])
    assert review.runs["order_done"].tolist() == [1, 2, 3, 4]
    assert clock_set_back(review.runs, review.facts()) == ()
    review = _evening(tmp_path, ["02:10:00", "02:55:00", "02:10:03", "02:15:00"])
    assert review.runs["order_done"].tolist() == [1, 2, 3, 4]
    assert review.runs["order_known"].all()
    assert clock_set_back(review.runs, review.facts()) == ("r2", "r3")


@pytest.mark.parametrize(
    ("starts", "done"),
    [
        (["02:10:00", "02:55:00", "02:12:00", "02:15:00"], [1, 4, 2, 3]),  # no two runs at the same time
        (["02:10:00", "02:55:00", "01:10:03", "01:15:00"], [3, 4, 1, 2]),  # more than an hour back
        (["02:10:00", "02:05:00", "02:10:03", "02:08:00"], [3, 1, 4, 2]),  # back twice
    ],
)
def test_runs_done_in_another_order_are_not_taken_for_a_clock_set_back(tmp_path, starts, done):
    review = _evening(tmp_path, starts)
    assert review.runs["order_done"].tolist() == done
    assert clock_set_back(review.runs, review.facts()) == ()


def test_a_sensor_log_that_cannot_be_used_leaves_the_frames(tmp_path):
    logs = {f"r{number}.csv": frame_log(frame_times(seed=number)) for number in range(4)}
    rows = [_row(number, sensor_log=f"logs/s{number}.csv" if number < 2 else "") for number in range(4)]
    _folder(tmp_path, rows, logs={**logs, "s0.csv": "no,table\nat,all\n"})
    review = open_review(_plan(tmp_path), keep_going=True)
    assert review.facts()["n_frames"].tolist() == [400] * 4
    stops = [(one.run, one.check, one.severity) for one in review.findings if one.severity == "stop"]
    assert sorted(stops) == [("r0", "sensor_log_unusable", "stop"), ("r1", "sensor_log_unusable", "stop")]
    with pytest.raises(LogError):
        list(open_review(_plan(tmp_path)).read_runs())
