"""Sensors taken by their first values: later values can contradict them, and a counter of rows is none."""

import numpy as np
import pytest
from made_logs import sensor_signal, table

from gpubench_kit.logs.find_columns import Declaration
from gpubench_kit.logs.kinds import fitting_kinds, is_within
from gpubench_kit.logs.sensor_log import read_sensor_log

TIMES, LOAD, WATTS = sensor_signal(1500.0)


def _log(tmp_path, columns):
    """Return the sensor log of these columns."""
    path = tmp_path / "sensors.csv"
    path.write_text(table(columns), encoding="utf-8")
    return read_sensor_log(path)


@pytest.mark.parametrize("counted", [np.arange(100.0), np.arange(1.0, 90.0), np.arange(0.0, 500.0, 5.0)])
def test_what_rises_by_the_same_whole_number_is_no_sensor(counted):
    assert fitting_kinds(counted, 1.0) == []


def test_a_counter_beside_the_samples_is_not_told_of(tmp_path):
    log = _log(tmp_path, {"t": TIMES, "n": range(1, TIMES.size + 1), "p": WATTS.round(1) + 0.1})
    assert list(log.values) == ["board_w"]
    assert [one.check for one in log.findings] == ["sensor_guessed"]


def test_a_guess_that_later_values_contradict_is_dropped_and_told(tmp_path):
    # Swings over most of 0 to 100 at first, as a load does; then it goes far beyond.
    grows = np.where(TIMES < 500, LOAD, 20 * TIMES).round()
    log = _log(tmp_path, {"t": TIMES, "x": grows, "p": WATTS.round(1) + 0.1})
    assert list(log.values) == ["board_w"]
    (told,) = [one for one in log.findings if one.check == "sensor_guess_dropped"]
    assert "column 'x' looked like load_pct in the first rows, but later values cannot be that" in told.message
    assert told.action == 'If it is, say so in the plan: [logs] sensors = { load_pct = "x" }'
    assert [one.message for one in log.findings if one.check == "sensor_guessed" and "'x'" in one.message] == []


def test_a_single_wrong_reading_does_not_contradict_a_guess(tmp_path):
    load = LOAD.copy()
    load[2000] = 65535
    log = _log(tmp_path, {"t": TIMES, "x": load})
    assert log.values["load_pct"][2000] == 65535


def test_the_limits_are_those_of_the_metric_in_its_unit():
    assert is_within(np.array([900.0, 1100.0, np.nan]), "core_mv")
    assert not is_within(np.array([900.0, 1700.0]), "core_mv")
    assert not is_within(np.array([-5.0, 50.0]), "load_pct")
    assert is_within(np.array([np.nan]), "load_pct")


def test_time_goes_before_a_row_number_that_stands_beside_it(tmp_path):
    log = _log(tmp_path, {"n": range(TIMES.size), "e": (1000 * TIMES + 3).round(), "board_w": WATTS.round(1)})
    assert log.time_s == pytest.approx(TIMES, abs=1e-6)
    assert log.findings == ()


@pytest.mark.parametrize(("heading", "told"), [("n", True), ("t [s]", False), ("t_s", False)])
def test_a_time_that_could_number_the_rows_is_told_unless_its_unit_is(tmp_path, heading, told):
    log = _log(tmp_path, {heading: range(TIMES.size), "board_w": WATTS.round(1)})
    assert log.time_s == pytest.approx(np.arange(TIMES.size))
    assert [one.check for one in log.findings] == ["sensor_time_counted"] * told


def test_a_time_that_counts_seconds_can_be_declared(tmp_path):
    path = tmp_path / "sensors.csv"
    path.write_text(table({"n": range(TIMES.size), "board_w": WATTS.round(1)}), encoding="utf-8")
    assert read_sensor_log(path, declared=Declaration(sensor_time="n")).findings == ()
