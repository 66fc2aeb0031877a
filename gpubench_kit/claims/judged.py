"""One claim held against everything that it must agree with."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gpubench_kit.claims.limited import Limited, over_limited_games
from gpubench_kit.claims.rules import contradicts, supports
from gpubench_kit.claims.targets import Found, Results, Target, find_targets
from gpubench_kit.number_text import is_missing
from gpubench_kit.plan.uses import Claim
from gpubench_kit.statistics.planning import cautious_sigma, runs_to_decide
from gpubench_kit.statistics.reasons import reason_words
from gpubench_kit.statistics.result_rows import scaled_margin
from gpubench_kit.statistics.verdict import UNDECIDED

SUPPORTED, CONTRADICTED, NOT_SHOWN = "supported", "contradicted", "not_shown"

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
    judged : every result that it must agree with
    lacking : why results are missing, one sentence each
    more_runs : further rounds that would settle what is not shown; None where that cannot be said beforehand
    """

    claim: Claim
    outcome: str
    judged: tuple[Judged, ...]
    lacking: tuple[str, ...]
    more_runs: int | None


def judge_claim(claim: Claim, results: Results, *, plan) -> Verdict:
    """Hold a claim against all results that it speaks of.

    Parameters
    ----------
    claim : entry of ``plan.claims``
    results : see `gpubench_kit.claims.targets.both_ways`
    plan : ReviewPlan

    Returns
    -------
    Verdict : contradicted by any result that shows the opposite; supported only where every result shows
        the claim and none is lacking (a group with fewer than three games is only named: it never speaks of
        other games)
    """
    found = find_targets(claim, results, plan=plan)
    judged = tuple(_judged(claim, target, plan=plan) for target in found.targets)
    outcome = _combined(claim, judged, found)
    return Verdict(
        claim, outcome, judged, found.lacking, _more_runs(judged, plan) if outcome == NOT_SHOWN else None
    )


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


def _judged(claim: Claim, target: Target, *, plan) -> Judged:
    """Return one result with what it says about a claim."""
    limited = over_limited_games(claim, target, plan=plan)
    return Judged(target, outcome_of(claim, target, limited=limited), limited)


def _combined(claim: Claim, judged: tuple[Judged, ...], found: Found) -> str:
    """Return the outcome of a claim from those of all results."""
    outcomes = {one.outcome for one in judged}
    if CONTRADICTED in outcomes:
        return CONTRADICTED
    is_whole = not found.lacking or claim.over == "games_like_these"
    return SUPPORTED if outcomes == {SUPPORTED} and is_whole else NOT_SHOWN


def _more_runs(judged: tuple[Judged, ...], plan) -> int | None:
    """Return the further rounds after which every open result would be settled; None where one never would."""
    needed = [_more_runs_of(one.target, plan) for one in judged if one.outcome == NOT_SHOWN]
    return None if not needed or any(is_missing(one) for one in needed) else int(max(needed))


def _more_runs_of(target: Target, plan) -> int | None:
    """Return the further rounds that would settle one result, if it is undecided."""
    row = target.row
    if row.verdict != UNDECIDED:
        return None
    if target.own is not None:
        return row.more_runs
    if row.scope != "these_games" or _RESTARTS & set(reason_words(row.reason)) or not target.games:
        return None
    n = min(game.n_blocks for game in target.games)
    sigma = cautious_sigma(row.se * np.sqrt(n / 2), df=row.df)
    options = {"level": 1 - row.confidence, "in_blocks": row.layout == "restarts"}
    runs = runs_to_decide(float(sigma), scaled_margin(plan, row.metric), **options)
    return None if runs is None else int(max(1, runs - n))
