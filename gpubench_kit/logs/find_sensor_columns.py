"""The columns of a sensor log: time, and sensors by declaration, by exact metric name, or by their values."""

from __future__ import annotations

import json
from dataclasses import dataclass

import numpy as np

from gpubench_kit.logs.clock_columns import find_clock, passed_since_zero, passed_told
from gpubench_kit.logs.find_columns import (
    UNITS_MS,
    ColumnChoice,
    Declaration,
    Sample,
    sample_of,
    share_rising,
)
from gpubench_kit.logs.kinds import Kind, fitting_kinds
from gpubench_kit.logs.named_sensors import converted, sensors_by_name, without_values
from gpubench_kit.logs.stated_units import stated_unit, states_time_unit
from gpubench_kit.logs.text_table import LogTable, no_such_column
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.metrics import METRICS, SENSOR_METRICS

#: Median steps between samples that are taken for real [s]; less than a factor of 1,000, so that one unit fits.
PLAUSIBLE_STEP_S = (0.02, 15.0)

#: Confidence in a sensor that its values alone tell.
_BY_VALUES = 0.6

_DECLARED = "declared in the plan"


@dataclass(frozen=True)
class SensorColumns:
    """What the columns of a sensor log are.

    Attributes
    ----------
    clock : columns of the wall clock: none, one, or two (date and time of day); one of the role ``elapsed_time``
        where its times begin at zero
    elapsed : column of the time that has passed; None where the wall clock serves
    sensors : columns of sensors
    findings : sensors that cannot be told apart, and other doubts
    """

    clock: tuple[ColumnChoice, ...]
    elapsed: ColumnChoice | None
    sensors: tuple[ColumnChoice, ...]
    findings: tuple[Finding, ...]

    @property
    def begins_at_zero(self) -> bool:
        """Whether the stamps tell time that has passed, not the time of day."""
        return bool(self.clock) and self.clock[0].role == "elapsed_time"

    @property
    def choices(self) -> tuple[ColumnChoice, ...]:
        """All columns that were found."""
        return (*self.clock, *((self.elapsed,) if self.elapsed else ()), *self.sensors)


def find_sensor_columns(table: LogTable, declared: Declaration) -> SensorColumns:
    """Find the columns of a sensor log.

    Parameters
    ----------
    table : the log
    declared : what the plan declares

    Returns
    -------
    SensorColumns

    Raises
    ------
    LogError : no column can be the samples' time, or a declared column is missing
    """
    sample = sample_of(table)
    _check_declared(table, sample, declared)
    clock = _declared_clock(table, sample, declared) or find_clock(table, sample)
    elapsed = _elapsed(table, sample, declared, has_clock=bool(clock))
    if not clock and elapsed is None:
        raise _no_time(table)
    taken = {choice.column for choice in clock} | ({elapsed.column} if elapsed else set())
    sensors = sensors_by_name(table, sample, declared.sensors, taken=taken)
    taken |= {sensor.column for sensor in sensors}
    guessed, findings = _by_values(table, sample, taken, {sensor.role for sensor in sensors})
    passed = passed_since_zero(table, clock)
    if passed is not None:
        clock, findings = (passed,), (passed_told(table, passed, can_declare=True), *findings)
    findings = (*_counted(table, sample, elapsed), *findings)
    findings = (*converted(table, (*sensors, *guessed)), *without_values(table, sample, taken), *findings)
    return SensorColumns(clock, elapsed, (*sensors, *guessed), findings)


def _check_declared(table: LogTable, sample: Sample, declared: Declaration) -> None:
    """Raise where a declared column is not in the log, or holds no numbers."""
    faults: list[Fault] = []
    for metric, heading in declared.sensors.items():
        column = table.place_of(heading)
        if column is None:
            faults.extend(no_such_column(table, heading, metric).faults)
        elif not np.isfinite(sample.values[:, column]).any():
            cell = table.sample[0][column].strip()[:40]
            problem = f"{table.label(column)}, declared as {metric}, holds no numbers (its first cell is {cell!r})."
            faults.append(Fault(table.name, problem, "Correct [logs] in the plan."))
    if faults:
        raise LogError(faults)


