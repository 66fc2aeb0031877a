"""Single runs for the page of ``check``: frame times with what was found, sensors, every run side by side."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page.charts.games import SENSORS, longest_drawn, sensor_plots, trace_plot, trace_series
from gpubench_kit.page.charts.marks import value_text
from gpubench_kit.page.charts.plot import Axis, Mark, Plot
from gpubench_kit.page.charts.states import states_in

#: Marks of one run that are drawn; a frame so many times as long as usual is named.
_MARKS, _LONG = 4, 2.5
#: Width of a chart of one run.
_WIDE = 360.0
#: Size of one run among all, and the pieces that it is drawn in.
_WIDTH, _HEIGHT, _PIECES = 170.0, 92.0, 60


@dataclass(frozen=True)
class SmallRun:
    """One run among all of its game: its name, whether something was found in it, whether it counts, its plot."""

    run: str
    is_marked: bool
    is_used: bool
    plot: Plot


def run_trace(
    facts: RunFacts, *, title: str, marks: Sequence[tuple[float, str]] = (), peer: RunFacts | None = None
) -> Plot | None:
    """Return the frame times of one run with places marked, laid over a peer's.

    Parameters
    ----------
    facts : facts of the run
    title : what the run is
    marks : places to mark: time from the start of the run [s], and what was found there; default the longest frame
    peer : another run of the same tuning and game

    Returns
    -------
    Plot; None where the run has no frame times
    """
    if facts.trace is None:
        return None
    shown = [(f"run {facts.run}", 1, facts)]
    if peer is not None and peer.trace is not None:
        shown.insert(0, (f"another run: {peer.run}", 0, peer))
    series = [trace_series(one, name=name, place=place) for name, place, one in shown]
    placed = tuple(Mark(text, x=float(at)) for at, text in (marks or _longest(facts))[:_MARKS])
    traces = [one.trace for _, _, one in shown if one.trace is not None]
    return trace_plot(title, series, traces, marks=placed, width=_WIDE)


def run_sensors(
    facts: RunFacts,
    plan: ReviewPlan,
    *,
    title: str,
    peer: RunFacts | None = None,
    metrics: Sequence[str] = SENSORS,
) -> tuple[Plot, ...]:
    """Return the sensors of one run, a plot for each, laid over a peer's.

    Parameters
    ----------
    facts, title, peer : as in `run_trace`
    plan : ReviewPlan, gives the edges of the means
    metrics : names of sensor metrics; those that the run lacks are left out
    """
    own = [one for one in metrics if np.isfinite(facts.sensor_traces.get(one, ((), ()))[1]).any()]
    drawn = [(f"run {facts.run}", 1, facts)]
    if peer is not None:
        drawn.insert(0, (f"another run: {peer.run}", 0, peer))
    return sensor_plots(title, drawn, metrics=own, edge_s=plan.analysis.sensor_edge_s, width=_WIDE)


def every_run(
    facts: Iterable[RunFacts],
    plan: ReviewPlan,
    *,
    runs: pd.DataFrame,
    scene: tuple[str, str],
    marked: Collection[str] = (),
) -> list[SmallRun]:
    """Return the frame times of every run of a game and setting, left out or not, in their order, on one scale.

    Parameters
    ----------
    facts : facts of the runs
    plan : ReviewPlan, gives the order of the tunings
    runs : DataFrame, one row per run; see ``tables.RUNS``
    scene : game and setting ('' for the only one)
    marked : runs in which something was found
    """
    by_run = {one.run: one for one in facts if one.trace is not None}
    rows = runs[(runs["game"] == scene[0]) & (runs["setting"] == scene[1]) & runs["run"].isin(by_run)]
    if not len(rows):
        return []
    rows = rows.sort_values("order_done" if rows["order_done"].notna().all() else "order", kind="stable")
    place_of = {(one.card, one.tuning, one.bench): (one.name, one.place) for one in states_in(runs, plan)}
    shown = [by_run[run] for run in rows["run"]]
    top = longest_drawn([one.trace for one in shown if one.trace is not None])
    end = max(one.duration_s for one in shown) or 1.0
    out = []
    for row, one in zip(rows.itertuples(), shown, strict=True):
        name, place = place_of[row.card, row.tuning, row.bench]
        is_used = pd.isna(row.used) or bool(row.used)
        series = trace_series(one, name=name, place=place if is_used else None, pieces=_PIECES)
        x, y = Axis("", "s", low=0.0, high=end, decimals=0), Axis(f"{one.run}, {name}", low=0.0, high=top)
        line = (replace(series, kind="thin"),)
        plot = Plot(f"run {one.run}, {name}", x, y, line, (), _WIDTH, _HEIGHT, key=False)
        out.append(SmallRun(one.run, one.run in marked, is_used, plot))
    return out


def _longest(facts: RunFacts) -> tuple[tuple[float, str], ...]:
    """Return the longest frame as a mark, where it stands out."""
    if facts.trace is None or not np.isfinite(facts.longest_at_s):
        return ()
    usual = float(np.median(facts.trace.mean_ms))
    told = value_text(facts.longest_ms, "ms")
    return ((facts.longest_at_s, told),) if facts.longest_ms > _LONG * usual else ()
