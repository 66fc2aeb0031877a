"""Claims about money: held against the estimates that follow from measured power, performance and prices."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import astuple
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.claims.classify import NO_P, ClaimP, combined, outcome_of_all
from gpubench_kit.claims.rules import NOT_SHOWN, outcome_of_interval
from gpubench_kit.claims.sentences import known_text, sides
from gpubench_kit.costs import PER_PRICE, ahead_of_rival, estimate_costs, plain_text
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.fields import ESTIMATES
from gpubench_kit.model.plan.sections import Claim
from gpubench_kit.model.tables import PAIR_KEY
from gpubench_kit.statistics.equivalence import half_width, one_sided_p, two_sided_p, uncertainty_of
from gpubench_kit.wording.numbers import change_text, count_text, is_missing, money_text, number_text, percent_text

_NAMES = {
    "running_cost": "running cost over {years} years",
    "total_cost": "price and running cost over {years} years",
    "break_even_time": "time until the price difference is made up",
    "value_for_money": "performance for the price",
}
#: Quantities of which less is better.
_LESS_IS_BETTER = ("running_cost", "total_cost")
_KNOWN = "Hours and prices are taken as known."


def money_estimates(comparisons: pd.DataFrame, overall: pd.DataFrame, plan: ReviewPlan) -> pd.DataFrame:
    """Return every estimate that claims may speak of, each pair seen from either side.

    Parameters
    ----------
    comparisons : DataFrame, one row per (pair, game, setting, metric); see ``tables.COMPARISONS``
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    plan : ReviewPlan

    Returns
    -------
    DataFrame, one row per pair, group and quantity: ``value``, ``low``, ``high``, ``unit``, ``confidence``,
    ``n_games``, ``reason``; nothing where no claim of the plan speaks of money
    """
    if not any(claim.metric in ESTIMATES for claim in plan.claims):
        return pd.DataFrame(columns=[*PAIR_KEY, "group", "quantity"])
    costs = estimate_costs(comparisons, overall, plan)
    ahead = ahead_of_rival(comparisons, overall, plan)
    worth = ahead[(ahead["quantity"] == PER_PRICE) & (ahead["game"] == "")]
    worth = worth.rename(columns={"change": "value"}).assign(quantity="value_for_money")
    costs = costs[costs["quantity"].isin(ESTIMATES) & (costs["quantity"] != "value_for_money")]
    worth = worth.assign(reason=[known_text(row, plan) for row in worth.itertuples()])
    rows = [row._asdict() for table in (costs, worth) for row in table.itertuples(index=False)]
    return pd.DataFrame([*rows, *map(_turned, rows)])


def p_of_money(claim: Claim, estimates: pd.DataFrame, overall: pd.DataFrame, *, plan: ReviewPlan) -> ClaimP:
    """Return the p-values at which the interval of an estimate just meets the amount of a claim.

    Parameters
    ----------
    claim, estimates, plan : as in `classify_money`
    overall : results that the estimates follow from

    Returns
    -------
    ClaimP; without numbers for a time that makes up a price, whose interval is no multiple of that of the power
    """
    rows = [row for row in _rows_of(claim, estimates, plan) if not is_missing(row.value)]
    if claim.metric == "break_even_time" or not rows:
        return NO_P
    return combined([_p_of_estimate(claim, row, overall) for row in rows])


def _p_of_estimate(claim: Claim, row: Any, overall: pd.DataFrame) -> ClaimP:
    """Return the p-values of one estimate, from the result over games that it follows from."""
    of, against = ([getattr(row, f"{side}_{part}") for part in ("card", "tuning", "bench")]
                   for side in ("of", "against"))  # fmt: skip
    same = overall[(overall["metric"] == row.metric) & (overall["group"] == row.group)
                   & (overall["scope"] == "these_games")]  # fmt: skip
    key = [list(one) for one in same[list(PAIR_KEY)].itertuples(index=False)]
    same = same[[one in ([*of, *against], [*against, *of]) for one in key]]
    if len(same) != 1 or is_missing(row.ci_low):
        return NO_P
    ends, bound = [row.value, row.ci_low, row.ci_high], claim.amount or 0.0
    if row.unit == "%":
        ends, bound = [math.log1p(one / 100) for one in ends], math.log1p(bound / 100)
    share = (ends[2] - ends[1]) / 2 / float(half_width(1 - row.confidence, uncertainty_of(same))[0])
    if not share > 0:
        return NO_P
    found, distance = uncertainty_of(same), (ends[0] - bound) / share
    if claim.kind in ("better", "worse"):
        distance = -distance if claim.metric in _LESS_IS_BETTER else distance
        p = float(two_sided_p(np.array([distance]), found)[0])
        return ClaimP(*((p, 1.0) if (distance > 0) == (claim.kind == "better") else (1.0, p)))
    above, below = (float(one_sided_p(np.array([one]), found)[0]) for one in (distance, -distance))
    return ClaimP(above, below) if claim.kind == "at_least" else ClaimP(below, above)


def classify_money(claim: Claim, estimates: pd.DataFrame, plan: ReviewPlan) -> dict[str, Any]:
    """Return outcome, evidence and the sentence that may be said of a claim about money.

    Parameters
    ----------
    claim : entry of ``plan.claims`` whose ``metric`` is an estimate
    estimates : see `money_estimates`
    plan : ReviewPlan

    Returns
    -------
    dict with ``by``, ``verdict``, ``evidence``, ``suggested_text``

    Notes
    -----
    An amount is supported where the whole two-sided interval of the estimate lies on its side, contradicted
    where it lies on the other: a stricter test than the one-sided one of measured amounts. A time that may
    never come supports no ``costs_at_most``.
    """
    rows = [row for row in _rows_of(claim, estimates, plan) if not is_missing(row.value)]
    by = _amount_text(claim, rows[0].unit if rows else "")
    if not rows:
        reasons = [row.reason for row in _rows_of(claim, estimates, plan) if row.reason]
        reasons.append(f"There is no estimate of the {_name(claim.metric, plan)} of this pair")
        why = "; ".join(dict.fromkeys(reasons))
        return {"by": by, "verdict": NOT_SHOWN, "evidence": why, "suggested_text": f"Nothing can be said: {why}"}
    is_up = claim.kind == "at_least"
    if claim.kind in ("better", "worse"):
        is_up = (claim.kind == "better") == (claim.metric not in _LESS_IS_BETTER)
    outcomes = [outcome_of_interval(row.ci_low, row.ci_high, claim, is_up=is_up) for row in rows]
    verdict = outcome_of_all(outcomes, is_whole=True)
    text = " ".join(_evidence(row) for row in rows)
    said = " ".join(_sentence(row, plan) for row in rows)
    return {"by": by, "verdict": verdict, "evidence": f"{text} {_KNOWN}", "suggested_text": said}


def _rows_of(claim: Claim, estimates: pd.DataFrame, plan: ReviewPlan) -> Iterator[Any]:
    """Yield the estimates that a claim must agree with: every bench, and every group unless it names one."""
    keys = [(*astuple(pair.of), *astuple(pair.against)) for pair in plan.pairs_of(claim)]
    for row in estimates.itertuples(index=False):
        is_wanted = row.quantity == claim.metric and claim.group in ("", row.group)
        if is_wanted and tuple(getattr(row, name) for name in PAIR_KEY) in keys:
            yield row


def _turned(row: dict[str, Any]) -> dict[str, Any]:
    """Return an estimate as seen from the other side."""
    ends = (row["value"], row["ci_high"], row["ci_low"])
    if row["quantity"] == "break_even_time":
        ends = (row["value"], row["ci_low"], row["ci_high"])
    elif row["quantity"] == "value_for_money":
        ends = tuple(100 * (1 / (1 + one / 100) - 1) for one in ends)
    else:
        ends = tuple(-one for one in ends)
    sides_turned = {f"{one}_{part}": row[f"{other}_{part}"]
                    for one, other in (("of", "against"), ("against", "of"))
                    for part in ("card", "tuning", "bench")}  # fmt: skip
    return row | sides_turned | dict(zip(("value", "ci_low", "ci_high"), ends, strict=True))


def _evidence(row: Any) -> str:
    """Return an estimate with its interval."""
    games = f"over {count_text(row.n_games, 'game')}"
    level = percent_text(100 * row.confidence)
    span = f"{_amount(row.ci_low, row)} to {_amount(row.ci_high, row)}"
    return f"Estimate {games}: {_amount(row.value, row)}, {level} interval {span}. {row.reason}".strip()


def _sentence(row: Any, plan: ReviewPlan) -> str:
    """Return what may be said."""
    of, against = sides(row, plan)
    about = f"{of} against {against}: about {_amount(row.value, row)}"
    if row.quantity == "break_even_time":
        about = f"{of} and {against}: " + ("never" if math.isinf(row.value) else f"about {_amount(row.value, row)}")
    span = f"{_amount(row.ci_low, row)} to {_amount(row.ci_high, row)}"
    name = _name(row.quantity, plan)
    return f"Estimate, {name}, {about} ({span}). {row.reason}".strip()


def _name(quantity: str, plan: ReviewPlan) -> str:
    """Return the name of an estimate in running text."""
    return _NAMES[quantity].format(years=plain_text(plan.costs.years))


def _amount(value: float, row: Any) -> str:
    """Return an amount in the unit of its estimate."""
    if row.unit == "years":
        return "never" if math.isinf(value) else f"{number_text(value, decimals=1)} years"
    if row.unit == "%":
        return change_text(value, "%")
    return f"{'+' if value > 0 else ''}{money_text(value, row.unit)}"


def _amount_text(claim: Claim, unit: str) -> str:
    """Return the amount of a claim with its unit; nothing where it gives none."""
    if claim.size is None:
        return ""
    if claim.is_percent:
        return change_text(claim.size, "%").lstrip("+")
    return f"{number_text(claim.size, decimals=2)} {unit}".rstrip()
