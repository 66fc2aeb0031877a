"""Checks of what still moves within a run, or after a start: warm-up, temperature, power, clock."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from gpubench_kit.checks.evidence import Evidence, chosen, median_of_others, run_text, usual_spread
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.statistics.adapters import t_tail
from gpubench_kit.wording.numbers import change_text, number_text, percent_text

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
            f"{run_text(row)}: compared with the other runs of this game and tuning, "
            f"the first quarter of the frames is {_percent(abs(row.off))} {word} "
            f"than the rest (medians {number_text(row.first_part_ms, decimals=2)} and "
            f"{number_text(row.later_part_ms, decimals=2)} ms)."
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
    yield from _unsettled_temperature(evidence)
    checks, runs = evidence.plan.checks, evidence.runs
    clock = [_first_and_later(trace.get("core_mhz"), end) for trace, end in _traces(runs)]
    first_mhz, later_mhz = (np.array([pair[k] for pair in clock]) for k in (0, 1))
    for name, first, later, unit in (
        ("power", runs["first_part_w"], runs["later_part_w"], "W"),
        ("clock", first_mhz, later_mhz, "MHz"),
    ):
        course = np.asarray(first, dtype=float) / np.where(np.asarray(later) > 0, later, np.nan)
        odd, off_pct = _odd_courses(runs, course, checks.settle_pct)
        for row in chosen(runs, odd, beside={"off": off_pct, "first": first, "later": later}):
            message = (
                f"{run_text(row)}: the {name} moves within the run by {_percent(abs(row.off))} more than in "
                "the other runs of this game and tuning "
                f"(first quarter {number_text(row.first, decimals=0)} {unit}, then "
                f"{number_text(row.later, decimals=0)} {unit})."
            )
            action = (
                "Wait longer after applying a tuning or loading the scene; repeat the run if the cause is known."
            )
            yield Finding("note", f"{name}_moves", message, row.run, float(row.off), checks.settle_pct, "%", action)


def _unsettled_temperature(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note for each run whose temperature moves by more than the plan's ``settle_c``."""
    runs, limit = evidence.runs, evidence.plan.checks.settle_c
    moved = (runs["later_part_c"] - runs["first_part_c"]).to_numpy(dtype=float)
    usual = np.nan_to_num(median_of_others(moved, runs["of_game"].to_numpy()))
    off = np.where(runs["purpose"] == "soak", moved, moved - usual)
    for row in chosen(runs, np.abs(off) > limit, beside={"off": off}):
        beside = "" if row.purpose == "soak" else " more than in the other runs"
        message = (
            f"{run_text(row)}: the core temperature moves by {change_text(row.off, '°C')} within the "
            f"run{beside} (first "
            f"quarter {number_text(row.first_part_c, decimals=1)} °C, then "
            f"{number_text(row.later_part_c, decimals=1)} °C)."
        )
        action = "Let the card warm through before recording; temperature, fan and sound need it."
        yield Finding("note", "temperature_not_settled", message, row.run, float(row.off), limit, "°C", action)


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


def _traces(runs: pd.DataFrame) -> Iterator[tuple[dict, float]]:
    """Yield the sensor traces and the length of each run."""
    for traces, seconds in zip(runs["sensor_traces"], runs["duration_s"], strict=True):
        yield (traces if isinstance(traces, dict) else {}), float(seconds)


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


def _percent(value: float) -> str:
    """Return a percentage as text, with at most one decimal."""
    return percent_text(round(float(value), 1))
