"""Sentences of the script held against the data: supported, contradicted, or not shown."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.claims.classify import Verdict, classify_claim, page_level, stands_in_every_game, what_settles
from gpubench_kit.claims.money import hold_money, money_estimates
from gpubench_kit.claims.readings import hold_reading
from gpubench_kit.claims.rules import CONTRADICTED, NO_P, NOT_SHOWN, SUPPORTED, ClaimP, Held
from gpubench_kit.claims.sentences import evidence, over_words, size_words, subject_words, suggestion
from gpubench_kit.claims.signs import sign_note
from gpubench_kit.claims.targets import both_ways
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.fields import ESTIMATES
from gpubench_kit.model.table_checks import check_results
from gpubench_kit.model.tables import CLAIMS
from gpubench_kit.sheet.looks import Looks
from gpubench_kit.statistics.looks import level_of_look
from gpubench_kit.statistics.multiplicity import adjust_in_families
from gpubench_kit.statistics.units import direction_of
from gpubench_kit.wording.catalogue import say


def check_claims(
    comparisons: pd.DataFrame,
    overall: pd.DataFrame,
    plan: ReviewPlan,
    *,
    sweep: Any = None,
    looks: Looks | None = None,
) -> pd.DataFrame:
    """Hold every claim of the plan against the results.

    Parameters
    ----------
    comparisons : DataFrame, one row per (pair, game, setting, metric); see ``tables.COMPARISONS``
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    plan : ReviewPlan, gives ``claims``, margins and what limits each game
    sweep : SweepInReview, for claims that are read off it; see `gpubench_kit.sweep.find`
    looks : looks at the review, tell which claims were written before the first with verdicts; None: all were

    Returns
    -------
    DataFrame, one row per claim in the plan's order; see ``tables.CLAIMS``

    Raises
    ------
    TableError : a table of results lacks a column, breaks its declaration otherwise, or names what the plan does
        not have

    Notes
    -----
    Each claim has a p-value against its own boundary. Holm (1979) over all claims of the script that have one, at
    the level of the look, gives ``supported``; the same over the p-values of their opposites ``contradicted``. A
    claim that names no group or bench must hold in each. A claim of no loss must also hold over the games that
    the card limits. What is read off a sweep counts by the p at which its range meets what is claimed; the time
    that makes up a price has no p-value: its own interval decides. A claim written after the results is judged by
    the page's interval of what it speaks of; about every game by the page's level for that, about one game it must
    stand among all games and pairs of its metric (Bonferroni). What one game alone carries, is
    not shown. ``more_runs`` is empty where no number of rounds can be promised to settle it.

    References
    ----------
    Holm, S. (1979). A simple sequentially rejective multiple test procedure. Scandinavian Journal of
    Statistics 6, 65-70.
    """
    check_results(comparisons, overall, plan)
    results, level = both_ways(comparisons, overall, plan=plan), page_level(overall, plan)
    foreseen = None if looks is None else looks.foreseen
    later = level_of_look(plan, 2 if looks is None else looks.made + 1)
    estimates, swept = money_estimates(comparisons, overall, plan), sweep.found if sweep else None
    early = [foreseen is None or plan.claim_key(claim) in foreseen for claim in plan.claims]
    held: list[Held | Verdict] = [
        hold_reading(claim, swept, plan) if claim.reading
        else hold_money(claim, estimates, overall, plan=plan) if claim.metric in ESTIMATES
        else classify_claim(claim, results, plan=plan)
        for claim in plan.claims
    ]  # fmt: skip
    supported, opposed = adjusted([one.p if is_early else NO_P for one, is_early in zip(held, early, strict=True)])
    rows = []
    for place, (claim, one) in enumerate(zip(plan.claims, held, strict=True)):
        script = _by_script(supported[place], opposed[place], level)
        if isinstance(one, Verdict):
            outcome = script if early[place] else _late(one, comparisons, plan=plan, level=level)
            row = _row(one, outcome, plan=plan, later=later)
        else:
            has_p = early[place] and not math.isnan(one.p.supports)
            row = {"by": one.by, "verdict": script if has_p else one.outcome, "evidence": one.evidence,
                   "suggested_text": one.instead}  # fmt: skip
        if early[place] and row["verdict"] == NOT_SHOWN != one.outcome and not row.get("reason"):
            together = say(f"claims.together.{one.outcome}", n=len(plan.claims))
            row["evidence"] = f"{row['evidence']} {together}"
        note = "" if row["verdict"] == SUPPORTED else sign_note(claim)
        row |= {"written": "before" if early[place] else "after", "evidence": f"{row['evidence']} {note}".rstrip()}
        rows.append(_start(claim) | row | {"p": one.p.supports, "p_adjusted": supported[place]})
    return CLAIMS.frame(rows)


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


def _by_script(supported: float, opposed: float, level: float) -> str:
    """Return the outcome of a claim from its adjusted p-values; nan is *not shown*."""
    return CONTRADICTED if opposed <= level else SUPPORTED if supported <= level else NOT_SHOWN


def _late(verdict: Verdict, comparisons: pd.DataFrame, *, plan: ReviewPlan, level: float) -> str:
    """Return the outcome of a claim that was written after the results."""
    claim = verdict.claim
    if claim.over == "games_like_these" or not direction_of(claim.metric):
        return NOT_SHOWN
    if claim.over == "these_games" or not verdict.classified or verdict.outcome == CONTRADICTED:
        return verdict.outcome
    if claim.over == "every_game":
        return SUPPORTED if stands_in_every_game(verdict, plan, level=level) else NOT_SHOWN
    row = verdict.classified[0].target.row
    count = int(((comparisons["metric"] == claim.metric) & (comparisons["group"] == row.group)).sum())
    return _by_script(verdict.p.supports * count, verdict.p.opposes * count, level)


def _start(claim) -> dict:
    """Return what a claim says, as columns."""
    return {
        "id": claim.id,
        "text": claim.text,
        "metric": claim.metric,
        "of": subject_words(claim.of),
        "against": subject_words(claim.against),
        "over": over_words(claim),
        "says": claim.word,
    }


def _row(verdict: Verdict, outcome: str, *, plan: ReviewPlan, later: float) -> dict:
    """Return the row of one claim about a metric: not shown where one game alone carries what it rests on."""
    is_carried = outcome == SUPPORTED and bool(verdict.carried_by)
    verdict = replace(verdict, outcome=NOT_SHOWN if is_carried else outcome)
    is_open, text, reason = verdict.outcome == NOT_SHOWN, evidence(verdict), ""
    more, to_settle = what_settles(verdict, plan, later=later) if is_open else (None, "")
    if is_carried:
        text, reason = f"{text} {say('claims.carried', game=verdict.carried_by)}", "carried_by_one_game"
    elif is_open and math.isnan(verdict.p.supports):
        reason = "no_verdict"
    return {
        "by": size_words(verdict.claim),
        "verdict": verdict.outcome,
        "reason": reason,
        "evidence": text,
        "suggested_text": suggestion(verdict, plan=plan),
        "more_runs": more,
        "to_settle": to_settle,
    }
