"""Sentences of the script held against the data: supported, contradicted, or not shown."""

from __future__ import annotations

from typing import Any

import pandas as pd

from gpubench_kit.claims.judged import SUPPORTED, judge_claim
from gpubench_kit.claims.money import judge_money, money_estimates
from gpubench_kit.claims.readings import judge_reading
from gpubench_kit.claims.signs import sign_note
from gpubench_kit.claims.targets import both_ways
from gpubench_kit.claims.text import evidence, over_words, size_words, subject_words, suggestion
from gpubench_kit.model.plan.fields import ESTIMATES
from gpubench_kit.model.tables import CLAIMS


def check_claims(comparisons: pd.DataFrame, overall: pd.DataFrame, plan, *, sweep: Any = None) -> pd.DataFrame:
    """Hold every claim of the plan against the results.

    Parameters
    ----------
    comparisons : DataFrame, one row per (pair, game, setting, metric); see ``tables.COMPARISONS``
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    plan : ReviewPlan, gives ``claims``, margins and what limits each game
    sweep : SweepInReview, for claims that are read off it; see `gpubench_kit.sweep.in_review`

    Returns
    -------
    DataFrame, one row per claim in the plan's order; see ``tables.CLAIMS``

    Notes
    -----
    See `gpubench_kit.claims.rules` for what supports and what contradicts each kind of claim. A claim that
    names no group or bench must hold in each. A claim of no loss must also hold over the games that the
    card limits. ``more_runs`` is empty where no number of rounds can be promised to settle it.
    """
    results = both_ways(comparisons, overall, plan=plan)
    estimates = money_estimates(comparisons, overall, plan)
    swept = sweep.found if sweep else None

    def row(claim) -> dict:
        """Return the row of one claim."""
        if claim.reading:
            return _start(claim) | judge_reading(claim, swept, plan)
        if claim.metric in ESTIMATES:
            return _start(claim) | judge_money(claim, estimates, plan)
        return _row(judge_claim(claim, results, plan=plan), plan)

    return CLAIMS.frame([_with_sign(row(claim), claim) for claim in plan.claims])


def _with_sign(row: dict, claim) -> dict:
    """Return the row of a claim; one that the data do not support tells of a sign that may have slipped."""
    note = "" if row["verdict"] == SUPPORTED else sign_note(claim)
    return row | {"evidence": f"{row['evidence']} {note}"} if note else row


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


def _row(verdict, plan) -> dict:
    """Return the row of one claim about a metric."""
    return _start(verdict.claim) | {
        "by": size_words(verdict.claim),
        "verdict": verdict.outcome,
        "evidence": evidence(verdict),
        "suggested_text": suggestion(verdict, plan=plan),
        "more_runs": verdict.more_runs,
        "to_settle": verdict.to_settle,
    }
