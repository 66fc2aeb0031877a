"""Samples come onto the frames' clock: by clocks, by declaration, by edges; and nothing is guessed in silence."""

import numpy as np
import pytest
from made_logs import clock, frame_log, frame_times, sensor_signal, table

from gpubench_kit.logs.align import align
from gpubench_kit.logs.format import Declaration, RunTask
from gpubench_kit.logs.read_frames import read_frame_log
from gpubench_kit.logs.read_samples import read_sensor_log
from gpubench_kit.logs.run_log import read_run
from gpubench_kit.metrics.formulas import mean_over_window
from gpubench_kit.model.errors import LogError

FRAME_MS = frame_times(3000)
RUN_S = FRAME_MS.sum() / 1000


def _aligned(tmp_path, frame_text, sensor_text, **options):
    """Return how two logs are aligned."""
    (tmp_path / "frames.csv").write_text(frame_text, encoding="utf-8")
    (tmp_path / "sensors.csv").write_text(sensor_text, encoding="utf-8")
    return align(read_frame_log(tmp_path / "frames.csv"), read_sensor_log(tmp_path / "sensors.csv"), **options)


def _clocked_frames(start="2026-11-02T21:00:00", form="%Y-%m-%dT%H:%M:%S.%f"):
    """Return a frame log with a wall clock."""
    starts = (np.cumsum(FRAME_MS) - FRAME_MS) / 1000
    columns = {"c": clock(starts, start, form), "t": [f"{one:.6f}" for one in starts], "f": FRAME_MS}
    return table(columns)


def _sensors(times, load, watts, *, stamps=None, heading="t"):
    """Return a sensor log; without stamps, with elapsed seconds."""
    stamps = [f"{one:.3f}" for one in times] if stamps is None else stamps
    return table({heading: stamps, "board_w": watts.round(1), "load_pct": load})


def test_two_clocks_align_without_a_finding(tmp_path):
    times, load, watts = sensor_signal(RUN_S)
    aligned = _aligned(
        tmp_path, _clocked_frames(), _sensors(times, load, watts, stamps=clock(times, "2026-11-02T20:59:55"))
    )
    assert (aligned.method, aligned.findings) == ("clock", ())
    assert aligned.shift_s == pytest.approx(-5.0, abs=1e-6)
    assert aligned.overlap == 1.0


def test_clocks_in_other_time_zones_align_with_a_finding(tmp_path):
    times, load, watts = sensor_signal(RUN_S)
    aligned = _aligned(
        tmp_path, _clocked_frames(), _sensors(times, load, watts, stamps=clock(times, "2026-11-02T19:59:55"))
    )
    assert aligned.shift_s == pytest.approx(-5.0, abs=1e-6)
    assert [one.check for one in aligned.findings] == ["clocks_differ"]
    assert aligned.findings[0].found == -1.0


def test_time_of_day_lines_up_with_a_dated_clock_past_midnight(tmp_path):
    times, load, watts = sensor_signal(RUN_S)
    stamps = clock(times, "2026-11-02T23:59:55", "%H:%M:%S.%f")
    aligned = _aligned(
        tmp_path, _clocked_frames("2026-11-03T00:00:00"), _sensors(times, load, watts, stamps=stamps)
    )
    assert aligned.shift_s == pytest.approx(-5.0, abs=1e-6)


def test_sensor_log_of_another_run_is_told(tmp_path):
    times, load, watts = sensor_signal(RUN_S)
    stamps = clock(times, "2026-11-02T21:17:55")
    aligned = _aligned(tmp_path, _clocked_frames(), _sensors(times, load, watts, stamps=stamps))
    assert aligned.overlap == 0.0
    assert aligned.findings[0].check == "sensor_log_of_another_run"


def test_declared_offset_is_the_sensor_time_at_which_frames_start(tmp_path):
    times, load, watts = sensor_signal(RUN_S)
    aligned = _aligned(tmp_path, frame_log(FRAME_MS), _sensors(times, load, watts), offset_s=5.25)
    assert (aligned.method, aligned.shift_s) == ("declared", -5.25)


@pytest.mark.parametrize("step_s", [0.1, 0.5, 1.0, 2.0])
def test_load_edge_lines_up_elapsed_frames_with_clocked_sensors(tmp_path, step_s):
    times, load, watts = sensor_signal(RUN_S, before_s=8.0, step_s=step_s)
    aligned = _aligned(tmp_path, frame_log(FRAME_MS), _sensors(times, load, watts, stamps=clock(times)))
    assert aligned.method == "load_edge"
    assert aligned.shift_s == pytest.approx(-8.0, abs=0.51 * step_s)
    assert [one.check for one in aligned.findings] == ["aligned_by_edge"]
    assert "sensor_offset_s = " in aligned.findings[0].action


