"""Cells with units, times in minutes and seconds: the same numbers as without, or a refusal that names the line."""

import numpy as np
import pytest
from made_logs import frame_times, sensor_signal, table

from gpubench_kit.logs.format import RunTask
from gpubench_kit.logs.read_frames import FormatMemory
from gpubench_kit.logs.read_samples import read_sensor_log
from gpubench_kit.logs.run_log import read_run
from gpubench_kit.metrics.inspect_log import inspect_log
from gpubench_kit.model.errors import LogError

FRAME_MS = frame_times(900)
ENDS_S = np.cumsum(FRAME_MS) / 1000
SECONDS = [f"{one:.6f}" for one in ENDS_S]


def _inspect(tmp_path, text):
    """Return what the command ``inspect`` tells of this text."""
    path = tmp_path / "run.csv"
    path.write_text(text, encoding="utf-8")
    return inspect_log(path)


def _minutes(times, decimals=6, before_s=50.0):
    """Return times as minutes and seconds, which do not begin at zero."""
    width = 3 + decimals if decimals else 2
    return [f"{int((t + before_s) // 60)}:{(t + before_s) % 60:0{width}.{decimals}f}" for t in times]


WITH_UNITS = {
    "a blank between": ({"t": [f"{t} s" for t in SECONDS], "f": [f"{f} ms" for f in FRAME_MS]}, {}),
    "nothing between": ({"t": [f"{t}s" for t in SECONDS], "f": [f"{f}ms" for f in FRAME_MS]}, {}),
    "one column only": ({"t": SECONDS, "f": [f"{f} ms" for f in FRAME_MS]}, {}),
    "beside a row counter": ({"n": range(900), "t": SECONDS, "f": [f"{f} ms" for f in FRAME_MS]}, {}),
    "decimal commas": (
        {"t": [f"{t} s" for t in SECONDS], "f": [f"{f} ms" for f in FRAME_MS]},
        {"separator": ";", "decimal": ","},
    ),
    "quoted, commas between and in them": (
        {
            "t": [f'"{t} s"'.replace(".", ",") for t in SECONDS],
            "f": [f'"{f:.3f} ms"'.replace(".", ",") for f in FRAME_MS],
        },
        {},
    ),
    "minutes and seconds": ({"t": _minutes(ENDS_S), "f": FRAME_MS}, {}),
    "minutes and seconds beside a unit": ({"t": _minutes(ENDS_S), "f": [f"{f} ms" for f in FRAME_MS]}, {}),
    "minutes and seconds with commas": ({"t": _minutes(ENDS_S), "f": FRAME_MS}, {"separator": ";", "decimal": ","}),
}


@pytest.mark.parametrize(("columns", "marks"), WITH_UNITS.values(), ids=WITH_UNITS.keys())
def test_cells_with_units_are_the_numbers_in_them(tmp_path, columns, marks):
    told = _inspect(tmp_path, table(columns, **marks))
    plain = _inspect(tmp_path, table({"t": SECONDS, "f": FRAME_MS}))
    assert told["n_frames"] == 900
    assert told["metrics"] == plain["metrics"]
    assert [told["columns"][one]["column"] for one in ("frame_time", "elapsed_time")] == ["f", "t"]


def test_units_in_cells_and_minutes_are_told(tmp_path):
    told = _inspect(tmp_path, table({"t": _minutes(ENDS_S), "f": [f"{f} ms" for f in FRAME_MS]}))
    assert "units in the cells" in told["dialect"]
    assert [one["check"] for one in told["findings"]] == ["minutes_read"]


def test_steps_of_minutes_and_seconds_are_frame_times_where_no_column_holds_them(tmp_path):
    told = _inspect(tmp_path, table({"t": _minutes(ENDS_S)}))
    assert told["metrics"]["avg_fps"] == pytest.approx(899 / (ENDS_S[-1] - ENDS_S[0]), rel=1e-6)


@pytest.mark.parametrize("other", ["0.0166 s", "16.6", "16600 us"])
def test_another_unit_in_a_column_is_refused_with_its_line(tmp_path, other):
    cells = [f"{f} ms" for f in FRAME_MS]
    cells[700] = other
    with pytest.raises(LogError, match=rf"line 702: column 2 holds '{other}', where the rows above are in 'ms'"):
        _inspect(tmp_path, table({"t": SECONDS, "f": cells}))


def test_missing_values_and_a_summary_among_units_are_what_they_are_elsewhere(tmp_path):
    cells = [f"{f} ms" for f in FRAME_MS]
    cells[700] = "N/A"
    told = _inspect(tmp_path, table({"t": SECONDS, "f": cells}) + "Average,60.1 fps\n")
    assert told["n_frames"] == 900
    assert [one["check"] for one in told["findings"]] == ["summary_lines", "cells_denied"]


def test_lone_column_is_a_frame_time_where_its_cells_say_ms(tmp_path):
    slow = [f"{2 * f:.3f} ms" for f in FRAME_MS]
    told = _inspect(tmp_path, table({"f": slow, "depth": 3 + FRAME_MS % 2}))
    assert told["metrics"]["avg_fps"] == pytest.approx(500 / FRAME_MS.mean(), rel=1e-6)
    assert "the log states that it is in ms" in told["columns"]["frame_time"]["why"]


