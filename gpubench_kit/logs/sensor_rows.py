"""Columns of a sensor log by their values: which sensors they look like, and the time of the samples."""

from __future__ import annotations

import numpy as np

from gpubench_kit.logs.format import Certainty, ColumnChoice, Declaration
from gpubench_kit.logs.frame_evidence import UNITS_MS
from gpubench_kit.logs.log_table import LogRows, LogTable
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.metrics import SENSOR_METRICS
from gpubench_kit.model.questions import quoted

#: Range of the median of a sensor's values, in the unit that logs without stated units are usually in.
_USUAL = {
    "load_pct": (0.0, 100.0), "core_c": (18.0, 115.0), "board_w": (3.0, 1500.0), "core_mhz": (150.0, 6000.0),
    "fan_rpm": (300.0, 6000.0), "core_mv": (0.45, 1.6),
}  # fmt: skip


def fitting_metrics(values: np.ndarray, step: float) -> list[str]:
    """Return the metrics that a column could be, from what its values look like.

    Parameters
    ----------
    values : array of shape (n,)
    step : one unit of the last decimal written

    Returns
    -------
    list of names; empty where the column is none of them, or stands still

    Notes
    -----
    A load swings between idle and busy over most of 0 to 100. Heat and fans have inertia, and move by a few
    percent at a time; clocks jump. Power is written with decimals, clocks and fan speeds are not. What rises by the
    same whole number from row to row counts the rows.
    """
    known = values[np.isfinite(values)]
    if known.size < 5 or known.min() < 0 or known.min() == known.max() or _is_counter(known):
        return []
    median, highest = float(np.median(known)), float(known.max())
    swing, largest_step = highest - float(known.min()), float(np.abs(np.diff(known)).max())
    if 80 <= highest <= 100.0 and (swing >= 50 or median >= 90):
        return ["load_pct"]
    moves = {
        "core_c": highest <= 120.0 and largest_step <= 12.0 and swing < 70,
        "board_w": step < 1.0,
        "core_mhz": step >= 1.0 and highest >= 400.0 and largest_step > 0.02 * highest,
        "fan_rpm": step >= 1.0 and largest_step < 0.12 * highest,
        "core_mv": step < 0.1,
    }
    return [name for name, fits in moves.items() if fits and _USUAL[name][0] <= median < _USUAL[name][1]]


def _is_counter(known: np.ndarray) -> bool:
    """Return whether values are whole numbers, each the same distance from the one before."""
    steps = np.diff(known)
    return bool(steps[0] != 0 and (steps == steps[0]).all() and (known == np.rint(known)).all())


#: Usual steps between samples that are taken for real [s]; less than a factor of 1,000, so that one unit fits.
PLAUSIBLE_STEP_S = (0.02, 15.0)

_DECLARED = "declared in the plan"

#: Rows that the time is told from.
_ROWS = 4000


def elapsed_of(rows: LogRows, declared: Declaration, *, has_clock: bool) -> ColumnChoice | None:
    """Return the column that rises by the steps of a sensor log; None where there is none.

    Parameters
    ----------
    rows : the log
    declared : what the plan declares
    has_clock : whether stamps of a clock stand beside
    """
    table = rows.table
    wanted = table.place_of(declared.sensor_time) if declared.sensor_time else None
    named = {table.place_of(declared.sensors.get(metric, metric)) for metric in SENSOR_METRICS}
    free = [place for place in rows.numbers if place not in named]
    found = []
    for place in free if wanted is None else [wanted]:
        values = rows.numbers.get(place, np.empty(0))[:_ROWS]
        steps = np.diff(values)
        step = float(np.nanmean(steps)) if np.isfinite(steps).any() else 0.0
        unit, steadiness = _unit_of_step(rows, place, step), _steadiness(values, may_stand=not has_clock)
        is_counter = _counts_seconds(values)
        is_doubtful = has_clock and (is_counter or steadiness < 0.8)
        # A row number is as steady as can be; time that stands beside it goes first.
        steadiness *= 0.01 if is_counter else 1.0
        if unit and (wanted is not None or (steadiness > 0 and not is_doubtful)):
            why = _DECLARED if wanted is not None else f"it rises by {step:g} {unit} a row"
            certainty = Certainty.STATED if wanted is not None else Certainty.PROVEN
            about = (rows.label(place), unit, why, certainty, UNITS_MS[unit], rows.steps[place])
            found.append((steadiness, ColumnChoice("elapsed_time", place, *about)))
    return max(found, key=lambda one: one[0])[1] if found else None


def _counts_seconds(values: np.ndarray) -> bool:
    """Return whether values could as well number the rows as count seconds."""
    return bool(values.size > 1 and (np.diff(values) == 1).all() and values[0] in (0, 1))


def time_counted(rows: LogRows, elapsed: ColumnChoice | None) -> tuple[Finding, ...]:
    """Return a finding where the only time could as well be the number of the row.

    Parameters
    ----------
    rows : the log
    elapsed : its time; None without
    """
    if elapsed is None or elapsed.why == _DECLARED or rows.unit_ms(elapsed.column) == elapsed.factor:
        return ()
    if not _counts_seconds(rows.numbers[elapsed.column]):
        return ()
    name = rows.table.name
    message = f"{name}: {elapsed.label} was taken for seconds, though it could number the rows."
    line = f"sensor_time = {{ column = {quoted(rows.table.key(elapsed.column))} }}"
    action = f"If it counts seconds, say so in the plan: [logs] {line}; else record the samples' time."
    return (Finding("note", "sensor_time_counted", message, action=action),)


def _steadiness(values: np.ndarray, *, may_stand: bool) -> float:
    """Return the share of steps near the usual one, of values that rise; 0 of others.

    Coarse stamps stand still between steps, which must then be equal.
    """
    steps = np.diff(values[np.isfinite(values)])
    moving = steps[steps > 0]
    if moving.size < 3 or (steps >= 0).mean() < 0.9:
        return 0.0
    usual = float(np.median(moving))
    near = float((np.abs(moving - usual) <= 0.5 * usual).mean())
    return near if (may_stand and near >= 0.8) or moving.size >= 0.9 * steps.size else 0.0


def _unit_of_step(rows: LogRows, place: int, step: float) -> str:
    """Return the unit in which a step is that of a sensor log; empty where there is none."""
    low, high = PLAUSIBLE_STEP_S
    stated = rows.unit_ms(place) if place in rows.numbers else None
    units = {name: ms for name, ms in UNITS_MS.items() if stated is None or ms == stated}
    return next((name for name, ms in units.items() if low <= step * ms / 1000.0 < high), "")


def no_time(table: LogTable) -> LogError:
    """Return the error for a sensor log without time.

    Parameters
    ----------
    table : the log
    """
    line = f"sensor_time = {{ column = {quoted(table.key(0))} }}"
    problem = "no column rises like the time of samples, and none holds stamps of a clock."
    return LogError(
        Fault(table.name, problem, f"Say which column it is in the plan, below [logs], for example: {line}")
    )
