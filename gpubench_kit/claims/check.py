"""Sentences of the script held against the data: supported, contradicted, or not shown."""

from __future__ import annotations

import pandas as pd

from gpubench_kit.claims.judged import judge_claim
from gpubench_kit.claims.money import judge_money, money_estimates
from gpubench_kit.claims.targets import both_ways
from gpubench_kit.claims.text import by_words, evidence, over_words, subject_words, suggestion
from gpubench_kit.plan.fields import ESTIMATES
from gpubench_kit.tables import CLAIMS


def check_claims(comparisons: pd.DataFrame, overall: pd.DataFrame, plan) -> pd.DataFrame:
    """Hold every claim of the plan against the results.

    Parameters
    ----------
    comparisons : DataFrame, one row per (pair, game, setting, metric); see ``tables.COMPARISONS``
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    plan : ReviewPlan, gives ``claims``, margins and what limits each game

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
    return CLAIMS.frame([
        _start(claim) | judge_money(claim, estimates, plan) if claim.metric in ESTIMATES
        else _row(judge_claim(claim, results, plan=plan), plan)
        for claim in plan.claims
    ])  # fmt: skip


def _start(claim) -> dict:
    """Return what a claim says, as columns."""
    return {
        "id": claim.id,
        "text": claim.text,
        "metric": claim.metric,
        "of": subject_words(claim.of),
        "against": subject_words(claim.against),
        "over": over_words(claim),
        "says": claim.says,
    }


def _row(verdict, plan) -> dict:
    """Return the row of one claim about a metric."""
    return _start(verdict.claim) | {
        "by": by_words(verdict.claim),
        "verdict": verdict.outcome,
        "evidence": evidence(verdict),
        "suggested_text": suggestion(verdict, plan=plan),
        "more_runs": verdict.more_runs,
        "to_settle": verdict.to_settle,
    }
