"""What ``inspect`` tells of the reference logs agrees with R, and is plain JSON."""

import csv
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from gpubench_kit.metrics.inspect_log import inspect_log
from gpubench_kit.model.errors import LogError

REFERENCE = Path(__file__).parents[1] / "reference" / "frames"
NUMBERS = ["01", "02", "04", "05", "06", "08"]
LOWS = {"quantile": "quantile_fps_type7", "slowest_frames": "slow_fps_ceil", "time_share": "time_fps"}
FRAME_METRICS = {
    "avg_fps": "avg_fps",
    "median_frame_ms": "median_ms",
    "pacing_ms": "mean_abs_succ_diff_ms",
    "low_1pct_fps": "quantile_fps_type7_1pct",
}
SENSOR_METRICS = {
    "board_w": "mean_w_window",
    "core_c": "core_c_mean_window",
    "energy_per_frame_j": "joules_per_frame",
    "frames_per_j": "frames_per_joule",
}


def _expected(table, log, variant=""):
    """Return R's values of one log by metric."""
    with open(REFERENCE / table, encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["log"] == log and row.get("variant", "") == variant]
    return {row["metric"]: float(row["value"]) for row in rows}


def _assert_close(found, expected):
    """Check a value against R's within the tolerance of closed forms."""
    assert found == pytest.approx(expected, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("number", NUMBERS)
def test_frames_agree_with_reference(number):
    told = inspect_log(REFERENCE / f"frames_{number}.csv")
    variant = "complete_lines" if number == "08" else "as_recorded"
    expected = _expected("frame_metrics.csv", f"frames_{number}", variant)
    assert told["n_frames"] == expected["frames"]
    _assert_close(told["duration_s"], expected["total_s"])
    for metric, name in FRAME_METRICS.items():
        _assert_close(told["metrics"][metric], expected[name])
    for definition, name in LOWS.items():
        for share in ("1pct", "0p1pct"):
            _assert_close(told["lows"][definition][share], expected[f"{name}_{share}"])


@pytest.mark.parametrize("number", NUMBERS)
def test_sensors_agree_with_reference(number):
    log, sensors = REFERENCE / f"frames_{number}.csv", REFERENCE / f"telemetry_{number}.csv"
    told = inspect_log(log, sensors, sensor_edge_s=0)
    expected = _expected("telemetry_metrics.csv", f"telemetry_{number}")
    for metric, name in SENSOR_METRICS.items():
        _assert_close(told["metrics"][metric], expected[name])
    _assert_close(told["sensors"]["core_c"]["maximum"], expected["core_c_max_window"])
    _assert_close(told["sensors"]["board_w"]["end_s"], expected["window_end_s"])


def test_everything_told_is_plain_json_with_its_evidence():
    told = inspect_log(REFERENCE / "frames_08.csv", REFERENCE / "telemetry_08.csv")
    again = json.loads(json.dumps(told, allow_nan=False))
    assert again["columns"]["frame_time"]["column"] == "frame_ms"
    assert "steps of column 'elapsed_s' [s] equal the frame time" in again["columns"]["frame_time"]["why"]
    assert [one["check"] for one in again["findings"]][:2] == ["cut_last_line", "same_clock_taken"]


def test_pause_stays_in_the_metrics():
    assert inspect_log(REFERENCE / "frames_06.csv")["metrics"]["hitch_ms_per_min"] > 2000


def test_sensor_log_alone_is_told_too():
    told = inspect_log(REFERENCE / "telemetry_01.csv", sensor_edge_s=0)
    assert told["n_frames"] == 0
    _assert_close(told["metrics"]["board_w"], _expected("telemetry_metrics.csv", "telemetry_01")["mean_w_all"])


def test_file_that_is_neither_is_refused(tmp_path):
    path = tmp_path / "notes.csv"
    path.write_text("name,price\nx,12.5\ny,13.5\n", encoding="utf-8")
    with pytest.raises(LogError, match=r"notes\.csv"):
        inspect_log(path)


def test_sensor_log_without_a_column_that_counts_names_the_columns_and_why(tmp_path):
    path, seconds = tmp_path / "sensors.csv", np.arange(0.0, 60.0)
    pd.DataFrame({"time (s)": seconds, "CPU package power [W]": (90 + 20 * np.sin(seconds)).round(1)}).to_csv(
        path, index=False
    )
    with pytest.raises(LogError) as caught:
        inspect_log(path)
    first, *_ = caught.value.faults
    assert "as a sensor log it has no column that is used" in first.problem
    assert "column 'CPU package power [W]' ('cpu' and 'package' is not the card)" in first.problem


def test_a_sensor_log_without_time_is_told_of_as_one(tmp_path):
    path, watts = tmp_path / "sensors.csv", np.random.default_rng(1).normal(200, 5, 90).round(1)
    pd.DataFrame({"GPU power (W)": watts, "GPU (°C)": 60 + np.arange(90) // 30}).to_csv(path, index=False)
    with pytest.raises(LogError) as caught:
        inspect_log(path)
    (told,) = caught.value.faults
    assert told.problem.startswith("no column rises like the time of samples")
    assert told.action.startswith("Let the recorder write date and time")
    pd.DataFrame({"GPU power (W)": watts, "n": watts[::-1]}).to_csv(path, index=False)
    with pytest.raises(LogError, match=r'sensor_time = \{ column = "n" \}'):
        inspect_log(path)
