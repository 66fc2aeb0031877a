"""Logs in which a column tells frames apart: of several programs, with several outcomes, rendered and generated."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from gpubench_kit.logs.cells import looks_numeric
from gpubench_kit.logs.format import Declaration, Sources
from gpubench_kit.logs.frame_evidence import CLOCK, SHARE_EQUAL, Clues, pair_of
from gpubench_kit.logs.log_table import Columns, LogRows, LogTable
from gpubench_kit.logs.text_table import no_such_column
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.questions import quoted


@dataclass(frozen=True)
class WhichProgram(Fault):
    """A log of frames of several programs: ``sources`` is the heading that tells them apart, then their names."""

    sources: tuple[str, ...] = ()


#: Most values of a column that tells sources apart, and most outcomes that frames can have.
_MOST_SOURCES, _MOST_OUTCOMES = 64, 5

#: Outcomes of fewer frames than this share are told; a column with larger ones tells something else.
_RARE = 0.2

#: Rows of a source that its frame times can be told from, and share of rows at which values change.
_ROWS_ENOUGH, _CHANGES = 10, 0.05

#: Share of rows at which two values alternate, as rendered and generated frames do.
_ALTERNATE = 0.9

#: Steps that differ from frame times, from which on rows of another source may stand between; and steps over such
#: rows that prove it: where a column is there to compare with, and where nothing is.
_DOUBTFUL_STEPS, _BRIDGES_TIMED, _BRIDGES_ALONE = 8, 4, 32

#: A step over rows of other sources is no longer than this many others; one over rows of the same source is twice.
_STEP_OVER_OTHERS = 1.5

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
    elsewhere = [
        heading
        for heading in declared.told_in_sensors
        if table.place_of(heading) is None or (heading.isdecimal() and has_headings)
    ]
    if not elsewhere:
        return declared
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
    table = clues.rows.table
    asked = [(table.place_of(heading), values) for heading, values in declared.count_only.items()]
    missing = [heading for heading, (place, _) in zip(declared.count_only, asked, strict=True) if place is None]
    if missing:
        raise no_such_column(table, missing[0], "what tells which frames count")
    if not asked or (_has_pair(clues) and not _stand_between(clues, asked)):
        return (), tuple(asked)
    proved = tuple(one for one in asked if _has_pair(clues_of(clues.rows.of(_mask(clues.rows, one)))))[:1]
    sources = proved or tuple(asked)
    return sources, tuple(one for one in asked if one not in sources)


def _mask(rows: LogRows, asked: tuple[int, tuple[str, ...]]) -> np.ndarray:
    """Return which rows have a value wanted; all where too few have."""
    kept = np.isin(_texts(rows, asked[0]), asked[1])
    return kept if kept.sum() >= _ROWS_ENOUGH else np.ones(rows.n, dtype=bool)


def _has_pair(clues: Clues) -> bool:
    """Return whether the steps of a time equal a column."""
    return any(pair_of(clues, time, place) for time in clues.times for place in clues.plain)


def _stand_between(clues: Clues, asked: list[tuple[int, tuple[str, ...]]]) -> bool:
    """Return whether rows of another source stand between those wanted, although most steps equal frame times."""
    return any(_are_apart(clues, np.isin(_texts(clues.rows, place), wanted)) for place, wanted in asked)


def _texts(rows: LogRows, place: int) -> np.ndarray:
    """Return the cells of a column as text; whole numbers without decimals."""
    if place in rows.texts:
        return pd.Series(rows.texts[place]).fillna("").astype(str).str.strip().to_numpy(dtype=object)
    if place not in rows.numbers:
        return np.full(rows.n, "", dtype=object)
    return np.array([f"{value:g}" for value in rows.numbers[place]], dtype=object)


def several_sources(clues: Clues) -> tuple[Fault | None, list[Finding]]:
    """Return what is asked where a column tells frames of several programs apart, and notes on kinds of frames.

    Parameters
    ----------
    clues : the log, with all its rows
    """
    findings: list[Finding] = []
    has_pair = _has_pair(clues)
    for place in _columns_of_few_values(clues):
        cells = _texts(clues.rows, place)
        values, counts = np.unique(cells.astype(str), return_counts=True)
        share_changing = float((cells[1:] != cells[:-1]).mean())
        if values.size == 2 and share_changing > _ALTERNATE and has_pair:
            findings.append(_two_kinds(clues.rows, place, values))
            continue
        if has_pair:
            is_source = _are_apart(clues, cells == values[np.argmax(counts)])
        else:
            is_source = _has_own_times(clues, cells, values, share_changing)
        if is_source:
            return _ask_which(clues.rows, place, (values, counts)), findings
    return None, findings


def _columns_of_few_values(clues: Clues) -> list[int]:
    """Return columns of a few words, or of a few whole numbers, that are no time."""
    rows = clues.rows
    taken = rows.is_clock | {time.place for time in clues.times}
    places = [place for place in (*rows.texts, *rows.numbers) if place not in taken]
    return [place for place in places if 2 <= _n_values(rows, place) <= _MOST_SOURCES]


def _n_values(rows: LogRows, place: int) -> int:
    """Return how many different cells a column has; 0 of numbers that are not whole."""
    if place in rows.texts:
        return int(pd.Series(rows.texts[place]).fillna("").astype(str).str.strip().nunique())
    values = rows.numbers[place]
    known = values[np.isfinite(values)]
    if rows.steps[place] < 1 or known.size == 0 or np.unique(known[:2000]).size > _MOST_SOURCES:
        return 0
    return int(np.unique(known).size)


def _has_own_times(clues: Clues, cells: np.ndarray, values: np.ndarray, share_changing: float) -> bool:
    """Return whether the rows of each value are those of a program, where no time agrees with all rows."""
    if not clues.times:
        is_text = not all(map(looks_numeric, filter(None, values)))
        return is_text and share_changing > _CHANGES and values.size <= 12 and bool(_take_turns(cells, values))
    parts = [cells == value for value in values]
    parts = [part for part in parts if part.sum() >= _ROWS_ENOUGH]
    if len(parts) >= 2 and all(_agrees_alone(clues, part) for part in parts):
        return True
    return bool(parts) and _are_apart(clues, max(parts, key=np.sum))


def _take_turns(cells: np.ndarray, values: np.ndarray) -> bool:
    """Return whether each value has rows enough."""
    return all((cells == value).sum() > _ROWS_ENOUGH for value in values)


def _agrees_alone(clues: Clues, part: np.ndarray) -> bool:
    """Return whether, among some rows, the steps of a time equal a column."""
    values = {place: column[part] for place, column in clues.values.items()}
    some = replace(clues, rows=clues.rows.of(part), values=values)
    times = [replace(time, values=time.values[part]) for time in clues.times]
    return any(pair_of(some, time, place) for time in times for place in some.plain)


def _are_apart(clues: Clues, is_used: np.ndarray) -> bool:
    """Return whether rows of a source leave the steps of another, over which they stand, as they are."""
    rows = np.flatnonzero(is_used)
    if not _ROWS_ENOUGH <= rows.size < is_used.size:
        return False
    bridges = np.flatnonzero(np.diff(rows) > 1)
    if bridges.size < _BRIDGES_TIMED:
        return False
    for time in clues.times:
        if time.place == CLOCK:
            continue
        pairs = [pair for place in clues.plain if (pair := _pair_among(clues, time, place, is_used))]
        if pairs:
            return any(_bridges_equal(clues, time, pair, (rows, bridges)) for pair in pairs)
        if not clues.plain and _are_independent(time.values, rows):
            return True
    return False


def _pair_among(clues: Clues, time, place: int, is_used: np.ndarray) -> tuple[int, float] | None:
    """Return place and ratio of a column that equals the steps among some rows; None where it does not."""
    some = replace(clues, rows=clues.rows.of(is_used), values={place: clues.values[place][is_used]})
    pair = pair_of(some, replace(time, values=time.values[is_used]), place)
    return None if pair is None else (place, pair.ratio)


def _bridges_equal(clues: Clues, time, pair: tuple[int, float], told: tuple[np.ndarray, np.ndarray]) -> bool:
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
    return not is_regular and _distance_from_even(time, rows) <= _FAR_FROM_EVEN


def _distance_from_even(time: np.ndarray, rows: np.ndarray) -> float:
    """Return how far the places of other rows, within the steps they fall into, are from an even spread."""
    others = np.setdiff1d(np.arange(rows[0], rows[-1]), rows)
    before = np.searchsorted(rows, others) - 1
    start, end = time[rows[before]], time[rows[before + 1]]
    # Coarse stamps may put a whole step, with what lies in it, at one time.
    wide = end > start
    places = np.sort((time[others] - start)[wide] / (end - start)[wide])
    if places.size == 0:
        return 1.0
    below = np.arange(places.size) / places.size
    return float(np.maximum(np.abs(places - below), np.abs(places - below - 1 / places.size)).max())


def _two_kinds(rows: LogRows, place: int, values: np.ndarray) -> Finding:
    """Return the question whether frames alternate between rendered and generated ones."""
    shown = " and ".join(f"'{value[:40]}'" for value in values)
    message = (
        f"{rows.table.name}: {rows.label(place)} alternates between {shown}: are these rendered and generated "
        "frames? All of them are counted."
    )
    action = "Declare in the game's settings which are counted: frames_counted and generated_per_rendered."
    return Finding("note", "frames_of_two_kinds", message, action=action)


def _ask_which(rows: LogRows, place: int, told: tuple[np.ndarray, np.ndarray]) -> Fault:
    """Return the question which of several programs is the game."""
    values, counts = told
    order = np.argsort(-counts, kind="stable")
    shown = ", ".join(f"'{values[one][:40]}' ({counts[one]} rows)" for one in order[:8])
    problem = f"{rows.label(place)} tells frames of {values.size} sources apart: {shown}; which is the game?"
    action = f"Say in the plan which rows count: {line_of_count(rows.table, place, values[order[0]])}"
    names = tuple(str(values[one]) for one in order)
    return WhichProgram(rows.table.name, problem, action, (rows.table.key(place), *names))


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
        cells = cells_as_text(read, column)
        kept = _wanted(table, cells, (column, wanted))
        counts, used = cells.value_counts(), cells[kept].unique()
        others = ", ".join(f"'{name[:40]}' ({counts[name]})" for name in counts.index[:8] if name not in used)
        shown = ", ".join(f"'{name[:40]}'" for name in used[:8])
        message = (
            f"{table.name}: {table.label(column)} tells frames of {len(counts)} sources apart; those of {shown} "
            f"are declared and used ({int(kept.sum())} rows), the others are not: {others or 'none'}."
        )
        finding = Finding("note", "several_sources", message, found=float(len(counts)))
        read = replace(
            read,
            numbers={column: values[kept] for column, values in read.numbers.items()},
            texts={column: values[kept] for column, values in read.texts.items()},
            findings=(*read.findings, finding),
        )
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
        cells = cells_as_text(read, column).iloc[:n_rows]
        counts_here = _wanted(table, cells, (column, wanted))
        kept &= counts_here
        others = ", ".join(
            f"'{name[:40]}' ({n})" for name, n in cells[~counts_here].value_counts().iloc[:8].items()
        )
        message = (
            f"{table.name}: the plan counts frames with {_listed(wanted)} in {table.label(column)} "
            f"({int(counts_here.sum())}); others do not count, and their time went to the frame before: "
            f"{others or 'none'}."
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
        counts = cells_as_text(read, column).value_counts()
        rare = counts.iloc[1:]
        if not 1 <= rare.size < _MOST_OUTCOMES or rare.sum() >= _RARE * counts.sum():
            continue
        shown = ", ".join(f"'{name[:40]}' ({count})" for name, count in rare.items())
        message = (
            f"{table.name}: in {table.label(column)} most frames have '{counts.index[0][:40]}' ({counts.iloc[0]}), "
            f"some others: {shown}. All of them are counted."
        )
        action = f"If only the former count, say so: {line_of_count(table, column, counts.index[0])}"
        found.append(
            Finding("note", "other_outcomes", message, found=float(rare.sum()), unit="frames", action=action)
        )
    return found


def cells_as_text(read: Columns, column: int) -> pd.Series:
    """Return the cells of a column as text.

    Parameters
    ----------
    read : columns of a log
    column : its place, from 0
    """
    return pd.Series(read.texts[column]).fillna("").astype(str).str.strip()


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
    """Return values as text."""
    return " or ".join(f"'{value[:40]}'" for value in values[:8])
