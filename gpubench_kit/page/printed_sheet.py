"""The run sheet on paper: what to start, what to apply, which run, and a box to tick."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from gpubench_kit.page.caveats import BENCH, caution_lines
from gpubench_kit.page.charts import font_faces
from gpubench_kit.page.elements import render
from gpubench_kit.page.planning import time_text
from gpubench_kit.schedule.make import Schedule
from gpubench_kit.schedule.order import Visit, visits_of
from gpubench_kit.sheet.rows import CAUSES
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import count_text, duration_text, is_missing
from gpubench_kit.wording.terms import scene_text

#: Letters [pt]: as large as the lines allow on one page of Letter, within these ends.
_LARGEST, _SMALLEST = 9.5, 6.0
#: Height of a page inside its margins [pt]; what stands around the lines, a line of text, edges of a row [letters].
_PAGE_PT, _AROUND, _TEXT_LINE, _ROW_EDGE = 715.0, 22.0, 1.5, 0.72
#: Rounds beside each other; games beside each other where all are played between two restarts.
_ROUNDS_BESIDE, _GAMES_BESIDE, _LETTERS_BESIDE = 6, 4, 80
#: So many runs of one start stand in one row.
_SHORT_ROW = 4
#: Longer names of tunings are given a letter.
_LONGEST_NAME = 9


@dataclass(frozen=True)
class Line:
    """One line of the sheet.

    Attributes
    ----------
    before : what to do first, as a heading across the sheet; empty: nothing
    start : time since the bench session began
    title : game, or tuning where all games are played between two restarts
    groups : (round or nothing, boxes), a box being (run, what it is)
    """

    before: str
    start: str
    title: str
    groups: tuple[tuple[str, tuple[tuple[str, str], ...]], ...]

    @property
    def is_row(self) -> bool:
        """Whether all boxes stand in one row, each round behind its number."""
        return bool(self.groups[0][0]) and sum(len(boxes) for _, boxes in self.groups) <= _SHORT_ROW


def printed_sheet(schedule: Schedule) -> str:
    """Return the runs to do as one page for the printer, with boxes to tick.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make.make_schedule`

    Returns
    -------
    str : HTML of a whole page, for A4 and Letter
    """
    rows, plan = schedule.to_run, schedule.plan
    present = [one.name for one in plan.tunings if (rows["tuning"] == one.name).any()]
    # Where one name is long, letters stand beside the boxes.
    is_short = all(len(name) <= _LONGEST_NAME for name in present)
    names = {name: name if is_short else _letters(place) for place, name in enumerate(present)}
    lines = list(_lines(visits_of(rows.itertuples(), plan), names))
    # Letters with which the lines fill no more than a page.
    size = min(_LARGEST, max(_SMALLEST, _PAGE_PT / (sum(map(_height, lines)) + _AROUND)))
    values = {
        "title": plan.review.title,
        "size": f"{size:.1f}",
        "key": [(short, name) for name, short in names.items() if short != name],
        "lines": lines,
        "games_beside": _games_beside(lines),
        "beside": max((min(len(line.groups), _ROUNDS_BESIDE) for line in lines), default=1),
        "count": count_text(len(rows), "run"),
        "time": time_text(60 * schedule.minutes),
        "wait": duration_text(plan.session_plan.settle_s),
        "warm_up": plan.exclude.warm_up_runs_per_launch,
        "causes": ", ".join(CAUSES),
        "cautions": caution_lines(BENCH),
        "fonts": font_faces(),
    }
    return str(render("printed_sheet.html.j2", values))


def _height(line: Line) -> float:
    """Return the height of a line of the sheet, in letters."""
    before = _TEXT_LINE + _ROW_EDGE if line.before else 0.0
    if line.is_row:
        texts = 1
    elif len(line.groups) == 1 and not line.groups[0][0]:
        texts = math.ceil(len(line.groups[0][1]) / _games_beside([line]))
    else:
        texts = math.ceil(len(line.groups) / _ROUNDS_BESIDE) * max(1 + len(boxes) for _, boxes in line.groups)
    return texts * _TEXT_LINE + _ROW_EDGE + before


def _games_beside(lines: Sequence[Line]) -> int:
    """Return how many games stand beside each other where all are played between two restarts."""
    longest = max((len(text) for line in lines for _, boxes in line.groups for _, text in boxes), default=1)
    return max(1, min(_GAMES_BESIDE, _LETTERS_BESIDE // (longest + 8)))


def _letters(place: int) -> str:
    """Return A, B, ..., Z, AA, ..."""
    before, last = divmod(place, 26)
    return (_letters(before - 1) if before else "") + chr(ord("A") + last)


def _lines(visits: Sequence[Visit], names: dict[str, str]) -> Iterator[Line]:
    """Yield lines: one for each start of a game or, between restarts, one for each restart."""
    clock, mounted, several = 0.0, "", len({visit.runs[0].card for visit in visits}) > 1

    def restart(visit: Visit) -> str:
        # The session of a visit that is part of all games between two restarts; else nothing.
        session = visit.runs[0].session
        return session if len({run.tuning for run in visit.runs}) == 1 and ", restart " in session else ""

    for restarted, same in groupby(visits, key=restart):
        part = list(same)
        for chosen in [part] if restarted else [[visit] for visit in part]:
            runs, before = [run for visit in chosen for run in visit.runs], ""
            own = runs[0].card
            if several and not (mounted and not chosen[0].is_mounted):
                before = say(
                    f"sheet.{'begin' if not mounted else 'again' if own == mounted else 'mount'}", card=own
                )
            mounted = own
            start = "{}:{:02d}".format(*divmod(int(clock // 60), 60))
            if restarted:
                title = say("sheet.restart", tuning=names[runs[0].tuning])
                scenes = ((run, scene_text(run.game, run.setting)) for run in runs)
                # A run without a round only warms up.
                boxes = (
                    (run.run, say("sheet.warm_up", scene=scene) if is_missing(run.round) else scene)
                    for run, scene in scenes
                )
                groups = [("", tuple(boxes))]
            else:
                title = scene_text(runs[0].game, runs[0].setting)
                groups = [_round(list(own), names) for _, own in groupby(runs, key=_round_name)]
            yield Line(before, start, title, tuple(groups))
            clock += sum(visit.seconds for visit in chosen)


def _round(runs: Sequence[Any], names: dict[str, str]) -> tuple[str, tuple[tuple[str, str], ...]]:
    """Return one round: its head, and a box for each run; a pause stands at the head, or beside its run."""
    first, *others = ((run.run, names[run.tuning]) for run in runs)
    further = ((run, _with_pause(text, row)) for (run, text), row in zip(others, runs[1:], strict=True))
    return _with_pause(_round_name(runs[0]), runs[0]), (first, *further)


def _with_pause(text: str, run: Any) -> str:
    """Return what stands beside a run or above its round, with the pause before it."""
    return say("sheet.pause", text=text, time=duration_text(run.pause_s)) if run.pause_s else text


def _round_name(run: Any) -> str:
    """Return the round of a run; that of runs that only warm up."""
    return say("sheet.warm_up_round") if is_missing(run.round) else say("sheet.round", n=int(run.round))
