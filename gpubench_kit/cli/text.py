"""What the commands ``inspect`` and ``compare`` print: plain text for a terminal, or JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.statistics.quick import QuickComparison
from gpubench_kit.wording.numbers import (
    MISSING,
    change_and_interval_text,
    count_text,
    interval_text,
    number_text,
    percent_text,
    value_text,
)

_LOWS = {"quantile": "quantile of the frame times", "slowest_frames": "mean of the slowest frames",
         "time_share": "share of the time"}  # fmt: skip


def inspection_text(told: Mapping[str, Any]) -> str:
    """Return how a log is read, as text.

    Parameters
    ----------
    told : as `inspect_log` returns it
    """
    lines = ["Columns", *_column_lines(told["columns"]), "", "Run"]
    lines += [f"  {count_text(told['n_frames'], 'frame')} in {number_text(told['duration_s'], decimals=2)} s"]
    lines += ["", "Metrics", *_metric_lines(told["metrics"])]
    if told["lows"]:
        lines += ["", "The lows by definition (1 %, 0.1 %)", *_low_lines(told["lows"])]
    if told["sensors"]:
        lines += ["", "Sensors (mean, largest)", *_sensor_lines(told["sensors"])]
    if told["findings"]:
        lines += ["", "Findings", *(f"  {one['message']} {one['action']}".rstrip() for one in told["findings"])]
    return "\n".join(lines)


def comparison_text(found: QuickComparison) -> str:
    """Return a quick comparison, as text.

    Parameters
    ----------
    found : as `quick_comparison` returns it
    """
    unit = "%" if found.scale == "ratio" else found.unit
    change = change_and_interval_text(found.change, found.ci_low, found.ci_high, unit=unit)
    lines = [found.sentence, found.caution, ""]
    lines += [f"  means      {value_text(found.of_value, found.metric)} against "
              f"{value_text(found.against_value, found.metric)}, {count_text(found.n)} and "
              f"{count_text(found.n_against, 'run')}"]  # fmt: skip
    lines += [f"  change     {change}", f"  test       {found.test}"]
    if found.margin is not None:
        margin = percent_text(found.margin) if unit == "%" else f"{found.margin:g} {unit}"
        interval = interval_text(found.equivalence_ci_low, found.equivalence_ci_high, unit)
        held = f" (held against it: 90 % interval {interval})"
        lines.append(f"  margin     {margin}" + ("" if MISSING in held else held))
    if found.more_runs is not None:
        lines.append(f"  to decide  {count_text(found.more_runs, 'further run')} of each side")
    return "\n".join(line for place, line in enumerate(lines) if line or place == 2)


def comparison_json(found: QuickComparison) -> str:
    """Return a quick comparison as JSON; what is not defined is null.

    Parameters
    ----------
    found : as `quick_comparison` returns it
    """
    return as_json({name: _finite(value) for name, value in asdict(found).items()})


def as_json(told: Mapping[str, Any]) -> str:
    """Return a mapping as JSON text.

    Parameters
    ----------
    told : plain JSON values
    """
    return json.dumps(told, indent=2, ensure_ascii=False, allow_nan=False)


def _finite(value: Any) -> Any:
    """Return a value that JSON has; nan and infinity become None."""
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _column_lines(columns: Mapping[str, Mapping[str, Any]]) -> Iterable[str]:
    """Yield which column is what, and why."""
    for name, one in columns.items():
        unit = f" [{one['unit']}]" if one["unit"] else ""
        yield f"  {name}: column '{one['column']}'{unit}, since {one['why']}"


def _metric_lines(metrics: Mapping[str, float]) -> Iterable[str]:
    """Yield the value of each metric."""
    for name, value in metrics.items():
        yield f"  {METRICS[name].label:<28} {value_text(value, name)}"


def _low_lines(lows: Mapping[str, Mapping[str, float]]) -> Iterable[str]:
    """Yield both lows in each definition."""
    for name, values in lows.items():
        both = ", ".join(value_text(values[share], "low_1pct_fps") for share in ("1pct", "0p1pct"))
        yield f"  {_LOWS.get(name, name):<28} {both}"


def _sensor_lines(sensors: Mapping[str, Mapping[str, float]]) -> Iterable[str]:
    """Yield mean and largest value of each sensor."""
    for name, one in sensors.items():
        yield f"  {METRICS[name].label:<28} {value_text(one['mean'], name)}, {value_text(one['maximum'], name)}"
