"""Rows of a sensor log: what their values look like, the column of their time, rows of several cards or sensors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from gpubench_kit.logs.cells import looks_numeric
from gpubench_kit.logs.format import Certainty, ColumnChoice, Declaration, LogFormat, Sources
from gpubench_kit.logs.frame_evidence import UNITS_MS
from gpubench_kit.logs.log_table import LogRows, LogTable
from gpubench_kit.logs.sources import MOST_WORDS, counts_told, either_of, line_of_count
from gpubench_kit.logs.text_table import read_columns
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
        low, high = PLAUSIBLE_STEP_S
        stated = rows.unit_ms(place) if place in rows.numbers else None
        units = {name: ms for name, ms in UNITS_MS.items() if stated is None or ms == stated}
        unit_of_step = next((name for name, ms in units.items() if low <= step * ms / 1000.0 < high), "")
        unit, steadiness = unit_of_step, _steadiness(values, may_stand=not has_clock)
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


#: Most values of a column of whole numbers that tells samples apart.
_MOST_NUMBERS = 16

#: Longest name of a card or a sensor; a damaged line can be one cell of thousands of letters.
_LONGEST_WORD = 80

#: Samples that must be seen.
_SAMPLES_ENOUGH = 16

#: Share of rows with the time of the row before, or an earlier one, from which on several rows may share stamps.
_SHARE_SHARED = 0.3

#: Share of rows that must come in turn.
_NEARLY_ALL = 0.95

#: Least share of a card's steps near its usual one; with several cards' rows in one log fewer of all steps are.
_STEADY, _UNSTEADY = 0.9, 0.6

#: Rows of several cards differ this much more from row to row than from one row of a card to its next.
_MORE_APART = 1.5


def samples_declared(table: LogTable, declared: Declaration) -> Sources:
    """Return the columns of a sensor log of which the plan says which rows count, each with their values.

    Parameters
    ----------
    table : the log
    declared : what the plan declares; numbers of columns are those of the frame log, unless this one has no heading
    """
    found = ((table.place_of(heading), heading, values) for heading, values in declared.count_only.items())
    return tuple(
        (place, values)
        for place, heading, values in found
        if place is not None and not (heading.isdecimal() and any(table.dialect.names))
    )


def with_sample_that_counts(table: LogTable, counted: Sources) -> LogTable:
    """Return the table with a sample of rows that count; as it is where none has a declared value.

    Parameters
    ----------
    table : the log
    counted : as from `samples_declared`
    """

    def counts(row: list[str]) -> bool:
        return all(row[column].strip() in values for column, values in counted)

    sample = list(filter(counts, table.sample))
    if counted and len(sample) < min(_SAMPLES_ENOUGH, len(table.sample)):
        read = read_columns(table, [], texts=list(range(table.dialect.n_columns)))
        every = zip(*(read.cells(column) for column in read.texts), strict=True)
        sample = list(filter(counts, map(list, every)))[: len(table.sample)]
    return replace(table, sample=sample) if sample else table


def of_counted(rows: LogRows, counted: Sources) -> LogRows:
    """Return the samples that count, as the plan declares, with a finding on the others.

    Parameters
    ----------
    rows : the log
    counted : as from `samples_declared`; a column in which no row has a declared value is the frame log's
    """
    for column, values in counted:
        cells = rows.cells(column)
        kept = cells.isin(values).to_numpy()
        if not kept.any() or kept.all():
            continue
        message = (
            f"{rows.table.name}: the plan counts rows with {either_of(values)} in {rows.label(column)} "
            f"({int(kept.sum())}); the others are not used: {_first_counts(cells[~kept])}."
        )
        rows = rows.of(kept, Finding("note", "samples_not_counted", message, found=float((~kept).sum())))
    return rows


def check_one_source(rows: LogRows, columns: LogFormat, stamps_s: np.ndarray) -> None:
    """Raise where a column tells rows of several cards or sensors apart.

    Parameters
    ----------
    rows : the samples
    columns : what the columns are
    stamps_s : array of shape (n,), the time of each row [s]

    Raises
    ------
    LogError : with the line that says which rows count
    """
    steps = np.diff(stamps_s)
    if stamps_s.size < _SAMPLES_ENOUGH:
        return
    is_odd = (steps < 0).any() or (steps <= 0).mean() >= _SHARE_SHARED or _share_near_usual(steps) < _UNSTEADY
    taken = {choice.column for choice in columns.choices}
    for place in (place for place in (*rows.texts, *rows.numbers) if place not in taken):
        cells = rows.cells(place)
        words = set(cells.unique())
        are_numbers = all(word.isdecimal() or not word for word in words)
        if len(words) > (_MOST_NUMBERS if are_numbers else MOST_WORDS) or max(map(len, words)) > _LONGEST_WORD:
            continue
        if len(words) < 2 or any(looks_numeric(word) and not word.isdecimal() for word in words):
            continue
        if not (_come_in_turn(cells.to_numpy()) or (is_odd and _are_apart(columns, cells, stamps_s))):
            continue
        if are_numbers and not _differ(rows, columns, cells):
            continue
        problem = (
            f"rows of {len(words)} cards or sensors are mixed, and {rows.label(place)} tells them apart: "
            f"{_first_counts(cells)}; the samples of one card, with a column for each sensor, are expected."
        )
        line = line_of_count(rows.table, place, str(cells.iloc[0]))
        action = f"Say in the plan which rows count: {line}, or let the recorder write one row per sample."
        raise LogError(Fault(rows.table.name, problem, action))


def _come_in_turn(cells: np.ndarray) -> bool:
    """Return whether values come in turn, each once before the first comes again."""
    n_values = len(set(cells))
    if not 2 <= n_values <= cells.size // 4:
        return False
    return bool((cells[n_values:] == cells[:-n_values]).mean() >= _NEARLY_ALL and len(set(cells[:n_values])) > 1)


def _are_apart(columns: LogFormat, cells: pd.Series, stamps_s: np.ndarray) -> bool:
    """Return whether the rows of each value stand in order, though all rows together do not."""
    steps, values = np.diff(stamps_s), cells.to_numpy()
    own_steps = pd.Series(stamps_s).groupby(values).diff().dropna()
    if own_steps.empty or (own_steps <= 0).mean() > 0.01:
        return False
    if (steps <= 0).mean() >= _SHARE_SHARED:
        return True
    own = [stamps_s[values == value] for value in cells.unique()]
    are_steady = all(one.size >= _SAMPLES_ENOUGH and _share_near_usual(np.diff(one)) >= _STEADY for one in own)
    if _share_near_usual(steps) < _UNSTEADY and are_steady:
        return True
    # Recordings one below the other count from zero each; a clock does not.
    n_stretches = 1 + int((values[1:] != values[:-1]).sum())
    return bool((steps < 0).any() and (columns.clock or n_stretches > len(own)))


def _share_near_usual(steps: np.ndarray) -> float:
    """Return the share of steps near the usual one."""
    usual = np.median(steps)
    return float((np.abs(steps - usual) <= 0.2 * usual).mean())


def _differ(rows: LogRows, columns: LogFormat, cells: pd.Series) -> bool:
    """Return whether a sensor differs more between neighbouring rows than between one of a value and its next.

    Whole numbers that only count the samples of a second differ in no sensor.
    """
    values = [pd.Series(rows.numbers[sensor.column]) for sensor in columns.sensors]
    return any(
        one.diff().abs().median() > _MORE_APART * one.groupby(cells.to_numpy()).diff().abs().median()
        for one in values
    )


def _first_counts(cells: pd.Series) -> str:
    """Return values, and how many rows have each, as text."""
    counts = cells.value_counts()
    more = f" and {len(counts) - 8} more" if len(counts) > 8 else ""
    return counts_told(counts.iloc[:8]) + more
