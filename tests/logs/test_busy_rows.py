"""Where a sensor log begins idle, its sensors are told by the rows in which they move."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from made_logs import clock, sensor_signal, table

from gpubench_kit.logs import busy_rows
from gpubench_kit.logs.find_columns import Declaration
from gpubench_kit.logs.sensor_log import read_sensor_log


def _columns(before_s, *, form="{}"):
    """Return a log that is idle for so long before a run of a minute; one row a second."""
    times, load, watts = sensor_signal(60.0, before_s=before_s, after_s=60.0, step_s=1.0)
    noise = np.random.default_rng(7).integers(0, 3, times.size)
    busy = load > 50
    heat = np.interp(times, [before_s, before_s + 40, before_s + 60, before_s + 90], [41, 68, 69, 45]).round()
    told = {
        "Power": (watts + noise / 10).round(1),
        "Temp": heat.astype(int),
        "Load": (load - noise).clip(0).astype(int),
        "Clock": np.where(busy, 2600 + 15 * noise, 210 + 45 * noise),
    }
    return {"at": clock(times), **{form.format(heading): values for heading, values in told.items()}}


def _read(tmp_path, columns, **declared):
    """Return the sensor log of these columns."""
    path = tmp_path / "sensors.csv"
    path.write_text(table(columns), encoding="utf-8")
    return read_sensor_log(path, declared=Declaration(**declared))


def test_sensors_that_stand_idle_in_the_first_rows_are_told_by_later_ones(tmp_path):
    columns = _columns(150.0)
    log = _read(tmp_path, columns)
    assert set(log.values) == {"board_w", "core_c", "load_pct", "core_mhz"}
    headings = {"board_w": "Power", "core_c": "Temp", "load_pct": "Load", "core_mhz": "Clock"}
    for metric, heading in headings.items():
        assert log.values[metric].tolist() == columns[heading].tolist()
    assert [one.check for one in log.findings] == ["sensor_guessed"] * 4


def test_the_time_stays_that_of_the_first_row(tmp_path):
    columns = _columns(150.0)
    log = _read(
        tmp_path, {"t": np.arange(len(columns["at"])) + 0.25, **{k: v for k, v in columns.items() if k != "at"}}
    )
    assert log.origin_s == 0.25
    assert log.time_s.tolist() == np.arange(len(columns["at"])).tolist()
    assert "load_pct" in log.values


def test_a_named_sensor_without_numbers_in_the_first_rows_is_read(tmp_path):
    columns = _columns(150.0)
    fan = np.where(columns["Load"] > 50, "1450", "N/A")
    log = _read(tmp_path, {"at": columns["at"], "board_w": columns["Power"], "fan_rpm": fan})
    assert np.isfinite(log.values["fan_rpm"]).sum() == (columns["Load"] > 50).sum()
    assert log.findings == ()


def test_named_sensors_and_declared_ones_need_no_second_look(tmp_path, monkeypatch):
    monkeypatch.setattr(busy_rows, "_busy_sample", lambda *_: pytest.fail("looked again"))
    columns = _columns(150.0)
    log = _read(tmp_path, columns, sensors={"board_w": "Power", "load_pct": "Load"})
    assert {"board_w", "load_pct"} <= set(log.values)


def test_text_far_below_leaves_it_at_what_the_first_rows_tell(tmp_path):
    columns = _columns(150.0)
    cells = [str(one) for one in columns["Load"]]
    cells[200] = "busy"
    log = _read(tmp_path, {**columns, "Load": cells})
    assert log.values == {}
    assert [one.check for one in log.findings] == ["sensors_unclear"]


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(before_s=st.integers(5, 2000))
def test_how_long_a_log_is_idle_before_the_run_changes_no_sensor(tmp_path, before_s):
    log = _read(tmp_path, _columns(float(before_s)))
    assert {choice.role: choice.label for choice in log.choices if choice.role in log.values} == {
        "board_w": "column 'Power'",
        "core_c": "column 'Temp'",
        "load_pct": "column 'Load'",
        "core_mhz": "column 'Clock'",
    }
