"""The run sheet on paper: what to start, what to apply, which run, and a box to tick."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from gpubench_kit.figures.words import scene_text
from gpubench_kit.number_text import count_text, duration_text, is_missing
from gpubench_kit.page.elements import render
from gpubench_kit.page.planning_words import time_text
from gpubench_kit.schedule import Schedule
from gpubench_kit.schedule_time import Visit, visits_of
from gpubench_kit.sheet_rows import CAUSES

#: Letters [pt]: as large as the lines allow on one page of Letter, within these ends.
_LARGEST, _SMALLEST = 9.5, 6.0
#: Height that a page leaves to the lines [pt], and heights of a line of text and of the edges of a row, in letters.
_PAGE_PT, _TEXT_LINE, _ROW_EDGE = 590.0, 1.5, 0.72
#: Boxes that stand beside each other where all games are played between two restarts.
_BOXES_BESIDE = 4
#: Rounds that stand beside each other.
_GROUPS_BESIDE = 6
#: Longer names of tunings are given a letter.
_LONGEST_NAME = 12


@dataclass(frozen=True)
class Line:
    """One line of the sheet.

    Attributes
    ----------
    before : what to do first, as a heading across the sheet; empty: nothing
    start : time since the evening began
    title : game, or tuning where all games are played between two restarts
    groups : (round or nothing, boxes), a box being (run, what it is)
    """

    before: str
    start: str
    title: str
    groups: tuple[tuple[str, tuple[tuple[str, str], ...]], ...]


def printed_sheet(schedule: Schedule) -> str:
    """Return the runs to do as one page for the printer, with boxes to tick.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make_schedule`

    Returns
    -------
    str : HTML of a whole page, for A4 and Letter
    """
    rows = schedule.to_run
    visits = visits_of(rows.itertuples(), schedule.plan)
    names = _tuning_names(schedule)
    lines = list(_lines(visits, names))
    values = {
        "title": schedule.plan.review.title,
        "size": f"{_size_of(lines):.1f}",
        "key": [(short, name) for name, short in names.items() if short != name],
        "lines": lines,
        "count": count_text(len(rows), "run"),
        "time": time_text(60 * schedule.minutes),
        "wait": duration_text(schedule.plan.evening.settle_s),
        "warm_up": schedule.plan.exclude.warm_up_runs_per_launch,
        "causes": ", ".join(CAUSES),
    }
    return str(render("printed_sheet.html.j2", values))


def _size_of(lines: Sequence[Line]) -> float:
    """Return the size of letters with which the lines fill no more than a page [pt]."""
    height = sum(_height(line) for line in lines)
    return min(_LARGEST, max(_SMALLEST, _PAGE_PT / height)) if height else _LARGEST


def _height(line: Line) -> float:
    """Return the height of a line of the sheet, in letters."""
    heads = [1 + len(boxes) if head else math.ceil(len(boxes) / _BOXES_BESIDE) for head, boxes in line.groups]
    beside = math.ceil(len(line.groups) / _GROUPS_BESIDE)
    before = _TEXT_LINE + _ROW_EDGE if line.before else 0.0
    return beside * max(heads) * _TEXT_LINE + _ROW_EDGE + before


def _tuning_names(schedule: Schedule) -> dict[str, str]:
    """Return what stands for each tuning beside its boxes: its name or, where one is long, letters."""
    present = [one.name for one in schedule.plan.tunings if (schedule.to_run["tuning"] == one.name).any()]
    if all(len(name) <= _LONGEST_NAME for name in present):
        return {name: name for name in present}
    return {name: _letters(place) for place, name in enumerate(present)}


def _letters(place: int) -> str:
    """Return A, B, ..., Z, AA, ..."""
    before, last = divmod(place, 26)
    return (_letters(before - 1) if before else "") + chr(ord("A") + last)


def _lines(visits: Sequence[Visit], names: dict[str, str]) -> Iterator[Line]:
    """Yield lines: one for each start of a game or, between restarts, one for each restart."""
    clock = 0.0
    for restarted, same in groupby(visits, key=lambda visit: visit.runs[0].session if _is_block(visit) else ""):
        part = list(same)
        if restarted:
            yield _block_line(part, clock, names)
            clock += sum(visit.seconds for visit in part)
            continue
        for visit in part:
            yield _game_line(visit, clock, names)
            clock += visit.seconds


def _is_block(visit: Visit) -> bool:
    """Return whether a visit is part of all games between two restarts."""
    return len({run.tuning for run in visit.runs}) == 1 and ", restart " in visit.runs[0].session


def _game_line(visit: Visit, clock: float, names: dict[str, str]) -> Line:
    """Return the line of one start of a game: its rounds."""
    first = visit.runs[0]
    groups = tuple(
        (_round(number), tuple((run.run, names[run.tuning]) for run in runs))
        for number, runs in (
            (key, list(part)) for key, part in groupby(visit.runs, key=lambda run: _number(run.round))
        )
    )
    return Line(_before(visit), _clock(clock), scene_text(first.game, first.setting), groups)


def _block_line(visits: Sequence[Visit], clock: float, names: dict[str, str]) -> Line:
    """Return the line of one restart: its tuning, and its games."""
    first = visits[0].runs[0]
    boxes = tuple(
        (run.run, scene_text(run.game, run.setting) + (" (warm-up)" if is_missing(run.round) else ""))
        for visit in visits
        for run in visit.runs
    )
    return Line(_before(visits[0]), _clock(clock), names[first.tuning], (("", boxes),))


def _before(visit: Visit) -> str:
    """Return what comes before a line, where it is more than starting a game."""
    first = visit.runs[0]
    mount = f"Mount the card {first.card}." if visit.is_mounted else ""
    return f"{mount} Restart the machine.".strip() if visit.is_restarted else mount


def _number(round_: int) -> int:
    """Return the number of a round; 0 for a run that only warms up."""
    return 0 if is_missing(round_) else int(round_)


def _round(number: int) -> str:
    """Return the head of a round."""
    return f"Round {number}" if number else "Warm-up"


def _clock(seconds: float) -> str:
    """Return a time since the start as hours and minutes."""
    hours, minutes = divmod(int(seconds // 60), 60)
    return f"{hours}:{minutes:02d}"
