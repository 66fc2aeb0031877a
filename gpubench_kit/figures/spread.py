"""How slow the slowest frames get, from every piece of every run."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.plots import Ends, Plot, open_plot
from gpubench_kit.figures.run_choice import ChosenRun, chosen_runs
from gpubench_kit.figures.scales import padded_range
from gpubench_kit.figures.sheet import Heading
from gpubench_kit.figures.style import Look, series_dash
from gpubench_kit.file_names import slug
from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.wording.numbers import count_text, unit_text
from gpubench_kit.wording.terms import scene_text

#: Shares of the pieces drawn [%]: the last hundredth is left to the traces, where it has a time.
_SHARES = np.arange(0.0, 99.5, 1.0)


@dataclass(frozen=True)
class _Curve:
    """One tuning: name, series, and the longest frame [ms] of the share of the pieces."""

    name: str
    place: int
    longest_ms: np.ndarray


def draw_frame_time_spread(facts: Iterable[RunFacts], plan, *, runs: pd.DataFrame, game: str,
                           setting: str = "") -> DescribedFigure | None:  # fmt: skip
    """Draw the longest frame of every piece of all runs of a game, sorted, one line for each tuning.

    Parameters
    ----------
    facts : facts of the runs; see `gpubench_kit.logs.run_facts.RunFacts`
    plan : ReviewPlan, gives order, names and style
    runs : DataFrame, one row per run; see ``tables.RUNS``
    game, setting : what to draw

    Returns
    -------
    DescribedFigure; None when no run of the game has a trace

    Notes
    -----
    A run is kept in pieces of equally many frames, of which the longest is drawn. A line that stays low
    and flat to the right is smooth; pieces, not runs, are counted here, so no verdict rests on it.
    """
    chosen = [
        one for one in chosen_runs(facts, plan, runs=runs, scene=(game, setting)) if one.facts.trace is not None
    ]
    if not chosen:
        return None
    curves = _curves(chosen)
    title = f"How slow do frames get: {scene_text(game, setting)}"
    heading = Heading(title, f"Longest frame in each piece of the run, sorted; {count_text(len(chosen), 'run')}.")
    levels = "; ".join(f"{one.name} {_at(one, 50)} in the middle piece, {_at(one, 95)} at 95 %" for one in curves)
    return DescribedFigure(
        name=slug("frame-time-spread", game, setting),
        data=pd.DataFrame({"share_pct": _SHARES} | {one.name: one.longest_ms for one in curves}),
        caption=f"{title}. The slowest hundredth of the pieces is left to the traces.",
        alternative_text=f"{title}: longest frame by share of the run's pieces. {levels}.",
        drawing=partial(_draw, heading=heading, curves=tuple(curves)),
        style=plan.style,
    )


def _curves(chosen: Sequence[ChosenRun]) -> list[_Curve]:
    """Return one curve for each tuning, all its runs pooled."""
    out = []
    for name, place in dict.fromkeys((one.name, one.place) for one in chosen):
        highs = np.concatenate([one.facts.trace.high_ms for one in chosen if one.name == name])
        out.append(_Curve(name, place, np.percentile(highs.astype(float), _SHARES)))
    return out


def _at(curve: _Curve, share: float) -> str:
    """Return the longest frame at a share in words."""
    return unit_text(float(np.interp(share, _SHARES, curve.longest_ms)), "ms")


def _draw(look: Look, *, heading: Heading, curves: tuple[_Curve, ...]) -> Figure:
    """Return the figure."""
    y = Ends(*padded_range([one for curve in curves for one in curve.longest_ms], pad=0.08), "longest frame [ms]")
    key = tuple((curve.name, curve.place) for curve in curves)
    plot = open_plot(
        look, heading=heading, x=Ends(0.0, 100.0, "share of the pieces [%]"), y=y, key=key, is_line=True
    )
    for curve in curves:
        _draw_curve(plot, curve)
    return plot.sheet.figure


def _draw_curve(plot: Plot, curve: _Curve) -> None:
    """Draw one curve."""
    role = f"series-{curve.place % 8}"
    plot.sheet.line(plot.x(_SHARES), plot.y(curve.longest_ms), role=role, dash=series_dash(curve.place))
