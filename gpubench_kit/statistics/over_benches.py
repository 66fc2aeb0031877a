"""Ratios measured within each bench, combined over benches: two machines, or one before and after a new driver.

Nothing is compared across benches. Each bench gives its own result over the same games, from its own runs;
only these results are averaged.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from gpubench_kit.model.tables import Column, Table
from gpubench_kit.statistics.mirrored import scaled
from gpubench_kit.statistics.multiplicity import NO_VERDICT, decide
from gpubench_kit.statistics.units import direction_of, in_percent, scaled_margin
from gpubench_kit.wording.reasons import SEPARATOR

_KEY = ("of_card", "of_tuning", "against_card", "against_tuning", "group", "metric")

#: Inside the kit only: one row per pair, group and metric that two or more benches have a result on.
OVER_BENCHES = Table(
    "over_benches", "pair of cards and tunings, group and metric", _KEY,
    (
        *(Column(name, "text", name.replace("_", " ")) for name in _KEY),
        Column("benches", "text", "benches that entered, separated by a semicolon"),
        Column("n_benches", "integer", "their number"),
        Column("n_games", "integer", "games on each bench"),
        Column("change", "number", "mean over benches, every bench counting once: % or unit"),
        Column("ci_low", "number", "lower end of its interval"),
        Column("ci_high", "number", "upper end of its interval"),
        Column("unit", "text", "unit of the metric"),
        Column("scale", "text", "ratio or difference"),
        Column("confidence", "number", "of the interval"),
        Column("margin", "number", "smallest difference that matters"),
        Column("verdict", "text", "as in `overall`"),
        Column("no_loss", "truth", "whether a loss as large as the margin is ruled out"),
        Column("reason", "text", "why there is no verdict, or what to know about the one given"),
    ),
)  # fmt: skip


def combine_benches(overall: pd.DataFrame, plan) -> pd.DataFrame:
    """Combine results within benches over the benches.

    Parameters
    ----------
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    plan : ReviewPlan, gives margins

    Returns
    -------
    DataFrame, see `OVER_BENCHES`; empty with one bench

    Notes
    -----
    With B benches the change, and both ends of its interval, are the means of those of the benches, every bench
    counting once. A pair on several benches is one result of the page, whose level the benches share, so the mean
    holds at that level whatever the benches have in common. It speaks of these benches and these games. A pair
    without a verdict on one bench, or with other games there, has none here.
    """
    within = overall[(overall["scope"] == "these_games") & (overall["of_bench"] == overall["against_bench"])]
    parts = [part for _, part in within.groupby(list(_KEY), sort=False) if part["of_bench"].nunique() > 1]
    return OVER_BENCHES.frame([_row(part, plan) for part in parts])


def _row(part: pd.DataFrame, plan) -> dict:
    """Return one pair, group and metric over its benches."""
    first, count = part.iloc[0], len(part)
    metric, withheld = first["metric"], next(_withheld(part), "")
    change, low, high = (float(scaled(part, name).mean()) for name in ("change", "ci_low", "ci_high"))
    change = change if withheld != "different_games" else np.nan
    low, high = (np.nan, np.nan) if withheld else (low, high)
    margin, direction = scaled_margin(plan, metric), direction_of(metric)
    verdict = decide(
        np.array([change]), np.array([0.0 if low > 0 or high < 0 else 1.0]),
        np.array([0.0 if -margin < low and high < margin else 1.0]), level=0.5, direction=np.asarray(direction),
    )[0]  # fmt: skip
    least = {1: low, -1: -high, 0: np.nan}[direction]
    cautions = dict.fromkeys(word for reason in part["reason"] for word in reason.split(SEPARATOR) if word)
    return {
        **{name: first[name] for name in (*_KEY, "unit", "scale", "margin")},
        "benches": SEPARATOR.join(part["of_bench"]),
        "n_benches": count,
        "n_games": int(part["n_games"].min()),
        "change": _readable(change, first["scale"]),
        "ci_low": _readable(low, first["scale"]),
        "ci_high": _readable(high, first["scale"]),
        "confidence": 1 - float((1 - part["confidence"]).sum()),
        "verdict": NO_VERDICT if withheld else verdict,
        "no_loss": pd.NA if withheld or np.isnan(least + margin) else bool(least > -margin),
        "reason": withheld or SEPARATOR.join(cautions),
    }


def _withheld(part: pd.DataFrame) -> Iterator[str]:
    """Yield why a pair has no verdict over benches."""
    yield from part.loc[part["verdict"] == NO_VERDICT, "reason"]
    if part["n_games"].nunique() > 1 or part["games_left_out"].nunique() > 1:
        yield "different_games"


def _readable(change: float, scale: str) -> float:
    """Return a change in percent on the ratio scale, else in the unit."""
    return float(in_percent(change)) if scale == "ratio" else float(change)
