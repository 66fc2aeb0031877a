"""Times that begin at 0:00:00 are time that has passed, not the time of day; unless something says otherwise."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_logs import clock, frame_log, frame_times, sensor_signal, table

from gpubench_kit.logs.align import align
from gpubench_kit.logs.clock import begins_at_zero
from gpubench_kit.logs.format import Declaration, RunTask
from gpubench_kit.logs.read_frames import FormatMemory, read_frame_log
from gpubench_kit.logs.read_samples import read_sensor_log
from gpubench_kit.logs.run_log import read_run
from gpubench_kit.metrics.inspect_log import inspect_log

FRAME_MS = frame_times(3000)
RUN_S = FRAME_MS.sum() / 1000
STARTS_S = (np.cumsum(FRAME_MS) - FRAME_MS) / 1000
TIMES, LOAD, WATTS = sensor_signal(RUN_S)


def _hours(times, decimals=3):
    """Return times [s] as h:mm:ss, cut off at so many decimals."""
    stamps = []
    for whole in (round(float(one) * 1000) for one in times):
        seconds = f"{whole % 60_000 / 1000:06.3f}"[: 3 + decimals if decimals else 2]
        stamps.append(f"{whole // 3_600_000}:{whole // 60_000 % 60:02d}:{seconds}")
    return stamps


def _path(tmp_path, name, columns):
    """Return the path of a log of these columns."""
    path = tmp_path / name
    path.write_text(table(columns), encoding="utf-8")
    return path


def _sensors(tmp_path, stamps, **others):
    """Return a sensor log with these stamps."""
    return _path(tmp_path, "sensors.csv", {"t": stamps, **others, "board_w": WATTS.round(1), "load_pct": LOAD})


def _frames(tmp_path, stamps):
    """Return a frame log with these stamps."""
    return _path(tmp_path, "frames.csv", {"t": stamps, "f": FRAME_MS})


@pytest.mark.parametrize(
    ("cell", "expected"),
    {
        "0:00:00": True,
        "00:00:00.000": True,
        "0:00:04.999": True,
        " 0:00:02,5 ": True,
        "0:00:05": False,
        "0:01:00": False,
        "1:00:00": False,
        "23:59:58": False,
        "0:00": False,
        "12:00:01 AM": False,
        "2026-11-03T00:00:00": False,
        "0.0": False,
        "": False,
    }.items(),
)
def test_first_time_begins_at_zero_within_five_seconds(cell, expected):
    assert begins_at_zero(cell) is expected


@given(st.integers(0, 86_399))
def test_only_the_first_five_seconds_of_a_day_begin_at_zero(second):
    assert begins_at_zero(f"{second // 3600:02d}:{second // 60 % 60:02d}:{second % 60:02d}") is (second < 5)


@pytest.mark.parametrize(("decimals", "origin_s"), [(3, 0.25), (0, 0.0)])
def test_samples_from_zero_have_elapsed_time_and_no_clock(tmp_path, decimals, origin_s):
    log = read_sensor_log(_sensors(tmp_path, _hours(TIMES + 0.25, decimals)))
    assert (log.clock, log.clock_kind, log.origin_s) == (None, "", origin_s)
    assert log.time_s == pytest.approx(TIMES, abs=1e-6 if decimals else 1.0)
    assert [one.check for one in log.findings][:1] == ["counted_from_zero"]


def test_samples_from_zero_go_on_past_an_hour_and_past_a_day(tmp_path):
    times = np.arange(0, 100_000, 10.0)
    columns = {"t": _hours(times, 0), "load_pct": np.where(times % 40 < 20, 2, 98)}
    assert read_sensor_log(_path(tmp_path, "sensors.csv", columns)).time_s == pytest.approx(times)


def test_evidence_is_told(tmp_path):
    told = inspect_log(_sensors(tmp_path, _hours(TIMES)))
    assert told["columns"]["elapsed_time"]["column"] == "t"
    assert told["columns"]["elapsed_time"]["why"] == (
        "its times begin at '0:00:00.000', and no date stands beside them: time that has passed, no time of day"
    )
    finding = told["findings"][0]
    assert finding["message"].endswith("they were read as the time that has passed, not as the time of day.")
    assert finding["action"].endswith('say so in the plan: [logs] sensor_time = { column = "t" }')


def test_frames_from_zero_have_elapsed_time_and_no_clock(tmp_path):
    log = read_frame_log(_frames(tmp_path, _hours(STARTS_S + 0.5)))
    assert (log.clock, log.clock_kind, log.midnight_clock) == (None, "", 0.5)
    assert log.origin_s == pytest.approx(0.5)
    assert "elapsed_time" in [one.role for one in log.choices]
    assert log.frames.frame_ms == pytest.approx(FRAME_MS)
    assert [(one.check, one.action) for one in log.findings] == [("counted_from_zero", "")]


def test_clock_stays_where_the_plan_declares_it(tmp_path):
    path = _sensors(tmp_path, _hours(TIMES))
    log = read_sensor_log(path, declared=Declaration(sensor_time="t"))
    assert (log.clock, log.clock_kind, log.findings) == (0.0, "time_of_day", ())


def test_clock_stays_where_dates_stand_beside_the_times(tmp_path):
    path = _sensors(tmp_path, _hours(TIMES), d=["2026-11-03"] * TIMES.size)
    log = read_sensor_log(path)
    assert (log.clock_kind, log.findings) == ("dated", ())


@pytest.mark.parametrize("start", ["2026-11-03T00:00:00", "2026-11-02T21:00:00"])
def test_dated_stamps_are_the_clock_beside_times_from_zero(tmp_path, start):
    log = read_sensor_log(_sensors(tmp_path, _hours(TIMES), c=clock(TIMES, start)))
    assert (log.clock_kind, log.midnight_clock, log.findings) == ("dated", None, ())
    assert [one.label for one in log.choices if one.role == "clock_time"] == ["column 'c'"]


@pytest.mark.parametrize("start", ["2026-11-02T00:01:00", "2026-11-02T23:59:57", "2026-11-02T12:00:00"])
def test_times_that_begin_elsewhere_are_times_of_day(tmp_path, start):
    log = read_sensor_log(_sensors(tmp_path, clock(TIMES, start, "%H:%M:%S.%f")))
    assert (log.clock_kind, log.midnight_clock) == ("time_of_day", None)
    assert log.time_s == pytest.approx(TIMES, abs=0.001)


def test_frames_from_zero_align_with_clocked_samples_by_the_load(tmp_path):
    frames = read_frame_log(_frames(tmp_path, _hours(STARTS_S)))
    sensors = read_sensor_log(_sensors(tmp_path, clock(TIMES, "2026-11-02T21:14:55")))
    aligned = align(frames, sensors)
    assert (aligned.method, aligned.overlap) == ("load_edge", 1.0)
    assert aligned.shift_s == pytest.approx(-5.0, abs=0.6)


def test_run_that_begins_at_midnight_lines_up_with_a_clock_that_goes_through_it(tmp_path):
    frames = read_frame_log(_frames(tmp_path, _hours(STARTS_S + 0.5)))
    sensors = read_sensor_log(_sensors(tmp_path, clock(TIMES, "2026-11-02T23:59:55.500")))
    aligned = align(frames, sensors)
    assert (aligned.method, aligned.overlap, aligned.findings) == ("clock", 1.0, ())
    assert aligned.shift_s == pytest.approx(-5.0, abs=1e-6)


def test_samples_that_begin_at_midnight_align_with_clocked_frames(tmp_path):
    frame_stamps = clock(STARTS_S, "2026-11-03T00:00:05")
    frames = read_frame_log(_frames(tmp_path, frame_stamps))
    aligned = align(frames, read_sensor_log(_sensors(tmp_path, _hours(TIMES))))
    assert (aligned.method, aligned.findings) == ("clock", ())
    assert aligned.shift_s == pytest.approx(-5.0, abs=1e-6)


def test_load_elsewhere_in_a_log_that_goes_through_midnight_outweighs_it(tmp_path):
    frames = read_frame_log(_frames(tmp_path, _hours(STARTS_S)))
    sensors = read_sensor_log(_sensors(tmp_path, clock(TIMES, "2026-11-02T23:59:30")))
    aligned = align(frames, sensors)
    assert aligned.method == "load_edge"
    assert aligned.shift_s == pytest.approx(-5.0, abs=0.6)


def test_frames_and_samples_from_zero_are_one_clock(tmp_path):
    frames = read_frame_log(_frames(tmp_path, _hours(STARTS_S + 4.5)))
    aligned = align(frames, read_sensor_log(_sensors(tmp_path, _hours(TIMES))))
    assert (aligned.method, aligned.shift_s) == ("same_clock", pytest.approx(-4.5, abs=1e-6))


def test_log_from_zero_is_not_read_as_the_clocked_one_before_it(tmp_path):
    elapsed = [f"{one:.6f}" for one in STARTS_S]
    for names in ((21, 0), (0, 21)):
        memory = FormatMemory()
        for hour in names:
            stamps = [f"{hour}{one[1:]}" for one in _hours(STARTS_S)]
            path = _path(tmp_path, f"{hour}.csv", {"c": stamps, "t": elapsed, "f": FRAME_MS})
            run = read_run(RunTask("r", path, path.name), memory=memory)
            assert run.facts.clock_kind == ("time_of_day" if hour else "")
            assert [one.check for one in run.findings] == ([] if hour else ["counted_from_zero"])


def test_plain_elapsed_seconds_say_nothing_of_midnight(tmp_path):
    path = tmp_path / "frames.csv"
    path.write_text(frame_log(FRAME_MS))
    log = read_frame_log(path)
    assert (log.origin_s, log.midnight_clock, log.findings) == (0.0, None, ())
