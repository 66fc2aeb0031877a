"""Checks of single logs: gaps, time that goes wrong, missing samples, files used twice; what still moves."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from gpubench_kit.checks.evidence import (
    Evidence,
    Found,
    chosen,
    median_of_others,
    seconds_text,
    share_text,
    usual_spread,
)
from gpubench_kit.model.errors import listed, shown
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.statistics.adapters import t_tail
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import change_text, count_text, number_text
from gpubench_kit.wording.terms import metric_of

_SAME_SHIFT_S = 0.5
#: A sensor log begins so long before or after its run at most [s].
_NEAR_S = 60.0
#: What two recordings have in common only if they are one.
_FRAMES_ALIKE = ["n_frames", "duration_s", "weighted_ms", "shortest_ms", "longest_ms"]


def gaps(evidence: Evidence) -> Iterator[Found]:
    """Yield runs with frames longer than the plan's ``gap_ms``: they ask for a cause; a stall may be the result."""
    limit, runs = evidence.limits.gap_ms, evidence.runs
    for row in chosen(runs, runs["n_gaps"] > 0):
        frames, most, whole = count_text(row.n_gaps, "frame"), _ms(limit), _ms(row.gaps_ms)
        yield Found(row, row.longest_ms, limit, {"frames": frames, "limit": most, "all": whole,
                                                 "at": seconds_text(row.first_gap_s)})  # fmt: skip


def missing_frames(evidence: Evidence) -> Iterator[Found]:
    """Yield runs whose time column moves on by more than a frame took."""
    runs = evidence.runs
    for row in chosen(runs, runs["n_holes"] > 0):
        places, longest = count_text(row.n_holes, "place"), seconds_text(row.longest_hole_s)
        values = {"places": places, "longest": longest, "at": seconds_text(row.first_hole_s)}
        yield Found(row, 1000 * float(row.longest_hole_s), evidence.limits.gap_ms, values)


def time_goes_back(evidence: Evidence) -> Iterator[Found]:
    """Yield runs whose time column goes back more often than the plan lets pass."""
    limit, runs = evidence.limits.backward_steps, evidence.runs
    for row in chosen(runs, runs["n_backward"] > limit):
        yield Found(row, row.n_backward, limit, {"times": count_text(row.n_backward, "time")})


def time_stands_still(evidence: Evidence) -> Iterator[Found]:
    """Yield runs of whose time column too many steps are zero."""
    return _odd_steps(evidence, "n_standing")


def times_disagree(evidence: Evidence) -> Iterator[Found]:
    """Yield runs of whose time column too many steps differ from the frame time."""
    return _odd_steps(evidence, "n_mismatched")


def _odd_steps(evidence: Evidence, column: str) -> Iterator[Found]:
    """Yield runs with too large a share of odd steps of the time column."""
    limit, runs = evidence.limits.time_steps_pct, evidence.runs
    steps = np.maximum(runs["n_frames"].to_numpy(dtype=float, na_value=0.0) - 1, 1)
    share = 100 * runs[column].to_numpy(dtype=float) / steps
    for row in chosen(runs, share > limit, beside={"share": share}):
        yield Found(row, row.share, limit, {"share": share_text(row.share)})


def frames_against_time(evidence: Evidence) -> Iterator[Found]:
    """Yield runs whose frames take longer or shorter together than their time column runs."""
    limit, runs = evidence.limits.missing_time_pct, evidence.runs
    span_s = runs["span_s"].to_numpy(dtype=float)
    off = 100 * (runs["duration_s"].to_numpy(dtype=float) / np.where(span_s > 0, span_s, np.nan) - 1)
    for row in chosen(runs, (np.abs(off) > limit) & (runs["n_holes"] == 0), beside={"off": off}):
        took, ran = seconds_text(row.duration_s), seconds_text(row.span_s)
        values = {"frames": count_text(row.n_frames, "frame"), "took": took, "ran": ran, "off": share_text(row.off)}
        yield Found(row, row.off, limit, values)


