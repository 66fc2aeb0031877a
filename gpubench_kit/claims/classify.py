"""One claim held against every result that it must agree with."""

from __future__ import annotations

import math
from dataclasses import astuple, dataclass

import numpy as np
import pandas as pd

from gpubench_kit.claims.rules import (
    CONTRADICTED,
    NOT_SHOWN,
    SUPPORTED,
    ClaimP,
    combined,
    contradicts,
    outcome_of_all,
    p_of_result,
    supports,
)
from gpubench_kit.claims.targets import Results, Target, find_targets
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.sections import Claim
from gpubench_kit.statistics.contrasts import over_part
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.statistics.more_rounds import rounds_for_overall
from gpubench_kit.statistics.overall import member_levels
from gpubench_kit.statistics.testing import UNDECIDED
from gpubench_kit.statistics.variance import direction_of, scaled_margin
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import bound_text, change_text, count_text, is_missing
from gpubench_kit.wording.terms import is_cards_once, reason_words, units_text

_CARD = "card"
_RESTARTS = {"assumed_restart_spread", "measured_restart_spread"}


@dataclass(frozen=True)
class Limited:
    """Whether a claim of no loss stands over the games that the card limits, its p-value, and the sentence."""

    holds: bool
    text: str
    p: float = float("nan")


def over_limited_games(claim: Claim, target: Target, *, plan: ReviewPlan) -> Limited | None:
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
    row, unit = target.row, target.amounts.unit
    part = over_part(pd.DataFrame(inside), scope=row.scope, layout=row.layout)
    margin, direction = scaled_margin(plan, claim.metric), direction_of(claim.metric)
    p = part.p_loss(margin, direction=direction)
    if not part.n_games:
        return Limited(False, say("claims.limited.none"))
    if math.isnan(p):
        return Limited(False, say("claims.limited.unknown", games=count_text(part.n_games, "game")))
    level = 1 - row.confidence
    # From the scale of the tests to the unit of the row; the end of the interval tells how large a loss may be.
    change, worst = (
        100 * math.expm1(one) if row.scale == "ratio" else one
        for one in (part.change, direction * part.lower(level, direction=direction))
    )
    loss = say("claims.limited.no_loss")
    if worst * direction < 0:
        loss = say("claims.limited.loss", bound=bound_text(abs(worst), unit, up=True))
    games, told = count_text(part.n_games, "game"), change_text(change, unit)
    return Limited(p <= level, say("claims.limited.text", games=games, change=told, loss=loss), p)


@dataclass(frozen=True)
class ClassifiedResult:
    """One result under a claim: what it says about the claim, and about the games that the card limits."""

    target: Target
    outcome: str
    limited: Limited | None


@dataclass(frozen=True)
class Verdict:
    """A claim with its outcome.

    Attributes
    ----------
    claim : as written in the plan
    outcome : ``supported``, ``contradicted`` or ``not_shown``
    p : p-values of the claim and of its opposite, before they are adjusted for the script
    classified : every result that it must agree with
    lacking : why results are missing, one sentence each
    """

    claim: Claim
    outcome: str
    p: ClaimP
    classified: tuple[ClassifiedResult, ...]
    lacking: tuple[str, ...]

    @property
    def carried_by(self) -> str:
        """The game that alone carries a result that the claim rests on; empty for none."""
        names = (getattr(one.target.row, "carried_by", "") for one in self.classified)
        return next((name for name in names if isinstance(name, str) and name), "")


def classify_claim(claim: Claim, results: Results, *, plan: ReviewPlan) -> Verdict:
    """Hold a claim against all results that it speaks of.

    Parameters
    ----------
    claim : entry of ``plan.claims``
    results : see `gpubench_kit.claims.targets.both_ways`
    plan : ReviewPlan

    Returns
    -------
    Verdict as the page's own intervals give it: contradicted by any result that shows the opposite; supported only
    where every result shows the claim and none is lacking (a group with fewer than three games is only named: it
    never speaks of other games). Its p is the largest of all results (Berger 1982), also over the games limited by
    the card for no loss.
    """
    found = find_targets(claim, results, plan=plan)
    classified = []
    for target in found.targets:
        limited = over_limited_games(claim, target, plan=plan)
        classified.append(ClassifiedResult(target, outcome_of(claim, target, limited=limited), limited))
    is_whole = not found.lacking or claim.over == "games_like_these"
    limits = [one.limited.p for one in classified if one.limited is not None]
    every = [p_of_result(claim, one.target, plan) for one in classified]
    p = combined(every, limits=limits, is_whole=is_whole)
    outcome = outcome_of_all((one.outcome for one in classified), is_whole=is_whole)
    return Verdict(claim, outcome, p, tuple(classified), found.lacking)