def test_load_is_asked_before_power_that_lags_and_shows_the_run_before(tmp_path):
    times, load, watts = sensor_signal(RUN_S, before_s=3.0, step_s=0.1)
    watts = np.maximum(watts, 300 - 120 * times)  # the tail of the run before
    aligned = _aligned(tmp_path, frame_log(FRAME_MS), _sensors(times, load, watts, stamps=clock(times)))
    assert aligned.method == "load_edge"
    assert aligned.shift_s == pytest.approx(-3.0, abs=0.06)


def test_power_edge_serves_where_there_is_no_load(tmp_path):
    times, _, watts = sensor_signal(RUN_S, before_s=6.0, step_s=0.2)
    text = table({"c": clock(times), "board_w": watts.round(1)})
    aligned = _aligned(tmp_path, frame_log(FRAME_MS), text)
    assert aligned.method == "power_edge"
    assert aligned.shift_s == pytest.approx(-6.5, abs=0.2)  # half a second late: the middle of the sensor's ramp


def test_busy_stretch_as_long_as_the_run_is_picked_out_of_several(tmp_path):
    times, load, watts = sensor_signal(RUN_S, before_s=40.0, step_s=0.5)
    load[10:40] = 98.0  # something else kept the card busy for 15 s
    aligned = _aligned(tmp_path, frame_log(FRAME_MS), _sensors(times, load, watts, stamps=clock(times)))
    assert aligned.shift_s == pytest.approx(-40.0, abs=0.3)


def test_two_stretches_as_long_as_the_run_are_not_guessed_between(tmp_path):
    times, load, watts = sensor_signal(RUN_S, before_s=5.0, after_s=5.0)
    later = times + times[-1] + 0.5
    text = _sensors(
        np.append(times, later), np.tile(load, 2), np.tile(watts, 2), stamps=clock(np.append(times, later))
    )
    aligned = _aligned(tmp_path, frame_log(FRAME_MS), text)
    assert aligned.method == "none"
    assert "2 stretches of GPU load are as long as the frames" in aligned.findings[0].message


def test_two_logs_that_count_seconds_are_one_clock_unless_an_edge_is_far_off(tmp_path):
    times = np.arange(0, RUN_S + 2, 0.5)
    steady = table({"t": times, "board_w": (250 + times).round(1)})
    aligned = _aligned(tmp_path, frame_log(FRAME_MS), steady)
    assert (aligned.method, aligned.shift_s) == ("same_clock", 0.0)
    assert [one.check for one in aligned.findings] == ["same_clock_taken"]
    times, load, watts = sensor_signal(RUN_S, before_s=20.0)
    assert _aligned(tmp_path, frame_log(FRAME_MS), _sensors(times, load, watts)).method == "load_edge"


def test_logs_with_nothing_in_common_are_not_joined(tmp_path):
    times = np.arange(0, 3 * RUN_S, 0.5)
    text = table({"c": clock(times), "board_w": 250 + (times % 3)})
    aligned = _aligned(tmp_path, frame_log(FRAME_MS), text)
    assert aligned.method == "none"
    assert np.isnan(aligned.shift_s)
    assert aligned.findings[0].check == "not_aligned"


def test_samples_that_end_early_are_told(tmp_path):
    times = np.arange(0, RUN_S / 2, 0.5)
    aligned = _aligned(tmp_path, frame_log(FRAME_MS), table({"t": times, "board_w": 250 + (times % 3)}))
    assert aligned.findings[-1].check == "sensors_cover_part"
    assert aligned.overlap == pytest.approx(0.5, abs=0.02)


def _read_sensors(tmp_path, text, **options):
    """Return the sensor log with this text."""
    (tmp_path / "sensors.csv").write_text(text, encoding="utf-8")
    return read_sensor_log(tmp_path / "sensors.csv", **options)


def test_daylight_saving_jump_is_undone(tmp_path):
    times = np.arange(0, 60, 0.5)
    stamps = clock(np.where(times < 30, times, times - 3600))
    log = _read_sensors(tmp_path, table({"c": stamps, "board_w": 200 + times}))
    assert log.time_s == pytest.approx(times)
    assert [one.check for one in log.findings] == ["clock_jump"]


