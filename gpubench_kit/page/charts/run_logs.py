"""What logs show over a run: frame times, sensors, percentiles; of a game's states, of one run, of every run."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from gpubench_kit.logs.frame_timing import FRAME_SHARES
from gpubench_kit.logs.run_facts import RunFacts, Trace
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page.charts.from_tables import Shown, State, of_scene, runs_of, states_in
from gpubench_kit.page.charts.marks import Axis, unit_of, value_text
from gpubench_kit.page.charts.plane import Mark, Plot, Series
from gpubench_kit.statistics.adapters import t_quantile
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import change_text, interval_text, significant_text
from gpubench_kit.wording.terms import capital, metric_of, scene_text

#: Sensors drawn over a run, in this order.
SENSORS = ("core_c", "core_mhz", "board_w")
#: Pieces of a run that a trace shows; a spike is drawn where the longest frame rises so far over the mean.
_PIECES, _SPIKE = 150, 0.03
#: A frame so many times as long as nearly all others would flatten all else: it is cut at the edge.
_TOWERS = 1.8
#: Fewest rounds that an interval of percentiles needs, and frames of a run beyond the last one shown.
_FEW_ROUNDS, _FEW_FRAMES = 3, 10
#: Marks of one run that are drawn; a frame so many times as long as usual is named.
_MARKS, _LONG = 4, 2.5
#: Size of one run among all, and the pieces that it is drawn in.
_WIDTH, _HEIGHT, _SMALL_PIECES = 170.0, 92.0, 60


def frame_times(title: str, shown: Sequence[Shown], *, marks: Sequence[Mark] = ()) -> Plot | None:
    """Return the frame times of runs, laid over each other on a scale that one long frame cannot flatten.

    Parameters
    ----------
    title : what is shown
    shown : name, place and facts of each run
    marks : places to mark

    Returns
    -------
    Plot; None where no run has frame times. A line is the mean of a piece of the run, a spike its longest frame.
    """
    series = [_trace_series(*one) for one in shown if one[2].trace is not None]
    if not series:
        return None
    top = longest_drawn([facts.trace for *_, facts in shown if facts.trace is not None])
    y = Axis(say("charts.frame_time"), "ms", low=0.0, high=top)
    return Plot(title, Axis("", "s", low=0.0, decimals=0), y, tuple(series), tuple(marks))


def _trace_series(name: str, place: int | None, facts: RunFacts, pieces: int = _PIECES) -> Series:
    """Return the frame times of one run as a curve with spikes."""
    if facts.trace is None:
        return Series(name, place, ())
    trace = coarser(facts.trace, most=pieces)
    rows = list(zip(trace.time_s.tolist(), trace.mean_ms.tolist(), trace.high_ms.tolist(), strict=True))
    reach = _SPIKE * longest_drawn([facts.trace])
    rate = facts.n_frames / facts.duration_s if facts.duration_s else np.nan
    note = say(
        "charts.trace",
        run="" if facts.run in name else say("charts.of_run", run=facts.run),
        rate=value_text(rate, "FPS"),
        longest=value_text(facts.longest_ms, "ms"),
        at=value_text(facts.longest_at_s, "s", decimals=0),
    )
    spikes = tuple(row for row in rows if row[2] - row[1] > reach)
    return Series(name, place, tuple(row[:2] for row in rows), spikes=spikes, note=note)


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


def sensors(
    title: str, shown: Sequence[Shown], *, metrics: Sequence[str] = SENSORS, edge_s: float = 0.0
) -> tuple[Plot, ...]:
    """Return sensors over the run, a plot for each sensor that any of the runs has.

    Parameters
    ----------
    title : what the runs are
    shown : name, place and facts of each run
    metrics : sensor metrics; those that no run has are left out
    edge_s : what is left out at either end of a run, as in the means [s]
    """
    out = []
    for metric in metrics:
        series = tuple(one for run in shown if (one := _track(*run, metric=metric, edge_s=edge_s)) is not None)
        if series:
            label = metric_of(metric).label
            told = say("charts.over_run", what=title, label=label)
            out.append(Plot(told, Axis("", "s"), Axis(capital(label), unit_of(metric)), series, height=150.0))
    return tuple(out)


def _track(name: str, place: int | None, facts: RunFacts, *, metric: str, edge_s: float) -> Series | None:
    """Return the samples of one sensor between the edges of a run."""
    time_s, values = facts.sensor_traces.get(metric, (np.empty(0), np.empty(0)))
    known = np.isfinite(values) & (time_s >= edge_s) & ~(time_s > facts.duration_s - edge_s)
    if not known.any():
        return None
    inside = values[known].astype(float)
    late = value_text(float(inside[-max(1, inside.size // 4) :].mean()), unit_of(metric))
    note = say("charts.last_quarter", run=facts.run, value=late)
    return Series(name, place, tuple(zip(time_s[known].tolist(), inside.tolist(), strict=True)), note=note)


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
    facts : facts of the runs
    runs : DataFrame, one row per run; see ``tables.RUNS``
    scene : game and setting
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
    measured = [(one, _quantiles_by_round(runs_of(one, runs, scene=scene), by_run)) for one in states]
    measured = [(one, rounds) for one, rounds in measured if rounds]
    if len(measured) < 2 or len(shares) < 2:
        return None
    (first, base), *others = measured
    series = [
        _longer(one, rounds, base, shares=shares, level=None if leading and one not in leading else confidence)
        for one, rounds in others
    ]
    # Full lines stand above thin ones.
    series.sort(key=lambda one: one.kind == "line")
    title = say("charts.percentiles", scene=scene_text(*scene), reference=first.name)
    x = Axis("", "%", low=shares[0], high=shares[-1], scale="tail")
    y = Axis(say("charts.frame_time_vs", reference=first.name), "%", signed=True)
    marks = (*[Mark(metric_of("low_1pct_fps").label, x=99.0)] * (99.0 in shares), Mark("", y=0.0))
    return Plot(title, x, y, tuple(series), marks)


def _quantiles_by_round(runs: pd.DataFrame, by_run: dict[str, np.ndarray]) -> dict[object, np.ndarray]:
    """Return the log frame times at `FRAME_SHARES` by round, the runs of one round averaged."""
    rounds: dict[object, list[np.ndarray]] = {}
    for run, number in zip(runs["run"], runs["round"], strict=True):
        if run in by_run:
            rounds.setdefault(run if pd.isna(number) else int(number), []).append(by_run[run])
    return {number: np.mean(found, axis=0) for number, found in rounds.items()}


def _longer(
    state: State,
    rounds: dict[object, np.ndarray],
    base: dict[object, np.ndarray],
    *,
    shares: Sequence[float],
    level: float | None,
) -> Series:
    """Return the curve of a state: mean over common rounds; over all runs where fewer than three are shared.

    It is thin and has no interval without a level.
    """
    shared = [rounds[number] - base[number] for number in rounds if number in base]
    is_paired = len(shared) >= _FEW_ROUNDS
    apart = np.mean(list(rounds.values()), axis=0) - np.mean(list(base.values()), axis=0)
    mean = np.mean(shared, axis=0) if is_paired else apart
    change = 100 * np.expm1(mean)
    band: tuple[tuple[float, float, float], ...] = ()
    if is_paired and level is not None:
        error = np.std(shared, axis=0, ddof=1) / np.sqrt(len(shared))
        half = t_quantile(0.5 + level / 2, len(shared) - 1.0) * error
        ends = (100 * np.expm1(mean + sign * half) for sign in (-1, 1))
        band = tuple(zip(shares, *(end.tolist() for end in ends), strict=True))
    told = [
        say("charts.point", y=change_text(change[place], "%"), x=f"{significant_text(shares[place])} %")
        + (f" ({interval_text(*band[place][1:], '%')})" if band else "")
        for place in dict.fromkeys((0, shares.index(99.0) if 99.0 in shares else 0, len(shares) - 1))
    ]
    how = say("charts.rounds", n=len(shared)) if is_paired else say("charts.few_rounds")
    points = tuple(zip(shares, change.tolist(), strict=True))
    kind = "thin" if level is None else "line"
    return Series(state.name, state.place, points, kind, band=band, note=f"{', '.join(told)}; {how}")


def run_charts(
    facts: RunFacts,
    plan: ReviewPlan,
    *,
    what: str,
    shown: Collection[str],
    marks: Sequence[tuple[float, str]] = (),
    peer: RunFacts | None = None,
) -> list[Plot]:
    """Return frame times of one run with places marked, and its sensors, a plot for each, laid over a peer's.

    Parameters
    ----------
    facts : facts of the run
    plan : ReviewPlan, gives the edges of the means
    what : what the run is
    shown : ``frames``, and names of sensor metrics; those that the run lacks are left out
    marks : places to mark: time from the start of the run [s], and what was found there; default the longest frame
    peer : another run of the same tuning and game, in the colour of the reference
    """
    own: list[Shown] = [(say("charts.run", run=facts.run), 1, facts)]
    runs: list[Shown] = own if peer is None else [(say("charts.peer", run=peer.run), 0, peer), *own]
    drawn: list[Plot | None] = []
    if "frames" in shown and facts.trace is not None:
        is_long = facts.longest_ms > _LONG * float(np.median(facts.trace.mean_ms))
        if not marks and is_long and np.isfinite(facts.longest_at_s):
            marks = ((facts.longest_at_s, value_text(facts.longest_ms, "ms")),)
        placed = [Mark(text, x=float(at)) for at, text in marks[:_MARKS]]
        drawn = [frame_times(say("check.picture.frames", what=what), runs, marks=placed)]
    metrics = [one for one in shown if np.isfinite(facts.sensor_traces.get(one, ((), ()))[1]).any()]
    title = say("check.picture.sensors", what=what)
    return [*filter(None, drawn), *sensors(title, runs, metrics=metrics, edge_s=plan.analysis.sensor_edge_s)]


def every_run(
    facts: Iterable[RunFacts],
    plan: ReviewPlan,
    *,
    runs: pd.DataFrame,
    scene: tuple[str, str],
    marked: Collection[str] = (),
) -> list[tuple[bool, Plot]]:
    """Return whether something was found in it, and the frame times, of every run of a game and setting.

    Parameters
    ----------
    facts : facts of the runs
    plan : ReviewPlan, gives the order of the tunings
    runs : DataFrame, one row per run; see ``tables.RUNS``
    scene : game and setting ('' for the only one)
    marked : runs in which something was found

    Returns
    -------
    list in the order of the runs, left out or not, all on one scale
    """
    by_run = {one.run: one for one in facts if one.trace is not None}
    rows = of_scene(runs, scene)
    rows = rows[rows["run"].isin(by_run)]
    if not len(rows):
        return []
    rows = rows.sort_values("order_done" if rows["order_done"].notna().all() else "order", kind="stable")
    states = {(one.card, one.tuning, one.bench): one for one in states_in(runs, plan)}
    shown = [by_run[run] for run in rows["run"]]
    top = longest_drawn([one.trace for one in shown if one.trace is not None])
    x = Axis("", "s", low=0.0, high=max(one.duration_s for one in shown) or 1.0, decimals=0)
    out = []
    for row, one in zip(rows.itertuples(), shown, strict=True):
        state = states[row.card, row.tuning, row.bench]
        place = state.place if pd.isna(row.used) or bool(row.used) else None
        line = replace(_trace_series(state.name, place, one, _SMALL_PIECES), kind="thin")
        title = f"{say('charts.run', run=one.run)}, {state.name}"
        y = Axis(f"{one.run}, {state.name}", low=0.0, high=top)
        out.append((one.run in marked, Plot(title, x, y, (line,), (), _WIDTH, _HEIGHT, key=False)))
    return out
