"""When a result bears a claim out, when it speaks against it, and how surely.

A claim is *supported* where the data show what it says, *contradicted* where they show the opposite,
else *not shown*. That a difference was not found is never taken for its absence.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.claims.targets import Amounts, Target
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.sections import Claim
from gpubench_kit.statistics.contrasts import scaled
from gpubench_kit.statistics.testing import (
    NO_VERDICT,
    Uncertainty,
    half_width,
    one_sided_p,
    two_sided_p,
    uncertainty_of,
)
from gpubench_kit.statistics.variance import direction_of, scaled_margin
from gpubench_kit.wording.numbers import is_missing
from gpubench_kit.wording.terms import reason_words

SUPPORTED, CONTRADICTED, NOT_SHOWN = "supported", "contradicted", "not_shown"

_SMALL = "_but_small"
#: What a change and its uncertainty are made of; a table of all columns would take longer than all the rest.
_COLUMNS = ("scale", "change", "se", "df", "own_se", "own_df", "restart_se", "restart_df", "rounding_se")


@dataclass(frozen=True)
class ClaimP:
    """P-values of a claim: that it does not hold, and that its opposite does not; nan where there is none."""

    supports: float
    opposes: float


NO_P = ClaimP(np.nan, np.nan)


@dataclass(frozen=True)
class Held:
    """A claim held against what it speaks of.

    Attributes
    ----------
    by : its amount, in words
    outcome : by the intervals of what it was held against
    p : p-values of the claim and of its opposite
    evidence, instead : what it was held against, and what can be said, in sentences
    """

    by: str
    outcome: str
    p: ClaimP
    evidence: str
    instead: str


def supports(claim: Claim, target: Target) -> bool:
    """Return whether a result shows what a claim says.

    Parameters
    ----------
    claim, target : the claim, and one result that it must agree with

    Notes
    -----
    - ``better``, ``worse`` : the verdict (adjusted for the number of comparisons) is a real difference that way.
    - ``same`` : a difference as large as the margin is ruled out, by the verdict.
    - ``no_loss`` : a loss as large as the margin is ruled out and no real loss was found. Over ``every_game``
      the first holds at the level in each game without adjustment (Berger 1982).
    - an amount (``saves_at_least``, ``costs_at_most``, ``gains_at_least``, ``loses_at_most``) : the one-sided end
      of the interval lies on that side of it.

    A game that the claim names must agree by its own runs alone. What hangs on a flagged run supports
    no amount.

    References
    ----------
    Berger, R. L. (1982). Multiparameter hypothesis testing and acceptance sampling.
    doi:10.1080/00401706.1982.10487790
    """
    row, kind = target.row, claim.kind
    own = [target.own] if target.is_named and target.own is not None else []
    if row.verdict == NO_VERDICT:
        return False
    if claim.amount is not None:
        return not is_flagged(row) and all(_by_amount(claim, one) == SUPPORTED for one in (target.amounts, *own))
    way = row.verdict.removesuffix(_SMALL)
    if kind == "same":
        is_shown = row.verdict == "same_within_margin" or row.verdict.endswith(_SMALL)
    elif kind != "no_loss":
        is_shown = way == kind
    elif claim.over == "every_game" and not is_flagged(row):
        is_shown = way != "worse" and bool(row.p_non_inferiority <= 1 - row.confidence)
    else:
        is_shown = way != "worse" and not is_missing(row.no_loss) and bool(row.no_loss)
    return is_shown and all(_lies(kind, row, one) for one in own)


def contradicts(claim: Claim, target: Target) -> bool:
    """Return whether a result shows the opposite of what a claim says.

    Parameters
    ----------
    claim, target : the claim, and one result that it must agree with

    Notes
    -----
    - ``better``, ``worse`` : a real difference the other way.
    - ``no_loss`` : a real loss, of whatever size; ``loses_at_most`` says that a loss is smaller than an amount.
    - ``same`` : a real difference that lies entirely beyond the margin.
    - an amount : the one-sided end of the interval lies on the other side of it.

    A single game must agree by its own runs alone, since it would be named.
    """
    row = target.row
    if row.verdict == NO_VERDICT:
        return False
    own = [target.own] if target.own is not None else []
    if claim.amount is not None:
        return not is_flagged(row) and all(_by_amount(claim, one) == CONTRADICTED for one in (target.amounts, *own))
    if claim.kind == "same":
        # Real, and adjusted as the verdict is beyond the margin.
        is_real = row.verdict in ("better", "worse", "higher", "lower") and not is_flagged(row)
        is_beyond = is_real and bool(row.p_beyond_adjusted <= 1 - row.confidence)
        return is_beyond and all(_lies("beyond", row, one) for one in (target.amounts, *own))
    opposite = "better" if claim.kind == "worse" else "worse"
    return row.verdict.removesuffix(_SMALL) == opposite and all(_lies(opposite, row, one) for one in own)


def margin_ends(row: Any) -> tuple[float, float]:
    """Return the ends of the margin in the unit of a row's change: as far up as down on the log scale of a ratio.

    Parameters
    ----------
    row : row of ``comparisons`` or ``overall``
    """
    upper = 100 * (1 / (1 - row.margin / 100) - 1) if row.scale == "ratio" else row.margin
    return -row.margin, upper


def is_flagged(row: Any) -> bool:
    """Return whether a verdict hangs on a run far from its peers."""
    return "flagged_run" in reason_words(row.reason)


def _lies(side: str, row: Any, amounts: Amounts) -> bool:
    """Return whether an interval lies on a side of zero, or inside or beyond the margin."""
    is_up = direction_of(row.metric) > 0
    least, most = margin_ends(row)
    low, high = amounts.equivalence_ci_low, amounts.equivalence_ci_high
    if side in ("better", "worse"):
        return amounts.ci_low > 0 if is_up == (side == "better") else amounts.ci_high < 0
    if side == "no_loss":
        return low > least if is_up else high < most
    return (low > most or high < least) if side == "beyond" else (low > least and high < most)


def _by_amount(claim: Claim, amounts: Amounts) -> str:
    """Return what the one-sided ends say of the amount of a claim."""
    ends = amounts.equivalence_ci_low, amounts.equivalence_ci_high
    return outcome_of_interval(*ends, claim, is_up=claim.kind == "at_least")


def outcome_of_interval(low: float, high: float, claim: Claim, *, is_up: bool) -> str:
    """Return what an interval says of the amount of a claim, or of zero; nothing without its ends.

    Parameters
    ----------
    low, high : ends, in the unit that the claim speaks in
    claim : entry of ``plan.claims``
    is_up : whether the claim asks for more than its amount
    """
    amount = claim.amount or 0.0
    if is_missing(low) or is_missing(high):
        return NOT_SHOWN
    holds, fails = (low >= amount, high < amount) if is_up else (high <= amount, low > amount)
    return SUPPORTED if holds else CONTRADICTED if fails else NOT_SHOWN


def asks_for_more(claim: Claim, direction: int) -> bool:
    """Return whether a claim asks for a higher value, of the change with its sign.

    Parameters
    ----------
    claim : a word or an amount
    direction : 1 where more is better, -1 where less is
    """
    if claim.kind in ("better", "worse"):
        return (claim.kind == "better") == (direction > 0)
    return claim.kind == "at_least"


def outcome_of_all(outcomes: Iterable[str], *, is_whole: bool) -> str:
    """Return the outcome of a claim from those of all results, whole where none is lacking."""
    found = set(outcomes)
    if CONTRADICTED in found:
        return CONTRADICTED
    return SUPPORTED if found == {SUPPORTED} and is_whole else NOT_SHOWN


def combined(every: Sequence[ClaimP], *, limits: Sequence[float] = (), is_whole: bool = True) -> ClaimP:
    """Return the p-values of a claim that must hold in each of several results, and its opposite in one.

    Parameters
    ----------
    every : p-values of each result; none: no p
    limits : p-values of what must hold besides
    is_whole : whether no result is lacking, without which nothing supports the claim

    Notes
    -----
    The largest p (Berger 1982); where one of some is not known, it is not known. Of the opposite k times the
    smallest of k that are known.
    """
    if not every:
        return NO_P
    against = [one.opposes for one in every if np.isfinite(one.opposes)]
    supported = float(np.max([*(one.supports for one in every), *limits])) if is_whole else np.nan
    return ClaimP(supported, min(1.0, min(against) * len(against)) if against else np.nan)


def p_of_distance(claim: Claim, distance: float, found: Uncertainty, *, direction: int = 1) -> ClaimP:
    """Return the p-values of a claim from how far the change lies above what it states.

    Parameters
    ----------
    claim : a word, better or worse, or an amount
    distance : on the scale of the tests
    found : how well the change is known
    direction : 1 where more is better, -1 where less is
    """
    if claim.kind in ("better", "worse"):
        p = float(two_sided_p(distance, found).item())
        return ClaimP(p, 1.0) if (direction * distance > 0) == (claim.kind == "better") else ClaimP(1.0, p)
    above, below = (float(one_sided_p(one, found).item()) for one in (distance, -distance))
    return ClaimP(above, below) if claim.kind == "at_least" else ClaimP(below, above)


def p_by_interval(
    claim: Claim, ends: Sequence[float], found: Uncertainty, *, level: float, bound: float, direction: int = 1
) -> ClaimP:
    """Return the p-values of a claim in the unit of an interval: at which its end would meet what is claimed.

    Parameters
    ----------
    claim : entry of ``plan.claims``
    ends : value, lower and upper end
    found : how well the change behind it is known, on the scale of the tests
    level : of the interval, two-sided
    bound : what is claimed, in the unit of the interval
    direction : 1 where more is better, -1 where less is

    Notes
    -----
    The interval is inverted: its half-width over that on the scale of the tests turns one unit into the other.
    """
    value, low, high = ends
    share = (high - low) / 2 / half_width(level, found).item()
    distance = (value - bound) / share if share > 0 else np.nan
    return p_of_distance(claim, distance, found, direction=direction) if np.isfinite(distance) else NO_P


def p_of_result(claim: Claim, target: Target, plan: ReviewPlan) -> ClaimP:
    """Return the p-values of one result; what hangs on a flagged run shows a word only if its verdict does.

    Parameters
    ----------
    claim, target : the claim, and one result that it must agree with
    plan : ReviewPlan, gives the margin

    Notes
    -----
    A single game counts by the larger of the p by borrowed and by its own noise.
    """
    row = target.row
    if row.verdict == NO_VERDICT or (is_flagged(row) and not supports(claim, target)):
        return NO_P
    table = pd.DataFrame([{name: getattr(row, name) for name in _COLUMNS if hasattr(row, name)}])
    known = [(uncertainty_of(table), target.amounts)]
    known += [(uncertainty_of(table, own=True), target.own)] if target.own is not None else []
    change = float(scaled(table, "change")[0])
    found = [_p_of_change(claim, row, change, one, plan=plan) for one in known]
    # A p that is not known beside one that is: the game has no noise of its own.
    return ClaimP(*(float(np.max([getattr(one, name) for one in found])) for name in ("supports", "opposes")))


def _p_of_change(
    claim: Claim, row: Any, change: float, known: tuple[Uncertainty, Amounts], *, plan: ReviewPlan
) -> ClaimP:
    """Return the p-values of one change on the scale of the tests."""
    found, amounts = known
    direction, margin = direction_of(claim.metric), scaled_margin(plan, claim.metric)
    if claim.is_in_unit and row.scale == "ratio":
        ends = (amounts.change, amounts.ci_low, amounts.ci_high)
        return p_by_interval(claim, ends, found, level=1 - row.confidence, bound=claim.amount or 0.0)
    if claim.amount is not None:
        bound = float(np.log1p(claim.amount / 100)) if row.scale == "ratio" else claim.amount
        return p_of_distance(claim, change - bound, found)
    if claim.kind in ("better", "worse"):
        return p_of_distance(claim, change, found, direction=direction)
    if claim.kind == "same":
        p = max(float(one_sided_p(margin + way * change, found).item()) for way in (1, -1))
        return ClaimP(p, 1 - p)
    lost = float(two_sided_p(change, found).item()) if direction * change < 0 else 1.0
    return ClaimP(float(one_sided_p(direction * change + margin, found).item()), lost)
