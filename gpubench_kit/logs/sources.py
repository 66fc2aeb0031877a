"""Logs in which a column tells rows apart: frames of several programs or outcomes, samples of several cards.

Which rows count is for the plan to say, by `count_only`; without that it is asked, and never guessed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from gpubench_kit.logs.cells import looks_numeric
from gpubench_kit.logs.format import Declaration, LogFormat, Sources
from gpubench_kit.logs.frame_evidence import CLOCK, SHARE_EQUAL, Clues, TimeColumn, pair_of
from gpubench_kit.logs.log_table import Columns, LogRows, LogTable
from gpubench_kit.logs.text_table import no_such_column, read_columns
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.questions import quoted


@dataclass(frozen=True)
class WhichProgram(Fault):
    """A log of frames of several programs: ``sources`` is the heading that tells them apart, then their names."""

    sources: tuple[str, ...] = ()


#: Most values of a column that tells rows apart; of whole numbers in a sensor log; outcomes that frames can have.
_MOST_WORDS, _MOST_NUMBERS, _MOST_OUTCOMES = 64, 16, 5

#: Outcomes of fewer frames than this share are told; a column with larger ones tells something else.
_RARE = 0.2

#: Rows of a source that its frame times can be told from, and share of rows at which values change.
_ROWS_ENOUGH, _CHANGES = 10, 0.05

#: Share of rows at which two values alternate, as rendered and generated frames do.
_ALTERNATE = 0.9

#: Steps over rows of others that prove them to be another source: where a column is there to compare with, and
#: where nothing is. They are no longer than so many others; a step over rows of the same source is twice as long.
_BRIDGES_TIMED, _BRIDGES_ALONE, _STEP_OVER_OTHERS = 4, 32, 1.5

#: Largest distance of places within steps from an even spread, as between their distribution functions.
_FAR_FROM_EVEN = 0.15


def declared_for_frames(table: LogTable, declared: Declaration) -> Declaration:
    """Return what is declared about frames: without what tells rows of the run's sensor log apart, and none here.

    Parameters
    ----------
    table : the frame log
    declared : what the plan declares about logs
    """
    # A number is that of a column without heading.
    has_headings = any(table.dialect.names)
    elsewhere = {
        heading
        for heading in declared.told_in_sensors
        if table.place_of(heading) is None or (heading.isdecimal() and has_headings)
    }
    kept = {heading: values for heading, values in declared.count_only.items() if heading not in elsewhere}
    return replace(declared, count_only=kept)


def told_apart(
    clues: Clues, declared: Declaration, clues_of: Callable[[LogRows], Clues]
) -> tuple[Sources, Sources]:
    """Return the declared columns that tell sources apart, and those that tell which frames of one source count.

    Parameters
    ----------
    clues : the log
    declared : what the plan declares
    clues_of : the clues of some of its rows

    Raises
    ------
    LogError : a declared column is missing
    """
    rows, asked = clues.rows, []
    for heading, values in declared.count_only.items():
        place = rows.table.place_of(heading)
        if place is None:
            raise no_such_column(rows.table, heading, "what tells which frames count")
        asked.append((place, values))
    masks = [rows.cells(place).isin(values).to_numpy() for place, values in asked]
    if not asked or (_has_pair(clues) and not any(_stand_apart(clues, mask) for mask in masks)):
        return (), tuple(asked)
    proved = [
        one
        for one, mask in zip(asked, masks, strict=True)
        if _has_pair(clues_of(rows.of(mask if mask.sum() >= _ROWS_ENOUGH else slice(None))))
    ]
    sources = tuple(proved[:1] or asked)
    return sources, tuple(one for one in asked if one not in sources)


def _has_pair(clues: Clues) -> bool:
    """Return whether the steps of a time equal a column."""
    return any(pair_of(clues, time, place) for time in clues.times for place in clues.plain)


def several_sources(clues: Clues) -> tuple[Fault | None, list[Finding]]:
    """Return what is asked where a column tells frames of several programs apart, and notes on kinds of frames.

    Parameters
    ----------
    clues : the log, with all its rows
    """
    findings: list[Finding] = []
    has_pair, rows = _has_pair(clues), clues.rows
    taken = rows.is_clock | {time.place for time in clues.times}
    for place in (place for place in (*rows.texts, *rows.numbers) if place not in taken):
        cells = _few_cells(rows, place)
        if cells is None:
            continue
        values, counts = np.unique(cells, return_counts=True)
        share_changing = float((cells[1:] != cells[:-1]).mean())
        if values.size == 2 and share_changing > _ALTERNATE and has_pair:
            findings.append(_two_kinds(rows, place, values))
        elif _are_sources(clues, cells, (values, counts), is_mixed=share_changing > _CHANGES and not has_pair):
            order = np.argsort(-counts, kind="stable")
            shown = ", ".join(f"'{values[one][:40]}' ({counts[one]} rows)" for one in order[:8])
            problem = (
                f"{rows.label(place)} tells frames of {values.size} sources apart: {shown}; which is the game?"
            )
            line = line_of_count(rows.table, place, values[order[0]])
            told = (rows.table.key(place), *(str(values[one]) for one in order))
            return WhichProgram(
                rows.table.name, problem, f"Say in the plan which rows count: {line}", told
            ), findings
    return None, findings


def _few_cells(rows: LogRows, place: int) -> np.ndarray | None:
    """Return the cells of a column of a few words, or of a few whole numbers, as text; None of any other."""
    if place in rows.numbers:
        values = rows.numbers[place]
        known = values[np.isfinite(values)]
        if rows.steps[place] < 1 or np.unique(known[:2000]).size > _MOST_WORDS:
            return None
    cells = rows.cells(place).to_numpy(dtype=str)
    return cells if 2 <= np.unique(cells[cells != "nan"]).size <= _MOST_WORDS else None


def _are_sources(clues: Clues, cells: np.ndarray, told: tuple[np.ndarray, np.ndarray], *, is_mixed: bool) -> bool:
    """Return whether the rows of each value are those of a program."""
    values, counts = told
    largest = cells == values[np.argmax(counts)]
    if _has_pair(clues):
        return _stand_apart(clues, largest)
    if not clues.times:
        is_text = not all(map(looks_numeric, filter(None, values)))
        return is_text and is_mixed and values.size <= 12 and bool((counts > _ROWS_ENOUGH).all())
    parts = [cells == value for value in values[counts >= _ROWS_ENOUGH]]
    if len(parts) >= 2 and all(_has_pair(_some(clues, part)) for part in parts):
        return True
    return bool(parts) and _stand_apart(clues, largest)


def _some(clues: Clues, part: np.ndarray) -> Clues:
    """Return the clues of some rows, with the same columns in the same roles."""
    values = {place: column[part] for place, column in clues.values.items()}
    times = tuple(replace(time, values=time.values[part]) for time in clues.times)
    return replace(clues, rows=clues.rows.of(part), values=values, times=times)


def _stand_apart(clues: Clues, is_used: np.ndarray) -> bool:
    """Return whether rows of a source leave the steps of another, over which they stand, as they are."""
    rows = np.flatnonzero(is_used)
    bridges = np.flatnonzero(np.diff(rows) > 1)
    if not _ROWS_ENOUGH <= rows.size < is_used.size or bridges.size < _BRIDGES_TIMED:
        return False
    used = _some(clues, is_used)
    for time, own in zip(clues.times, used.times, strict=True):
        if time.place == CLOCK:
            continue
        pairs = [(place, pair) for place in clues.plain if (pair := pair_of(used, own, place))]
        if pairs:
            return any(_bridges_equal(clues, time, (place, pair.ratio), (rows, bridges)) for place, pair in pairs)
        if not clues.plain and _are_independent(time.values, rows):
            return True
    return False


def _bridges_equal(
    clues: Clues, time: TimeColumn, pair: tuple[int, float], told: tuple[np.ndarray, np.ndarray]
) -> bool:
    """Return whether steps over rows of others equal frame times as the other steps do."""
    (place, ratio), (rows, bridges) = pair, told
    values = clues.values[place]
    slack = 1.05 * time.step + 0.55 * clues.rows.steps[place] * ratio + 1e-12 * float(np.abs(time.values).max())
    steps = time.values[rows[bridges + 1]] - time.values[rows[bridges]]
    sides = (values[rows[bridges]], values[rows[bridges + 1]])
    return any((np.abs(steps - side * ratio) <= slack).mean() >= SHARE_EQUAL - 0.07 for side in sides)


def _are_independent(time: np.ndarray, rows: np.ndarray) -> bool:
    """Return whether rows of others fall anywhere between those of a source, and leave its steps as they are."""
    steps, n_between = np.diff(time[rows]), np.diff(rows) - 1
    bridges = n_between > 0
    if bridges.sum() < _BRIDGES_ALONE or not (steps >= 0).all() or np.median(steps) <= 0:
        return False
    free = steps[~bridges]
    if free.size < _BRIDGES_ALONE:
        # Rows that always come in the same number, such as frames made up between others, have one cause.
        is_regular = (n_between == np.median(n_between)).mean() >= 0.9
    else:
        is_regular = np.median(steps[bridges]) > _STEP_OVER_OTHERS * np.median(free)
    others = np.setdiff1d(np.arange(rows[0], rows[-1]), rows)
    before = np.searchsorted(rows, others) - 1
    start, end = time[rows[before]], time[rows[before + 1]]
    # Coarse stamps may put a whole step, with what lies in it, at one time.
    wide = end > start
    places = np.sort((time[others] - start)[wide] / (end - start)[wide])
    if is_regular or places.size == 0:
        return False
    below = np.arange(places.size) / places.size
    apart = np.maximum(np.abs(places - below), np.abs(places - below - 1 / places.size)).max()
    return bool(apart <= _FAR_FROM_EVEN)


def _two_kinds(rows: LogRows, place: int, values: np.ndarray) -> Finding:
    """Return the question whether frames alternate between rendered and generated ones."""
    shown = " and ".join(f"'{value[:40]}'" for value in values)
    message = (
        f"{rows.table.name}: {rows.label(place)} alternates between {shown}: are these rendered and generated "
        "frames? All of them are counted."
    )
    action = "Declare in the game's settings which are counted: frames_counted and generated_per_rendered."
    return Finding("note", "frames_of_two_kinds", message, action=action)


def outcome_columns(rows: LogRows, taken: set[int | None]) -> tuple[int, ...]:
    """Return columns of words, or of a few whole numbers, that may tell what became of each frame.

    Parameters
    ----------
    rows : the log
    taken : columns that are something else
    """
    found = []
    for place in range(rows.table.dialect.n_columns):
        if place in taken or place in rows.is_clock:
            continue
        words = {row[place].strip() for row in rows.table.sample}
        is_flag = place not in rows.numbers or (len(words) > 1 and all(word.isdecimal() for word in words))
        if is_flag and len(words) <= _MOST_OUTCOMES and words != {""}:
            found.append(place)
    return tuple(found[:3])


def of_sources(table: LogTable, read: Columns, sources: Sources) -> Columns:
    """Return the rows of the sources that the plan counts, with a finding on the others.

    Parameters
    ----------
    table : the log
    read : its columns
    sources : columns, each with the values wanted

    Raises
    ------
    LogError : no row has a declared value
    """
    for column, wanted in sources:
        cells = read.cells(column)
        kept = _wanted(table, cells, (column, wanted))
        counts, used = cells.value_counts(), cells[kept].unique()
        others = ", ".join(f"'{name[:40]}' ({counts[name]})" for name in counts.index[:8] if name not in used)
        shown = ", ".join(f"'{name[:40]}'" for name in used[:8])
        message = (
            f"{table.name}: {table.label(column)} tells frames of {len(counts)} sources apart; those of {shown} "
            f"are declared and used ({int(kept.sum())} rows), the others are not: {others or 'none'}."
        )
        read = read.of(kept, Finding("note", "several_sources", message, found=float(len(counts))))
    return read


def counted_rows(
    table: LogTable, read: Columns, *, counted: Sources, n_rows: int
) -> tuple[np.ndarray, tuple[Finding, ...]]:
    """Return which rows are frames that count, as the plan declares, and a finding on the others.

    Parameters
    ----------
    table : the log
    read : its columns
    counted : columns, each with the values of frames that count
    n_rows : rows that are frames

    Raises
    ------
    LogError : no row has a declared value
    """
    kept, findings = np.ones(n_rows, dtype=bool), []
    for column, wanted in counted:
        cells = read.cells(column).iloc[:n_rows]
        counts_here = _wanted(table, cells, (column, wanted))
        kept &= counts_here
        others = cells[~counts_here].value_counts().iloc[:8]
        message = (
            f"{table.name}: the plan counts frames with {_listed(wanted)} in {table.label(column)} "
            f"({int(counts_here.sum())}); others do not count, and their time went to the frame before: "
            f"{_counted(others) or 'none'}."
        )
        n_others = float((~counts_here).sum())
        findings.append(Finding("note", "frames_not_counted", message, found=n_others, unit="frames"))
    return kept, tuple(findings)


def rare_outcomes(table: LogTable, read: Columns, columns: tuple[int, ...]) -> list[Finding]:
    """Return a finding for each column in which a few frames have another word than the rest.

    Parameters
    ----------
    table : the log
    read : its columns
    columns : those that may tell what became of each frame
    """
    found = []
    for column in columns:
        counts = read.cells(column).value_counts()
        rare = counts.iloc[1:]
        if not 1 <= rare.size < _MOST_OUTCOMES or rare.sum() >= _RARE * counts.sum():
            continue
        message = (
            f"{table.name}: in {table.label(column)} most frames have '{counts.index[0][:40]}' ({counts.iloc[0]}), "
            f"some others: {_counted(rare)}. All of them are counted."
        )
        action = f"If only the former count, say so: {line_of_count(table, column, counts.index[0])}"
        about = {"found": float(rare.sum()), "unit": "frames", "action": action}
        found.append(Finding("note", "other_outcomes", message, **about))
    return found


def _wanted(table: LogTable, cells: pd.Series, asked: tuple[int, tuple[str, ...]]) -> np.ndarray:
    """Return which cells have a value wanted; raise where none has."""
    column, wanted = asked
    kept = cells.isin(wanted).to_numpy()
    if not kept.any():
        found = ", ".join(f"'{name[:40]}'" for name in cells.value_counts().index[:8])
        problem = f"no row has {_listed(wanted)} in {table.label(column)}, as count_only declares (found: {found})."
        raise LogError(Fault(table.name, problem, "Correct count_only in the plan, below [logs]."))
    return kept


def line_of_count(table: LogTable, column: int, value: str) -> str:
    """Return the line of a plan that declares which rows count.

    Parameters
    ----------
    table : the log
    column : the column that tells rows apart
    value : that of the rows that count
    """
    return f"[logs] count_only = {{ {quoted(table.key(column))} = [{quoted(value)}] }}"


def _listed(values: tuple[str, ...]) -> str:
    return " or ".join(f"'{value[:40]}'" for value in values[:8])


def _counted(counts: pd.Series) -> str:
    return ", ".join(f"'{name[:40]}' ({count})" for name, count in counts.items())


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
            f"{rows.table.name}: the plan counts rows with {_listed(values)} in {rows.label(column)} "
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
        if len(words) > (_MOST_NUMBERS if are_numbers else _MOST_WORDS) or max(map(len, words)) > _LONGEST_WORD:
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
    return _counted(counts.iloc[:8]) + more
