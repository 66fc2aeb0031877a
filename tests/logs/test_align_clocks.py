"""Clocks that are an hour off within a log, between logs, or all evening: aligned rightly, or not at all."""

import numpy as np
import pytest
from made_logs import clock, frame_times, table

from gpubench_kit.logs.align import align
from gpubench_kit.logs.read_frames import read_frame_log
from gpubench_kit.logs.read_samples import read_sensor_log

FRAME_MS = frame_times(3700)
FRAME_MS = FRAME_MS[np.cumsum(FRAME_MS) < 60_000]

#: A sensor log of an evening, one sample a second; its clock is changed at this time, if at all [s].
EVENING_S = np.arange(0.0, 7200.0)
CHANGED_S = 3000.0


def _aligned(tmp_path, run_at_s, *, clock_jump_s=0, zone_s=0, busy=((4500.0, 4560.0),), has_load=True):
    """Return how a run is aligned that starts so many seconds into the evening, by the clock valid then."""
    starts = run_at_s + (np.cumsum(FRAME_MS) - FRAME_MS) / 1000
    wall = starts + (clock_jump_s if run_at_s >= CHANGED_S else 0) + zone_s
    frames = {"c": clock(wall), "t": [f"{one - run_at_s:.6f}" for one in starts], "f": FRAME_MS}
    stamps = clock(EVENING_S + np.where(EVENING_S >= CHANGED_S, clock_jump_s, 0))
    is_busy = np.isin(EVENING_S, np.concatenate([np.arange(start, end) for start, end in busy]))
    sensors = {"c": stamps, "core_c": np.where(is_busy, 60, 50)}
    sensors |= {"load_pct": np.where(is_busy, 98, 2)} if has_load else {}
    for name, columns in (("frames.csv", frames), ("sensors.csv", sensors)):
        (tmp_path / name).write_text(table(columns), encoding="utf-8")
    return align(read_frame_log(tmp_path / "frames.csv"), read_sensor_log(tmp_path / "sensors.csv"))


@pytest.mark.parametrize("jump_s", [-3600, 3600])
@pytest.mark.parametrize("run_at_s", [300.0, 7000.0])
def test_runs_on_either_side_of_a_jump_get_the_samples_of_their_own_time(tmp_path, jump_s, run_at_s):
    aligned = _aligned(tmp_path, run_at_s, clock_jump_s=jump_s, busy=((run_at_s, run_at_s + 60),))
    assert aligned.shift_s == pytest.approx(-run_at_s, abs=0.002)
    assert aligned.overlap == 1.0
    assert aligned.findings == ()


@pytest.mark.parametrize("run_at_s", [500.0, 4100.0])
def test_hour_that_a_clock_shows_twice_is_told_apart_by_the_load(tmp_path, run_at_s):
    aligned = _aligned(tmp_path, run_at_s, clock_jump_s=-3600, busy=((run_at_s, run_at_s + 60),))
    assert aligned.shift_s == pytest.approx(-run_at_s, abs=0.002)


@pytest.mark.parametrize("busy", [(), ((500.0, 560.0), (4100.0, 4160.0)), ((500.0, 700.0),)])
def test_hour_that_a_clock_shows_twice_is_not_guessed_where_the_load_does_not_tell(tmp_path, busy):
    aligned = _aligned(tmp_path, 4100.0, clock_jump_s=-3600, busy=busy or ((0.0, 0.0),))
    assert np.isnan(aligned.shift_s)
    assert aligned.overlap == 0.0
    assert "set back by an hour" in aligned.findings[0].message
    assert "500.0 s or 4100.0 s into the log" in aligned.findings[0].message


def test_zone_of_a_log_of_hours_is_told_by_the_load(tmp_path):
    aligned = _aligned(tmp_path, 4500.0, zone_s=3 * 3600)
    assert aligned.shift_s == pytest.approx(-4500.0, abs=0.002)
    assert [(one.check, one.found) for one in aligned.findings] == [("clocks_differ", -3.0)]


def test_zone_of_a_log_of_hours_is_not_guessed_without_load(tmp_path):
    aligned = _aligned(tmp_path, 4500.0, zone_s=3 * 3600, has_load=False)
    assert aligned.overlap == 0.0
    assert [one.check for one in aligned.findings] == ["sensor_log_of_another_run"]


def test_log_of_another_evening_is_not_taken_for_one_of_another_zone(tmp_path):
    aligned = _aligned(tmp_path, 4500.0, zone_s=5 * 3600, busy=((4600.0, 4660.0),))
    assert aligned.overlap == 0.0
    assert [one.check for one in aligned.findings] == ["sensor_log_of_another_run"]