def frame_too_short(evidence: Evidence) -> Iterator[Found]:
    """Yield runs with a frame shorter than any frame can be."""
    limit, runs = evidence.limits.most_fps, evidence.runs
    for row in chosen(runs, runs["shortest_ms"] < 1000 / limit):
        zero = say("finding.frame_too_short.zero", frames=count_text(row.n_zero, "frame")) if row.n_zero else ""
        values = {"shortest": number_text(row.shortest_ms, decimals=3), "zero": zero,
                  "limit": number_text(limit, decimals=0)}  # fmt: skip
        yield Found(row, 1000 / row.shortest_ms if row.shortest_ms > 0 else np.inf, limit, values)


def samples_missing(evidence: Evidence) -> Iterator[Found]:
    """Yield runs without a sensor sample where the plan compares what sensors tell and other runs have some.

    With clocks stated to be one, a frame log without a clock has no place in the sensor log of several runs: such
    runs are told in one finding. A start that was typed is no clock.
    """
    runs, plan = evidence.runs, evidence.plan
    sampled = runs["n_samples"] > 0
    if not any(METRICS[name].needs in ("sensors", "both") for name in plan.analysis.metrics):
        return
    lacks = (runs["n_frames"].fillna(0) > 0) & ~sampled
    is_stated = runs["card"].map(lambda card: plan.logs.of_card(card).sensor_clock == "same_machine").astype(bool)
    has_clock = (runs["clock_kind"] != "") & (runs["clock_from"] == "frame_log")
    placeless = lacks & is_stated & ~has_clock & (runs["sensor_log_sha256"] != "")
    if placeless.any():
        names = runs.loc[placeless, "run"]
        yield Found(None, len(names), None, {"runs": count_text(len(names), "run"), "names": listed(names)},
                    kind="not_placed", unit="runs")  # fmt: skip
    for row in chosen(runs, lacks & ~placeless & sampled.any()):
        yield Found(row, 0.0, evidence.limits.sensor_share_pct, {})


def samples_cover_part(evidence: Evidence) -> Iterator[Found]:
    """Yield runs of which the sensor log covers too little."""
    limit, runs, share = evidence.limits.sensor_share_pct, evidence.runs, 100 * evidence.runs["sensor_overlap"]
    for row in chosen(runs, (runs["n_samples"] > 0) & (share < limit), beside={"share": share}):
        yield Found(row, row.share, limit, {"share": share_text(row.share), "file": row.sensor_log})


def sample_gap(evidence: Evidence) -> Iterator[Found]:
    """Yield runs with too long a time without a sample."""
    limit, runs = evidence.limits.sensor_gap_s, evidence.runs
    for row in chosen(runs, runs["longest_sample_gap_s"] > limit):
        yield Found(row, row.longest_sample_gap_s, limit, {"gap": seconds_text(row.longest_sample_gap_s)})


def power_drops_out(evidence: Evidence) -> Iterator[Found]:
    """Yield runs in which the power sensor shows nothing for some samples; zero throughout is impossible anyway."""
    runs = evidence.runs
    for row in chosen(runs, (runs["n_dead_samples"] > 0) & (runs["n_live_samples"] > 0)):
        dead, live = int(row.n_dead_samples), int(row.n_live_samples)
        yield Found(row, dead, 0.0, {"dead": dead, "all": dead + live})


def same_file_twice(evidence: Evidence) -> Iterator[Found]:
    """Yield runs whose frame log is that of another run, byte for byte or saved anew.

    Excluded runs are looked at too, since a repeat may have been given the log of the run that it replaces.
    """
    used, every = set(evidence.runs["run"]), evidence.all_runs
    logged = every[every["frame_log_sha256"] != ""]
    logged = logged[logged.duplicated("frame_log_sha256", keep=False)]
    for _, same in logged.groupby("frame_log_sha256", sort=False):
        for row in chosen(same, same["run"].isin(used)):
            others = listed(name for name in same["run"] if name != row.run)
            yield Found(row, len(same), 1.0, {"file": row.frame_log, "others": others}, kind="bytes")
    # The frames of another run's log, saved anew in other bytes.
    varied = every[(every["n_frames"] > 0) & (every["shortest_ms"] < every["longest_ms"])]
    for _, same in varied[varied.duplicated(_FRAMES_ALIKE, keep=False)].groupby(_FRAMES_ALIKE, sort=False):
        for row in chosen(same, same["run"].isin(used) & (same["frame_log_sha256"].nunique() > 1)):
            others = listed(same.loc[same["frame_log_sha256"] != row.frame_log_sha256, "run"])
            values = {"frames": f"{row.n_frames:,}", "file": row.frame_log, "others": others}
            yield Found(row, len(same), 1.0, values, kind="frames")


