"""Every formula on the reference logs, against R (see tests/reference/frames/README.md)."""

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from gpubench_kit.metrics.formulas import (
    average_fps,
    energy_per_frame_j,
    frames_per_j,
    low_fps,
    mean_over_window,
    pacing_ms,
)

REFERENCE = Path(__file__).parents[1] / "reference" / "frames"
LOGS = ["frames_01", "frames_02", "frames_04", "frames_05", "frames_06", "frames_08"]


def _expected(table: str, log: str, variant: str = "") -> dict[str, float]:
    """Return R's values of one log by metric."""
    with open(REFERENCE / table, encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["log"] == log and row.get("variant", "") == variant]
    return {row["metric"]: float(row["value"]) for row in rows}


def _frame_ms(log: str) -> np.ndarray:
    """Return the frame times of the complete lines."""
    text = (REFERENCE / f"{log}.csv").read_text(encoding="utf-8")
    lines = text[: text.rindex("\n")].split("\n")[1:]
    return np.array([float(line.split(",")[1]) for line in lines])


@pytest.mark.parametrize("log", LOGS)
def test_frame_metrics_agree_with_reference(log):
    frame_ms = _frame_ms(log)
    expected = _expected("frame_metrics.csv", log, "complete_lines" if log == "frames_08" else "as_recorded")
    found = {
        "frames": frame_ms.size,
        "avg_fps": average_fps(frame_ms),
        "mean_abs_succ_diff_ms": pacing_ms(frame_ms),
    }
    for share, one_in in (("1pct", 100), ("0p1pct", 1000)):
        found[f"quantile_fps_type7_{share}"] = low_fps(frame_ms, definition="quantile", one_in=one_in)
        found[f"slow_fps_ceil_{share}"] = low_fps(frame_ms, definition="slowest_frames", one_in=one_in)
        found[f"time_fps_{share}"] = low_fps(frame_ms, definition="time_share", one_in=one_in)
    for metric, value in found.items():
        assert value == pytest.approx(expected[metric], rel=1e-6, abs=1e-9), metric


@pytest.mark.parametrize("log", LOGS)
def test_sensor_metrics_agree_with_reference(log):
    expected = _expected("telemetry_metrics.csv", log.replace("frames", "telemetry"))
    samples = pd.read_csv(REFERENCE / f"{log.replace('frames', 'telemetry')}.csv")
    time_s, window = samples["elapsed_s"].to_numpy(), {"start_s": 0.0, "end_s": expected["frame_end_s"]}
    power = mean_over_window(time_s, samples["board_w"].to_numpy(), **window)
    heat = mean_over_window(time_s, samples["core_c"].to_numpy(), **window)
    found = {
        "mean_w_window": power.mean,
        "window_end_s": power.end_s,
        "joules_per_frame": energy_per_frame_j(power.mean, average_fps(_frame_ms(log))),
        "frames_per_joule": frames_per_j(power.mean, average_fps(_frame_ms(log))),
        "core_c_mean_window": heat.mean,
        "core_c_max_window": heat.maximum,
    }
    for metric, value in found.items():
        assert value == pytest.approx(expected[metric], rel=1e-6, abs=1e-9), metric
