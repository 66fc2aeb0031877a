"""One claim held against everything that it must agree with."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import astuple, dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.claims.rules import CONTRADICTED, NOT_SHOWN, SUPPORTED, contradicts, is_flagged, supports
from gpubench_kit.claims.targets import Amounts, Found, Results, Target, find_targets
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.sections import Claim
from gpubench_kit.statistics.contrasts import over_part, scaled
from gpubench_kit.statistics.equivalence import Uncertainty, half_width, one_sided_p, two_sided_p, uncertainty_of
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.statistics.more_rounds import rounds_for_overall
from gpubench_kit.statistics.multiplicity import NO_VERDICT, UNDECIDED, adjust_in_families
from gpubench_kit.statistics.page import member_levels
from gpubench_kit.statistics.units import direction_of, scaled_margin
from gpubench_kit.wording.numbers import bound_text, change_text, count_text, is_missing
from gpubench_kit.wording.reasons import is_cards_once, reason_words, units_text

_CARD = "card"


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


def p_of_claim(claim: Claim, results: Sequence[tuple[Target, Limited | None]], *, plan: ReviewPlan) -> ClaimP:
    """Return the p-values of a claim about measured results.

    Parameters
    ----------
    claim : entry of ``plan.claims``
    results : every result that the claim must agree with; for no loss, also over the games limited by the card
    plan : ReviewPlan, gives the margin

    Returns
    -------
    ClaimP

    Notes
    -----
    The claim must hold in each result: the largest p (Berger 1982). Its opposite need hold in one of k only: k
    times the smallest p. A single game counts by the larger of the p by borrowed and by its own noise.
    """
    every = [_p_of_result(claim, target, plan=plan) for target, _ in results]
    return combined(every, limits=[one.p for _, one in results if one is not None])


def combined(every: Sequence[ClaimP], *, limits: Sequence[float] = ()) -> ClaimP:
    """Return the p-values of a claim that must hold in each of several results, and its opposite in one.

    Parameters
    ----------
    every : p-values of each result; none: no p
    limits : p-values of what must hold besides

    Notes
    -----
    The largest p (Berger 1982); where one of some is not known, it is not known. Of the opposite k times the
    smallest of k that are known.
    """
    if not every:
        return NO_P
    against = [one.opposes for one in every if math.isfinite(one.opposes)]
    supported = float(np.max([*(one.supports for one in every), *limits]))
    return ClaimP(supported, min(1.0, min(against) * len(against)) if against else _NONE)


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
    distance = (amounts.change - (claim.amount or 0.0)) / share if share > 0 else _NONE
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


def _p_of_result(claim: Claim, target: Target, *, plan: ReviewPlan) -> ClaimP:
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


def _p_of_change(
    claim: Claim, row: Any, change: float, known: tuple[Uncertainty, Amounts], *, plan: ReviewPlan
) -> ClaimP:
    """Return the p-values of one change on the scale of the tests."""
    found, amounts = known
    if claim.is_in_unit and row.scale == "ratio":
        return p_of_amount(claim, amounts, found, level=1 - row.confidence)
    if claim.amount is not None:
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


_INSTALL_AGAIN = "Only further installations of both cards in turns could settle it."
_RESTARTS = {"assumed_restart_spread", "measured_restart_spread"}


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
    more_runs : further rounds, or installations of each card, that would settle what is not shown; None where
        that cannot be said beforehand
    to_settle : the same as a sentence; also where more cannot be said than that the cards need installing in turns
    """

    claim: Claim
    outcome: str
    p: ClaimP
    classified: tuple[ClassifiedResult, ...]
    lacking: tuple[str, ...]
    more_runs: int | None = None
    to_settle: str = ""

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
    never speaks of other games). A script decides anew, see `with_outcome`.
    """
    found = find_targets(claim, results, plan=plan)
    limits = [(target, over_limited_games(claim, target, plan=plan)) for target in found.targets]
    classified = tuple(
        ClassifiedResult(target, outcome_of(claim, target, limited=limited), limited) for target, limited in limits
    )
    p = p_of_claim(claim, limits, plan=plan)
    if not _is_whole(claim, found):
        p = ClaimP(float("nan"), p.opposes)
    outcome = outcome_of_all((one.outcome for one in classified), is_whole=_is_whole(claim, found))
    return Verdict(claim, outcome, p, classified, found.lacking)


def with_outcome(verdict: Verdict, outcome: str, *, plan: ReviewPlan, later: float) -> Verdict:
    """Return a claim with the outcome that its script gives it, and what would settle it where it is not shown.

    Parameters
    ----------
    verdict : see `classify_claim`
    outcome : ``supported``, ``contradicted`` or ``not_shown``
    plan : ReviewPlan
    later : level of the next look; nan where none is left
    """
    more, to_settle = _settling(verdict.classified, plan, later=later) if outcome == NOT_SHOWN else (None, "")
    return replace(verdict, outcome=outcome, more_runs=more, to_settle=to_settle)


def outcome_of(claim: Claim, target: Target, *, limited: Limited | None = None) -> str:
    """Return what one result says about a claim.

    Parameters
    ----------
    claim, target : the claim and the result
    limited : whether it also holds over the games limited by the card, see `over_limited_games`
    """
    if contradicts(claim, target):
        return CONTRADICTED
    if supports(claim, target) and (limited is None or limited.holds):
        return SUPPORTED
    return NOT_SHOWN


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
    asked = {frozenset((astuple(pair.of), astuple(pair.against))) for pair in plan.pairs_of(claim)}
    members = member_levels(plan, level)
    own = [
        members.every_game(place)
        for place, pair in enumerate(plan.pairs())
        if frozenset((astuple(pair.of), astuple(pair.against))) in asked
    ]
    return bool(own) and verdict.p.supports <= min(own)


def outcome_of_all(outcomes: Iterable[str], *, is_whole: bool) -> str:
    """Return the outcome of a claim from those of all results, whole where none is lacking."""
    found = set(outcomes)
    if CONTRADICTED in found:
        return CONTRADICTED
    return SUPPORTED if found == {SUPPORTED} and is_whole else NOT_SHOWN


def _is_whole(claim: Claim, found: Found) -> bool:
    """Return whether no result that a claim speaks of is lacking."""
    return not found.lacking or claim.over == "games_like_these"


def _settling(
    classified: tuple[ClassifiedResult, ...], plan: ReviewPlan, *, later: float
) -> tuple[int | None, str]:
    """Return how many rounds, or what takes their place, would settle every open result, and the sentence."""
    targets = [one.target for one in classified if one.outcome == NOT_SHOWN]
    needed = [(_more_runs_of(target, plan, later=later), target.row) for target in targets]
    counted = [(count, row) for count, row in needed if not is_missing(count)]
    if counted and len(counted) == len(needed):
        count, row = max(counted, key=lambda one: one[0])
        return int(count), f"{units_text(count, row, plan)} would settle it."
    is_once = bool(targets) and all(is_cards_once(target.row) for target in targets)
    return None, _INSTALL_AGAIN if is_once else ""


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
    margin, share = scaled_margin(plan, row.metric), getattr(row, "share", float("nan"))
    level = 1 - row.confidence if is_missing(share) else share * later
    rounds = rounds_for_overall(row.se, df=row.df, n=n, margin=margin, level=level)
    return None if rounds is None else rounds - n
