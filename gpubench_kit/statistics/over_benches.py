"""Ratios measured within each bench, combined over benches: two machines, or one before and after a new driver.

Nothing is compared across benches. Each bench gives its own result over the same games, from its own runs;
only these results are averaged.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from gpubench_kit.model.tables import Column, Table
from gpubench_kit.statistics.difference import run_tests
from gpubench_kit.statistics.mirrored import scaled
from gpubench_kit.statistics.result_rows import direction_of, judge, scaled_margin
from gpubench_kit.statistics.units import in_percent
from gpubench_kit.statistics.verdict import NO_VERDICT
from gpubench_kit.wording.reasons import SEPARATOR

_KEY = ("of_card", "of_tuning", "against_card", "against_tuning", "group", "metric")
_INTERVALS = ("ci_low", "ci_high", "equivalence_ci_low", "equivalence_ci_high")
_P_VALUES = ("p_difference", "p_equivalence", "p_non_inferiority")

#: Inside the kit only: one row per pair, group and metric that two or more benches have a result on.
OVER_BENCHES = Table(
    "over_benches", "pair of cards and tunings, group and metric", _KEY,
    (
        *(Column(name, "text", name.replace("_", " ")) for name in _KEY),
        Column("benches", "text", "benches that entered, separated by a semicolon"),
        Column("n_benches", "integer", "their number"),
        Column("n_games", "integer", "games on each bench"),
        Column("change", "number", "mean over benches, every bench counting once: % or unit"),
        *(Column(name, "number", f"{name.replace('_', ' ')} end of its interval") for name in _INTERVALS),
        Column("unit", "text", "unit of the metric"),
        Column("scale", "text", "ratio or difference"),
        Column("confidence", "number", "of the interval"),
        Column("margin", "number", "smallest difference that matters"),
        Column("se", "number", "standard error, in natural log on the ratio scale"),
        Column("df", "number", "degrees of freedom"),
        *(Column(name, "number", "p-value") for name in _P_VALUES),
        *(Column(f"{name}_adjusted", "number", "p-value, adjusted over tunings") for name in _P_VALUES),
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
    plan : ReviewPlan, gives margins and ``analysis.adjust``

    Returns
    -------
    DataFrame, see `OVER_BENCHES`; empty with one bench

    Notes
    -----
    With B benches, ``D = mean(D_b)`` and ``V = sum(V_b) / B^2`` with Satterthwaite's degrees of freedom,
    every bench counting once: benches share no run, so their errors are independent. It speaks of these
    benches and these games. A pair without a verdict on one bench, or with other games there, has none here.
    Weights by precision are not used: from few degrees of freedom they are noise.

    References
    ----------
    Satterthwaite, F. E. (1946). An approximate distribution of estimates of variance components.
    doi:10.2307/3002019
    """
    within = overall[(overall["scope"] == "these_games") & (overall["of_bench"] == overall["against_bench"])]
    parts = [part for _, part in within.groupby(list(_KEY), sort=False) if part["of_bench"].nunique() > 1]
    if not parts:
        return OVER_BENCHES.frame()
    rows = pd.DataFrame([_row(part, plan) for part in parts])
    family = rows.groupby(["of_card", "against_card", "group", "metric"], sort=False).ngroup().to_numpy()
    return OVER_BENCHES.frame(judge(rows, family=family, level=1 - float(rows["confidence"].min()), plan=plan))


def _row(part: pd.DataFrame, plan) -> dict:
    """Return one pair, group and metric over its benches, before adjustment."""
    first, count = part.iloc[0], len(part)
    metric, level = first["metric"], 1 - float(part["confidence"].min())
    withheld = next(_withheld(part), "")
    error = part["se"].to_numpy(dtype=float) ** 2 / count**2
    change = float(scaled(part, "change").mean()) if withheld != "different_games" else np.nan
    df = error.sum() ** 2 / (error**2 / part["df"].to_numpy(dtype=float)).sum()
    known = (change, error.sum(), df) if not withheld else (change, np.nan, np.nan)
    tests = run_tests(*(np.array([one]) for one in known), margin=scaled_margin(plan, metric), level=level,
                      direction=direction_of(metric))  # fmt: skip
    ends = {name: _readable(getattr(tests, name)[0], first["scale"]) for name in _INTERVALS}
    cautions = dict.fromkeys(word for reason in part["reason"] for word in reason.split(SEPARATOR) if word)
    return {
        **{name: first[name] for name in (*_KEY, "unit", "scale", "margin")},
        "benches": SEPARATOR.join(part["of_bench"]),
        "n_benches": count,
        "n_games": int(part["n_games"].min()),
        "change": _readable(change, first["scale"]),
        "confidence": 1 - level,
        "se": float(np.sqrt(known[1])),
        "df": float(known[2]),
        "withheld": withheld,
        "cautions": SEPARATOR.join(one for one in cautions if one != "alone_it_would_count"),
        **ends,
        **{name: float(getattr(tests, name)[0]) for name in _P_VALUES},
    }


def _withheld(part: pd.DataFrame) -> Iterator[str]:
    """Yield why a pair has no verdict over benches."""
    yield from part.loc[part["verdict"] == NO_VERDICT, "reason"]
    if part["n_games"].nunique() > 1 or part["games_left_out"].nunique() > 1:
        yield "different_games"


def _readable(change: float, scale: str) -> float:
    """Return a change in percent on the ratio scale, else in the unit."""
    return float(in_percent(change)) if scale == "ratio" else float(change)