def _declared_clock(table: LogTable, sample: Sample, declared: Declaration) -> tuple[ColumnChoice, ...]:
    """Return the declared time column where it holds stamps of a clock."""
    if declared.sensor_time is None:
        return ()
    column = table.place_of(declared.sensor_time)
    if column is None:
        raise no_such_column(table, declared.sensor_time, "time of the samples")
    if not sample.is_clock[column]:
        return ()
    return (ColumnChoice("clock_time", column, table.label(column), "", "declared in the plan", 1.0),)


def _elapsed(table: LogTable, sample: Sample, declared: Declaration, *, has_clock: bool) -> ColumnChoice | None:
    """Return the column that rises by the steps of a sensor log; None where there is none."""
    wanted = table.place_of(declared.sensor_time) if declared.sensor_time else None
    named = {table.place_of(declared.sensors.get(metric, metric)) for metric in SENSOR_METRICS}
    free = [int(column) for column in np.flatnonzero(sample.is_numeric) if column not in named]
    found = []
    for column in free if wanted is None else [wanted]:
        values = sample.values[:, column]
        steps = np.diff(values)
        step = float(np.nanmean(steps)) if np.isfinite(steps).any() else 0.0
        unit, steadiness = _unit_of_step(step), _steadiness(values, may_stand=not has_clock)
        is_counter = _counts_rows(values)
        is_doubtful = has_clock and (is_counter or steadiness < 0.8)
        # A row number is as steady as can be; time that stands beside it goes first.
        steadiness *= 0.01 if is_counter else 1.0
        if unit and (wanted is not None or (steadiness > 0 and not is_doubtful)):
            why = _DECLARED if wanted is not None else f"it rises by {step:g} {unit} a row"
            log = (table.label(column), unit, why, 0.9, UNITS_MS[unit], float(sample.steps[column]))
            found.append((steadiness, ColumnChoice("elapsed_time", column, *log)))
    return max(found, key=lambda one: one[0])[1] if found else None


def _counts_rows(values: np.ndarray) -> bool:
    """Return whether values could as well number the rows as count seconds."""
    return bool((np.diff(values) == 1).all() and values[0] in (0, 1))


def _counted(table: LogTable, sample: Sample, elapsed: ColumnChoice | None) -> tuple[Finding, ...]:
    """Return a finding where the only time could as well be the number of the row."""
    is_stated = elapsed is not None and states_time_unit(table, elapsed.column, elapsed.unit)
    if (
        elapsed is None
        or is_stated
        or elapsed.why == _DECLARED
        or not _counts_rows(sample.values[:, elapsed.column])
    ):
        return ()
    message = f"{table.name}: {elapsed.label} was taken for seconds, though it could number the rows."
    line = f"sensor_time = {{ column = {json.dumps(table.key(elapsed.column), ensure_ascii=False)} }}"
    action = f"If it counts seconds, say so in the plan: [logs] {line}; else record the samples' time."
    return (Finding("note", "sensor_time_counted", message, action=action),)


def _steadiness(values: np.ndarray, *, may_stand: bool) -> float:
    """Return the share of steps near the usual one, of values that rise; 0 of others.

    Coarse stamps stand still between steps, which must then be equal.
    """
    steps = np.diff(values[np.isfinite(values)])
    moving = steps[steps > 0]
    if share_rising(values) < 0.9 or moving.size < 3:
        return 0.0
    usual = float(np.median(moving))
    near = float((np.abs(moving - usual) <= 0.5 * usual).mean())
    return near if (may_stand and near >= 0.8) or moving.size >= 0.9 * steps.size else 0.0


def _unit_of_step(step: float) -> str:
    """Return the unit in which a step is that of a sensor log; empty where there is none."""
    low, high = PLAUSIBLE_STEP_S
    return next((unit for unit, in_ms in UNITS_MS.items() if low <= step * in_ms / 1000.0 < high), "")


