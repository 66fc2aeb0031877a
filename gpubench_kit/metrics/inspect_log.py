"""How one log is read, and every metric of it: what the command ``inspect`` tells."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from gpubench_kit.logs.format import Certainty, ColumnChoice, Declaration, RunTask
from gpubench_kit.logs.run_log import RunLog, read_run
from gpubench_kit.logs.sniff_frames import sniff_frames
from gpubench_kit.logs.sniff_sensors import sensors_of_rows
from gpubench_kit.logs.text_table import open_table, rows_of
from gpubench_kit.metrics.formulas import LOW_DEFINITIONS, low_fps, mean_over_window
from gpubench_kit.metrics.per_run import MetricRules, metrics_of_run
from gpubench_kit.model.errors import Fault, LogError


def inspect_log(
    path: str | Path,
    sensors: str | Path | None = None,
    *,
    sensor_edge_s: float = 1.0,
    low_definition: str = "quantile",
    declared: Declaration | None = None,
) -> dict[str, Any]:
    """Tell how a log is read, and compute every metric of it.

    Parameters
    ----------
    path : a frame log, or a sensor log alone
    sensors : the sensor log of the same run
    sensor_edge_s : left out of sensor means at each end of the run [s]
    low_definition : definition of the lows under ``metrics``; ``lows`` has all three
    declared : what a plan declares about the columns

    Returns
    -------
    dict of plain JSON values: ``columns`` (which column is what, and why), ``n_frames``, ``duration_s`` [s],
    ``metrics`` by registry name, ``lows`` by definition and share, ``sensors`` (mean, largest value and window of
    each), ``alignment`` (how the sensor log was brought onto the frames' clock), ``findings``

    Raises
    ------
    LogError : a file cannot be read, or its columns cannot be told

    Notes
    -----
    An exact repeated row and a last line that was cut off are left out with a finding; pauses stay.
    """
    path, sensors = Path(path), Path(sensors) if sensors else None
    run_log = _read(path, sensors, declared or Declaration(), sensor_edge_s)
    rules = MetricRules(low_definition, with_hitches=True, sensor_edge_s=sensor_edge_s)
    frames, facts = run_log.frames, run_log.facts
    rows = metrics_of_run(run_log, rules)
    end_s = frames.end_s if frames else facts.duration_s
    means = {
        metric: mean_over_window(run_log.sensor_time_s, values, start_s=sensor_edge_s, end_s=end_s - sensor_edge_s)
        for metric, values in run_log.sensors.items()
    }
    shares = {"1pct": 100, "0p1pct": 1000}
    lows = {
        definition: {name: low_fps(frames.frame_ms, definition=definition, one_in=n) for name, n in shares.items()}
        for definition in LOW_DEFINITIONS
        if frames is not None
    }
    alignment = {
        "method": facts.alignment,
        "shift_s": facts.shift_s if math.isfinite(facts.shift_s) else None,
        "quality": facts.alignment_quality,
        "overlap": facts.sensor_overlap,
    }
    return {
        "columns": _columns((*facts.frame_columns, *facts.sensor_columns)),
        "dialect": facts.frame_dialect,
        "n_frames": facts.n_frames,
        "duration_s": facts.duration_s if math.isfinite(facts.duration_s) else None,
        "metrics": {row["metric"]: row["value"] for row in rows},
        "definitions": {row["metric"]: row["definition"] for row in rows},
        "lows": lows,
        "sensors": {metric: asdict(mean) for metric, mean in means.items() if mean is not None},
        "alignment": alignment if facts.alignment else {},
        # The run has no name here.
        "findings": [{k: v for k, v in asdict(one).items() if k != "run"} for one in run_log.findings],
    }


def _read(path: Path, sensors: Path | None, declared: Declaration, sensor_edge_s: float) -> RunLog:
    """Return the log as read; a sensor log alone is taken as one where it is no frame log."""
    other, name = (str(sensors), sensors.name) if sensors else (None, "")
    run_log = read_run(RunTask("", str(path), path.name, other, name, declared, sensor_edge_s=sensor_edge_s))
    if run_log.faults and sensors is None and not _has_frame_times(path, declared):
        alone = read_run(RunTask("", None, "", str(path), path.name, declared, sensor_edge_s=sensor_edge_s))
        if alone.sensors and not alone.faults:
            return alone
        if alone.faults and sensors_of_rows(rows_of(open_table(path)), declared, taken=set())[0]:
            raise LogError(alone.faults)
        unused = [one for one in alone.findings if one.check in ("sensors_unclear", "columns_left_out")]
        sentences = " ".join(one.message.removeprefix(f"{path.name}: ") for one in unused)
        problem = f"as a sensor log it has no column that is used: {sentences}"
        action = next((one.action for one in unused if one.action), "")
        raise LogError([*[Fault(path.name, problem, action)][: len(unused)], *run_log.faults])
    if run_log.faults:
        raise LogError(run_log.faults)
    return run_log


def _has_frame_times(path: Path, declared: Declaration) -> bool:
    """Return whether a column of a file is surely frame times, so that what is wrong with it must be told."""
    try:
        log_format = sniff_frames(open_table(path), declared)
    except LogError:
        return False
    return log_format.certainty >= Certainty.STATED and log_format.frame_time is not None


def _columns(choices: Iterable[ColumnChoice]) -> dict[str, dict[str, Any]]:
    """Return which column is what, and why; a role that both logs have is told of the sensor log after a dot."""
    columns: dict[str, dict[str, Any]] = {}
    for choice in choices:
        role = choice.role if choice.role not in columns else f"sensors.{choice.role}"
        column = choice.label.removeprefix("column ").strip("'")
        about = {"column": column, "unit": choice.unit, "why": choice.why}
        columns[role] = about | {"certainty": choice.certainty.word}
    return columns
