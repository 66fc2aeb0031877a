"""How surely the data speak for a claim, and how surely against it: p-values against its own boundary.

Each claim of a script is tested against what it states. All claims are then adjusted together (Holm 1979), so that
the chance that any sentence of the script is called supported by mistake stays at the level of the look.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.claims.rules import is_flagged, supports
from gpubench_kit.claims.targets import Amounts, Target
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan.sections import Claim
from gpubench_kit.statistics.contrasts import over_part, scaled
from gpubench_kit.statistics.equivalence import Uncertainty, half_width, one_sided_p, two_sided_p, uncertainty_of
from gpubench_kit.statistics.multiplicity import NO_VERDICT, adjust_in_families
from gpubench_kit.statistics.units import direction_of, scaled_margin
from gpubench_kit.wording.numbers import bound_text, change_text, count_text

_CARD = "card"


@dataclass(frozen=True)
class Limited:
    """Whether a claim of no loss stands over the games that the card limits, its p-value, and the sentence."""

    holds: bool
    text: str
    p: float = float("nan")


def over_limited_games(claim: Claim, target: Target, *, plan) -> Limited | None:
    """Return whether no loss also holds over the games limited by the card.

    Parameters
    ----------
    claim : the claim
    target : result over games
    plan : ReviewPlan, says what limits each game

    Returns
    -------
    Limited; None where the question does not arise: another claim, a single game, a metric that is no
    rate or time of frames, or all games are limited by the card
    """
    if claim.kind != "no_loss" or target.own is not None or METRICS[claim.metric].needs != "frames":
        return None
    names = [game.name for game in plan.games if game.limited_by == _CARD]
    inside = [game for game in target.games if game.game in names]
    if len(inside) == len(target.games):
        return None
    part = over_part(pd.DataFrame(inside), scope=target.row.scope, layout=target.row.layout)
    margin, direction = scaled_margin(plan, claim.metric), direction_of(claim.metric)
    p = part.p_loss(margin, direction=direction)
    games = count_text(part.n_games, "game")
    if not part.n_games:
        return Limited(False, "None of these games is GPU-limited, so a loss could not show.")
    if math.isnan(p):
        return Limited(False, f"Whether it also holds over the {games} that are GPU-limited is not known.")
    level = 1 - target.row.confidence
    change = change_text(_readable(part.change, target), target.amounts.unit)
    worst = direction * part.lower(level, direction=direction)
    return Limited(p <= level, f"Over the {games} that are GPU-limited: {change}, {_loss_text(worst, target)}.", p)


def _loss_text(worst: float, target: Target) -> str:
    """Return how large a loss may be, from the end of the interval that tells of one."""
    if worst * direction_of(target.row.metric) >= 0:
        return "no loss"
    return f"any loss smaller than {bound_text(abs(_readable(worst, target)), target.amounts.unit, up=True)}"


def _readable(change: float, target: Target) -> float:
    """Return a change of the tests' scale in the unit of the row."""
    return 100 * math.expm1(change) if target.row.scale == "ratio" else change


_NONE = float("nan")
#: What a change and its uncertainty are made of; a table of all columns would take longer than all the rest.
_COLUMNS = ("scale", "change", "se", "df", "own_se", "own_df", "restart_se", "restart_df", "rounding_se")


@dataclass(frozen=True)
class ClaimP:
    """P-values of a claim: that it does not hold, and that its opposite does not; nan where there is none."""

    supports: float
    opposes: float


NO_P = ClaimP(_NONE, _NONE)


def p_of_claim(claim: Claim, judged: Sequence[tuple[Target, Limited | None]], *, plan) -> ClaimP:
    """Return the p-values of a claim about measured results.

    Parameters
    ----------
    claim : entry of ``plan.claims``
    judged : every result that the claim must agree with; for no loss, also over the games limited by the card
    plan : ReviewPlan, gives the margin

    Returns
    -------
    ClaimP

    Notes
    -----
    The claim must hold in each result: the largest p (Berger 1982). Its opposite need hold in one of k only: k
    times the smallest p. A single game counts by the larger of the p by borrowed and by its own noise.
    """
    every = [_p_of_result(claim, target, plan=plan) for target, _ in judged]
    if not every:
        return NO_P
    limits = [one.p for _, one in judged if one is not None]
    supported, opposed = (np.array([getattr(one, name) for one in every]) for name in ("supports", "opposes"))
    known = opposed[np.isfinite(opposed)]
    against = min(1.0, float(known.min()) * len(known)) if len(known) else _NONE
    # The largest of some that are not known is not known.
    return ClaimP(float(np.max([*supported, *limits])), against)