SENSORS_STATED = {
    "in the cells": lambda watts, clocks: table(
        {"board_w": [f"{one} mW" for one in watts], "core_mhz": [f"{one} GHz" for one in clocks]}
    ),
    "below the heading": lambda watts, clocks: table({"board_w": ["mW", *watts], "core_mhz": ["GHz", *clocks]}),
}


@pytest.mark.parametrize("written", SENSORS_STATED.values(), ids=SENSORS_STATED.keys())
def test_sensors_are_turned_from_the_unit_that_the_log_states(tmp_path, written):
    times, _, watts = sensor_signal(60.0)
    clocks = 1.9 + 0.001 * (np.arange(times.size) % 9).round(3)
    sensors = written((1000 * watts).round().astype(int), [f"{one:.3f}" for one in clocks])
    stamps = ["t", *(["s"] if len(sensors.splitlines()) > times.size + 1 else []), *times]
    rows = zip(stamps, sensors.splitlines(), strict=True)
    path = tmp_path / "sensors.csv"
    path.write_text("".join(f"{stamp},{row}\n" for stamp, row in rows), encoding="utf-8")
    log = read_sensor_log(path)
    assert log.values["board_w"] == pytest.approx(watts, abs=0.001)
    assert log.values["core_mhz"] == pytest.approx(1000 * clocks, abs=0.6)
    assert [one.check for one in log.findings] == ["sensor_unit_taken", "sensor_unit_taken"]
    assert "are in mW; they were turned into W" in log.findings[0].message


@pytest.mark.parametrize("decimals", [0, 1])
def test_minutes_and_seconds_of_samples_are_read(tmp_path, decimals):
    times, load, _ = sensor_signal(60.0, step_s=0.5)
    path = tmp_path / "sensors.csv"
    path.write_text(table({"t": _minutes(np.floor(times) if not decimals else times, decimals), "load_pct": load}))
    assert read_sensor_log(path).time_s == pytest.approx(times, abs=1e-9)


def test_hours_and_minutes_are_not_taken_for_minutes_and_seconds(tmp_path):
    stamps = [f"21:{4 + k // 30:02d}" for k in range(120)]
    path = tmp_path / "sensors.csv"
    path.write_text(table({"t": stamps, "load_pct": [2] * 10 + [98] * 110}))
    assert read_sensor_log(path).time_s[-1] == pytest.approx(240.0, abs=61.0)


@pytest.mark.parametrize("step_s", [0.1, 0.25])
def test_whole_minutes_and_seconds_that_begin_at_zero_are_no_hours_however_often_they_stand(tmp_path, step_s):
    times, load, _ = sensor_signal(60.0, step_s=step_s)
    path = tmp_path / "sensors.csv"
    path.write_text(table({"t": _minutes(np.floor(times), 0, before_s=2.0), "load_pct": load}))
    log = read_sensor_log(path)
    assert log.time_s[-1] == pytest.approx(times[-1], abs=1.0)
    assert (log.clock, log.origin_s) == (None, 2.0)


def test_hours_and_minutes_that_begin_at_midnight_beside_dates_stay_a_clock(tmp_path):
    stamps = [f"0:{k // 30:02d}" for k in range(120)]
    path = tmp_path / "sensors.csv"
    path.write_text(table({"d": ["2026-11-03"] * 120, "t": stamps, "load_pct": [2] * 10 + [98] * 110}))
    assert read_sensor_log(path).time_s[-1] == pytest.approx(240.0, abs=61.0)


def test_steps_of_hours_minutes_and_seconds_alone_are_frame_times(tmp_path):
    stamps = [f"{int(t // 3600)}:{int(t // 60 % 60):02d}:{t % 60:09.6f}" for t in ENDS_S + 0.5]
    told = _inspect(tmp_path, table({"t": stamps}))
    assert told["metrics"]["avg_fps"] == pytest.approx(899 / (ENDS_S[-1] - ENDS_S[0]), rel=1e-6)
    assert [one["check"] for one in told["findings"]] == ["minutes_read", "frame_times_from_steps"]


@pytest.mark.parametrize("start_s", [5.0, 3600.0, 75_600.0])
def test_steps_of_times_of_day_alone_are_frame_times(tmp_path, start_s):
    stamps = [f"{int(t // 3600)}:{int(t // 60 % 60):02d}:{t % 60:09.6f}" for t in ENDS_S + start_s]
    told = _inspect(tmp_path, table({"t": stamps}))
    assert told["metrics"]["avg_fps"] == pytest.approx(899 / (ENDS_S[-1] - ENDS_S[0]), rel=1e-6)
    assert [one["check"] for one in told["findings"]] == ["frame_times_from_steps"]


def test_units_of_one_log_are_not_remembered_for_the_next_with_the_same_heading(tmp_path):
    watts, memory = 300 + FRAME_MS % 5, FormatMemory()
    cells = [[f"{1000 * one:.0f} mW" for one in watts], [f"{one:.3f}" for one in watts]]
    for number, column in enumerate(cells):
        path = tmp_path / f"{number}.csv"
        path.write_text(table({"t": SECONDS, "f": FRAME_MS, "board_w": column}), encoding="utf-8")
        run = read_run(RunTask("r", path, path.name), memory=memory)
        assert run.sensors["board_w"] == pytest.approx(watts, abs=0.001)