def same_samples_twice(evidence: Evidence) -> Iterator[Found]:
    """Yield runs whose samples are the same stretch of the same sensor log as another's."""
    runs = evidence.runs
    sampled = runs[(runs["sensor_log_sha256"] != "") & runs["shift_s"].notna() & (runs["sensor_overlap"] > 0)]
    shared = sampled[sampled.duplicated("sensor_log_sha256", keep=False)]
    for _, same in shared.groupby("sensor_log_sha256", sort=False):
        shift_s = same["shift_s"].to_numpy(dtype=float)
        near = np.abs(shift_s[:, None] - shift_s) < _SAME_SHIFT_S
        for place in np.flatnonzero(near.sum(axis=1) > 1):
            row = same.iloc[place]
            others = listed(name for name in same["run"][near[place]] if name != row.run)
            yield Found(row, near[place].sum(), 1.0, {"file": row.sensor_log, "others": others})


def zones_disagree(evidence: Evidence) -> Iterator[Found]:
    """Yield runs whose two clocks differ by other hours than those of most runs of their session.

    Time zones do not change from run to run: such a sensor log is that of a run some quarters of an hour away.
    """
    runs = evidence.runs[evidence.runs["alignment"] == "clock"]
    for _, same in runs.groupby(["card", "bench", "session"], sort=False):
        hours_in_time = same.sort_values("clock_start_s")["zone_h"].to_numpy(dtype=float)
        changes = np.flatnonzero(np.diff(hours_in_time))
        # One of the clocks was set by an hour within the session, as for daylight saving.
        if len(changes) == 1 and 1 <= changes[0] < len(same) - 2 and abs(np.ptp(hours_in_time)) == 1.0:
            continue
        counts = same["zone_h"].value_counts()
        usual = float(counts.index[0])
        is_told = 2 * counts.iloc[0] > len(same)
        for row in chosen(same, (same["zone_h"] != usual) | (not is_told and len(counts) > 1)):
            hours = {"hours": number_text(row.zone_h, decimals=2), "usual": number_text(usual, decimals=2)}
            yield Found(row, row.zone_h, usual, hours | {"file": row.sensor_log})


def logs_exchanged(evidence: Evidence) -> Iterator[Found]:
    """Yield pairs of runs each of which has samples of the other's time, and frames against the planned order.

    If the frame logs stand in the planned order, it is the sensor logs that were exchanged: then the samples alone
    are not used.
    """
    runs = evidence.runs
    apart = runs[runs["sensor_overlap"].isna() & runs["shift_s"].notna() & (runs["clock_from"] == "frame_log")]
    begins, order = (apart[name].to_numpy(dtype=float, na_value=np.nan) for name in ("clock_start_s", "order"))
    sampled = begins + apart["shift_s"].to_numpy(dtype=float)
    is_other = np.abs(sampled[:, None] - begins) <= _NEAR_S
    is_against = (begins[:, None] - begins) * (order[:, None] - order) < 0
    for one, other in np.argwhere(is_other & is_other.T & is_against):
        values = {"other": shown(apart["run"].iloc[other]), "file": apart["frame_log"].iloc[one]}
        yield Found(apart.iloc[one], begins[one] - begins[other], None, values)


#: Changes that let a card draw less where they are negative.
_DRAWS_LESS = ("power_limit_pct", "power_limit_w", "voltage_mv", "core_mv", "core_mhz", "memory_mhz")