def test_stamps_coarser_than_the_samples_are_spread(tmp_path):
    times = np.arange(0, 40, 0.25)
    stamps = clock(np.floor(times), form="%Y-%m-%d %H:%M:%S")
    log = _read_sensors(tmp_path, table({"c": stamps, "board_w": 200 + times}))
    assert log.time_s == pytest.approx(times)
    assert [one.check for one in log.findings] == ["coarse_stamps"]


def test_time_that_goes_back_leaves_the_longest_stretch(tmp_path):
    times = np.concatenate((np.arange(0, 10, 0.5), np.arange(0, 40, 0.5) + 0.1))
    log = _read_sensors(tmp_path, table({"t": times, "board_w": np.arange(100) + 200.5}))
    assert log.values["board_w"][0] == 220.5
    assert log.time_s[-1] == pytest.approx(39.5)
    assert [one.check for one in log.findings] == ["sensor_time_goes_back"]


def test_sensors_under_headings_of_no_meaning_are_asked_for(tmp_path):
    times, load, watts = sensor_signal(60.0)
    heat = (50 + np.minimum(times / 3, 15)).astype(int)
    log = _read_sensors(tmp_path, table({"when": times, "p": watts.round(2), "u": load, "h": heat}))
    assert log.values == {}
    (asked,) = [one for one in log.findings if one.check == "sensors_unclear"]
    assert 'load_pct = "u"' in asked.action


def test_two_temperatures_are_asked_for_and_not_guessed(tmp_path):
    times = np.arange(0, 60, 0.5)
    text = table({"when": times, "a": (50 + times / 6).round(0), "b": (62 + times / 5).round(0)})
    log = _read_sensors(tmp_path, text)
    assert log.values == {}
    assert [one.check for one in log.findings] == ["sensors_unclear"]
    declared = Declaration(sensors={"core_c": "a", "hotspot_c": "b"})
    assert set(_read_sensors(tmp_path, text, declared=declared).values) == {"core_c", "hotspot_c"}


def test_declared_sensors_that_are_missing_are_all_named(tmp_path):
    times = np.arange(0, 60, 0.5)
    declared = Declaration(sensors={"core_c": "x", "board_w": "y"})
    with pytest.raises(LogError) as caught:
        _read_sensors(tmp_path, table({"when": times, "a": times + 40}), declared=declared)
    assert [fault.problem.split(",")[0] for fault in caught.value.faults] == ["column 'x'", "column 'y'"]


def test_sensor_log_without_time_is_refused(tmp_path):
    with pytest.raises(LogError, match="no column rises like the time of samples"):
        _read_sensors(tmp_path, table({"a": [3.5, 2.5, 3.0] * 20, "b": [1, 1, 2] * 20}))


def test_typed_start_tells_which_of_several_stretches_is_the_run(tmp_path):
    times, load, watts = sensor_signal(RUN_S, before_s=40.0, after_s=40.0)
    shared = np.append(times, times + times[-1] + 0.5)
    text = _sensors(shared, np.tile(load, 2), np.tile(watts, 2), stamps=clock(shared))
    second_s = times[-1] + 0.5 + 40.0
    started_at_s = 1793653200.0 + second_s + 8.0  # typed to the minute or so, not to the second
    aligned = _aligned(tmp_path, frame_log(FRAME_MS), text, started_at_s=started_at_s)
    assert aligned.method == "load_edge"
    assert aligned.shift_s == pytest.approx(-second_s, abs=0.3)


def test_volts_and_megabytes_become_the_units_of_their_metrics_with_a_finding(tmp_path):
    times = np.arange(0, 60, 0.5)
    columns = {"when": times, "core_mv": 1.0 + times / 1000, "memory_used_gb": 8192 + times}
    log = _read_sensors(tmp_path, table(columns))
    assert log.values["core_mv"][0] == pytest.approx(1000.0)
    assert log.values["memory_used_gb"][0] == pytest.approx(8.0)
    assert [one.check for one in log.findings] == ["sensor_unit_taken"] * 2


def test_declared_sensor_of_words_is_refused_and_a_named_one_is_told(tmp_path):
    times = np.arange(0, 60, 0.5)
    text = table({"when": times, "board_w": ["off"] * 120, "core_c": 40 + times})
    log = _read_sensors(tmp_path, text)
    assert set(log.values) == {"core_c"}
    assert "column 'board_w' holds no numbers in the first rows (the first is 'off')" in log.findings[0].message
    with pytest.raises(LogError, match="column 'board_w', declared as wall_w, holds no numbers"):
        _read_sensors(tmp_path, text, declared=Declaration(sensors={"wall_w": "board_w"}))


