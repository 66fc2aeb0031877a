"""Rows of a sensor log: what their values look like, the column of their time, rows of several cards or sensors."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from gpubench_kit.logs.cells import looks_numeric
from gpubench_kit.logs.format import Certainty, ColumnChoice, Declaration, SensorColumns, Sources
from gpubench_kit.logs.frame_evidence import UNITS_MS
from gpubench_kit.logs.frame_sources import cells_as_text, line_of_count
from gpubench_kit.logs.log_table import Columns, LogRows, LogTable
from gpubench_kit.logs.text_table import read_columns
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.metrics import SENSOR_METRICS
from gpubench_kit.model.questions import quoted


@dataclass(frozen=True)
class Kind:
    """A kind of sensor.

    Attributes
    ----------
    metric : the metric it is taken for
    words : what its values are
    low, high : range of the median, in the column's own unit
    factor : what values are multiplied with to get the metric's unit
    """

    metric: str
    words: str
    low: float
    high: float
    factor: float = 1.0


LOAD = Kind("load_pct", "a load in percent", 0.0, 100.0)
HEAT = Kind("core_c", "a temperature in degrees Celsius", 18.0, 115.0)
POWER = Kind("board_w", "a power in watts", 3.0, 1500.0)
CLOCK = Kind("core_mhz", "a clock in megahertz", 150.0, 6000.0)
FAN = Kind("fan_rpm", "a fan speed in revolutions per minute", 300.0, 6000.0)
VOLTAGE = Kind("core_mv", "a voltage in volts", 0.45, 1.6, 1000.0)
KINDS = (LOAD, HEAT, POWER, CLOCK, FAN, VOLTAGE)

#: A single reading may be wrong; the rest of a log must be what its first rows were taken for.
_SHARE_WITHIN = 0.95


def fitting_kinds(values: np.ndarray, step: float) -> list[Kind]:
    """Return the kinds that a column could be.

    Parameters
    ----------
    values : array of shape (n,)
    step : one unit of the last decimal written

    Returns
    -------
    list of Kind; empty where the column is none of them, or stands still

    Notes
    -----
    A load swings between idle and busy over most of 0 to 100. Heat and fans have inertia, and move by a few
    percent at a time; clocks jump. Power is written with decimals, clocks and fan speeds are not. What rises by the
    same whole number from row to row counts the rows.
    """
    known = values[np.isfinite(values)]
    if known.size < 5 or known.min() < 0 or known.min() == known.max() or _is_counter(known):
        return []
    if _is_load(known):
        return [LOAD]
    median, highest = float(np.median(known)), float(known.max())
    largest_step = float(np.abs(np.diff(known)).max())
    moves = {
        HEAT: highest <= 120.0 and largest_step <= 12.0 and highest - known.min() < 70,
        POWER: step < 1.0,
        CLOCK: step >= 1.0 and highest >= 400.0 and largest_step > 0.02 * highest,
        FAN: step >= 1.0 and largest_step < 0.12 * highest,
        VOLTAGE: step < 0.1,
    }
    return [kind for kind, fits in moves.items() if fits and kind.low <= median < kind.high]


def is_within(values: np.ndarray, metric: str) -> bool:
    """Return whether nearly all values of a log can be those of the sensor that its first rows were taken for.

    Parameters
    ----------
    values : array of shape (n,), in the metric's unit
    metric : of one of the kinds
    """
    kind = next(one for one in KINDS if one.metric == metric)
    known = values[np.isfinite(values)]
    can_be = (known >= 0) & (known <= kind.high * kind.factor)
    return bool(known.size == 0 or can_be.mean() >= _SHARE_WITHIN)


def _is_counter(known: np.ndarray) -> bool:
    """Return whether values are whole numbers, each the same distance from the one before."""
    steps = np.diff(known)
    return bool(steps[0] != 0 and (steps == steps[0]).all() and (known == np.rint(known)).all())


def _is_load(known: np.ndarray) -> bool:
    """Return whether values swing as a load does."""
    highest, swing = known.max(), known.max() - known.min()
    return bool(80 <= highest <= 100.0 and (swing >= 50 or np.median(known) >= 90))


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


#: Most values of a column of words, and of one of whole numbers, that tells rows apart.
_MOST_WORDS, _MOST_NUMBERS = 64, 16

#: Longest name of a card or a sensor; a damaged line can be one cell of thousands of letters.
_LONGEST_WORD = 80

#: Rows that must be seen.
_ROWS_ENOUGH = 16

#: Share of rows with the time of the row before, or an earlier one, from which on several rows may share stamps.
_SHARE_SHARED = 0.3

#: Share of rows that must stand in order, or come in turn.
_NEARLY_ALL = 0.95

#: Least share of a card's steps near its usual one; with several cards' rows in one log fewer of all steps are.
_STEADY, _UNSTEADY = 0.9, 0.6

#: Rows of several cards differ this much more from row to row than from one row of a card to its next.
_MORE_APART = 1.5


def counted_columns(table: LogTable, declared: Declaration) -> Sources:
    """Return the columns of a sensor log of which the plan says which rows count, each with their values.

    Parameters
    ----------
    table : the log
    declared : what the plan declares; numbers of columns are those of the frame log, unless this one has no heading
    """
    found = []
    for heading, values in declared.count_only.items():
        column = table.place_of(heading)
        if column is not None and not (heading.isdecimal() and any(table.dialect.names)):
            found.append((column, values))
    return tuple(found)


def with_sample_that_counts(table: LogTable, counted: Sources) -> LogTable:
    """Return the table with a sample of rows that count; as it is where none has a declared value.

    Parameters
    ----------
    table : the log
    counted : as from `counted_columns`
    """
    if not counted:
        return table
    sample = _rows_that_count(table.sample, counted)
    if len(sample) < min(_ROWS_ENOUGH, len(table.sample)):
        read = read_columns(table, [], texts=list(range(table.dialect.n_columns)))
        columns = [cells_as_text(read, column) for column in range(table.dialect.n_columns)]
        sample = _rows_that_count([list(row) for row in zip(*columns, strict=True)], counted)[: len(table.sample)]
    return replace(table, sample=sample) if sample else table


def _rows_that_count(rows: list[list[str]], counted: Sources) -> list[list[str]]:
    """Return the rows that have a declared value in each column."""
    return [row for row in rows if all(row[column].strip() in values for column, values in counted)]


def of_counted(table: LogTable, read: Columns, counted: Sources) -> Columns:
    """Return the samples that count, as the plan declares, with a finding on the others.

    Parameters
    ----------
    table : the log
    read : its columns
    counted : as from `counted_columns`; a column in which no row has a declared value is the frame log's
    """
    for column, values in counted:
        cells = cells_as_text(read, column)
        kept = cells.isin(values).to_numpy()
        if not kept.any() or kept.all():
            continue
        shown = " or ".join(f"'{value[:40]}'" for value in values[:8])
        message = (
            f"{table.name}: the plan counts rows with {shown} in {table.label(column)} ({int(kept.sum())}); "
            f"the others are not used: {_counts_told(cells[~kept])}."
        )
        finding = Finding("note", "samples_not_counted", message, found=float((~kept).sum()))
        read = replace(
            read,
            numbers={place: one[kept] for place, one in read.numbers.items()},
            texts={place: one[kept] for place, one in read.texts.items()},
            findings=(*read.findings, finding),
        )
    return read


def columns_in_doubt(table: LogTable, columns: SensorColumns, stamps_s: np.ndarray) -> list[int]:
    """Return the columns that may tell rows of several cards or sensors apart; none where rows are in order.

    Parameters
    ----------
    table : the log
    columns : what its columns are
    stamps_s : array of shape (n,), the time of each row [s]
    """
    taken = {choice.column for choice in columns.choices}
    free = [place for place in range(table.dialect.n_columns) if place not in taken]
    cells = {place: [row[place].strip() for row in table.sample] for place in free}
    few = [place for place in free if _is_few(set(cells[place]))]
    if stamps_s.size < _ROWS_ENOUGH or not few:
        return []
    steps = np.diff(stamps_s)
    if (steps < 0).any() or (steps <= 0).mean() >= _SHARE_SHARED or _share_near_usual(steps) < _UNSTEADY:
        return few
    return [place for place in few if _come_in_turn(np.array(cells[place], dtype=object))]


def _is_few(words: set[str]) -> bool:
    """Return whether cells are a few words, or a few whole numbers."""
    if words == {""} or any(looks_numeric(word) and not word.isdecimal() for word in words):
        return False
    if max(map(len, words), default=0) > _LONGEST_WORD:
        return False
    return len(words) <= (_MOST_NUMBERS if _are_numbers(words) else _MOST_WORDS)


def _are_numbers(words: set[str]) -> bool:
    """Return whether all cells that hold anything are whole numbers."""
    return all(word.isdecimal() or not word for word in words)


def _come_in_turn(cells: np.ndarray) -> bool:
    """Return whether values come in turn, each once before the first comes again."""
    n_values = len(set(cells))
    if not 2 <= n_values <= cells.size // 4:
        return False
    return bool((cells[n_values:] == cells[:-n_values]).mean() >= _NEARLY_ALL and len(set(cells[:n_values])) > 1)


def check_one_source(table: LogTable, columns: SensorColumns, read: Columns, *, stamps_s: np.ndarray) -> None:
    """Raise where a column tells rows of several cards or sensors apart.

    Parameters
    ----------
    table : the log
    columns : what its columns are
    read : its columns, with those in doubt as text
    stamps_s : array of shape (n,), the time of each row [s]
    """
    for column in columns_in_doubt(table, columns, stamps_s):
        cells = cells_as_text(read, column)
        if not _is_few(set(cells.unique())) or not _are_apart(columns, cells, stamps_s):
            continue
        if _are_numbers(set(cells.unique())) and not _differ(columns, read, cells):
            continue
        raise _mixed(table, column, cells)


def _are_apart(columns: SensorColumns, cells: pd.Series, stamps_s: np.ndarray) -> bool:
    """Return whether the rows of each value stand in order, though all rows together do not; or come in turn."""
    if cells.nunique() < 2:
        return False
    if _come_in_turn(cells.to_numpy()):
        return True
    steps = np.diff(stamps_s)
    own_steps = pd.Series(stamps_s).groupby(cells.to_numpy()).diff().dropna()
    if own_steps.empty or (own_steps <= 0).mean() > 0.01:
        return False
    if (steps <= 0).mean() >= _SHARE_SHARED:
        return True
    if _share_near_usual(steps) < _UNSTEADY and _are_steady(stamps_s, cells):
        return True
    # Recordings one below the other count from zero each; a clock does not.
    n_stretches = 1 + int((cells.to_numpy()[1:] != cells.to_numpy()[:-1]).sum())
    return bool((steps < 0).any() and (columns.clock or n_stretches > cells.nunique()))


def _are_steady(stamps_s: np.ndarray, cells: pd.Series) -> bool:
    """Return whether the rows of each value come at a steady pace of their own."""
    own = [stamps_s[cells.to_numpy() == value] for value in cells.unique()]
    return all(one.size >= _ROWS_ENOUGH and _share_near_usual(np.diff(one)) >= _STEADY for one in own)


def _share_near_usual(steps: np.ndarray) -> float:
    """Return the share of steps near the usual one."""
    usual = np.median(steps)
    return float((np.abs(steps - usual) <= 0.2 * usual).mean())


def _differ(columns: SensorColumns, read: Columns, cells: pd.Series) -> bool:
    """Return whether a sensor differs more between neighbouring rows than between one of a value and its next.

    Whole numbers that only count the samples of a second differ in no sensor.
    """
    for sensor in columns.sensors:
        values = pd.Series(read.numbers[sensor.column])
        between = float(values.diff().abs().median())
        within = float(values.groupby(cells.to_numpy()).diff().abs().median())
        if between > _MORE_APART * within:
            return True
    return False


def _mixed(table: LogTable, column: int, cells: pd.Series) -> LogError:
    """Return the error for a log whose rows belong to several cards or sensors."""
    problem = (
        f"rows of {cells.nunique()} cards or sensors are mixed, and {table.label(column)} tells them apart: "
        f"{_counts_told(cells)}; the samples of one card, with a column for each sensor, are expected."
    )
    line = line_of_count(table, column, str(cells.iloc[0]))
    action = f"Say in the plan which rows count: {line}, or let the recorder write one row per sample."
    return LogError(Fault(table.name, problem, action))


def _counts_told(cells: pd.Series) -> str:
    """Return values, and how many rows have each, as text."""
    counts = cells.value_counts()
    shown = ", ".join(f"'{name[:40]}' ({count})" for name, count in counts.iloc[:8].items())
    return f"{shown} and {len(counts) - 8} more" if len(counts) > 8 else shown