def outcome_of(claim: Claim, target: Target, *, limited: Limited | None = None) -> str:
    """Return what one result says about a claim.

    Parameters
    ----------
    claim, target : the claim and the result
    limited : whether it also holds over the games limited by the card, see `over_limited_games`
    """
    if contradicts(claim, target):
        return CONTRADICTED
    return SUPPORTED if supports(claim, target) and (limited is None or limited.holds) else NOT_SHOWN


def page_level(overall: pd.DataFrame, plan: ReviewPlan) -> float:
    """Return the level of the look that results were made at.

    Parameters
    ----------
    overall : see ``tables.OVERALL``
    plan : ReviewPlan
    """
    known = overall["level"].dropna()
    return float(known.iloc[0]) if len(known) else level_of_looks(plan)[0]


def stands_in_every_game(verdict: Verdict, plan: ReviewPlan, *, level: float) -> bool:
    """Return whether a claim about every game stands beside all other statements of the page.

    Parameters
    ----------
    verdict : of a claim over ``every_game``
    plan : ReviewPlan
    level : of the page

    Notes
    -----
    The largest p over the games, by borrowed and by own noise, at the level that the page keeps for the primary
    metric in every game of the pair. Other metrics have none.
    """
    claim = verdict.claim
    if claim.metric != plan.analysis.primary or verdict.outcome != SUPPORTED:
        return False
    members = member_levels(plan, level)
    asked, pairs = (
        [frozenset((astuple(pair.of), astuple(pair.against))) for pair in some]
        for some in (plan.pairs_of(claim), plan.pairs())
    )
    own = [members.every_game(place) for place, pair in enumerate(pairs) if pair in asked]
    return bool(own) and verdict.p.supports <= min(own)


def what_settles(verdict: Verdict, plan: ReviewPlan, *, later: float) -> tuple[int | None, str]:
    """Return how many rounds, or what takes their place, would settle every open result, and the sentence.

    Parameters
    ----------
    verdict : of a claim that is not shown
    plan : ReviewPlan
    later : level of the next look; nan where none is left

    Returns
    -------
    tuple of rounds, or installations of each card (None where that cannot be said beforehand), and the sentence;
    also where more cannot be said than that the cards need installing in turns
    """
    targets = [one.target for one in verdict.classified if one.outcome == NOT_SHOWN]
    needed = [(_more_runs_of(target, plan, later=later), target.row) for target in targets]
    counted = [(int(count), row) for count, row in needed if count is not None and not is_missing(count)]
    if counted and len(counted) == len(needed):
        count, row = max(counted, key=lambda one: one[0])
        return count, say("claims.settle.units", units=units_text(count, row, plan))
    is_once = bool(targets) and all(is_cards_once(target.row) for target in targets)
    return None, say("claims.settle.installations") if is_once else ""


def _more_runs_of(target: Target, plan: ReviewPlan, *, later: float) -> int | None:
    """Return the further rounds, or blocks, that would settle one result, if it is undecided."""
    row = target.row
    if row.verdict != UNDECIDED:
        return None
    if target.own is not None:
        return row.more_runs
    if row.scope != "these_games" or _RESTARTS & set(reason_words(row.reason)) or not target.games:
        return None
    n = int(min(game.n_blocks for game in target.games))
    share = getattr(row, "share", np.nan)
    level = 1 - row.confidence if is_missing(share) else share * later
    rounds = rounds_for_overall(row.se, df=row.df, n=n, margin=scaled_margin(plan, row.metric), level=level)
    return None if rounds is None else rounds - n