def p_of_amount(claim: Claim, amounts: Amounts, found: Uncertainty, *, level: float) -> ClaimP:
    """Return the p-values of an amount in the unit of its result.

    Parameters
    ----------
    claim : entry of ``plan.claims`` with an amount
    amounts : change and two-sided interval in that unit
    found : how well the change is known, on the scale of the tests
    level : of the interval

    Notes
    -----
    The interval is inverted: its half-width over that on the scale of the tests turns one unit into the other.
    """
    share = (amounts.ci_high - amounts.ci_low) / 2 / _number(half_width(level, found))
    distance = (amounts.change - claim.amount) / share if share > 0 else _NONE
    return _one_sided(claim, distance, found)


def adjusted(p: Sequence[ClaimP]) -> tuple[np.ndarray, np.ndarray]:
    """Return the p-values of all claims of a script, adjusted by Holm (1979): for them, and for their opposites.

    Parameters
    ----------
    p : of every claim; those without do not count

    References
    ----------
    Holm, S. (1979). A simple sequentially rejective multiple test procedure. Scandinavian Journal of
    Statistics 6, 65-70.
    """
    family = np.zeros(len(p), dtype=int)
    columns = (np.array([getattr(one, name) for one in p], dtype=float) for name in ("supports", "opposes"))
    supported, opposed = (adjust_in_families(column, family, method="holm") for column in columns)
    return supported, opposed


def _p_of_result(claim: Claim, target: Target, *, plan) -> ClaimP:
    """Return the p-values of one result; what hangs on a flagged run shows a word only if its verdict does."""
    row = target.row
    if row.verdict == NO_VERDICT or (is_flagged(row) and not supports(claim, target)):
        return NO_P
    table = pd.DataFrame([{name: getattr(row, name) for name in _COLUMNS if hasattr(row, name)}])
    change, every = float(scaled(table, "change")[0]), [(uncertainty_of(table), target.amounts)]
    if target.own is not None:
        every.append((uncertainty_of(table, own=True), target.own))
    found = [_p_of_change(claim, row, change, one, plan=plan) for one in every]
    # A p that is not known beside one that is: the game has no noise of its own.
    return ClaimP(*(float(np.max([getattr(one, name) for one in found])) for name in ("supports", "opposes")))


def _p_of_change(claim: Claim, row: Any, change: float, known: tuple[Uncertainty, Amounts], *, plan) -> ClaimP:
    """Return the p-values of one change on the scale of the tests."""
    found, amounts = known
    if claim.is_in_unit and row.scale == "ratio":
        return p_of_amount(claim, amounts, found, level=1 - row.confidence)
    if claim.size is not None:
        bound = float(np.log1p(claim.amount / 100)) if row.scale == "ratio" else claim.amount
        return _one_sided(claim, change - bound, found)
    direction, margin = direction_of(claim.metric), scaled_margin(plan, claim.metric)
    gain = direction * change
    if claim.kind in ("better", "worse"):
        p = _number(two_sided_p(change, found))
        ways = (p, 1.0) if (gain > 0) == (claim.kind == "better") else (1.0, p)
        return ClaimP(*ways)
    if claim.kind == "same":
        p = max(_number(one_sided_p(margin - change, found)), _number(one_sided_p(margin + change, found)))
        return ClaimP(p, 1 - p)
    lost = _number(two_sided_p(change, found)) if gain < 0 else 1.0
    return ClaimP(_number(one_sided_p(gain + margin, found)), lost)


def _one_sided(claim: Claim, distance: float, found: Uncertainty) -> ClaimP:
    """Return the p-values of an amount that the change exceeds by a distance."""
    above, below = (_number(one_sided_p(one, found)) for one in (distance, -distance))
    return ClaimP(above, below) if claim.kind == "at_least" else ClaimP(below, above)


def _number(value) -> float:
    """Return the only number of an array."""
    return float(np.asarray(value, dtype=float).reshape(-1)[0])