def test_word_among_the_numbers_of_a_sensor_is_refused_with_its_line(tmp_path):
    times = np.arange(0, 60, 0.5)
    watts = [("lost" if k % 3 == 1 else 250.5) for k in range(120)]
    with pytest.raises(LogError, match=r"line 3: column 'board_w' holds 'lost' where a number is expected"):
        _read_sensors(tmp_path, table({"when": times, "board_w": watts}))


@pytest.mark.parametrize(
    ("ahead_s", "checks"), [(2.0, []), (6.5, ["clocks_against_load"]), (-5.0, ["clocks_against_load"])]
)
def test_clocks_are_held_against_the_edges_of_the_load(tmp_path, ahead_s, checks):
    times, load, watts = sensor_signal(RUN_S, before_s=20.0, after_s=20.0, step_s=0.1)
    stamps = clock(times + ahead_s, "2026-11-02T20:59:40")
    aligned = _aligned(tmp_path, _clocked_frames(), _sensors(times, load, watts, stamps=stamps))
    # A busy stretch as long as the run tells better than clocks that put the run beside it.
    assert aligned.method == ("load_edge" if checks else "clock")
    assert aligned.shift_s == pytest.approx(-20.0 + (0.0 if checks else ahead_s), abs=0.1)
    assert [one.check for one in aligned.findings] == checks
    if checks:
        assert aligned.findings[0].found == pytest.approx(ahead_s, abs=0.1)


def test_offset_that_the_finding_prints_brings_the_load_onto_the_frames(tmp_path):
    times, load, watts = sensor_signal(RUN_S, before_s=20.0, after_s=20.0, step_s=0.1)
    sensors = _sensors(times, load, watts, stamps=clock(times + 6.5, "2026-11-02T20:59:40"))
    aligned = _aligned(tmp_path, _clocked_frames(), sensors)
    offset_s = float(aligned.findings[0].action.split("sensor_offset_s = ")[1])
    mended = _aligned(tmp_path, _clocked_frames(), sensors, offset_s=offset_s)
    assert mended.shift_s == pytest.approx(-20.0, abs=0.1)
    assert mended.findings == ()


@pytest.mark.parametrize(("watts", "load", "is_used"), [(9.0, 0.5, False), (9.0, 60.0, True), (28.0, 0.5, True)])
def test_samples_of_a_card_that_draws_no_frames_are_not_used(tmp_path, watts, load, is_used):
    times = np.arange(0, RUN_S + 10, 0.5)
    moves = 1 + 0.03 * np.sin(times)
    sensors = _sensors(times, np.full(times.size, load), watts * moves, stamps=clock(times, "2026-11-02T20:59:55"))
    aligned = _aligned(tmp_path, _clocked_frames(), sensors)
    assert ("not_aligned" not in [one.check for one in aligned.findings]) is is_used


def test_load_that_lasts_longer_than_the_run_says_nothing_about_clocks(tmp_path):
    times, load, watts = sensor_signal(3 * RUN_S, before_s=5.0)
    stamps = clock(times, "2026-11-02T20:59:46")
    aligned = _aligned(tmp_path, _clocked_frames(), _sensors(times, load, watts, stamps=stamps))
    assert (aligned.method, aligned.findings) == ("clock", ())


def test_limit_between_clocks_and_load_is_that_of_the_plan(tmp_path):
    times, load, watts = sensor_signal(RUN_S, before_s=20.0, after_s=20.0, step_s=0.1)
    sensors = _sensors(times, load, watts, stamps=clock(times + 2.0, "2026-11-02T20:59:40"))
    assert [one.check for one in _aligned(tmp_path, _clocked_frames(), sensors, limit_s=1.0).findings] == [
        "clocks_against_load"
    ]


def test_few_duplicated_stamps_stay_as_they_are(tmp_path):
    times, load, watts = sensor_signal(RUN_S)
    stamps = np.insert(times, 9, times[9])
    text = _sensors(stamps, np.insert(load, 9, 3.0), np.insert(watts, 9, watts[9] + 1))
    log = _read_sensors(tmp_path, text)
    assert log.time_s.tolist() == stamps.tolist()


def test_change_of_the_hour_between_two_logs_is_taken_out(tmp_path):
    times, load, watts = sensor_signal(RUN_S)
    stamps = clock(times, "2026-11-02T21:59:55")
    aligned = _aligned(tmp_path, _clocked_frames(), _sensors(times, load, watts, stamps=stamps))
    assert aligned.shift_s == pytest.approx(-5.0, abs=1e-6)
    assert [one.check for one in aligned.findings] == ["clocks_differ"]