def tunings_exchanged(evidence: Evidence) -> Iterator[Found]:
    """Yield the runs of a tuning that is declared to draw less than the reference, and draws more.

    Only where all its declared changes are negative ones of power limit, voltage and clocks, a power limit among
    them.
    """
    runs, reference = evidence.runs, evidence.plan.reference_tuning
    power = evidence.sure_values[evidence.sure_values["metric"] == "board_w"]
    means = power.groupby(["tuning", "of_game"], observed=True)["value"].mean()
    by_tuning = {name: same.droplevel(0) for name, same in means.groupby(level=0, observed=True)}
    for tuning in evidence.plan.tunings:
        own, usual, changes = by_tuning.get(tuning.name), by_tuning.get(reference), tuning.changes
        is_less = any(name.startswith("power_limit") for name in changes) and all(
            name in _DRAWS_LESS and change < 0 for name, change in changes.items()
        )
        if tuning.name == reference or not is_less or own is None or usual is None:
            continue
        off = 100 * ((own / usual).dropna() - 1)
        if not len(off) or not float(off.median()) > evidence.limits.settle_pct:
            continue
        told = {"more": share_text(float(off.median()))}
        told |= {"tuning": shown(tuning.name), "reference": shown(reference)}
        for row in chosen(runs, runs["tuning"].isin([tuning.name, reference])):
            yield Found(row, off.median(), evidence.limits.settle_pct, told)


def _ms(value: float) -> str:
    """Return milliseconds as text, without decimals."""
    return f"{number_text(value, decimals=0)} ms"


#: A run's course is odd only where it is also this many usual spreads from that of its peers.
_SPREADS = 5.0
_LEVEL = 0.05
_LEAST_LAUNCHES = 4
_COURSE_S = 1.0


def warm_up(evidence: Evidence) -> Iterator[Found]:
    """Yield runs whose start is slower or faster than that of their peers: the scene itself may start lighter."""
    runs = evidence.runs
    limit = evidence.limits.warm_up_pct
    for row in _odd_courses(runs, runs["first_part_ms"], runs["later_part_ms"], limit_pct=limit):
        first, later = (number_text(one, decimals=2) for one in (row.first, row.later))
        values = {"off": share_text(abs(row.off)), "first": first, "later": later}
        yield Found(row, row.off, limit, values, kind="slower" if row.off > 0 else "faster")


def temperature_not_settled(evidence: Evidence) -> Iterator[Found]:
    """Yield runs in which the temperature still moved.

    Runs with the purpose ``soak`` are held to the plan's limit; others, which nobody expects to be warm
    through, to the course of their peers.
    """
    limit, runs = evidence.limits.settle_c, evidence.runs
    moved = (runs["later_part_c"] - runs["first_part_c"]).to_numpy(dtype=float)
    usual = np.nan_to_num(median_of_others(moved, runs["of_game"].to_numpy()))
    off = np.where(runs["purpose"] == "soak", moved, moved - usual)
    for row in chosen(runs, np.abs(off) > limit, beside={"off": off}):
        first, later = (number_text(one, decimals=1) for one in (row.first_part_c, row.later_part_c))
        kind = "soak" if row.purpose == "soak" else "others"
        yield Found(
            row, row.off, limit, {"off": change_text(row.off, "°C"), "first": first, "later": later}, kind=kind
        )


def power_moves(evidence: Evidence) -> Iterator[Found]:
    """Yield runs whose power moves otherwise than that of their peers."""
    return _moving(evidence, evidence.runs["first_part_w"], evidence.runs["later_part_w"])


def clock_moves(evidence: Evidence) -> Iterator[Found]:
    """Yield runs whose clock moves otherwise than that of their peers."""
    runs = evidence.runs
    traces = [one.get("core_mhz") if isinstance(one, dict) else None for one in runs["sensor_traces"]]
    pairs = [_first_and_later(one, float(end)) for one, end in zip(traces, runs["duration_s"], strict=True)]
    first, later = np.array(pairs, dtype=float).reshape(-1, 2).T
    return _moving(evidence, first, later)


