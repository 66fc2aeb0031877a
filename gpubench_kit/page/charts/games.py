"""Charts of one game: every run as a dot, levels as bars, frame times over the run, percentiles, sensors."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.logs.frame_timing import FRAME_SHARES
from gpubench_kit.logs.run_facts import RunFacts, Trace
from gpubench_kit.page.charts.lanes import Cell, Column, Lane, Lanes
from gpubench_kit.page.charts.marks import NBSP, value_text
from gpubench_kit.page.charts.plot import Axis, Mark, Plot, Series
from gpubench_kit.page.charts.states import State, middle_run, runs_of
from gpubench_kit.statistics.adapters import t_quantile
from gpubench_kit.wording.numbers import change_text, interval_text, significant_text
from gpubench_kit.wording.terms import metric_of, scene_text, sentence

AVERAGE, LOW = "avg_fps", "low_1pct_fps"
#: Metrics of a game's strips: what is fast, what is smooth, what it draws; heat where it was soaked.
STRIPS = (AVERAGE, LOW, "board_w")
#: Sensors drawn over a run, in this order.
SENSORS = ("core_c", "core_mhz", "board_w")

#: What a state is found by in a table.
_STATE = ("card", "tuning", "bench")
#: Pieces of a run that a trace shows; a spike is drawn where the longest frame rises so far over the mean.
_PIECES, _SPIKE = 150, 0.03
#: A frame so many times as long as nearly all others would flatten all else: it is cut at the edge.
_TOWERS = 1.8
#: Fewest rounds that an interval of percentiles needs, and frames of a run beyond the last one shown.
_FEW_ROUNDS, _FEW_FRAMES = 3, 10


def heading_of(metric: str) -> str:
    """Return the heading of an axis: short name and unit."""
    facts = metric_of(metric)
    name = (facts.short or facts.label).replace(" %", f"{NBSP}%") if facts.unit == "fps" else sentence(facts.label)
    return name if facts.unit in ("", "fps") else f"{name}, {facts.unit}"


def unit_of(metric: str) -> str:
    """Return the unit of a metric as charts write it."""
    unit = metric_of(metric).unit
    return "FPS" if unit == "fps" else unit


def runs_of_game(
    usable: pd.DataFrame,
    levels: pd.DataFrame,
    *,
    scene: tuple[str, str],
    states: Sequence[State],
    metrics: Sequence[str] = STRIPS[:2],
    width: float = 360.0,
) -> Lanes | None:
    """Return every run as a dot, with mean and interval of each state.

    Parameters
    ----------
    usable : DataFrame, one row per (run, metric); see ``tables.USABLE``
    levels : DataFrame, see `gpubench_kit.statistics.levels.LEVELS`
    scene : game and setting
    states : rows, top first
    metrics : axes, side by side; those that no run has are left out
    width : whole width

    Returns
    -------
    Lanes; None where nothing was measured
    """
    of_scene = _of_scene(usable, scene)
    of_scene = of_scene[of_scene["purpose"] == of_scene["metric"].map(lambda one: metric_of(one).purpose)]
    metrics = [one for one in metrics if (of_scene["metric"] == one).any()]
    if not metrics:
        return None
    means = _levels_by_state(levels, scene)
    values: dict[tuple[str, ...], list[tuple[str, float]]] = {}
    known = of_scene[of_scene["value"].notna()]
    for *key, run, value in known[[*_STATE, "metric", "run", "value"]].itertuples(index=False, name=None):
        values.setdefault(tuple(key), []).append((str(run), float(value)))
    lanes = []
    for one in states:
        keys = [(one.card, one.tuning, one.bench, metric) for metric in metrics]
        cells = tuple(
            Cell(tuple(values[key]), *means.get(key, (None,) * 3)) if key in values else None for key in keys
        )
        lanes.append(Lane(one.name, one.place, cells))
    columns = tuple(Column(heading_of(one), unit_of(one)) for one in metrics)
    return Lanes(f"{scene_text(*scene)}: every run as a dot", columns, tuple(lanes), width)


def frame_rates(
    levels: pd.DataFrame,
    *,
    scene: tuple[str, str],
    states: Sequence[State],
    limit: float | None = None,
    width: float = 360.0,
) -> Lanes | None:
    """Return average frame rates as bars, the 1 % low as a notch.

    Parameters
    ----------
    levels : DataFrame, see `gpubench_kit.statistics.levels.LEVELS`
    scene : game and setting
    states : rows, top first
    limit : end of the axis, common to several charts [FPS]
    width : whole width

    Returns
    -------
    Lanes; None where no average frame rate was measured
    """
    means = _levels_by_state(levels, scene)
    if not any(metric == AVERAGE and value is not None for (*_, metric), (value, *_) in means.items()):
        return None
    lanes = tuple(Lane(one.name, one.place, (_bar(one, means),)) for one in states)
    title = f"{scene_text(*scene)}: average frame rate and 1 % low"
    return Lanes(title, (Column("FPS", "FPS", high=limit),), lanes, width)


def trace_of_game(
    facts: Iterable[RunFacts],
    runs: pd.DataFrame,
    *,
    scene: tuple[str, str],
    states: Sequence[State],
    width: float = 360.0,
) -> Plot | None:
    """Return the frame times of one run of each state, laid over each other: the run in the middle by frame rate.

    Parameters
    ----------
    facts : facts of the runs
    runs : DataFrame, one row per run; see ``tables.RUNS``
    scene : game and setting
    states : the two or three to draw
    width : whole width

    Returns
    -------
    Plot; None where no run has frame times. A line is the mean of a piece of the run, a spike its longest frame.
    """
    known = list(facts)
    middle = [(one, middle_run(one, known, runs, scene=scene)) for one in states]
    chosen = [(one, found) for one, found in middle if found is not None and found.trace is not None]
    if not chosen:
        return None
    names = " and ".join(f"{one.name}, run {found.run}" for one, found in chosen)
    series = [trace_series(found, name=one.name, place=one.place) for one, found in chosen]
    title = f"{scene_text(*scene)}: frame times over the run, {names}"
    return trace_plot(title, series, [found.trace for _, found in chosen if found.trace is not None], width=width)


def trace_plot(
    title: str,
    series: Sequence[Series],
    traces: Sequence[Trace],
    *,
    marks: Sequence[Mark] = (),
    width: float = 360.0,
) -> Plot:
    """Return frame times over time on a scale that one long frame cannot flatten.

    Parameters
    ----------
    title : what it shows
    series : made by `trace_series`
    traces : the frame times of every run on the scale
    marks : places to mark
    width : whole width
    """
    top = longest_drawn(traces)
    return Plot(
        title,
        Axis("", "s", low=0.0, decimals=0),
        Axis("Frame time", "ms", low=0.0, high=top),
        tuple(series),
        tuple(marks),
        width,
    )


def trace_series(facts: RunFacts, *, name: str, place: int | None, pieces: int = _PIECES) -> Series:
    """Return the frame times of one run as a curve with spikes.

    Parameters
    ----------
    facts : facts of the run; without a trace there are no points
    name, place : what it is, and its colour
    pieces : most pieces that it is drawn in
    """
    if facts.trace is None:
        return Series(name, place, ())
    trace = coarser(facts.trace, most=pieces)
    points = tuple(zip(trace.time_s.tolist(), trace.mean_ms.tolist(), strict=True))
    reach = _SPIKE * longest_drawn([facts.trace])
    spikes = tuple(
        (time, mean, high)
        for time, mean, high in zip(
            *(one.tolist() for one in (trace.time_s, trace.mean_ms, trace.high_ms)), strict=True
        )
        if high - mean > reach
    )
    rate = facts.n_frames / facts.duration_s if facts.duration_s else np.nan
    longest = value_text(facts.longest_ms, "ms")
    at = value_text(facts.longest_at_s, "s", decimals=0)
    run = "" if facts.run in name else f"run {facts.run}, "
    note = f"{run}{value_text(rate, 'FPS')}, longest frame {longest} at {at}"
    return Series(name, place, points, spikes=spikes, note=note)


def longest_drawn(traces: Sequence[Trace]) -> float:
    """Return the end of the scale [ms]: the longest frame, or less where one frame towers over all others."""
    highs = np.concatenate([trace.high_ms for trace in traces]).astype(float)
    highs = highs[np.isfinite(highs)]
    return 1.06 * min(float(highs.max()), _TOWERS * float(np.quantile(highs, 0.95))) if highs.size else 1.0


def coarser(trace: Trace, *, most: int) -> Trace:
    """Return the trace in at most so many pieces: neighbours joined, shortest and longest frames kept."""
    joined = -(-trace.time_s.size // most)
    starts = np.arange(0, trace.time_s.size, joined)
    counts = np.diff(np.append(starts, trace.time_s.size))
    return Trace(
        trace.time_s[starts].astype(float),
        np.minimum.reduceat(trace.low_ms, starts).astype(float),
        np.add.reduceat(trace.mean_ms.astype(float), starts) / counts,
        np.maximum.reduceat(trace.high_ms, starts).astype(float),
    )


def percentiles_of_game(
    facts: Iterable[RunFacts],
    runs: pd.DataFrame,
    *,
    scene: tuple[str, str],
    states: Sequence[State],
    confidence: float = 0.95,
    leading: Sequence[State] = (),
) -> Plot | None:
    """Return how much longer frames get than under the first state, from the median to the slowest thousandth.

    Parameters
    ----------
    facts, runs, scene : as in `trace_of_game`
    states : what the others are compared with, then a curve each: the mean over rounds of the change of the
        frame time that a share of the frames does not exceed
    confidence : of the interval at each share, on its own
    leading : states with a full line and their interval; the others are thin. Empty: all are full

    Returns
    -------
    Plot; None where fewer than two states have frame times. Without three rounds that both sides share there is no
    interval: what the time between runs adds would not be in it.
    """
    known = [one for one in facts if one.frame_quantiles_ms and one.run in set(runs["run"])]
    # What fewer than ten frames of a run exceed says nothing about the tuning.
    fewest = min((one.n_frames for one in known), default=0)
    shares = tuple(share for share in FRAME_SHARES if fewest * (1 - share / 100) >= _FEW_FRAMES)
    by_run = {one.run: np.log(one.frame_quantiles_ms[: len(shares)]) for one in known}
    measured = [(one, _quantiles_by_round(one, by_run, runs, scene=scene)) for one in states]
    measured = [(one, rounds) for one, rounds in measured if rounds]
    if len(measured) < 2 or len(shares) < 2:
        return None
    (first, base), *others = measured
    series = [
        _longer(one, rounds, base, shares=shares, level=confidence, is_thin=bool(leading) and one not in leading)
        for one, rounds in others
    ]
    # Full lines stand above thin ones.
    series.sort(key=lambda one: one.kind == "line")
    title = f"{scene_text(*scene)}: change of the frame time at each percentile, vs {first.name}"
    x = Axis("", "%", low=shares[0], high=shares[-1], scale="tail")
    y = Axis(f"Frame time vs {first.name}", "%", signed=True)
    marks = (*[Mark(f"1{NBSP}% low", x=99.0)] * (99.0 in shares), Mark("", y=0.0))
    return Plot(title, x, y, tuple(series), marks)


def sensors_of_game(
    facts: Iterable[RunFacts],
    runs: pd.DataFrame,
    *,
    scene: tuple[str, str],
    states: Sequence[State],
    purpose: str = "measure",
    edge_s: float = 0.0,
) -> tuple[Plot, ...]:
    """Return sensors over the run, a plot for each, of the middle run of each state.

    Parameters
    ----------
    facts, runs, scene, states : as in `trace_of_game`
    purpose : purpose of the runs drawn: ``measure``, or ``soak`` for the long ones
    edge_s : what is left out at either end of a run, as in the means [s]
    """
    known = list(facts)
    chosen = [(one, middle_run(one, known, runs, scene=scene, purpose=purpose)) for one in states]
    drawn = [(one.name, one.place, found) for one, found in chosen if found is not None]
    return sensor_plots(scene_text(*scene), drawn, edge_s=edge_s)


def sensor_plots(
    title: str,
    drawn: Sequence[tuple[str, int | None, RunFacts]],
    *,
    metrics: Sequence[str] = SENSORS,
    edge_s: float = 0.0,
    width: float = 360.0,
) -> tuple[Plot, ...]:
    """Return sensors over the run, a plot for each sensor that any of the runs has.

    Parameters
    ----------
    title : what the runs are
    drawn : name, place and facts of each run
    metrics : sensor metrics; those that no run has are left out
    edge_s, width : as in `sensors_of_game`, `trace_of_game`
    """
    out = []
    for metric in metrics:
        tracks = [_track(name, place, found, metric=metric, edge_s=edge_s) for name, place, found in drawn]
        series = [one for one in tracks if one is not None]
        if series:
            label = sentence(metric_of(metric).label)
            y = Axis(label, unit_of(metric))
            out.append(Plot(f"{title}: {label} over the run", Axis("", "s"), y, tuple(series), (), width, 150.0))
    return tuple(out)


def _of_scene(table: pd.DataFrame, scene: tuple[str, str]) -> pd.DataFrame:
    """Return the rows of one game and setting."""
    return table[(table["game"] == scene[0]) & (table["setting"] == scene[1])]


def _number(value: Any) -> float | None:
    """Return a value of a table as a number; None for a missing one."""
    return None if pd.isna(value) else float(value)


def _levels_by_state(
    levels: pd.DataFrame, scene: tuple[str, str]
) -> dict[tuple[str, ...], tuple[float | None, float | None, float | None]]:
    """Return mean and interval of each state and metric of a scene."""
    rows = _of_scene(levels, scene)[[*_STATE, "metric", "value", "ci_low", "ci_high"]]
    return {
        tuple(key): (_number(value), _number(low), _number(high))
        for *key, value, low, high in rows.itertuples(index=False, name=None)
    }


def _bar(
    state: State, means: dict[tuple[str, ...], tuple[float | None, float | None, float | None]]
) -> Cell | None:
    """Return the bar of one state."""
    value, low = (
        means.get((state.card, state.tuning, state.bench, metric), (None,))[0] for metric in (AVERAGE, LOW)
    )
    if value is None:
        return None
    return Cell(centre=value, notch=low, bar=True, text=value_text(value, "FPS").split(NBSP)[0])


def _quantiles_by_round(
    state: State, by_run: dict[str, np.ndarray], runs: pd.DataFrame, *, scene: tuple[str, str]
) -> dict[object, np.ndarray]:
    """Return the log frame times of a state at `FRAME_SHARES` by round, the runs of one round averaged."""
    own = runs_of(state, runs, scene=scene)
    rounds: dict[object, list[np.ndarray]] = {}
    for run, number in zip(own["run"], own["round"], strict=True):
        if run in by_run:
            rounds.setdefault(run if pd.isna(number) else int(number), []).append(by_run[run])
    return {number: np.mean(found, axis=0) for number, found in rounds.items()}


def _longer(
    state: State,
    rounds: dict[object, np.ndarray],
    base: dict[object, np.ndarray],
    *,
    shares: Sequence[float],
    level: float,
    is_thin: bool,
) -> Series:
    """Return the curve of a state: mean over common rounds; over all runs where fewer than three are shared."""
    shared = [rounds[number] - base[number] for number in rounds if number in base]
    is_paired = len(shared) >= _FEW_ROUNDS
    apart = np.mean(list(rounds.values()), axis=0) - np.mean(list(base.values()), axis=0)
    mean = np.mean(shared, axis=0) if is_paired else apart
    change = 100 * np.expm1(mean)
    band: tuple[tuple[float, float, float], ...] = ()
    if is_paired and not is_thin:
        error = np.std(shared, axis=0, ddof=1) / np.sqrt(len(shared))
        half = t_quantile(0.5 + level / 2, len(shared) - 1.0) * error
        ends = (100 * np.expm1(mean - half), 100 * np.expm1(mean + half))
        band = tuple(zip(shares, *(end.tolist() for end in ends), strict=True))
    told = [
        f"{change_text(change[place], '%')} at {significant_text(shares[place])} %"
        + (f" ({interval_text(*band[place][1:], '%')})" if band else "")
        for place in dict.fromkeys((0, shares.index(99.0) if 99.0 in shares else 0, len(shares) - 1))
    ]
    how = f"{len(shared)} rounds" if is_paired else "no interval: fewer than three rounds are shared"
    points = tuple(zip(shares, change.tolist(), strict=True))
    kind = "thin" if is_thin else "line"
    return Series(state.name, state.place, points, kind, band=band, note=f"{', '.join(told)}; {how}")


def _track(name: str, place: int | None, facts: RunFacts, *, metric: str, edge_s: float) -> Series | None:
    """Return the samples of one sensor between the edges of a run."""
    time_s, values = facts.sensor_traces.get(metric, (np.empty(0), np.empty(0)))
    known = np.isfinite(values) & (time_s >= edge_s) & ~(time_s > facts.duration_s - edge_s)
    if not known.any():
        return None
    inside = values[known].astype(float)
    late = inside[-max(1, inside.size // 4) :].mean()
    note = f"run {facts.run}, {value_text(float(late), unit_of(metric))} in the last quarter"
    return Series(name, place, tuple(zip(time_s[known].tolist(), inside.tolist(), strict=True)), note=note)
