"""Checks of single logs: gaps, time that goes wrong, missing samples, files used twice; what still moves."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from gpubench_kit.checks.evidence import Evidence, chosen, median_of_others, run_text, usual_spread
from gpubench_kit.model.errors import listed
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.statistics.adapters import t_tail
from gpubench_kit.wording.numbers import change_text, count_text, duration_text, number_text, percent_text

_CAUSE = (
    "Look for the cause: loading, a memory stall and a disturbed machine all look like this. "
    "The run counts unless you write a cause into its cell `excluded`."
)
_SAME_SHIFT_S = 0.5


#: What two recordings have in common only if they are one.
_FRAMES_ALIKE = ["n_frames", "duration_s", "weighted_ms", "shortest_ms", "longest_ms"]


def check_gaps(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note for each run with frames, or missing frames, longer than the plan's ``gap_ms``.

    A gap asks for a cause and never excludes: a memory stall may be the result.

    Parameters
    ----------
    evidence : what there is to check
    """
    limit = evidence.plan.checks.gap_ms
    runs = evidence.runs
    for row in chosen(runs, runs["n_gaps"] > 0):
        message = (
            f"{run_text(row)}: {count_text(row.n_gaps, 'frame')} longer than {_ms(limit)}, "
            f"{_ms(row.gaps_ms)} in all, the first {_at(row.first_gap_s)}."
        )
        yield Finding("note", "gap", message, row.run, float(row.longest_ms), limit, "ms", _CAUSE)
    for row in chosen(runs, runs["n_holes"] > 0):
        message = (
            f"{run_text(row)}: frames are missing: in {count_text(row.n_holes, 'place')} the time column moves on "
            f"by more than the frame took, the most by {_seconds(row.longest_hole_s)}, the first "
            f"{_at(row.first_hole_s)}."
        )
        yield Finding(
            "note", "missing_frames", message, row.run, 1000 * float(row.longest_hole_s), limit, "ms", _CAUSE
        )


