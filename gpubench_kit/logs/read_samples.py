"""A sensor log to samples on its own clock: rows of one card, stamps in order, each sensor in its unit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.logs.cells import looks_numeric
from gpubench_kit.logs.clock import clock_of_rows, date_doubt
from gpubench_kit.logs.damage import without_repeated_rows
from gpubench_kit.logs.format import ColumnChoice, Declaration, LogFormat, Sources
from gpubench_kit.logs.log_table import HEAD_BYTES, LogRows, LogTable
from gpubench_kit.logs.sample_time import SIGNALS, busy_stretches, in_order, stamps_of
from gpubench_kit.logs.sniff_sensors import sniff_sensors
from gpubench_kit.logs.sources import MOST_WORDS, counts_told, either_of, line_of_count
from gpubench_kit.logs.text_table import open_table, read_columns, rows_of
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.metrics import BOUNDS, METRICS, REACHED
from gpubench_kit.model.questions import quoted
from gpubench_kit.model.tables import Finding
from gpubench_kit.wording.notes import note

#: A load or a power that rises by less than this from idle to busy, as the other one tells them, is not the card's.
_RISES_BY = 1.15
#: Sensors of which the first is never above the second, but for the slack of sensors [W, °C].
_PARTS = (("board_w", "wall_w", 0.0), ("core_c", "hotspot_c", 2.0))

#: Samples that each of both medians needs.
_SAMPLES_OF_MEDIAN = 6

#: Share of impossible samples from which on a sensor is not used.
_MOST_IMPOSSIBLE = 0.2

#: Metrics of which a zero between samples above zero is a stray one.
_NEVER_ZERO = ("board_w", "core_mv", "core_c", "core_mhz")

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


@dataclass(frozen=True)
class SensorLog:
    """A sensor log as read.

    Attributes
    ----------
    name, sha256 : of the file
    dialect : how its rows are written, in words
    time_s : array of shape (n,), from the first sample [s], never falling
    values : array of shape (n,) by sensor metric, in the metric's unit; nan where there is no value
    clock : wall clock of the first sample, in seconds since 1970 (of the day without a date); None without
    clock_kind : ``dated``, ``zoned`` or ``time_of_day``; empty without a clock
    other_clock : the clock with day and month exchanged, where the dates do not tell; else None
    origin_s : the log's own elapsed time at the first sample [s]; None where only a clock was read
    choices : which column is what
    findings : what was noticed
    clock_settings : from when on [s], and by how much its clock was then ahead of that of the first sample [s]:
        more than one where it was set by an hour within the log
    midnight_clock : where times begin at zero and were taken for elapsed time: the clock, were they times of day
    told_apart : headings by which the plan says which rows count, and which this log has
    format_id : short name of the format
    head : its text as far as the first rows
    """

    name: str
    sha256: str
    dialect: str
    time_s: np.ndarray
    values: dict[str, np.ndarray]
    clock: float | None
    clock_kind: str
    other_clock: float | None
    origin_s: float | None
    choices: tuple[ColumnChoice, ...]
    findings: tuple[Finding, ...]
    clock_settings: tuple[tuple[float, float], ...] = ((0.0, 0.0),)
    midnight_clock: float | None = None
    told_apart: tuple[str, ...] = ()
    format_id: str = ""
    head: bytes = b""

    def ahead_of(self, clock: float | None) -> float:
        """Return how far this log's clock is ahead of another log's at their first rows [s]; nan without either.

        Parameters
        ----------
        clock : of the other log, seconds since 1970 or of the day; None where it has none
        """
        return float("nan") if self.clock is None or clock is None else self.clock - clock


def read_sensor_log(path: Path, *, name: str = "", declared: Declaration | None = None) -> SensorLog:
    """Read a sensor log.

    Parameters
    ----------
    path : the file
    name : what to call it in messages
    declared : what the plan declares about logs

    Returns
    -------
    SensorLog

    Raises
    ------
    LogError : the file cannot be read, has no time, no sample with a time, or rows of several cards or sensors
    """
    declared = declared or Declaration()
    table = open_table(path, name=name)
    counted = _counted(table, declared)
    rows = rows_of(_with_sample_that_counts(table, counted))
    return read_samples(rows, sniff_sensors(_of_counted(rows, counted), declared), declared)


def read_samples(rows: LogRows, columns: LogFormat, declared: Declaration) -> SensorLog:
    """Read a sensor log whose columns are known.

    Parameters
    ----------
    rows : the log
    columns : what its columns are
    declared : what the plan declares about logs

    Raises
    ------
    LogError : no sample has a time, or rows are of several cards or sensors
    """
    table, elapsed, counted = rows.table, columns.elapsed, _counted(rows.table, declared)
    if elapsed is not None and not columns.clock and rows.n_rows >= 3:
        rows = without_repeated_rows(table, rows, rows.numbers[elapsed.column], step=elapsed.step)
    rows = _of_counted(rows, counted)
    clock = clock_of_rows(rows, columns.clock, date_order=declared.date_order)
    stamps_s, step_s = stamps_of(columns, rows, clock)
    _check_one_source(rows, columns, stamps_s)
    order, time_s, findings, settings = in_order(table.name, stamps_s, step_s)
    first = float(stamps_s[order[0]])
    midnight = clock.start_s + first if clock and columns.begins_at_zero else None
    clock = None if columns.begins_at_zero else clock
    values, on_values = possible_samples(table.name, columns.sensors, rows.of(order).numbers)
    on_values += _leave_out_what_stays(rows, columns, time_s, values) + _leave_out_exchanged(rows, columns, values)
    doubt = (date_doubt(table.name, clock),) if clock and clock.in_doubt else ()
    has_origin = clock is None and (midnight is not None or elapsed is not None)
    return SensorLog(
        name=table.name,
        sha256=table.sha256,
        dialect=table.dialect.in_words,
        time_s=time_s,
        values=values,
        clock=clock.start_s + first if clock else None,
        clock_kind=clock.kind if clock else "",
        other_clock=clock.other_start_s + first if clock and clock.in_doubt else None,
        origin_s=(first if midnight is None else midnight) if has_origin else None,
        choices=columns.choices,
        findings=(*table.findings, *columns.findings, *doubt, *rows.findings, *findings, *on_values),
        clock_settings=settings,
        midnight_clock=midnight,
        told_apart=tuple(heading for heading in declared.count_only if table.place_of(heading) in dict(counted)),
        format_id=columns.format_id,
        head=table.text[:HEAD_BYTES],
    )


# Values


def possible_samples(
    name: str, sensors: Sequence[ColumnChoice], numbers: Mapping[int, np.ndarray]
) -> tuple[dict[str, np.ndarray], list[Finding]]:
    """Return the samples of each sensor without impossible ones and stray zeros, and what is said of these.

    Parameters
    ----------
    name : of the log
    sensors : which column is what
    numbers : array of shape (n,) by column, as written
    """
    values, findings = {}, list[Finding]()
    for sensor in sensors:
        taken = sensor.in_unit_of_role(numbers[sensor.column])
        low, high = BOUNDS.get(sensor.role, (-np.inf, np.inf))
        highest = float(taken.max(initial=0.0))
        reaches = not 0 < highest < REACHED.get(sensor.role, 0.0)
        if reaches and taken.min(initial=np.inf) > max(low, 0.0) and highest <= high:
            values[sensor.role] = taken
            continue
        is_bad = (taken < low) | (taken > high)
        if sensor.role in _NEVER_ZERO:
            is_bad[1:-1] |= (taken[1:-1] == 0) & (taken[:-2] > 0) & (taken[2:] > 0)
        n_bad = int(is_bad.sum()) if reaches else taken.size
        if n_bad > _MOST_IMPOSSIBLE * taken.size:
            about: dict[str, Any] = {"count": taken.size, "label": sensor.label, "metric": sensor.role}
            findings.append(note("logs.sensor_impossible", name=name, found=n_bad, **about))
            continue
        values[sensor.role] = np.where(is_bad, np.nan, taken) if n_bad else taken
        if n_bad:
            findings.append(note("logs.samples_left_out", name=name, n=n_bad, metric=sensor.role, found=n_bad))
    return values, findings


def _leave_out_what_stays(
    rows: LogRows, columns: LogFormat, time_s: np.ndarray, values: dict[str, np.ndarray]
) -> list[Finding]:
    """Take out a load or a power that does not rise where the surer one of both says that the card was busy."""
    choices, swings = {one.role: one for one in columns.sensors}, {one[0]: one[1] for one in SIGNALS}
    for metric, other in (("board_w", "load_pct"), ("load_pct", "board_w")):
        if not {metric, other} <= values.keys() or choices[metric].certainty > choices[other].certainty:
            continue
        is_busy = np.zeros(time_s.size, dtype=bool)
        for one in busy_stretches(time_s, values[other], least_swing=swings[other]):
            is_busy |= (time_s >= one.start_s) & (time_s <= one.end_s)
        signal, choice = values[metric], choices[metric]
        busy, idle = (signal[part & np.isfinite(signal)] for part in (is_busy, ~is_busy))
        are_enough = min(busy.size, idle.size) >= _SAMPLES_OF_MEDIAN and not choice.is_named
        if are_enough and np.median(busy) < _RISES_BY * np.median(idle):
            del values[metric]
            name, line = (
                rows.table.name,
                f"[logs] sensors = {{ {metric} = {quoted(rows.table.key(choice.column))} }}",
            )
            about: dict[str, Any] = {"label": choice.label, "label_of_other": choices[other].label}
            return [note("logs.sensor_stays", name=name, metric=metric, line=line, **about)]
    return []


def _leave_out_exchanged(rows: LogRows, columns: LogFormat, values: dict[str, np.ndarray]) -> list[Finding]:
    """Take out two sensors of which a part stands above its whole, or the less sure one of both."""
    choices, table, findings = {one.role: one for one in columns.sensors}, rows.table, []
    for part, whole, slack in _PARTS:
        if not {part, whole} <= values.keys():
            continue
        both = np.array([values[part], values[whole]])
        known, (inner, outer) = both[:, np.isfinite(both).all(axis=0)], (choices[part], choices[whole])
        if (inner.is_named and outer.is_named) or not known.size or np.median(known[0] - known[1]) <= slack:
            continue
        doubtful = [one for one in (inner, outer) if one.certainty <= min(inner.certainty, outer.certainty)]
        for one in doubtful:
            del values[one.role]
        keys = {metric: quoted(table.key(one.column)) for metric, one in ((part, outer), (whole, inner))}
        about: dict[str, Any] = {"label": inner.label, "label_of_whole": outer.label, "found": np.median(known[0])}
        about |= {"limit": np.median(known[1]), "unit": METRICS[part].unit, "own_unit": METRICS[part].unit}
        about["line"] = f"[logs] sensors = {{ {part} = {keys[part]}, {whole} = {keys[whole]} }}"
        findings.append(note("logs.sensors_exchanged", name=table.name, **about))
    return findings


# Rows of several cards or sensors


def _counted(table: LogTable, declared: Declaration) -> Sources:
    """Return the columns of a sensor log of which the plan says which rows count, each with their values.

    Numbers of columns are those of the frame log, unless this one has no heading.
    """
    found = ((table.place_of(heading), heading, values) for heading, values in declared.count_only.items())
    has_names = any(table.dialect.names)
    return tuple(
        (place, values)
        for place, heading, values in found
        if place is not None and not (heading.isdecimal() and has_names)
    )


def _with_sample_that_counts(table: LogTable, counted: Sources) -> LogTable:
    """Return the table with a sample of rows that count; as it is where none has a declared value."""

    def that_count(rows: Sequence[list[str]]) -> list[list[str]]:
        return [row for row in rows if all(row[column].strip() in values for column, values in counted)]

    sample = that_count(table.sample)
    if counted and len(sample) < min(_SAMPLES_ENOUGH, len(table.sample)):
        read = read_columns(table, [], texts=list(range(table.dialect.n_columns)))
        every = zip(*(read.cells(column) for column in read.texts), strict=True)
        sample = that_count([list(row) for row in every])[: len(table.sample)]
    return replace(table, sample=sample) if sample else table


def _of_counted(rows: LogRows, counted: Sources) -> LogRows:
    """Return the samples that count, as the plan declares, with a finding on the others.

    A column in which no row has a declared value is the frame log's.
    """
    for column, values in counted:
        cells, name = rows.cells(column), rows.table.name
        kept = cells.isin(values).to_numpy()
        if not kept.any() or kept.all():
            continue
        about: dict[str, Any] = {
            "wanted": either_of(values),
            "label": rows.label(column),
            "others": _first_counts(cells[~kept]),
        }
        finding = note("logs.samples_not_counted", name=name, used=kept.sum(), found=(~kept).sum(), **about)
        rows = rows.of(kept, finding)
    return rows


def _check_one_source(rows: LogRows, columns: LogFormat, stamps_s: np.ndarray) -> None:
    """Raise where a column tells rows of several cards or sensors apart, with the line that says which count."""
    if stamps_s.size < _SAMPLES_ENOUGH:
        return
    steps, table = np.diff(stamps_s), rows.table
    is_odd = (steps < 0).any() or (steps <= 0).mean() >= _SHARE_SHARED or _share_near_usual(steps) < _UNSTEADY
    taken = {choice.column for choice in columns.choices}
    for place in (place for place in (*rows.texts, *rows.numbers) if place not in taken):
        cells = rows.cells(place)
        words = set(cells.unique())
        are_numbers = all(word.isdecimal() or not word for word in words)
        is_name = all(word.isdecimal() or not looks_numeric(word) for word in words)
        is_short = len(words) <= (_MOST_NUMBERS if are_numbers else MOST_WORDS)
        if len(words) < 2 or not is_name or not is_short or max(map(len, words)) > _LONGEST_WORD:
            continue
        if not (_come_in_turn(cells.to_numpy()) or (is_odd and _are_apart(columns, cells, stamps_s))):
            continue
        if are_numbers and not _differ(rows, columns, cells):
            continue
        problem = (
            f"rows of {len(words)} cards or sensors are mixed, and {rows.label(place)} tells them apart: "
            f"{_first_counts(cells)}; the samples of one card, with a column for each sensor, are expected."
        )
        line = line_of_count(table, place, str(cells.iloc[0]))
        action = f"Say in the plan which rows count: {line}, or let the recorder write one row per sample."
        raise LogError(Fault(table.name, problem, action))


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
