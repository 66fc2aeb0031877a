"""When a result bears a claim out, and when it speaks against it.

A claim is *supported* where the data show what it says, *contradicted* where they show the opposite,
else *not shown*. That a difference was not found is never taken for its absence.
"""

from __future__ import annotations

import re
from typing import Any

from gpubench_kit.claims.targets import Amounts, Target
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan.fields import ESTIMATES, OF_LESS, OF_MORE, keys_for
from gpubench_kit.model.plan.sections import Claim
from gpubench_kit.model.questions import Choice, Question, isolated
from gpubench_kit.statistics.multiplicity import NO_VERDICT
from gpubench_kit.statistics.units import direction_of
from gpubench_kit.wording.numbers import is_missing
from gpubench_kit.wording.reasons import reason_words

SUPPORTED, CONTRADICTED, NOT_SHOWN = "supported", "contradicted", "not_shown"

_SMALL = "_but_small"


def supports(claim: Claim, target: Target) -> bool:
    """Return whether a result shows what a claim says.

    Parameters
    ----------
    claim, target : the claim, and one result that it must agree with

    Notes
    -----
    - ``better``, ``worse`` : the verdict (adjusted for the number of comparisons) is a real difference that way.
    - ``same`` : a difference as large as the margin is ruled out, by the verdict.
    - ``no_loss`` : a loss as large as the margin is ruled out and no real loss was found. Over ``every_game``
      the first holds at the level in each game without adjustment (Berger 1982).
    - an amount (``saves_at_least``, ``costs_at_most``, ``gains_at_least``, ``loses_at_most``) : the one-sided end
      of the interval lies on that side of it.

    A game that the claim names must agree by its own runs alone. What hangs on a flagged run supports
    no amount.

    References
    ----------
    Berger, R. L. (1982). Multiparameter hypothesis testing and acceptance sampling.
    doi:10.1080/00401706.1982.10487790
    """
    row, kind = target.row, claim.kind
    if row.verdict == NO_VERDICT:
        return False
    if claim.amount is not None:
        ends = [target.amounts, *([target.own] if target.is_named and target.own is not None else [])]
        return not is_flagged(row) and all(_by_amount(claim, one) == SUPPORTED for one in ends)
    if kind == "no_loss":
        is_shown = _is_no_loss(row, claim)
    elif kind == "same":
        is_shown = row.verdict == "same_within_margin" or row.verdict.endswith(_SMALL)
    else:
        is_shown = _way_of(row) == kind
    return is_shown and (not target.is_named or target.own is None or _lies(kind, row, target.own))


def contradicts(claim: Claim, target: Target) -> bool:
    """Return whether a result shows the opposite of what a claim says.

    Parameters
    ----------
    claim, target : the claim, and one result that it must agree with

    Notes
    -----
    - ``better``, ``worse`` : a real difference the other way.
    - ``no_loss`` : a real loss, of whatever size; ``loses_at_most`` says that a loss is smaller than an amount.
    - ``same`` : a real difference that lies entirely beyond the margin.
    - an amount : the one-sided end of the interval lies on the other side of it.

    A single game must agree by its own runs alone, since it would be named.
    """
    row, kind = target.row, claim.kind
    if row.verdict == NO_VERDICT:
        return False
    ends = [one for one in (target.amounts, target.own) if one is not None]
    if claim.amount is not None:
        return not is_flagged(row) and all(_by_amount(claim, one) == CONTRADICTED for one in ends)
    if kind == "same":
        # Real, and adjusted as the verdict is beyond the margin.
        is_real = row.verdict in ("better", "worse", "higher", "lower") and not is_flagged(row)
        is_beyond = is_real and bool(row.p_beyond_adjusted <= 1 - row.confidence)
        return is_beyond and all(_lies("beyond", row, one) for one in ends)
    opposite = "better" if kind == "worse" else "worse"
    return _way_of(row) == opposite and (target.own is None or _lies(opposite, row, target.own))


def margin_ends(row: Any) -> tuple[float, float]:
    """Return the ends of the margin in the unit of a row's change: as far up as down on the log scale of a ratio.

    Parameters
    ----------
    row : row of ``comparisons`` or ``overall``
    """
    upper = 100 * (1 / (1 - row.margin / 100) - 1) if row.scale == "ratio" else row.margin
    return -row.margin, upper


def is_flagged(row: Any) -> bool:
    """Return whether a verdict hangs on a run far from its peers."""
    return "flagged_run" in reason_words(row.reason)


def _way_of(row: Any) -> str:
    """Return the verdict of a row, a small difference like a large one."""
    return row.verdict.removesuffix(_SMALL)


def _is_no_loss(row: Any, claim: Claim) -> bool:
    """Return whether a loss as large as the margin is ruled out, and no real loss was found."""
    if _way_of(row) == "worse":
        return False
    if claim.over == "every_game" and not is_flagged(row):
        return bool(row.p_non_inferiority <= 1 - row.confidence)
    return not is_missing(row.no_loss) and bool(row.no_loss)


