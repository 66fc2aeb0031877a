"""One claim held against everything that it must agree with."""

from __future__ import annotations

from dataclasses import dataclass

from gpubench_kit.claims.limited import Limited, over_limited_games
from gpubench_kit.claims.rules import contradicts, supports
from gpubench_kit.claims.targets import Found, Results, Target, find_targets
from gpubench_kit.model.plan.sections import Claim
from gpubench_kit.statistics.more_rounds import rounds_for_overall
from gpubench_kit.statistics.multiplicity import UNDECIDED
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
    judged : every result that it must agree with
    lacking : why results are missing, one sentence each
    more_runs : further rounds, or installations of each card, that would settle what is not shown; None where
        that cannot be said beforehand
    to_settle : the same as a sentence; also where more cannot be said than that the cards need installing in turns
    """

    claim: Claim
    outcome: str
    judged: tuple[Judged, ...]
    lacking: tuple[str, ...]
    more_runs: int | None
    to_settle: str


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
    settling = _settling(judged, plan) if outcome == NOT_SHOWN else (None, "")
    return Verdict(claim, outcome, judged, found.lacking, *settling)


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


def _settling(judged: tuple[Judged, ...], plan) -> tuple[int | None, str]:
    """Return how many rounds, or what takes their place, would settle every open result, and the sentence."""
    targets = [one.target for one in judged if one.outcome == NOT_SHOWN]
    needed = [(_more_runs_of(target, plan), target.row) for target in targets]
    if needed and not any(is_missing(count) for count, _ in needed):
        count, row = max(needed, key=lambda one: one[0])
        return int(count), f"{units_text(count, row, plan)} would settle it."
    is_once = bool(targets) and all(is_cards_once(target.row) for target in targets)
    return None, _INSTALL_AGAIN if is_once else ""


def _more_runs_of(target: Target, plan) -> int | None:
    """Return the further rounds, or blocks, that would settle one result, if it is undecided."""
    row = target.row
    if row.verdict != UNDECIDED:
        return None
    if target.own is not None:
        return row.more_runs
    if row.scope != "these_games" or _RESTARTS & set(reason_words(row.reason)) or not target.games:
        return None
    n = int(min(game.n_blocks for game in target.games))
    margin, level = scaled_margin(plan, row.metric), 1 - row.confidence
    rounds = rounds_for_overall(row.se, df=row.df, n=n, margin=margin, level=level)
    return None if rounds is None else rounds - n
