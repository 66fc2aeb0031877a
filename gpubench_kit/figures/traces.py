"""Frame times over a run, and how slow the slowest get: drawn from pieces of equally many frames."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.lanes import open_lanes
from gpubench_kit.figures.pieces import draw_pieces, longest_drawn, pieces_table
from gpubench_kit.figures.plots import Ends, Plot
from gpubench_kit.figures.run_choice import ChosenRun, chosen_runs, middle_runs
from gpubench_kit.figures.sheet import Heading
from gpubench_kit.figures.style import Look
from gpubench_kit.file_names import slug
from gpubench_kit.logs.run_facts import RunFacts, Trace
from gpubench_kit.wording.numbers import count_text, number_text, unit_text
from gpubench_kit.wording.terms import scene_text

_MARKS = 4

#: Room above the longest frame in which marks and their words stand.
_HEADROOM = 1.35


@dataclass(frozen=True)
class _Lane:
    """One trace: title, series, the pieces, and the places to mark (time [s], text)."""

    title: str
    place: int
    trace: Trace
    marks: tuple[tuple[float, str], ...]


def draw_frame_times(facts: Iterable[RunFacts], plan, *, runs: pd.DataFrame, game: str, setting: str = "",
                     every_run: bool = False) -> DescribedFigure | None:  # fmt: skip
    """Draw the frame times of one game over the run, a lane for each tuning, all on one scale.

    Parameters
    ----------
    facts : facts of the runs; see `gpubench_kit.logs.run_facts.RunFacts`
    plan : ReviewPlan, gives order, names and style
    runs : DataFrame, one row per run; see ``tables.RUNS``
    game, setting : what to draw
    every_run : whether all runs are drawn; else the run of each tuning whose frame rate is the middle one

    Returns
    -------
    DescribedFigure; None when no run of the game has a trace
    """
    chosen = chosen_runs(facts, plan, runs=runs, scene=(game, setting))
    chosen = [one for one in chosen if one.facts.trace is not None]
    chosen = chosen if every_run else middle_runs(chosen)
    if not chosen:
        return None
    title = f"Frame times: {scene_text(game, setting)}"
    which = "Every run" if every_run else "The middle run of each tuning"
    heading = Heading(
        title, f"{which}. Line: mean, shade: shortest to longest frame.", "Lower and flatter is smoother."
    )
    lanes = tuple(
        _Lane(f"{one.name}, run {one.facts.run} [ms]", one.place, one.facts.trace, _marks(one.facts))
        for one in chosen
    )
    return DescribedFigure(
        name=slug("frame-times", game, setting, "every-run" if every_run else ""),
        data=pieces_table([one.facts for one in chosen]),
        caption=f"{title}. Each run in pieces of equally many frames.",
        alternative_text=_alternative(chosen, title),
        drawing=partial(_draw, heading=heading, lanes=lanes),
        style=plan.style,
    )


def draw_run_trace(facts: RunFacts, plan, *, title: str = "", marks: Sequence[tuple[float, str]] = (),
                   fellow: RunFacts | None = None) -> DescribedFigure | None:  # fmt: skip
    """Draw the frame times of one run, with places marked; below it, on one scale, a fellow to hold it against.

    Parameters
    ----------
    facts : facts of the run
    plan : ReviewPlan, gives the style
    title : what the run is; default its name
    marks : places to mark: time from the start of the run [s], and what was found there
    fellow : another run of the same tuning and game

    Returns
    -------
    DescribedFigure; None when the run has no trace
    """
    if facts.trace is None:
        return None
    title = title or f"Frame times of run {facts.run}"
    shown = [facts, *([fellow] if fellow is not None and fellow.trace is not None else [])]
    names = ["frame time [ms]"] if len(shown) == 1 else [f"run {facts.run} [ms]", f"its fellow {shown[1].run} [ms]"]
    marked = tuple(marks) or _marks(facts)
    lanes = tuple(
        _Lane(name, int(one is not facts or len(shown) == 1), one.trace, marked if one is facts else ())
        for name, one in zip(names, shown, strict=True)
    )
    heading = Heading(
        title, f"{count_text(facts.n_frames, 'frame')}. Line: mean, shade: shortest to longest frame."
    )
    found = "; ".join(f"{text} at {number_text(time, decimals=0)} s" for time, text in marked)
    beside = f" Its fellow {shown[1].run}: {_one_run(shown[1])}." if len(shown) > 1 else ""
    return DescribedFigure(
        name=slug("run-trace", facts.run),
        data=pieces_table(shown),
        caption=f"{title}, in pieces of equally many frames.",
        alternative_text=f"{title}: {_one_run(facts)}.{f' Marked: {found}.' if found else ''}{beside}",
        drawing=partial(_draw, heading=heading, lanes=lanes),
        style=plan.style,
    )


def _draw(look: Look, *, heading: Heading, lanes: tuple[_Lane, ...]) -> Figure:
    """Return the figure."""
    top = longest_drawn([lane.trace for lane in lanes]) * (_HEADROOM if any(lane.marks for lane in lanes) else 1)
    end = max(float(lane.trace.time_s[-1]) for lane in lanes) or 1.0
    ends = [Ends(0.0, top, lane.title) for lane in lanes]
    plots = open_lanes(
        look, heading=heading, x=Ends(0.0, end * 1.01, "time from the start of the run [s]"), lanes=ends
    )
    for plot, lane in zip(plots, lanes, strict=False):
        _draw_trace(plot, lane)
    return plots[0].sheet.figure


def _draw_trace(plot: Plot, lane: _Lane) -> None:
    """Draw one lane: shade, mean and marks."""
    draw_pieces(plot, lane.trace, role=f"series-{lane.place % 8}")
    if lane.marks:
        xs, highs = plot.x(lane.trace.time_s), plot.y(np.clip(lane.trace.high_ms, plot.y.low, plot.y.high))
        for ends in zip(pairwise(xs), pairwise(highs), strict=True):
            plot.block_line(*ends)
    top = plot.box.top + plot.sheet.sizes.marker
    places = [(plot.x(plot.x.clamp(time)), text) for time, text in lane.marks[:_MARKS]]
    for x, _ in places:
        plot.sheet.marker((x, top), "v", role="ink", size=0.9 * plot.sheet.sizes.marker)
        plot.block(x, top)
    for x, text in places:
        plot.label((x, top), text)


def _marks(facts: RunFacts) -> tuple[tuple[float, str], ...]:
    """Return the longest frame as a mark, where it stands out."""
    if facts.trace is None or not np.isfinite(facts.longest_at_s):
        return ()
    usual = float(np.median(facts.trace.mean_ms))
    return ((facts.longest_at_s, _length(facts.longest_ms)),) if facts.longest_ms > 2.5 * usual else ()


def _alternative(chosen: Sequence[ChosenRun], title: str) -> str:
    """Return what the chart shows of each run."""
    parts = [f"{one.name}, run {one.facts.run}: {_one_run(one.facts)}" for one in chosen[:6]]
    more = f"; {len(chosen) - 6} more runs" if len(chosen) > 6 else ""
    return f"{title}. {'; '.join(parts)}{more}."


def _one_run(facts: RunFacts) -> str:
    """Return mean and longest frame of a run in words."""
    mean = 1000 * facts.duration_s / facts.n_frames if facts.n_frames else np.nan
    longest = f"longest frame {_length(facts.longest_ms)} at {unit_text(facts.longest_at_s, 's')}"
    return f"mean {unit_text(mean, 'ms')}, {longest}"


def _length(frame_ms: float) -> str:
    """Return a frame time in words, long ones without decimals."""
    return f"{number_text(frame_ms, decimals=0)} ms" if frame_ms >= 100 else unit_text(frame_ms, "ms")
