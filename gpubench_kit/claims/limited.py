"""No loss must also hold over the games that the card limits: the others would hide one."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from gpubench_kit.claims.targets import Target
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan.sections import Claim
from gpubench_kit.statistics.subset import over_part
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
