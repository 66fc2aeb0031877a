"""Temperatures in degrees Fahrenheit: turned into Celsius where the log states the unit, and only there."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_logs import frame_times, sensor_signal, table

from gpubench_kit.logs.format import Certainty, ColumnChoice, Declaration, RunTask
from gpubench_kit.logs.read_frames import FormatMemory
from gpubench_kit.logs.read_samples import read_sensor_log
from gpubench_kit.logs.run_log import read_run
from gpubench_kit.metrics.inspect_log import inspect_log

#: Fahrenheit and the same in Celsius, by hand: (F - 32) * 5 / 9.
BY_HAND = {"113": 45.0, "212": 100.0, "98.6": 37.0, "154.4": 68.0, "167": 75.0}

#: A card that warms up from 86 °F (30 °C) to 167 °F (75 °C), and stays there.
FAHRENHEIT = [str(86 + 3 * min(k, 27)) for k in range(140)]
CELSIUS = [30 + 5 / 3 * min(k, 27) for k in range(140)]
TIMES, LOAD, WATTS = sensor_signal(60.0)
SECONDS = [f"{one:.1f}" for one in TIMES]


def _read(tmp_path, text, **declared):
    """Return the sensor log of this text."""
    path = tmp_path / "sensors.csv"
    path.write_text(text, encoding="utf-8")
    return read_sensor_log(path, declared=Declaration(**declared))


@pytest.mark.parametrize(("written", "celsius"), BY_HAND.items())
def test_fahrenheit_is_turned_as_by_hand(tmp_path, written, celsius):
    log = _read(tmp_path, table({"t": ["s", *SECONDS], "core_c": ["°F", *[written] * TIMES.size]}))
    assert log.values["core_c"] == pytest.approx(celsius, abs=1e-12)


@given(st.floats(-459.0, 10_000.0))
def test_celsius_is_turned_back_into_the_fahrenheit_that_was_read(value):
    choice = ColumnChoice("core_c", 0, "a", "°F", "", Certainty.STATED, 5 / 9, zero=32.0)
    celsius = choice.in_unit_of_role(np.array([value]))
    assert 1.8 * celsius + 32 == pytest.approx(value, abs=1e-9)


STATED = {
    "below the heading": ({"t": ["s", *SECONDS], "core_c": ["°F", *FAHRENHEIT]}, {}),
    "below the heading in brackets": ({"t": ["[s]", *SECONDS], "core_c": ["[degF]", *FAHRENHEIT]}, {}),
    "a lone F below the heading": ({"t": ["s", *SECONDS], "core_c": ["F", *FAHRENHEIT]}, {}),
    "behind the numbers": ({"t": SECONDS, "core_c": [f"{one} °F" for one in FAHRENHEIT]}, {}),
    "behind the numbers without a blank": ({"t": SECONDS, "core_c": [f"{one}F" for one in FAHRENHEIT]}, {}),
    **{
        f"in the heading as {unit}": (
            {"t": SECONDS, f"die {unit}": FAHRENHEIT},
            {"sensors": {"core_c": f"die {unit}"}},
        )
        for unit in ("[°F]", "(degF)", "(F)", "(deg F)", "[°f]")
    },
}


@pytest.mark.parametrize(("columns", "declared"), STATED.values(), ids=STATED.keys())
def test_fahrenheit_is_turned_into_celsius_where_the_log_states_it(tmp_path, columns, declared):
    log = _read(tmp_path, table(columns), **declared)
    assert log.values["core_c"] == pytest.approx(CELSIUS, abs=1e-9)
    assert [one.check for one in log.findings] == ["sensor_unit_taken"]
    assert "f; they were turned into °c" in log.findings[0].message.lower()


def test_fahrenheit_in_a_code_page_is_the_same(tmp_path):
    path = tmp_path / "sensors.csv"
    path.write_bytes(table({"t": ["s", *SECONDS], "core_c": ["°F", *FAHRENHEIT]}).encode("cp1252"))
    assert read_sensor_log(path).values["core_c"] == pytest.approx(CELSIUS, abs=1e-9)


def test_column_without_a_name_of_the_kit_is_likely_by_its_unit(tmp_path):
    log = _read(tmp_path, table({"t": SECONDS, "die [°F]": FAHRENHEIT}))
    assert log.values["core_c"] == pytest.approx(CELSIUS, abs=1e-9)
    assert [one.check for one in log.findings] == ["sensor_unit_taken", "sensor_likely"]


@pytest.mark.parametrize("heading", ["core_c", "core_c [°C]"])
def test_hot_values_are_not_turned_where_the_log_does_not_state_fahrenheit(tmp_path, heading):
    log = _read(tmp_path, table({"t": SECONDS, heading: FAHRENHEIT}), sensors={"core_c": heading})
    assert log.values == {}
    (asked,) = log.findings
    assert "could be core_c, though values about" in asked.message


def test_hot_values_under_a_heading_of_no_meaning_are_no_temperature(tmp_path):
    log = _read(tmp_path, table({"t": SECONDS, "die": [str(140 + k % 30) for k in range(140)], "load_pct": LOAD}))
    assert "core_c" not in log.values


def test_unit_of_a_temperature_says_nothing_about_power(tmp_path):
    log = _read(tmp_path, table({"t": ["s", *SECONDS], "board_w": ["°F", *WATTS]}))
    assert log.values["board_w"] == pytest.approx(WATTS)


def test_heading_of_one_letter_is_no_line_of_units(tmp_path):
    path = tmp_path / "run.csv"
    frame_ms = frame_times(400)
    ends = [f"{one:.6f}" for one in np.cumsum(frame_ms) / 1000]
    rows = table({"n": range(400), "F": frame_ms, "t": ends})
    path.write_text("game,made up\n" + rows, encoding="utf-8")
    assert inspect_log(path)["columns"]["frame_time"]["column"] == "F"


def test_temperatures_beside_frames_are_turned_with_and_without_memory(tmp_path):
    frame_ms, memory = frame_times(300), FormatMemory()
    ends = [f"{one:.6f}" for one in np.cumsum(frame_ms) / 1000]
    path = tmp_path / "run.csv"
    columns = {"t": ["s", *ends], "f": ["ms", *frame_ms], "core_c": ["°F", *["167.0"] * 300]}
    path.write_text(table(columns), encoding="utf-8")
    for _ in range(2):
        run = read_run(RunTask("r", path, path.name), memory=memory)
        assert run.sensors["core_c"] == pytest.approx(75.0, abs=1e-9)
        assert [one.check for one in run.findings] == ["sensor_unit_taken"]
    told = inspect_log(path)["columns"]["core_c"]
    assert told["unit"] == "°F"
