"""Claims about money: held against the estimates that follow from measured power, performance and prices."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import astuple
from typing import Any

import pandas as pd

from gpubench_kit.claims.rules import (
    NO_P,
    NOT_SHOWN,
    ClaimP,
    Held,
    asks_for_more,
    combined,
    outcome_of_all,
    outcome_of_interval,
    p_by_interval,
)
from gpubench_kit.claims.sentences import known_text, level_text, nothing_text, sides
from gpubench_kit.costs import PER_PRICE, ahead_of_rival, estimate_costs, plain_text
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.fields import ESTIMATES
from gpubench_kit.model.plan.sections import Claim
from gpubench_kit.model.tables import PAIR_KEY
from gpubench_kit.statistics.equivalence import uncertainty_of
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import change_text, count_text, is_missing, money_text, number_text

#: Quantities of which less is better.
_LESS_IS_BETTER = ("running_cost", "total_cost")


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


def hold_money(claim: Claim, estimates: pd.DataFrame, overall: pd.DataFrame, *, plan: ReviewPlan) -> Held:
    """Hold a claim about money against the estimates that it speaks of.

    Parameters
    ----------
    claim : entry of ``plan.claims`` whose ``metric`` is an estimate
    estimates : see `money_estimates`
    overall : results that the estimates follow from
    plan : ReviewPlan

    Returns
    -------
    Held; without p-values for a time that makes up a price, whose interval is no multiple of that of the power

    Notes
    -----
    An amount is supported where the whole two-sided interval of the estimate lies on its side, contradicted
    where it lies on the other: a stricter test than the one-sided one of measured amounts. A time that may
    never come supports no ``costs_at_most``.
    """
    every = list(_rows_of(claim, estimates, plan))
    rows = [row for row in every if not is_missing(row.value)]
    name = say(f"claims.money.{claim.metric}", years=plain_text(plan.costs.years))
    direction = -1 if claim.metric in _LESS_IS_BETTER else 1
    by = ""
    if claim.size is not None:
        unit = rows[0].unit if rows else ""
        by = f"{number_text(claim.size, decimals=2)} {unit}".rstrip()
        by = change_text(claim.size, "%").lstrip("+") if claim.is_percent else by
    if not rows:
        reasons = [row.reason for row in every if row.reason]
        why = "; ".join(dict.fromkeys([*reasons, say("claims.money.none", name=name)]))
        return Held(by, NOT_SHOWN, NO_P, why, nothing_text(why))
    is_up = asks_for_more(claim, direction)
    outcomes = (outcome_of_interval(row.ci_low, row.ci_high, claim, is_up=is_up) for row in rows)
    p = [_p_of_estimate(claim, row, overall, direction=direction) for row in rows]
    said = [_said(row, plan, name=name) for row in rows]
    evidence = " ".join([*(one for one, _ in said), say("claims.money.known")])
    p_value = NO_P if claim.metric == "break_even_time" else combined(p)
    return Held(by, outcome_of_all(outcomes, is_whole=True), p_value, evidence, " ".join(one for _, one in said))


def _p_of_estimate(claim: Claim, row: Any, overall: pd.DataFrame, *, direction: int) -> ClaimP:
    """Return the p-values of one estimate, from the result over games that it follows from."""
    of, against = ([getattr(row, f"{side}_{part}") for part in ("card", "tuning", "bench")]
                   for side in ("of", "against"))  # fmt: skip
    same = overall[(overall["metric"] == row.metric) & (overall["group"] == row.group)
                   & (overall["scope"] == "these_games")]  # fmt: skip
    key = [list(one) for one in same[list(PAIR_KEY)].itertuples(index=False)]
    same = same[[one in ([*of, *against], [*against, *of]) for one in key]]
    if len(same) != 1 or is_missing(row.ci_low):
        return NO_P
    ends, bound, found = [row.value, row.ci_low, row.ci_high], claim.amount or 0.0, uncertainty_of(same)
    if row.unit == "%":
        # On the log scale, as the test of an amount in percent.
        ends, bound = [math.log1p(one / 100) for one in ends], math.log1p(bound / 100)
    return p_by_interval(claim, ends, found, level=1 - row.confidence, bound=bound, direction=direction)


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


def _said(row: Any, plan: ReviewPlan, *, name: str) -> tuple[str, str]:
    """Return an estimate with its interval as evidence, and as what may be said."""
    of, against = sides(row, plan)
    values = {"of": of, "against": against, "name": name, "games": count_text(row.n_games, "game")}
    amounts = (_amount(one, row) for one in (row.value, row.ci_low, row.ci_high))
    values |= dict(zip(("value", "low", "high"), amounts, strict=True))
    level = level_text(row.confidence)
    kind = "change" if row.quantity != "break_even_time" else "never" if math.isinf(row.value) else "time"
    text = say("claims.money.evidence", **values, level=level), say(f"claims.money.said.{kind}", **values)
    evidence, instead = (f"{one} {row.reason}".strip() for one in text)
    return evidence, instead


def _amount(value: float, row: Any) -> str:
    """Return an amount in the unit of its estimate."""
    if row.unit == "years":
        if math.isinf(value):
            return say("claims.money.never")
        return say("claims.money.years", years=number_text(value, decimals=1))
    if row.unit == "%":
        return change_text(value, "%")
    return f"{'+' if value > 0 else ''}{money_text(value, row.unit)}"