def _moving(evidence: Evidence, first: pd.Series | np.ndarray, later: pd.Series | np.ndarray) -> Iterator[Found]:
    """Yield runs whose first quarter stands otherwise to the rest than in their peers."""
    limit = evidence.limits.settle_pct
    for row in _odd_courses(evidence.runs, first, later, limit_pct=limit):
        before, then = (number_text(one, decimals=0) for one in (row.first, row.later))
        yield Found(row, row.off, limit, {"off": share_text(abs(row.off)), "first": before, "later": then})


def _odd_courses(
    runs: pd.DataFrame, first: pd.Series | np.ndarray, later: pd.Series | np.ndarray, *, limit_pct: float
) -> Iterator:
    """Yield runs that begin unlike the others of their game, against their rest, and by how much [%], ``off``."""
    first, later = (np.asarray(one, dtype=float) for one in (first, later))
    ratio = first / np.where(later > 0, later, np.nan)
    logs = np.log(np.where(ratio > 0, ratio, np.nan))
    group = runs["of_game"].to_numpy()
    apart = logs - median_of_others(logs, group)
    off = 100 * np.expm1(apart)
    odd = (np.abs(off) > limit_pct) & (np.abs(apart) > _SPREADS * usual_spread(logs, group))
    return chosen(runs, odd, beside={"off": off, "first": first, "later": later})


def _first_and_later(trace: tuple | None, end_s: float) -> tuple[float, float]:
    """Return the mean of a trace over the first quarter of a run and over the rest; nan without."""
    if trace is None:
        return np.nan, np.nan
    time_s, values = (np.asarray(part, dtype=float) for part in trace)
    inside = (time_s >= _COURSE_S) & (time_s <= end_s - _COURSE_S) & np.isfinite(values)
    early = inside & (time_s < end_s / 4)
    late = inside & ~early
    if not early.any() or not late.any():
        return np.nan, np.nan
    return float(values[early].mean()), float(values[late].mean())


def first_runs_differ(evidence: Evidence) -> Iterator[Found]:
    """Yield whether first runs after a start of the game differ from later ones, over all declared launches.

    Notes
    -----
    Welch's t on distances from the mean of the peers, at 5 %, and only above the plan's ``first_run_pct``.
    """
    limit, primary, values = evidence.limits.first_run_pct, evidence.plan.analysis.primary, evidence.sure_values
    rows = values[(values["metric"] == primary) & (values["purpose"] == "measure") & (values["launch"] != "")]
    if METRICS[primary].scale != "ratio" or not len(rows):
        return
    logs = np.log(rows["value"].where(rows["value"] > 0))
    apart = logs - logs.groupby(rows["cell"]).transform("mean")
    launch = rows.groupby(["card", "bench", "session", "game", "launch"])["order_done"]
    several = launch.transform("size") > 1
    is_first = launch.rank(method="first") == 1
    first, later = (apart[several & chosen].dropna().to_numpy() for chosen in (is_first, ~is_first))
    difference, p = _welch(first, later)
    off = 100 * np.expm1(difference)
    if len(first) >= _LEAST_LAUNCHES and abs(off) > limit and p < _LEVEL:
        label = metric_of(primary).label
        yield Found(None, off, limit, {"label": label, "change": change_text(off), "launches": len(first)})


def _welch(of: np.ndarray, against: np.ndarray) -> tuple[float, float]:
    """Return the difference of two means and its two-sided p-value (Welch 1947)."""
    if min(len(of), len(against)) < 2:
        return np.nan, np.nan
    parts = np.array([np.var(of, ddof=1) / len(of), np.var(against, ddof=1) / len(against)])
    difference = float(np.mean(of) - np.mean(against))
    if parts.sum() == 0:
        return difference, float(difference == 0)
    df = parts.sum() ** 2 / np.sum(parts**2 / [len(of) - 1, len(against) - 1])
    return difference, float(2 * t_tail(abs(difference) / np.sqrt(parts.sum()), df))
