"""Frame logs in which a column tells rows apart: of several programs, with several outcomes, of two kinds.

Which rows count is for the plan to say, by `count_only`; without that it is asked, and never guessed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.logs.cells import looks_numeric
from gpubench_kit.logs.damage import LONGEST_TURN, come_again
from gpubench_kit.logs.format import Declaration, Sources
from gpubench_kit.logs.frame_evidence import CLOCK, SHARE_EQUAL, Clues, TimeColumn, pair_of
from gpubench_kit.logs.log_table import Columns, LogRows, LogTable
from gpubench_kit.logs.text_table import no_such_column
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.questions import quoted
from gpubench_kit.model.tables import Finding
from gpubench_kit.model.words import DROPPED, GENERATED, KIND, NOT_OF_RUN, PROGRAM, QUANTITY, RUN, words_of
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.notes import note


@dataclass(frozen=True)
class WhichProgram(Fault):
    """A log of frames of several programs: ``sources`` is the heading that tells them apart, then their names."""

    sources: tuple[str, ...] = ()


#: Most values of a column that tells rows apart, and outcomes that frames can have.
MOST_WORDS, _MOST_OUTCOMES = 64, 5

#: Most blocks of rows that are of the run or not.
_MOST_BLOCKS = 8

#: Outcomes of fewer frames than this share are told; a column with larger ones tells something else.
_RARE = 0.2

#: Rows of a source that its frame times can be told from, and share of rows at which values change.
_ROWS_ENOUGH, _CHANGES = 10, 0.05

#: Rows that kinds of frames are told from; fewer than this share is no kind.
_ROWS_OF_KINDS, _FEW_KINDS = 2000, 0.02

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
    for place in (*rows.texts, *rows.numbers):
        cells = _few_cells(rows, place)
        is_told = cells is not None and several_programs(rows.table, rows, (place,))
        if cells is None or (place in taken and not is_told):
            continue
        kinds = two_kinds(rows.table, rows, (place,))
        values, counts = np.unique(cells, return_counts=True)
        is_mixed = not has_pair and float((cells[1:] != cells[:-1]).mean()) > _CHANGES
        if is_told or (
            not (kinds and has_pair) and _are_sources(clues, cells, (values, counts), is_mixed=is_mixed)
        ):
            order = np.argsort(-counts, kind="stable")
            shown = ", ".join(f"'{values[one][:40]}' ({counts[one]} rows)" for one in order[:8])
            which = "run" if words_of(rows.name(place)) & RUN else "game"
            problem = f"{rows.label(place)} tells frames of {values.size} sources apart: {shown}; "
            action = f"Say in the plan which rows count: {line_of_count(rows.table, place, values[order[0]])}"
            told = (rows.table.key(place), *(str(values[one]) for one in order))
            return WhichProgram(rows.table.name, f"{problem}which is the {which}?", action, told), findings
        findings += kinds
    return None, findings


def several_programs(table: LogTable, read: Columns, places: Iterable[int]) -> bool:
    """Return whether a column has several programs or runs by its heading, or rows that are none of a run.

    Parameters
    ----------
    table : the log
    read : its columns
    places : those that may tell
    """
    for place in places:
        heading, cells = table.dialect.names[place], read.cells(place)
        words, shares = words_of(heading), cells.value_counts(normalize=True)
        is_headed = words & (PROGRAM | RUN) and words <= PROGRAM | RUN | {"name", "id", "title", "number", "nr"}
        if is_headed and 2 <= (shares > _FEW_KINDS).sum() <= MOST_WORDS:
            return True
        # What comes in turn with a scene is a part of the run.
        is_of_blocks = 2 <= shares.size <= MOST_WORDS and (cells != cells.shift()).sum() <= _MOST_BLOCKS
        if is_of_blocks and any(words_of(one) & NOT_OF_RUN for one in (*shares.index, heading)):
            return True
    return False


def _few_cells(rows: LogRows, place: int) -> np.ndarray | None:
    """Return the cells of a column of a few words, or of a few whole numbers, as text; None of any other."""
    if place in rows.numbers:
        # What is measured in a unit names no source.
        if (unit := rows.units[place]) is not None and unit.quantity:
            return None
        values = rows.numbers[place]
        known = values[np.isfinite(values)]
        if rows.steps[place] < 1 or np.unique(known[:2000]).size > MOST_WORDS:
            return None
    cells = rows.cells(place).to_numpy(dtype=str)
    return cells if 2 <= np.unique(cells[cells != "nan"]).size <= MOST_WORDS else None


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


def two_kinds(table: LogTable, read: Columns, places: Iterable[int], *, or_programs: bool = False) -> list[Finding]:
    """Return the question whether frames are rendered or generated, for columns in which two values alternate.

    Parameters
    ----------
    table : the log
    read : its columns
    places : those that may tell
    or_programs : whether several programs are found as well
    """
    found = []
    for place in places:
        cells = read.cells(place).to_numpy(dtype=str)
        values = sorted({*cells[:_ROWS_OF_KINDS], *cells[-_ROWS_OF_KINDS:]})
        is_few = 2 <= len(values) <= LONGEST_TURN
        is_told = is_few and (come_again(cells) or _speak_of_kinds(table, place, cells, values))
        if not is_told and not (or_programs and several_programs(table, read, (place,))):
            continue
        shown = say("list.and").join(f"'{value[:40]}'" for value in values)
        found.append(kinds_asked(table, table.label(place), shown))
    return found


def _speak_of_kinds(table: LogTable, place: int, cells: np.ndarray, values: Sequence[str]) -> bool:
    """Return whether a heading, or one of its values, speaks of kinds of frames, and more than a few rows do."""
    words, changes = words_of(table.key(place)), (cells[1:] != cells[:-1]).mean()
    is_kind = words & KIND and words <= KIND | QUANTITY["frame"] and changes > _CHANGES
    least = min((cells == value).mean() for value in values)
    told = frozenset().union(*map(words_of, (table.key(place), *values)))
    # Of few frames it is said what became of them, and all count.
    return least > _FEW_KINDS and bool(is_kind or told & GENERATED or (least >= _RARE and told & DROPPED))


def kinds_asked(table: LogTable, label: str, shown: str) -> Finding:
    """Return the question whether frames are rendered and generated ones in turn.

    Parameters
    ----------
    table : the log
    label : of the column that tells
    shown : the two values in words
    """
    return note("logs.frames_of_two_kinds", name=table.name, label=label, shown=shown)


def outcome_columns(rows: LogRows, taken: set[int]) -> tuple[int, ...]:
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
        about: dict[str, Any] = {"used": shown, "rows": int(kept.sum()), "others": others or say("evidence.none")}
        told = note("logs.several_sources", name=table.name, label=table.label(column), found=len(counts), **about)
        read = read.of(kept, told)
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
        told: dict[str, Any] = {"label": table.label(column), "wanted": either_of(wanted), "unit": "frames"}
        told |= {"counted": int(counts_here.sum()), "found": (~counts_here).sum()}
        told["others"] = counts_told(others) or say("evidence.none")
        findings.append(note("logs.frames_not_counted", name=table.name, **told))
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
        about: dict[str, Any] = {"label": table.label(column), "usual": counts_told(counts.iloc[:1])}
        line = line_of_count(table, column, counts.index[0])
        about |= {"others": counts_told(rare), "found": rare.sum(), "unit": "frames", "line": line}
        found.append(note("logs.other_outcomes", name=table.name, **about))
    return found


def _wanted(table: LogTable, cells: pd.Series, asked: tuple[int, tuple[str, ...]]) -> np.ndarray:
    """Return which cells have a value wanted; raise where none has."""
    column, wanted = asked
    kept = cells.isin(wanted).to_numpy()
    if not kept.any():
        found = ", ".join(f"'{name[:40]}'" for name in cells.value_counts().index[:8])
        problem = (
            f"no row has {either_of(wanted)} in {table.label(column)}, as count_only declares (found: {found})."
        )
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


def either_of(values: tuple[str, ...]) -> str:
    """Return values with ``or`` between them."""
    return say("list.or").join(f"'{value[:40]}'" for value in values[:8])


def counts_told(counts: pd.Series) -> str:
    """Return values, each with its number in brackets."""
    return ", ".join(f"'{name[:40]}' ({count})" for name, count in counts.items())
