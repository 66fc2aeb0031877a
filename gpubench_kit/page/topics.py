"""Which section of the page a metric belongs to."""

from __future__ import annotations

import pandas as pd

POWER = ("board_w", "wall_w", "energy_per_frame_j", "frames_per_j")
HEAT = (
    "core_c", "hotspot_c", "memory_c", "fan_rpm", "sound_dba", "core_mhz", "memory_mhz", "core_mv", "load_pct",
    "memory_used_gb",
)  # fmt: skip
PERFORMANCE = (
    "avg_fps", "low_1pct_fps", "low_0p1pct_fps", "median_frame_ms", "pacing_ms", "hitch_ms_per_min", "latency_ms",
)  # fmt: skip


def in_topic(rows: pd.DataFrame, metrics: tuple[str, ...]) -> pd.DataFrame:
    """Return the rows of a table whose metric is one of those given."""
    return rows[rows["metric"].isin(metrics)]
