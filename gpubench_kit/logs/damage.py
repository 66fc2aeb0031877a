"""Damage that the rows of a log show: rows twice, a second run, rows of sums, a lost decimal mark, reversed rows.

What can be repaired without a guess is repaired with a note; what cannot is asked. At the end: lengths of rows that
speak against each row being one whole frame, such as kinds that take turns, halves, and rows cut to a limit.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, TypeVar

import numpy as np

from gpubench_kit.logs.clock import counts_rows, rises
from gpubench_kit.logs.format import ConfirmedFormat
from gpubench_kit.logs.log_table import Columns, LogRows, LogTable, row_lines
from gpubench_kit.model.errors import Fault
from gpubench_kit.model.tables import Finding
from gpubench_kit.model.words import speaks_of_frames
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.notes import note

Read = TypeVar("Read", bound=Columns)

#: Most times that a time may begin anew, as several runs in a log make it: it goes back by more usual steps.
_MOST_RUNS, _MOST_BACK = 8, 20.0

#: Most last rows of sums and means; standard deviation, in last decimals, from which a value is no mean by chance.
_MOST_FOOTERS, _VARIED = 4, 20

#: Widths of counters; how far from the usual a mark may be lost; largest log whose rows are compared as text [MB].
_COUNTER_BITS, _FAR, _LARGEST_MB = (16, 24, 31, 32), 20.0, 64

#: No frame takes less than this share of the usual one, but for a few; more such rows are of several sources.
_NEXT_TO_NOTHING, _TOO_SHORT = 0.1, 0.02
#: Rows that took exactly as long as the longest one: more of them, and a larger share, are cut to a limit.
_LEAST_CLIPPED, _CLIPPED = 5, 0.004
#: Groups are told from so many blocks of so many rows; slow changes are those over more rows than this, and what is
#: farther off than so many usual distances is taken as so far.
_LEAST_BLOCKS, _BLOCK, _SLOW, _FAR_OFF = 16, 24, 12, 3.0

#: In groups of so many rows what neighbours have in common differs by this share of the variance, and by so many
#: standard errors; drivers that prepare three frames ahead reach 0.35 and 5.8 in measured runs.
_OTHER_TIE, _SURE = {2: 0.25, 3: 0.5, 4: 0.5}, 5.0
#: The rows of a block to the means of each place in a group: the places of pairs, then those of three and of four.
_PLACES_OF, _NEXT_PLACE = (slice(0, 2), slice(2, 5), slice(5, 9)), [1, 0, 3, 4, 2, 6, 7, 8, 5]
_TO_PLACES = np.hstack([np.tile(np.eye(size), (_BLOCK // size, 1)) * (size / _BLOCK) for size in _OTHER_TIE])
#: A log in eighths; of these the whole, the halves, the quarters and each one.
_EIGHTHS = 8
_PARTS = np.vstack([np.repeat(np.eye(n), _EIGHTHS // n, axis=1) * n / _EIGHTHS for n in (1, 2, 4, 8)])

#: An interval of a display is as long as short rows are; nearly all rows that wait for it are near a whole number.
_SHORT_ROWS, _NEAR_WHOLE, _ON_GRID = 0.1, 0.1, 0.95

#: Rows are even where this share of them takes this part more or less than the usual time.
_EVEN_SHARE, _EVEN_PART = 0.9, 0.03

#: Kinds of frames take turns where they come again after so many rows at most, in this share of rows, change in
#: this share of rows, and long ones are longer than short ones by this part of the mean.
LONGEST_TURN, _TURNS, _CHANGES, _TURN_PART = 4, 0.9, 0.45, 0.3


@dataclass(frozen=True)
class Repaired:
    """The rows of a log without damage.

    Attributes
    ----------
    rows : the rows that are used
    rules : what was done, in words that `with_rules` follows
    findings : what was noticed
    fault : what has to be answered first; None where nothing is asked
    lost_marks : rows whose cell lost its decimal mark, by place
    """

    rows: LogRows
    rules: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    fault: Fault | None = None
    lost_marks: tuple[tuple[int, int], ...] = ()


#: A rule of `with_rules`, and what says so.
_Repair = tuple[str, Finding]


def repaired(rows: LogRows, confirmed: ConfirmedFormat | None) -> Repaired:
    """Return the rows of a log without the damage that they show.

    Parameters
    ----------
    rows : all rows
    confirmed : what the reviewer confirmed of the format; names the part where a log holds several runs
    """
    part = confirmed.part if confirmed else 0
    rules: list[str] = []
    findings: list[Finding] = []
    for look in (_rows_twice, _footers, _reversed, _wrapped, partial(_several_runs, part=part)):
        for found in look(rows):
            if isinstance(found, Fault):
                return Repaired(rows, tuple(rules), tuple(findings), found, _lost_marks(rows))
            rule, finding = found
            rows = with_rules(rows, (rule,))
            rules.append(rule)
            findings.append(finding)
    return Repaired(rows, tuple(rules), tuple(findings), lost_marks=_lost_marks(rows))


def with_rules(rows: Read, rules: tuple[str, ...]) -> Read:
    """Return the rows that the rules of a format leave.

    Parameters
    ----------
    rows : all rows of a log of the format
    rules : see `Repaired`
    """
    for rule in rules:
        name, _, argument = rule.partition(" ")
        first, _, last = argument.partition("-")
        if name == "unwrap":
            values = rows.numbers[int(first)]
            bits = int(last)
            unwrapped = values + 2.0**bits * np.concatenate(([0.0], np.cumsum(np.diff(values) < 0)))
            numbers = {**rows.numbers, int(first): unwrapped}
            rows = replace(rows, numbers=numbers)
            continue
        kept = {
            "every_second": slice(None, None, 2),
            "reverse": slice(None, None, -1),
            "drop_last": slice(None, -int(first or 1)),
            "rows": slice(int(first or 1) - 1, int(last or 1)),
        }[name]
        rows = rows.of(kept)
    return rows


def _live(rows: LogRows) -> dict[int, np.ndarray]:
    """Return the columns of numbers that hold more than holes and row numbers."""
    return {
        place: values
        for place, values in rows.numbers.items()
        if np.isfinite(values).sum() > 0.5 * values.size and not counts_rows(values)
    }


def _rows_twice(rows: LogRows) -> Iterator[_Repair]:
    """Yield what leaves second copies out, where each row is written twice."""
    live = _live(rows)
    if live and rows.n_rows % 2 == 0 and rows.n_rows >= 4:
        values = np.nan_to_num(np.column_stack(list(live.values())))
        if (values[0::2] == values[1::2]).all() and np.ptp(values[::2], axis=0).max() > 0:
            yield "every_second", note("logs.every_row_twice", name=rows.table.name)


def _footers(rows: LogRows) -> Iterator[_Repair]:
    """Yield what leaves a last few rows out that are sums, means or ends of the others.

    A row may hold the mean of one column by chance; a summary holds it in most of those that vary.
    """
    columns = [
        (values, rows.steps[place])
        for place, values in _live(rows).items()
        if values.size > 20 and np.isfinite(values).all() and not rises(values[:-_MOST_FOOTERS])
    ]
    n_varied = sum(float(values[:-_MOST_FOOTERS].std()) > _VARIED * step for values, step in columns)
    for n_last in range(_MOST_FOOTERS, 0, -1):
        found = [kinds for values, step in columns if (kinds := _kinds_of_last(values, n_last, step))]
        is_row = _goes_on(rows, n_last) and not any("sum" in kinds for kinds in found)
        if found and 2 * len(found) >= n_varied and not is_row:
            told = say("list.and").join(say(f"logs.summary_rows.{kind}") for kind in found[0])
            yield f"drop_last {n_last}", note("logs.summary_rows", name=rows.table.name, n=n_last, kinds=told)
            return


def _goes_on(rows: LogRows, n_last: int) -> bool:
    """Return whether a time goes on through the last rows by steps as long as the others."""
    for values in _live(rows).values():
        steps = np.diff(values)
        if np.isfinite(steps).all() and rises(values) and steps[-n_last:].min() > 0:
            return bool(steps[-n_last:].max() <= 10 * np.median(steps))
    return False


def _kinds_of_last(values: np.ndarray, n_last: int, step: float) -> list[str]:
    """Return what the last rows are, in words; none where one of them is a row like the others."""
    above = values[:-n_last]
    total, mean, spread = float(above.sum()), float(above.mean()), float(above.std())
    ends = (above.min(), above.max(), np.round(np.median(above), 3))
    kinds = []
    for value in values[-n_last:]:
        if abs(value - total) <= step * max(1.0, above.size**0.5) and value > 5 * above.max():
            kinds.append("sum")
        elif abs(value - mean) <= 0.51 * step and spread > _VARIED * step:
            kinds.append("mean")
        elif n_last > 1 and value in ends:
            kinds.append("end")
        else:
            return []
    return kinds if {"sum", "mean"} & set(kinds) else []


def _reversed(rows: LogRows) -> Iterator[_Repair]:
    """Yield what puts rows into the order of time, where every time falls."""
    live = _live(rows)
    falls = [place for place, values in live.items() if rises(-values)]
    if falls and not any(rises(values) for values in live.values()):
        yield "reverse", note("logs.rows_reversed", name=rows.table.name, label=rows.label(falls[0]))


def _times(rows: LogRows) -> Iterator[tuple[int, np.ndarray]]:
    """Yield columns without holes that rise, but for a few rows."""
    live = _live(rows).items()
    yield from ((place, values) for place, values in live if np.isfinite(values).all() and rises(values))


def _wrapped(rows: LogRows) -> Iterator[_Repair]:
    """Yield what counts on where counters begin anew after their largest number."""
    for place, values in _times(rows):
        steps = np.diff(values)
        back, longest = np.flatnonzero(steps < 0), float(steps.max())
        bits = next((one for one in _COUNTER_BITS if values.max() < 2.0**one), 0)
        if rows.steps[place] < 1 or not back.size or not bits:
            continue
        if (values[back] >= 2.0**bits - longest).all() and (values[back + 1] <= longest).all():
            about: dict[str, Any] = {"name": rows.table.name, "label": rows.label(place), "n": back.size}
            yield f"unwrap {place}-{bits}", note("logs.counter_wrapped", bits=bits, **about)


def _several_runs(rows: LogRows, *, part: int) -> Iterator[_Repair | Fault]:
    """Yield what leaves the rows of one run, where a time begins anew; asks which where the runs differ."""
    for place, values in _times(rows):
        steps = np.diff(values)
        back = np.flatnonzero(steps < -_MOST_BACK * abs(float(np.median(steps)))) + 1
        is_anew = np.isclose(values[back], values[0], atol=5 * abs(float(np.median(steps))))
        unit = rows.units[place]
        is_measured = unit is not None and unit.quantity not in ("", "time")
        if is_measured or not 0 < back.size <= _MOST_RUNS or not is_anew.all():
            continue
        edges = [0, *back.tolist(), values.size]
        parts = [slice(first, behind) for first, behind in itertools.pairwise(edges)]
        columns = [one for one in rows.numbers.values() if not counts_rows(one)]
        alike = (
            np.array_equal(one[parts[0]], one[other], equal_nan=True) for one in columns for other in parts[1:]
        )
        if all(alike):
            told = note("logs.block_repeated", name=rows.table.name, rows=parts[0].stop, times=len(parts))
            yield f"rows 1-{parts[0].stop}", told
        elif 1 <= part <= len(parts):
            told = note("logs.part_of_log", name=rows.table.name, runs=len(parts), part=part)
            yield f"rows {parts[part - 1].start + 1}-{parts[part - 1].stop}", told
        else:
            shown = ", ".join(f"{one.start + 1}-{one.stop}" for one in parts)
            what = f"the time in {rows.label(place)} begins anew {len(parts) - 1} times"
            action = "Cut it into one log per run, or say in the plan which part is the run, in [[logs.format]]: "
            problem = f"{what}: {len(parts)} runs stand in one log (rows {shown})."
            yield Fault(rows.table.name, problem, f"{action}part = 1")
        return


def _lost_marks(rows: LogRows) -> tuple[tuple[int, int], ...]:
    """Return place and row of cells that are written without the decimal mark that their column has."""
    suspects = [
        (place, row)
        for place, values in _live(rows).items()
        if rows.steps[place] < 1 and not rises(values)
        for row in np.flatnonzero((values > _FAR * float(np.nanmedian(values))) & (values == np.rint(values)))[:20]
    ]
    if not suspects:
        return ()
    lines = rows.table.text[rows.table.dialect.first_row :]
    return tuple(
        (place, int(row))
        for place, row in suspects
        if _stands_alone(lines, f"{int(rows.numbers[place][row])}".encode())
    )


def _stands_alone(text: bytes, written: bytes) -> bool:
    """Return whether a whole number is the text of a whole cell somewhere."""
    start = text.find(written)
    while start >= 0:
        before, behind = text[start - 1 : start] if start else b"\n", text[start + len(written) :][:1]
        if before in b'\n,;\t| "' and (behind in b'\n\r,;\t| "'):
            return True
        start = text.find(written, start + 1)
    return False


def without_repeated_rows(table: LogTable, columns: Read, stamps: np.ndarray, *, step: float) -> Read:
    """Return the columns without rows that are exact copies of an earlier one with the same stamp.

    Parameters
    ----------
    table : the log
    columns : what was read of it
    stamps : array of shape (n,), the time of each row, in any unit
    step : resolution of the stamps; where rows come faster than it, equal stamps are no sign of a copy

    Returns
    -------
    Columns; with a finding where rows were left out

    Notes
    -----
    A row is a copy if its whole text is that of an earlier row. Rows with an equal stamp and another text stay.
    """
    steps = np.diff(stamps)
    if (steps > 0).all() or np.median(steps) <= step:
        return columns
    _, first, counts = np.unique(stamps, return_inverse=True, return_counts=True)
    suspects = np.flatnonzero(counts[first] > 1)
    if suspects.size == 0:
        return columns
    if len(table.text) > _LARGEST_MB * 1_000_000:
        found = note("logs.repeats_not_tested", name=table.name, largest_mb=_LARGEST_MB, found=suspects.size)
        return columns.of(slice(None), found)
    lines = row_lines(table.text, table.dialect, wanted=[*columns.numbers, *columns.texts], n_rows=stamps.size)
    if lines is None:
        return columns
    keep, seen = np.ones(stamps.size, dtype=bool), set()
    for row in suspects:
        keep[row] = lines[row] not in seen
        seen.add(lines[row])
    n_copies = int((~keep).sum())
    if n_copies == 0:
        return columns
    return columns.of(keep, note("logs.repeated_rows", name=table.name, n=n_copies, found=n_copies))


def come_evenly(frame_ms: np.ndarray) -> bool:
    """Return whether rows come as evenly as samples do.

    Parameters
    ----------
    frame_ms : array of shape (n,) [ms]
    """
    known = _known(frame_ms)
    usual = float(np.median(known)) if known.size else 0.0
    return bool(known.size) and bool((np.abs(known - usual) <= _EVEN_PART * usual).mean() >= _EVEN_SHARE)


def _known(values: np.ndarray) -> np.ndarray:
    """Return the values that are known."""
    is_known = np.isfinite(values)
    return values if is_known.all() else values[is_known]


def take_turns(frame_ms: np.ndarray) -> bool:
    """Return whether long and short frames take turns, as rendered and generated ones do.

    Parameters
    ----------
    frame_ms : array of shape (n,) [ms]
    """
    known = _known(frame_ms)
    mean = float(known.mean()) if known.size else 0.0
    is_long = known > mean
    # Frames of one kind lie near their mean, which is seen at once.
    if (np.abs(known - mean) < _TURN_PART / 3 * mean).mean() > _TURN_PART or not come_again(is_long):
        return False
    return bool(np.median(known[is_long]) - np.median(known[~is_long]) > _TURN_PART * mean)


def doubt_of_rows(row_ms: np.ndarray, heading: str) -> str:
    """Return what rows say against being one frame each: a key of ``evidence.frames``; empty for nothing.

    Parameters
    ----------
    row_ms : array of shape (n,), what the rows took, in any unit
    heading : of the column that they are from
    """
    known = _known(row_ms)
    if known.size == 0:
        return ""
    # No median is above twice the mean, where nothing is below zero: nearly all logs are done with here.
    if known.min() <= 2 * _NEXT_TO_NOTHING * known.mean():
        usual = float(np.median(known))
        if usual <= 0 or (known < _NEXT_TO_NOTHING * usual).mean() > _TOO_SHORT:
            return "too_short" if usual > 0 else ""
    n_longest = int((known == known.max()).sum())
    if n_longest > max(_LEAST_CLIPPED, _CLIPPED * known.size):
        others = known[known < known.max()]
        # Fewer and fewer rows are as long as the longer ones, unless these are cut.
        if np.unique(others).size > _LEAST_CLIPPED < n_longest / (others == others.max()).sum():
            return "clipped"
    if _come_in_groups(known) and not _wait_for_display(known):
        return "in_groups"
    return "come_evenly" if not speaks_of_frames(heading) and come_evenly(known) else ""


def _come_in_groups(row_ms: np.ndarray) -> bool:
    """Return whether rows hang together in groups, as pieces of one frame do.

    What a row and the next one have in common is the same from every row on if each is a frame. Where pieces stand
    in a log it is more, or less, within a frame than from one frame to the next, and so in all blocks of a run.
    Slow changes are taken out first. Halves, quarters and eighths are tested too, as a lost row shifts the groups,
    and pieces may begin late.
    """
    sums = np.concatenate(([0.0], np.cumsum(row_ms)))
    off = sums[:-_SLOW] - sums[_SLOW:]
    if off.size < _LEAST_BLOCKS * _BLOCK:
        return False
    off /= _SLOW
    off += row_ms[_SLOW // 2 : 1 - _SLOW // 2]
    off = off[: off.size // _BLOCK * _BLOCK]
    far = _FAR_OFF * float(np.median(np.abs(off[::4])))
    np.clip(off, -far, far, out=off)
    products = np.append(off[:-1] * off[1:], 0.0).reshape(-1, _BLOCK)
    levels, together = off.reshape(-1, _BLOCK) @ _TO_PLACES, products @ _TO_PLACES
    squares = np.square(off).reshape(-1, _BLOCK).mean(axis=1, keepdims=True)
    length = len(levels) // _EIGHTHS
    told = np.hstack([levels, together, squares])[: length * _EIGHTHS]
    of_parts = _PARTS @ told.reshape(_EIGHTHS, length, -1).mean(axis=1)
    level, square = of_parts[:, : len(_NEXT_PLACE)], of_parts[:, -1]
    # A place's own level is nothing that it has in common with the next.
    means = of_parts[:, len(_NEXT_PLACE) : -1] - level * level[:, _NEXT_PLACE]
    for (size, share), own in zip(_OTHER_TIE.items(), _PLACES_OF, strict=True):
        least = share * (square - np.square(level[:, own]).sum(axis=1) / size)
        differ = np.ptp(means[:, own], axis=1)
        # Hardly any log of frames gets beyond the first comparison.
        for place in np.flatnonzero(differ > least):
            rows = np.flatnonzero(np.repeat(_PARTS[place] > 0, length))
            beside, here = level[place][_NEXT_PLACE], levels[rows]
            ties = together[rows] - level[place] * here[:, _NEXT_PLACE] - beside * here
            is_sure = differ[place] > _SURE * float(np.sqrt(2 * ties[:, own].var(axis=0).mean() / len(rows)))
            if is_sure and len(rows) >= _LEAST_BLOCKS:
                return True
    return False


def _wait_for_display(row_ms: np.ndarray) -> bool:
    """Return whether rows take one, two or more intervals of a display, which may come in turn for a while."""
    intervals = row_ms / np.quantile(row_ms, _SHORT_ROWS)
    is_whole = np.abs(intervals - np.rint(intervals)) < _NEAR_WHOLE
    return bool(is_whole.mean() > _ON_GRID and (np.rint(intervals) > 1).mean() > 1 - _ON_GRID)


def come_again(cells: np.ndarray) -> bool:
    """Return whether values come again in the same order every few rows, and change from row to row.

    Parameters
    ----------
    cells : array of shape (n,)
    """
    if cells.size < 3 * LONGEST_TURN or (cells[1:] != cells[:-1]).mean() < _CHANGES:
        return False
    return any((cells[turn:] == cells[:-turn]).mean() >= _TURNS for turn in range(2, LONGEST_TURN + 1))
