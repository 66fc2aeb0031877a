"""One claim held against everything that it must agree with."""

from __future__ import annotations

from dataclasses import astuple, dataclass, replace

import pandas as pd

from gpubench_kit.claims.p_values import ClaimP, Limited, over_limited_games, p_of_claim
from gpubench_kit.claims.rules import contradicts, supports
from gpubench_kit.claims.targets import Found, Results, Target, find_targets
from gpubench_kit.model.plan.sections import Claim
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.statistics.more_rounds import rounds_for_overall
from gpubench_kit.statistics.multiplicity import UNDECIDED
from gpubench_kit.statistics.page import member_levels
from gpubench_kit.statistics.units import scaled_margin
from gpubench_kit.wording.numbers import is_missing
from gpubench_kit.wording.reasons import is_cards_once, reason_words, units_text

SUPPORTED, CONTRADICTED, NOT_SHOWN = "supported", "contradicted", "not_shown"

_INSTALL_AGAIN = "Only further installations of both cards in turns could settle it."
_RESTARTS = {"assumed_restart_spread", "measured_restart_spread"}


@dataclass(frozen=True)
class Judged:
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
    judged : every result that it must agree with
    lacking : why results are missing, one sentence each
    more_runs : further rounds, or installations of each card, that would settle what is not shown; None where
        that cannot be said beforehand
    to_settle : the same as a sentence; also where more cannot be said than that the cards need installing in turns
    """

    claim: Claim
    outcome: str
    p: ClaimP
    judged: tuple[Judged, ...]
    lacking: tuple[str, ...]
    more_runs: int | None = None
    to_settle: str = ""

    @property
    def carried_by(self) -> str:
        """The game that alone carries a result that the claim rests on; empty for none."""
        names = (getattr(one.target.row, "carried_by", "") for one in self.judged)
        return next((name for name in names if isinstance(name, str) and name), "")


def judge_claim(claim: Claim, results: Results, *, plan) -> Verdict:
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
    never speaks of other games). A script decides anew, see `decided`.
    """
    found = find_targets(claim, results, plan=plan)
    judged = tuple(_judged(claim, target, plan=plan) for target in found.targets)
    p = p_of_claim(claim, [(one.target, one.limited) for one in judged], plan=plan)
    if not _is_whole(claim, found):
        p = ClaimP(float("nan"), p.opposes)
    return Verdict(claim, _combined(claim, judged, found), p, judged, found.lacking)


def decided(verdict: Verdict, outcome: str, *, plan, later: float) -> Verdict:
    """Return a claim with the outcome that its script gives it, and what would settle it where it is not shown.

    Parameters
    ----------
    verdict : see `judge_claim`
    outcome : ``supported``, ``contradicted`` or ``not_shown``
    plan : ReviewPlan
    later : level of the next look; nan where none is left
    """
    more, to_settle = _settling(verdict.judged, plan, later=later) if outcome == NOT_SHOWN else (None, "")
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


def page_level(overall: pd.DataFrame, plan) -> float:
    """Return the level of the look that results were made at.

    Parameters
    ----------
    overall : see ``tables.OVERALL``
    plan : ReviewPlan
    """
    known = overall["level"].dropna()
    return float(known.iloc[0]) if len(known) else level_of_looks(plan)[0]


def stands_in_every_game(verdict: Verdict, plan, *, level: float) -> bool:
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


def _judged(claim: Claim, target: Target, *, plan) -> Judged:
    """Return one result with what it says about a claim."""
    limited = over_limited_games(claim, target, plan=plan)
    return Judged(target, outcome_of(claim, target, limited=limited), limited)


def _combined(claim: Claim, judged: tuple[Judged, ...], found: Found) -> str:
    """Return the outcome of a claim from those of all results."""
    outcomes = {one.outcome for one in judged}
    if CONTRADICTED in outcomes:
        return CONTRADICTED
    return SUPPORTED if outcomes == {SUPPORTED} and _is_whole(claim, found) else NOT_SHOWN


def _is_whole(claim: Claim, found: Found) -> bool:
    """Return whether no result that a claim speaks of is lacking."""
    return not found.lacking or claim.over == "games_like_these"


def _settling(judged: tuple[Judged, ...], plan, *, later: float) -> tuple[int | None, str]:
    """Return how many rounds, or what takes their place, would settle every open result, and the sentence."""
    targets = [one.target for one in judged if one.outcome == NOT_SHOWN]
    needed = [(_more_runs_of(target, plan, later=later), target.row) for target in targets]
    if needed and not any(is_missing(count) for count, _ in needed):
        count, row = max(needed, key=lambda one: one[0])
        return int(count), f"{units_text(count, row, plan)} would settle it."
    is_once = bool(targets) and all(is_cards_once(target.row) for target in targets)
    return None, _INSTALL_AGAIN if is_once else ""


def _more_runs_of(target: Target, plan, *, later: float) -> int | None:
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
