"""Temperature, clock and power over a run, from the samples of the sensor logs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.lanes import open_lanes
from gpubench_kit.figures.plots import Ends, Plot
from gpubench_kit.figures.run_choice import ChosenRun, chosen_runs, middle_runs
from gpubench_kit.figures.scales import padded_range
from gpubench_kit.figures.sheet import Heading
from gpubench_kit.figures.style import Look, series_dash
from gpubench_kit.file_names import slug
from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.wording.numbers import unit_text, value_text
from gpubench_kit.wording.terms import metric_of, scene_text, sentence

#: Sensors drawn where a log has them, in this order.
SHOWN = ("core_c", "core_mhz", "board_w")


@dataclass(frozen=True)
class _Track:
    """The samples of one run: series, times [s] and values."""

    place: int
    time_s: np.ndarray
    values: np.ndarray


def draw_sensors(facts: Iterable[RunFacts], plan, *, runs: pd.DataFrame, scene: tuple[str, str],
                 metrics: Sequence[str] = SHOWN, purpose: str = "measure") -> DescribedFigure | None:  # fmt: skip
    """Draw temperature, clock and power over the middle run of each tuning, a lane for each sensor.

    Parameters
    ----------
    facts : facts of the runs; see `gpubench_kit.logs.run_facts.RunFacts`
    plan : ReviewPlan, gives order, names and style
    runs : DataFrame, one row per run; see ``tables.RUNS``
    scene : game and setting ('' for the only one)
    metrics : names of sensor metrics; those that no run has are left out
    purpose : purpose of the runs drawn: ``measure``, or ``soak`` for the long ones

    Returns
    -------
    DescribedFigure; None when no run has any of the sensors
    """
    chosen = middle_runs(chosen_runs(facts, plan, runs=runs, scene=scene, purpose=purpose))
    edge_s = plan.analysis.sensor_edge_s
    tracks = {metric: _tracks(chosen, metric, edge_s=edge_s) for metric in metrics}
    tracks = {metric: found for metric, found in tracks.items() if found}
    if not tracks:
        return None
    key = tuple({one.name: one.place for one in chosen}.items())
    title = f"Over the run: {scene_text(*scene)}"
    names = ", ".join(one.facts.run for one in chosen)
    heading = Heading(title, f"The middle run of each tuning: {names}.")
    return DescribedFigure(
        name=slug("sensors", *scene, "" if purpose == "measure" else purpose),
        data=_table(chosen, list(tracks)),
        caption=f"{_listed(tracks)} over the run, {scene_text(*scene)}; {unit_text(edge_s, 's')} at "
        "either end is left out, as in the means.",
        alternative_text=f"{title}. {' '.join(_sentence(chosen, metric, edge_s=edge_s) for metric in tracks)}",
        drawing=partial(_draw, heading=heading, tracks=tracks, key=key),
        style=plan.style,
    )


def draw_run_sensors(facts: RunFacts, plan, *, title: str = "", fellow: RunFacts | None = None,
                     metrics: Sequence[str] = SHOWN) -> DescribedFigure | None:  # fmt: skip
    """Draw the sensors of one run, a lane for each, together with a fellow to hold them against.

    Parameters
    ----------
    facts : facts of the run
    plan : ReviewPlan, gives the edges of the means and the style
    title : what the run is; default its name
    fellow : another run of the same tuning and game
    metrics : names of sensor metrics; those that neither run has are left out

    Returns
    -------
    DescribedFigure; None when the run has none of the sensors
    """
    chosen = [ChosenRun(f"run {facts.run}", 0, facts)]
    if fellow is not None:
        chosen.append(ChosenRun(f"its fellow {fellow.run}", 1, fellow))
    edge_s = plan.analysis.sensor_edge_s
    tracks = {metric: _tracks(chosen, metric, edge_s=edge_s) for metric in metrics}
    tracks = {metric: found for metric, found in tracks.items() if found}
    if not any(_tracks(chosen[:1], metric, edge_s=edge_s) for metric in tracks):
        return None
    title = title or f"Sensors of run {facts.run}"
    told = " ".join(_sentence(chosen, metric, edge_s=edge_s) for metric in tracks)
    heading = Heading(title, f"{_listed(tracks)} over the run.")
    return DescribedFigure(
        name=slug("run-sensors", facts.run),
        data=_table(chosen, list(tracks)),
        caption=f"{title}; {unit_text(edge_s, 's')} at either end is left out, as in the means.",
        alternative_text=f"{title}. {told}",
        drawing=partial(_draw, heading=heading, tracks=tracks, key=tuple((one.name, one.place) for one in chosen)),
        style=plan.style,
    )


def _tracks(chosen: Sequence[ChosenRun], metric: str, *, edge_s: float) -> tuple[_Track, ...]:
    """Return the samples of one sensor between the edges of the run, one track per run that has any."""
    out = []
    for one in chosen:
        time_s, values = one.facts.sensor_traces.get(metric, (np.empty(0), np.empty(0)))
        known = np.isfinite(values) & (time_s >= edge_s) & ~(time_s > one.facts.duration_s - edge_s)
        if known.any():
            out.append(_Track(one.place, time_s[known].astype(float), values[known].astype(float)))
    return tuple(out)


def _draw(look: Look, *, heading: Heading, tracks: dict[str, tuple[_Track, ...]], key) -> Figure:
    """Return the figure."""
    lanes = [_ends(metric, found) for metric, found in tracks.items()]
    end = max(float(track.time_s[-1]) for found in tracks.values() for track in found) or 1.0
    x = Ends(0.0, 1.01 * end, "time from the start of the run [s]")
    plots = open_lanes(look, heading=heading, x=x, lanes=lanes, key=key)
    for plot, found in zip(plots, tracks.values(), strict=False):
        for track in found:
            _draw_track(plot, track)
    return plots[0].sheet.figure


def _ends(metric: str, tracks: Sequence[_Track]) -> Ends:
    """Return the value axis of a sensor."""
    facts = metric_of(metric)
    values = np.concatenate([track.values for track in tracks])
    unit = f" [{facts.unit}]" if facts.unit else ""
    return Ends(*padded_range([values.min(), values.max()], pad=0.08), sentence(facts.label) + unit)


def _draw_track(plot: Plot, track: _Track) -> None:
    """Draw the line of one run."""
    plot.sheet.line(plot.x(track.time_s), plot.y(track.values), role=f"series-{track.place % 8}",
                    dash=series_dash(track.place))  # fmt: skip


def _table(chosen: Sequence[ChosenRun], metrics: Sequence[str]) -> pd.DataFrame:
    """Return the samples that are drawn as a table."""
    parts = [
        pd.DataFrame({"run": one.facts.run, "metric": metric, "time_s": time_s, "value": values})
        for metric in metrics
        for one in chosen
        for time_s, values in [one.facts.sensor_traces.get(metric, (np.empty(0), np.empty(0)))]
    ]
    return pd.concat(parts, ignore_index=True)


def _listed(metrics: Iterable[str]) -> str:
    """Return the names of the sensors as the beginning of a sentence."""
    labels = [metric_of(metric).label for metric in metrics]
    return sentence(", ".join(labels[:-1]) + (" and " if len(labels) > 1 else "") + labels[-1])


def _sentence(chosen: Sequence[ChosenRun], metric: str, *, edge_s: float) -> str:
    """Return what the lane of a sensor shows: its level late in the run, by tuning."""
    late = {one.name: track.values[-max(1, track.values.size // 4) :]
            for one in chosen for track in _tracks([one], metric, edge_s=edge_s)}  # fmt: skip
    levels = ", ".join(f"{name} {value_text(float(values.mean()), metric)}" for name, values in late.items())
    return f"{sentence(metric_of(metric).label)} in the last quarter: {levels}."