def _lies(side: str, row: Any, amounts: Amounts) -> bool:
    """Return whether an interval lies on a side of zero, or inside or beyond the margin."""
    is_up = direction_of(row.metric) > 0
    least, most = margin_ends(row)
    low, high = amounts.equivalence_ci_low, amounts.equivalence_ci_high
    if side in ("better", "worse"):
        return amounts.ci_low > 0 if is_up == (side == "better") else amounts.ci_high < 0
    if side == "no_loss":
        return low > least if is_up else high < most
    return (low > most or high < least) if side == "beyond" else (low > least and high < most)


def _by_amount(claim: Claim, amounts: Amounts) -> str:
    """Return what the one-sided ends say of the amount of a claim."""
    low, high = amounts.equivalence_ci_low, amounts.equivalence_ci_high
    return outcome_of_interval(low, high, claim, is_up=claim.kind == "at_least")


def outcome_of_interval(low: float, high: float, claim: Claim, *, is_up: bool) -> str:
    """Return what an interval says of the amount of a claim, or of zero; nothing without its ends.

    Parameters
    ----------
    low, high : ends, in the unit that the claim speaks in
    claim : entry of ``plan.claims``
    is_up : whether the claim asks for more than its amount
    """
    if is_missing(low) or is_missing(high):
        return NOT_SHOWN
    amount = claim.amount or 0.0
    holds, fails = (low >= amount, high < amount) if is_up else (high <= amount, low > amount)
    return SUPPORTED if holds else CONTRADICTED if fails else NOT_SHOWN


#: Words of a sentence by what they say of the side that it speaks of: it takes less or gives more, or the opposite.
_PRAISE = "save saves saved saving cheaper quieter cooler faster gain gains gained gaining ahead leads"
_BLAME = "cost costs lose loses lost losing louder hotter slower pricier behind trails"
_FALL = "less lower fewer cut cuts drop drops reduces reduced"
_RISE = "more higher adds added raises raised"

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
    A sentence in whose words both ways occur, and one in which neither does, is left alone.
    """
    if not _is_contradicted(claim):
        return ""
    praise = "praises" if _way_of_words(claim) > 0 else "finds fault"
    lead = f"The sentence {praise}, and {claim.word} says the opposite."
    return f"{lead} If the sentence is meant, write: {_turned_line(claim)}"


def sign_question(claim: Claim) -> Question | None:
    """Return the question which of both is meant, a claim's words or its key; None where no slip is likely.

    Parameters
    ----------
    claim : entry of ``plan.claims``
    """
    if not _is_contradicted(claim):
        return None
    line = _turned_line(claim)
    lead = f"Claim “{isolated(claim.id)}” says “{isolated(claim.text)}”"
    text = f"{lead}, and {claim.word} says the opposite. Which is meant?"
    choices = Choice(f"the sentence: {line}", line), Choice(f"{claim.word}, as the plan has it", "keep")
    return Question(f"claims.{claim.id}", text, choices, paste=f"plan.toml, [[claims]] “{claim.id}”: {line}")


def _is_contradicted(claim: Claim) -> bool:
    """Return whether a claim states the opposite of its words."""
    return _way_of_words(claim) * _way_stated(claim) < 0


def _turned_line(claim: Claim) -> str:
    """Return the line that states the opposite of a claim."""
    if claim.says:
        return f'says = "{_OPPOSITE[claim.says]}"'
    written = f'"{claim.size:g} %"' if claim.is_percent else f"{claim.size:g}"
    return f"{_SWAPPED[claim.word]} = {written}"


def _way_of_words(claim: Claim) -> int:
    """Return 1 where the words of a sentence praise, -1 where they find fault, 0 where that cannot be told."""
    found = set(re.findall(r"[^\W\d_]+", claim.text.casefold()))
    direction = direction_of(claim.metric) if claim.metric in METRICS else _OF_ESTIMATES[claim.metric]
    good = set(_PRAISE.split()) | set((_FALL if direction < 0 else _RISE).split() if direction else ())
    bad = set(_BLAME.split()) | set((_RISE if direction < 0 else _FALL).split() if direction else ())
    # "at least" and "no more than" say nothing of the way.
    found -= {"more", "less"} if re.search(r"\b(no|not|nothing) (more|less)\b", claim.text.casefold()) else set()
    if {"no", "not", "nothing", "never", "without"} & found:
        return 0
    return bool(good & found) - bool(bad & found)


def _way_stated(claim: Claim) -> int:
    """Return 1 where a claim states the better way, -1 where the worse, 0 where neither."""
    if claim.amount_keys:
        return 1 if claim.word in (OF_LESS[0], OF_MORE[0]) else -1
    return {"better": 1, "worse": -1}.get(claim.says or "", 0)