def _no_time(table: LogTable) -> LogError:
    """Return the error for a sensor log without time."""
    heading = table.key(0)
    line = f"sensor_time = {{ column = {json.dumps(heading, ensure_ascii=False)} }}"
    problem = "no column rises like the time of samples, and none holds stamps of a clock."
    return LogError(
        Fault(table.name, problem, f"Say which column it is in the plan, below [logs], for example: {line}")
    )


def _by_values(
    table: LogTable, sample: Sample, taken: set[int], known: set[str]
) -> tuple[tuple[ColumnChoice, ...], tuple[Finding, ...]]:
    """Return sensors that only their values tell, and findings on them and on those that cannot be told apart."""
    free = [int(column) for column in np.flatnonzero(sample.is_numeric) if column not in taken]
    fitting = {column: _kinds_of(table, sample, column) for column in free}
    fitting = {column: kinds for column, kinds in fitting.items() if kinds}
    choices, unclear = [], []
    for column, kinds in fitting.items():
        rivals = [other for other, others in fitting.items() if other != column and set(others) & set(kinds)]
        if len(kinds) > 1 or rivals or kinds[0].metric in known:
            unclear.append(column)
            continue
        choices.append(_guess(table, column, kinds[0]))
    if known and not choices:
        # Columns beside named sensors are of no concern unless they could be told.
        return (), ()
    return tuple(choices), tuple(_questions(table, unclear, fitting))


def _guess(table: LogTable, column: int, kind: Kind) -> ColumnChoice:
    """Return the choice of a column whose values look like one kind only."""
    why = f"its values look like {kind.words}, and no other column's do"
    taken_for, stated = (kind.metric, column, table.label(column)), stated_unit(table, column)
    if stated and stated.zero:
        return ColumnChoice(*taken_for, stated.written, why, _BY_VALUES, stated.factor, zero=stated.zero)
    return ColumnChoice(*taken_for, "", why, _BY_VALUES, kind.factor)


def _kinds_of(table: LogTable, sample: Sample, column: int) -> list[Kind]:
    """Return the kinds that the values of a column could be, and that its unit allows where the log states one."""
    stated, values = stated_unit(table, column), sample.values[:, column]
    if stated and stated.zero:
        kinds = fitting_kinds((values - stated.zero) * stated.factor, float(sample.steps[column]))
        return [kind for kind in kinds if stated.unit == METRICS[kind.metric].unit]
    kinds = fitting_kinds(values, float(sample.steps[column]))
    told = None if stated is None else (stated.unit, stated.factor)
    return [kind for kind in kinds if told in (None, (METRICS[kind.metric].unit, kind.factor))]


def is_guess(choice: ColumnChoice) -> bool:
    """Return whether a sensor was taken by its values alone."""
    return choice.confidence == _BY_VALUES


def line_of_sensor(table: LogTable, choice: ColumnChoice) -> str:
    """Return the line of a plan that declares a sensor."""
    return f"[logs] {_sensors_line(table, {choice.role: choice.column})}"


def _questions(table: LogTable, unclear: list[int], fitting: dict[int, list[Kind]]) -> list[Finding]:
    """Return one finding that asks which sensor is which."""
    if not unclear:
        return []
    shown = "; ".join(
        f"{table.label(column)} could be {' or '.join(kind.metric for kind in fitting[column])}"
        for column in unclear[:10]
    )
    example = {fitting[column][0].metric: column for column in unclear[:10]}
    message = f"{table.name}: sensors cannot be told apart by their values and are not used: {shown}."
    action = f"Say which is which in the plan, for example: [logs] {_sensors_line(table, example)}"
    return [Finding("note", "sensors_unclear", message, found=float(len(unclear)), action=action)]


def _sensors_line(table: LogTable, columns: dict[str, int]) -> str:
    """Return the line of a plan that declares sensors."""
    pairs = (
        f"{metric} = {json.dumps(table.key(column), ensure_ascii=False)}" for metric, column in columns.items()
    )
    return f"sensors = {{ {', '.join(pairs)} }}"
