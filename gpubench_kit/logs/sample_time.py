"""The time of samples: the column that rises by the steps of a sensor log."""

from __future__ import annotations

import numpy as np

from gpubench_kit.logs.clues import UNITS_MS
from gpubench_kit.logs.format import Certainty, ColumnChoice, Declaration
from gpubench_kit.logs.rows import LogRows
from gpubench_kit.logs.text_table import LogTable
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.log_facts import quoted
from gpubench_kit.model.metrics import SENSOR_METRICS

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