def check_time_column(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note for each run whose time column goes back, stands still or disagrees with its frame times.

    Parameters
    ----------
    evidence : what there is to check
    """
    checks, runs = evidence.plan.checks, evidence.runs
    action = "Metrics use the frame times alone. Look whether the recorder was disturbed, or wrote two sources."
    for row in chosen(runs, runs["n_backward"] > checks.backward_steps):
        message = f"{run_text(row)}: the time column goes back {count_text(row.n_backward, 'time')}."
        limit = float(checks.backward_steps)
        yield Finding("note", "time_goes_back", message, row.run, float(row.n_backward), limit, "steps", action)
    steps = np.maximum(runs["n_frames"].to_numpy(dtype=float, na_value=0.0) - 1, 1)
    for check, column, words in (
        ("time_stands_still", "n_standing", "of the steps of the time column are zero"),
        ("times_disagree", "n_mismatched", "of the steps of the time column differ from the frame time"),
    ):
        share_pct = 100 * runs[column].to_numpy(dtype=float) / steps
        for row in chosen(runs, share_pct > checks.time_steps_pct, beside={"share": share_pct}):
            message = f"{run_text(row)}: {_percent(row.share)} {words}."
            yield Finding("note", check, message, row.run, float(row.share), checks.time_steps_pct, "%", action)
    limit, span_s = checks.missing_time_pct, runs["span_s"].to_numpy(dtype=float)
    off_pct = 100 * (runs["duration_s"].to_numpy(dtype=float) / np.where(span_s > 0, span_s, np.nan) - 1)
    for row in chosen(runs, (np.abs(off_pct) > limit) & (runs["n_holes"] == 0), beside={"off": off_pct}):
        message = (
            f"{run_text(row)}: its {count_text(row.n_frames, 'frame')} take {_seconds(row.duration_s)} together, "
            f"but its time column runs for {_seconds(row.span_s)} ({_percent(row.off)})."
        )
        action = (
            "Frames are missing, or two sources are mixed: look at the recorder; the average frame rate is that of "
            "the frames alone."
        )
        yield Finding("note", "frames_against_time", message, row.run, float(row.off), limit, "%", action)


def check_single_frames(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note for each run with a frame shorter than any frame can be.

    Parameters
    ----------
    evidence : what there is to check
    """
    most_fps = evidence.plan.checks.most_fps
    runs = evidence.runs
    for row in chosen(runs, runs["shortest_ms"] < 1000 / most_fps):
        zero = f", {count_text(row.n_zero, 'frame')} of no length" if row.n_zero else ""
        message = (
            f"{run_text(row)}: the shortest frame took {number_text(row.shortest_ms, decimals=3)} ms{zero}; "
            f"no frame is faster than {number_text(most_fps, decimals=0)} fps."
        )
        action = "Look whether the recorder writes frames that were dropped or shown twice."
        fps = 1000 / row.shortest_ms if row.shortest_ms > 0 else np.inf
        yield Finding("note", "frame_too_short", message, row.run, float(fps), most_fps, "fps", action)


def check_samples(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note for each run whose sensor samples are missing, cover too little of it, or have a gap.

    Parameters
    ----------
    evidence : what there is to check
    """
    checks, runs = evidence.plan.checks, evidence.runs
    sampled = runs["n_samples"] > 0
    has_frames = runs["n_frames"].fillna(0) > 0
    if sampled.any() and any(METRICS[name].needs in ("sensors", "both") for name in evidence.plan.analysis.metrics):
        for row in chosen(runs, has_frames & ~sampled):
            message = f"{run_text(row)}: no sensor sample lies within the run, though other runs have some."
            action = "Name its sensor log in the run sheet, or repeat the run; without it power is not compared."
            yield Finding("note", "samples_missing", message, row.run, 0.0, checks.sensor_share_pct, "%", action)
    share_pct = 100 * runs["sensor_overlap"]
    for row in chosen(runs, sampled & (share_pct < checks.sensor_share_pct), beside={"share": share_pct}):
        message = f"{run_text(row)}: the sensor log covers {_percent(row.share)} of the run ({row.sensor_log})."
        action = "Start the sensor log before the run and stop it after; power is that of the part covered."
        limit = checks.sensor_share_pct
        yield Finding("note", "samples_cover_part", message, row.run, float(row.share), limit, "%", action)
    for row in chosen(runs, runs["longest_sample_gap_s"] > checks.sensor_gap_s):
        message = f"{run_text(row)}: {_seconds(row.longest_sample_gap_s)} without a sensor sample within the run."
        action = "Means bridge the gap with a straight line; repeat the run if that is too long to trust."
        found, limit = float(row.longest_sample_gap_s), checks.sensor_gap_s
        yield Finding("note", "sample_gap", message, row.run, found, limit, "s", action)


def check_dead_samples(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note for each run in which the power sensor shows nothing for some samples.

    Parameters
    ----------
    evidence : what there is to check; runs whose power is zero throughout have an impossible value
    """
    runs = evidence.runs
    for row in chosen(runs, (runs["n_dead_samples"] > 0) & (runs["n_live_samples"] > 0)):
        n_dead, n_live = int(row.n_dead_samples), int(row.n_live_samples)
        message = (
            f"{run_text(row)}: {n_dead} of {n_dead + n_live} samples of power are zero or less while frames "
            "were drawn; they pull its mean down."
        )
        action = "Look at the sensor; if it drops out, let its log leave these cells empty, or repeat the run."
        yield Finding("note", "power_drops_out", message, row.run, float(n_dead), 0.0, "samples", action)


def check_files_used_twice(evidence: Evidence) -> Iterator[Finding]:
    """Yield a stop for each run whose frame log, or stretch of a sensor log, is that of another run.

    Parameters
    ----------
    evidence : what there is to check; excluded runs are looked at too, since a repeat may have been
        given the log of the run that it replaces
    """
    used, every = set(evidence.runs["run"]), evidence.all_runs
    own_log = "Give each run its own log in the run sheet, or write a cause into the cell `excluded`."
    logged = every[every["frame_log_sha256"] != ""]
    for _, same in logged[logged.duplicated("frame_log_sha256", keep=False)].groupby(
        "frame_log_sha256", sort=False
    ):
        for row in chosen(same, same["run"].isin(used)):
            others = listed(name for name in same["run"] if name != row.run)
            message = f"{run_text(row)}: its frame log {row.frame_log} is byte for byte that of run {others}."
            yield Finding("stop", "same_file_twice", message, row.run, float(len(same)), 1.0, "runs", own_log)
    # The frames of another run's log, saved anew in other bytes.
    varied = every[(every["n_frames"] > 0) & (every["shortest_ms"] < every["longest_ms"])]
    for _, same in varied[varied.duplicated(_FRAMES_ALIKE, keep=False)].groupby(_FRAMES_ALIKE, sort=False):
        for row in chosen(same, same["run"].isin(used) & (same["frame_log_sha256"].nunique() > 1)):
            others = listed(same.loc[same["frame_log_sha256"] != row.frame_log_sha256, "run"])
            message = (
                f"{run_text(row)}: all {row.n_frames:,} frames of its log {row.frame_log} are those of run "
                f"{others}, though the files differ."
            )
            yield Finding("stop", "same_file_twice", message, row.run, float(len(same)), 1.0, "runs", own_log)
    yield from _samples_used_twice(evidence.runs)


def _samples_used_twice(runs: pd.DataFrame) -> Iterator[Finding]:
    """Yield a stop for each run whose samples are the same stretch of the same sensor log as another's."""
    sampled = runs[(runs["sensor_log_sha256"] != "") & runs["shift_s"].notna() & (runs["sensor_overlap"] > 0)]
    shared = sampled[sampled.duplicated("sensor_log_sha256", keep=False)]
    for _, same in shared.groupby("sensor_log_sha256", sort=False):
        shift_s = same["shift_s"].to_numpy(dtype=float)
        near = np.abs(shift_s[:, None] - shift_s) < _SAME_SHIFT_S
        for place in np.flatnonzero(near.sum(axis=1) > 1):
            row = same.iloc[place]
            others = listed(name for name in same["run"][near[place]] if name != row.run)
            message = (
                f"{run_text(row)}: its samples are the same stretch of {row.sensor_log} as those of run {others}."
            )
            action = "Give each run its own sensor log, or let both logs write the wall clock."
            found = float(near[place].sum())
            yield Finding("stop", "same_samples_twice", message, str(row["run"]), found, 1.0, "runs", action)


def _ms(value: float) -> str:
    """Return milliseconds as text, without decimals."""
    return f"{number_text(value, decimals=0)} ms"


def _seconds(value: float) -> str:
    """Return seconds as text, with one decimal below a minute."""
    return f"{number_text(value, decimals=1)} s" if value < 60 else duration_text(value)


def _at(value: float) -> str:
    """Return a place in a run as text."""
    return f"{_seconds(value)} into the run"


def _percent(value: float) -> str:
    """Return a share as text, with at most one decimal."""
    return percent_text(round(float(value), 1))


#: A run's course is odd only where it is also this many usual spreads from that of its peers.
_SPREADS = 5.0
_LEVEL = 0.05
_LEAST_LAUNCHES = 4
_COURSE_S = 1.0


def check_warm_up(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note for each run whose start is slower or faster than the start of its peers.

    The scene itself may start lighter or heavier; that is alike in all runs of a game.

    Parameters
    ----------
    evidence : what there is to check
    """
    runs, limit = evidence.runs, evidence.plan.checks.warm_up_pct
    action = "Let the scene run once before recording, or leave out first runs by warm_up_runs_per_launch."
    odd, off_pct = _odd_courses(runs, runs["first_part_ms"] / runs["later_part_ms"], limit)
    for row in chosen(runs, odd, beside={"off": off_pct}):
        word = "slower" if row.off > 0 else "faster"
        message = (
            f"{run_text(row)}: compared with the other runs of this game and tuning, the first quarter of the "
            f"frames is {_percent(abs(row.off))} {word} than the rest (medians "
            f"{number_text(row.first_part_ms, decimals=2)} and {number_text(row.later_part_ms, decimals=2)} ms)."
        )
        yield Finding("note", "warm_up", message, row.run, float(row.off), limit, "%", action)


def check_settled(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note for each run in which temperature, power or clock had not settled.

    Runs with the purpose ``soak`` are held to the plan's limit; others, which nobody expects to be warm
    through, to the course of their peers.

    Parameters
    ----------
    evidence : what there is to check
    """
    checks, runs = evidence.plan.checks, evidence.runs
    moved = (runs["later_part_c"] - runs["first_part_c"]).to_numpy(dtype=float)
    usual = np.nan_to_num(median_of_others(moved, runs["of_game"].to_numpy()))
    off_c = np.where(runs["purpose"] == "soak", moved, moved - usual)
    for row in chosen(runs, np.abs(off_c) > checks.settle_c, beside={"off": off_c}):
        more = "" if row.purpose == "soak" else " more than in the other runs"
        message = (
            f"{run_text(row)}: the core temperature moves by {change_text(row.off, '°C')} within the run{more} "
            f"(first quarter {number_text(row.first_part_c, decimals=1)} °C, then "
            f"{number_text(row.later_part_c, decimals=1)} °C)."
        )
        action = "Let the card warm through before recording; temperature, fan and sound need it."
        found, limit = float(row.off), checks.settle_c
        yield Finding("note", "temperature_not_settled", message, row.run, found, limit, "°C", action)
    traces = [one.get("core_mhz") if isinstance(one, dict) else None for one in runs["sensor_traces"]]
    clock = [_first_and_later(one, float(end)) for one, end in zip(traces, runs["duration_s"], strict=True)]
    first_mhz, later_mhz = (np.array([pair[k] for pair in clock]) for k in (0, 1))
    for name, first, later, unit in (
        ("power", runs["first_part_w"], runs["later_part_w"], "W"),
        ("clock", first_mhz, later_mhz, "MHz"),
    ):
        course = np.asarray(first, dtype=float) / np.where(np.asarray(later) > 0, later, np.nan)
        odd, off_pct = _odd_courses(runs, course, checks.settle_pct)
        for row in chosen(runs, odd, beside={"off": off_pct, "first": first, "later": later}):
            message = (
                f"{run_text(row)}: the {name} moves within the run by {_percent(abs(row.off))} more than in the "
                f"other runs of this game and tuning (first quarter {number_text(row.first, decimals=0)} {unit}, "
                f"then {number_text(row.later, decimals=0)} {unit})."
            )
            action = (
                "Wait longer after applying a tuning or loading the scene; repeat the run if the cause is known."
            )
            yield Finding("note", f"{name}_moves", message, row.run, float(row.off), checks.settle_pct, "%", action)


def _odd_courses(
    runs: pd.DataFrame, course: pd.Series | np.ndarray, limit_pct: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return which runs begin unlike the others of their game, against their rest, and by how much [%]."""
    ratio = np.asarray(course, dtype=float)
    logs = np.log(np.where(ratio > 0, ratio, np.nan))
    group = runs["of_game"].to_numpy()
    apart = logs - median_of_others(logs, group)
    off_pct = 100 * np.expm1(apart)
    odd = (np.abs(off_pct) > limit_pct) & (np.abs(apart) > _SPREADS * usual_spread(logs, group))
    return odd, off_pct


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


def check_first_runs(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note where first runs after a start of the game differ from later ones, over all launches.

    Parameters
    ----------
    evidence : what there is to check; launches not declared cannot be looked at

    Notes
    -----
    Welch's t on distances from the mean of the peers, at 5 %, and only above the plan's
    ``first_run_pct``.
    """
    limit = evidence.plan.checks.first_run_pct
    primary = evidence.plan.analysis.primary
    values = evidence.values
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
    off_pct = 100 * np.expm1(difference)
    if len(first) < _LEAST_LAUNCHES or not (abs(off_pct) > limit and p < _LEVEL):
        return
    label = METRICS[primary].label
    message = (
        f"First runs after a start of the game: {label} is {change_text(off_pct)} against later runs of the same "
        f"tunings, over {len(first)} launches."
    )
    action = "State warm_up_runs_per_launch = 1 in the plan, below [exclude], before the next bench session."
    yield Finding("note", "first_runs_differ", message, "", float(off_pct), limit, "%", action)


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


LOG_CHECKS = (
    check_gaps, check_time_column, check_single_frames, check_samples, check_dead_samples, check_files_used_twice,
    check_warm_up, check_settled, check_first_runs,
)  # fmt: skip
