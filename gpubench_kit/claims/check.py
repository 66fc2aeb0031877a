"""Sentences of the script checked against the data: supported, contradicted or not shown; likely slips of a key."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.claims.classify import Verdict, classify_claim, page_level, stands_in_every_game, what_settles
from gpubench_kit.claims.estimates import hold_money, hold_reading, money_estimates
from gpubench_kit.claims.rules import CONTRADICTED, NO_P, NOT_SHOWN, SUPPORTED, ClaimP, Held
from gpubench_kit.claims.sentences import evidence, over_words, size_words, subject_words, suggestion
from gpubench_kit.claims.targets import both_ways
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.fields import ESTIMATES, OF_LESS, OF_MORE, keys_for
from gpubench_kit.model.plan.sections import Claim
from gpubench_kit.model.questions import Choice, Question
from gpubench_kit.model.table_checks import check_results
from gpubench_kit.model.tables import CLAIMS
from gpubench_kit.sheet.looks import Looks
from gpubench_kit.statistics.looks import level_of_look
from gpubench_kit.statistics.testing import adjust_in_families
from gpubench_kit.statistics.variance import direction_of
from gpubench_kit.wording.catalogue import say

#: Words of a sentence by what they say of the side that it speaks of: it takes less or gives more, or the opposite.
_PRAISE = frozenset({
    "save", "saves", "saved", "saving", "cheaper", "quieter", "cooler", "faster", "gain", "gains", "gained",
    "gaining", "ahead", "leads",
})  # fmt: skip
_BLAME = frozenset({
    "cost", "costs", "lose", "loses", "lost", "losing", "louder", "hotter", "slower", "pricier", "behind",
    "trails",
})  # fmt: skip
_FALL = frozenset({"less", "lower", "fewer", "cut", "cuts", "drop", "drops", "reduces", "reduced"})
_RISE = frozenset({"more", "higher", "adds", "added", "raises", "raised"})

_SWAPPED = dict(zip((*OF_LESS, *OF_MORE), (*OF_LESS[::-1], *OF_MORE[::-1]), strict=True))
_OPPOSITE = {"better": "worse", "worse": "better"}
_OF_ESTIMATES = {name: 1 if keys_for(name) == OF_MORE else -1 for name in ESTIMATES}


def sign_note(claim: Claim) -> str:
    """Return how a claim is read and the line to paste if the other way was meant; empty where no slip is likely.

    Parameters
    ----------
    claim : entry of ``plan.claims``

    Notes
    -----
    A sentence in whose words both ways occur, one in which neither does, and one that names only the side compared
    with are left alone.
    """
    line = _line_meant(claim)
    way = "praises" if _way_of_words(claim) > 0 else "blames"
    return say(f"claims.sign.{way}", word=claim.word, line=line) if line else ""


def sign_question(claim: Claim) -> Question | None:
    """Return the question which of both is meant, a claim's words or its key; None where no slip is likely.

    Parameters
    ----------
    claim : entry of ``plan.claims``
    """
    line = _line_meant(claim)
    if not line:
        return None
    text = say("ask.claim.text", id=claim.id, sentence=claim.text, key=claim.word)
    choices = (
        Choice(say("ask.claim.sentence", line=line), line),
        Choice(say("ask.claim.key", key=claim.word), "keep"),
    )
    return Question(f"claims.{claim.id}", text, choices, paste=f"plan.toml, [[claims]] “{claim.id}”: {line}")


def _line_meant(claim: Claim) -> str:
    """Return the line that states what the words of a claim say; empty where they do not go the other way."""
    stated = {"better": 1, "worse": -1}.get(claim.says or "", 0)
    if claim.amount_keys:
        stated = 1 if claim.word in (OF_LESS[0], OF_MORE[0]) else -1
    if _way_of_words(claim) * stated >= 0:
        return ""
    if claim.says:
        return f'says = "{_OPPOSITE[claim.says]}"'
    written = f'"{claim.size:g} %"' if claim.is_percent else f"{claim.size:g}"
    return f"{_SWAPPED[claim.word]} = {written}"


def _way_of_words(claim: Claim) -> int:
    """Return 1 where the words of a sentence praise, -1 where they find fault, 0 where that cannot be told."""
    text = claim.text.casefold()
    of, against = ({one.card, one.tuning, one.bench} for one in (claim.of, claim.against))
    if _names(against - of, text) and not _names(of - against, text):
        return 0
    # Efficiency is praised by more of it, whatever the metric.
    text = re.sub(r"\b(more|less) (?=(power |energy )?(efficient|economical|frugal))",
                  lambda found: "gain " if found[1] == "more" else "lose ", text)  # fmt: skip
    found = set(re.findall(r"[^\W\d_]+", text))
    direction = direction_of(claim.metric) if claim.metric in METRICS else _OF_ESTIMATES[claim.metric]
    good = _PRAISE | ((_FALL if direction < 0 else _RISE) if direction else frozenset())
    bad = _BLAME | ((_RISE if direction < 0 else _FALL) if direction else frozenset())
    # "at least" and "no more than" say nothing of the way.
    found -= {"more", "less"} if re.search(r"\b(no|not|nothing) (more|less)\b", text) else set()
    if {"no", "not", "nothing", "never", "without"} & found:
        return 0
    return bool(good & found) - bool(bad & found)


def _names(names: set[str], text: str) -> bool:
    """Return whether one of some names stands in a sentence."""
    return any(re.search(rf"(?<!\w){re.escape(name.casefold())}(?!\w)", text) for name in names if name)


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
        said = {"of": subject_words(claim.of), "against": subject_words(claim.against), "over": over_words(claim)}
        said |= {"id": claim.id, "text": claim.text, "metric": claim.metric, "says": claim.word}
        rows.append(said | row | {"p": one.p.supports, "p_adjusted": supported[place]})
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
    said = {"by": size_words(verdict.claim), "evidence": text, "suggested_text": suggestion(verdict, plan=plan)}
    return said | {"verdict": verdict.outcome, "reason": reason, "more_runs": more, "to_settle": to_settle}