def test_a_log_of_another_run_a_quarter_of_an_hour_away_is_no_time_zone(tmp_path):
    """Its clock would overlap with the frames after a quarter, but its busy stretch would not fit them."""
    times, load, watts = sensor_signal(RUN_S, before_s=10.0, after_s=10.0)
    text = _sensors(times, load, watts, stamps=clock(times, "2026-11-02T21:15:05"))
    aligned = _aligned(tmp_path, _clocked_frames(), text)
    assert [one.check for one in aligned.findings] == ["sensor_log_of_another_run"]


def test_logs_that_count_seconds_are_not_one_clock_where_several_stretches_could_be_the_run(tmp_path):
    times, load, watts = sensor_signal(RUN_S, before_s=20.0, after_s=0.0)
    shared = np.append(times, times + times[-1] + 0.5)
    text = _sensors(shared, np.tile(load, 2), np.tile(watts, 2), stamps=shared)
    aligned = _aligned(tmp_path, frame_log(FRAME_MS), text)
    assert (aligned.method, [one.check for one in aligned.findings]) == ("none", ["not_aligned"])


def test_samples_of_a_card_that_idled_by_both_clocks_are_not_used(tmp_path):
    times, load, watts = sensor_signal(RUN_S, before_s=200.0, after_s=200.0)
    text = _sensors(times, load, watts, stamps=clock(times, "2026-11-02T20:58:20"))
    for stated in ({}, {"offset_s": -100.0}):
        aligned = _aligned(tmp_path, _clocked_frames(), text, **stated)
        assert (aligned.method, [one.check for one in aligned.findings]) == ("none", ["not_aligned"])


def _read_with(tmp_path, frame_ms, watts, **options):
    """Return the run of these frames, with a power that was recorded from 10 s before to 10 s after it."""
    starts, times = (np.cumsum(frame_ms) - frame_ms) / 1000, np.arange(watts.size) * 0.5
    frames = {"c": clock(starts, "2026-11-02T21:00:00"), "t": starts.round(6), "f": frame_ms}
    (tmp_path / "frames.csv").write_text(table(frames), encoding="utf-8")
    sensors = {"c": clock(times, "2026-11-02T20:59:50"), "board_w": watts.round(1)}
    (tmp_path / "sensors.csv").write_text(table(sensors), encoding="utf-8")
    paths = {"frame_path": str(tmp_path / "frames.csv"), "sensor_path": str(tmp_path / "sensors.csv")}
    return read_run(RunTask("r1", **paths, frame_name="frames.csv", sensor_name="sensors.csv", **options))


def _mean_w(run, edge_s=1.0):
    """Return the mean power of a run, without its edges."""
    end_s = run.frames.end_s - edge_s
    return mean_over_window(run.sensor_time_s, run.sensors["board_w"], start_s=edge_s, end_s=end_s).mean


def test_a_power_that_averages_over_seconds_is_not_used_before_it_has_risen(tmp_path):
    times = np.arange(0, RUN_S + 20, 0.5)
    drawn = np.where((times >= 10) & (times < 10 + RUN_S), 300.0, 20.0) + np.sin(2.4 * np.arange(times.size))
    averaged = np.convolve(np.r_[np.full(9, 20.0), drawn], np.ones(10) / 10, "valid")
    assert _mean_w(_read_with(tmp_path, FRAME_MS, drawn)) == pytest.approx(300.0, rel=0.002)
    run = _read_with(tmp_path, FRAME_MS, averaged)
    (told,) = [one for one in run.findings if one.check == "power_averages"]
    assert told.message.startswith("power still rose for 4.5 s of the run")
    assert "board_w" not in run.sensors
    assert told.action.endswith("[analysis] sensor_edge_s = 5")
    run = _read_with(tmp_path, FRAME_MS, averaged, sensor_edge_s=5.0)
    assert "power_averages" not in [one.check for one in run.findings]
    assert _mean_w(run, edge_s=5.0) == pytest.approx(300.0, rel=0.005)
    # A scene that starts lighter draws less: its frames are faster, or a limit holds their rate.
    lighter = np.where(np.cumsum(FRAME_MS) < 5000, FRAME_MS * 0.7, FRAME_MS).round(3)
    held = np.full(FRAME_MS.size, 16.667)
    for frame_ms in (lighter, held):
        run = _read_with(tmp_path, frame_ms, averaged)
        assert _mean_w(run) < 296
        (told,) = [one for one in run.findings if one.check == "power_not_settled"]
        assert "has not settled" in told.message
