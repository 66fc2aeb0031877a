"""Small logs for the tests: frames and sensors as text, in any form asked for."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np


def frame_times(n=400, seed=1):
    """Return frame times [ms] around 16 ms with three decimals."""
    return np.random.default_rng(seed).gamma(60, 16 / 60, n).round(3)


def table(columns, separator=",", decimal="."):
    """Return columns (heading to values) as text."""
    rows = zip(*columns.values(), strict=True)
    lines = [
        separator.join(columns),
        *(separator.join(str(cell) for cell in row).replace(".", decimal) for row in rows),
    ]
    return "\n".join(lines) + "\n"


def frame_log(frame_ms, *, stamped="start", origin_s=0.0):
    """Return a frame log with elapsed seconds and frame times in ms."""
    ends = np.cumsum(frame_ms) / 1000 + origin_s
    times = ends if stamped == "end" else ends - frame_ms / 1000
    return table({"a": [f"{time:.6f}" for time in times], "b": [f"{one:.3f}" for one in frame_ms]})


def sensor_signal(length_s, *, before_s=5.0, after_s=5.0, step_s=0.5, lag_s=1.0, watts=300.0):
    """Return times, load and power of a card that is busy from ``before_s`` on; power lags as an average does.

    The power moves by some tenths of a percent, as that of a card at work does.
    """
    times = np.arange(0, before_s + length_s + after_s, step_s).round(3)
    load = np.where((times >= before_s) & (times < before_s + length_s), 98.0, 2.0)
    rise = np.clip((times - before_s) / lag_s, 0, 1) - np.clip((times - before_s - length_s) / lag_s, 0, 1)
    moves = 1 + 0.003 * np.sin(np.arange(times.size) * 2.4)
    return times, load, (40 + (watts - 40) * rise) * moves


def clock(times, start="2026-11-02T21:00:00", form="%Y-%m-%dT%H:%M:%S.%f"):
    """Return times [s] as stamps of a wall clock with milliseconds."""
    first = datetime.fromisoformat(start)
    stamps = [(first + timedelta(seconds=float(time))).strftime(form) for time in times]
    return [stamp[:-3] if form.endswith("%f") else stamp for stamp in stamps]
