"""Results as sentences for a film or an article: never more than the data show, and always on our card."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from gpubench_kit.claims.targets import Amounts, Target
from gpubench_kit.claims.words import (
    assumption,
    change_words,
    label_words,
    margin_words,
    place,
    reasons_text,
    sides,
    unsafe_order,
    way_words,
    whose,
)
from gpubench_kit.statistics.units import direction_of
from gpubench_kit.wording.numbers import bound_text, change_text, is_missing


@dataclass(frozen=True)
class _Clause:
    """What was found, and what follows once it is said where."""

    core: str
    tail: str = ""


def best_sentence(target: Target, plan) -> str:
    """Return the strongest sentence that a result bears out, without numbers beyond its interval.

    Parameters
    ----------
    target : a result
    plan : ReviewPlan

    Returns
    -------
    str : one sentence, with the measured change and its interval
    """
    return _finished(_STRONGEST.get(target.row.verdict, _at_least_clause)(target, plan), target, plan)


def modest_sentence(target: Target, plan) -> str:
    """Return the weakest sentence that still tells what was found: for saying instead of a claim.

    Parameters
    ----------
    target, plan : as in `best_sentence`
    """
    return _finished(_WEAKEST.get(target.row.verdict, _about_clause)(target, plan), target, plan)


def loss_sentence(target: Target, plan) -> str:
    """Return what may be said about loss where one as large as the margin is ruled out.

    Parameters
    ----------
    target, plan : as in `best_sentence`
    """
    if target.row.verdict in ("better", "better_but_small"):
        return best_sentence(target, plan)
    return _finished(_loss_clause(target, plan), target, plan)


def loss_bound(target: Target) -> float:
    """Return what a loss does not reach: the end of the printed interval, or the margin if that is less."""
    is_up = direction_of(target.row.metric) > 0
    most = max(-one.ci_low if is_up else one.ci_high for one in _ends(target))
    return most if 0 < most < target.row.margin else target.row.margin


def amount_sentence(target: Target, amount: float, *, is_least: bool, plan) -> str:
    """Return the sentence that bears out an amount: ``at least 45.0 W lower``, ``at most 2.0 % slower``.

    Where the change measured goes the other way than the amount, the change is told as it was claimed.

    Parameters
    ----------
    target, plan : as in `best_sentence`
    amount : in the unit of the target's amounts
    is_least : whether the change is at least, else at most, the amount
    """
    size, change = abs(amount), target.amounts.change
    if amount * change > 0 and (amount > 0) == is_least:
        clause = _sized_clause(target, plan, max(size, _least_size(target)))
    elif amount * change > 0:
        most = f"at most {change_text(size, target.amounts.unit).lstrip('+')} {_way(target)}"
        clause = _Clause(_compared(target.row, plan, (most, "than")))
    else:
        of, against = sides(target.row, plan)
        end = "or more" if is_least else "or less"
        changed = f"the change of {label_words(target.row.metric)} from {against} to {of} was"
        clause = _Clause(f"{changed} {change_text(amount, target.amounts.unit)} {end}")
    return _finished(clause, target, plan)


def _compared(row: Any, plan, words: tuple[str, str]) -> str:
    """Return what was compared around two words: ``was faster`` and ``than``, ``was the same`` and ``as``."""
    of, against = sides(row, plan)
    said, than = words
    if row.metric == "avg_fps":
        return f"{of} was {said} {than} {against}"
    return f"{label_words(row.metric)} was {said} with {of} {than} with {against}"


def _about_clause(target: Target, plan) -> _Clause:
    """Return the clause of a real difference, with its size."""
    size = change_text(abs(target.amounts.change), target.amounts.unit).lstrip("+")
    is_small = target.row.verdict.endswith("_but_small")
    tail = f", less than our margin of {margin_words(target.row)}" if is_small else ""
    return _Clause(_compared(target.row, plan, (f"about {size} {_way(target)}", "than")), tail)


def _at_least_clause(target: Target, plan) -> _Clause:
    """Return the clause of a real difference, with the size that it has at least."""
    return _sized_clause(target, plan, _least_size(target))


def _sized_clause(target: Target, plan, least: float) -> _Clause:
    """Return the clause of a real difference with a least size, unless that is nothing."""
    bound = bound_text(least, target.amounts.unit, up=False)
    is_some = least > 0 and any(digit in bound for digit in "123456789")
    size = f"at least {bound} " if is_some else ""
    return _Clause(_compared(target.row, plan, (f"{size}{_way(target)}", "than")))


def _same_clause(target: Target, plan) -> _Clause:
    """Return the clause of a difference that is ruled out, with the tightest bound."""
    most = max(max(-one.ci_low, one.ci_high) for one in _ends(target))
    if most >= target.row.margin:
        return _within_clause(target, plan)
    bound = bound_text(most, target.amounts.unit, up=True)
    return _Clause(_is_same(target, plan), f"; any difference is smaller than {bound}")


def _within_clause(target: Target, plan) -> _Clause:
    """Return the clause of a difference that is ruled out, to within the margin."""
    return _Clause(_is_same(target, plan), f", to within our margin of {margin_words(target.row)}")


def _is_same(target: Target, plan) -> str:
    """Return the clause of no difference; its bound must follow."""
    said = "as fast" if target.row.metric == "avg_fps" else "the same"
    return _compared(target.row, plan, (said, "as"))


def _undecided_clause(target: Target, plan) -> _Clause:
    """Return the clause of what is open; a loss as large as the margin may be ruled out all the same."""
    row = target.row
    is_as_in_table = target.amounts.unit == ("%" if row.scale == "ratio" else row.unit)
    if is_as_in_table and not is_missing(row.no_loss) and row.no_loss:
        return _loss_clause(target, plan)
    either = " or ".join(way_words(row.metric, is_up=up) for up in (True, False))
    return _Clause(f"our runs do not tell whether {_compared(row, plan, (either, 'than'))}")


def _loss_clause(target: Target, plan) -> _Clause:
    """Return the clause about the largest loss that is left."""
    of, against = sides(target.row, plan)
    word = "loss" if direction_of(target.row.metric) > 0 else "rise"
    bound = bound_text(loss_bound(target), target.amounts.unit, up=True)
    return _Clause(
        f"any {word} of {label_words(target.row.metric)} with {of} against {against} is smaller than {bound}"
    )


def _none_clause(target: Target, plan) -> _Clause:
    """Return the clause of a result without a verdict."""
    of, against = sides(target.row, plan)
    return _Clause(f"we cannot compare {label_words(target.row.metric)} of {of} and {against}")


_STRONGEST = {
    "same_within_margin": _same_clause,
    "undecided": _undecided_clause,
    "no_verdict": _none_clause,
} | {f"{way}_but_small": _about_clause for way in ("better", "worse", "higher", "lower")}
_WEAKEST = {**_STRONGEST, "same_within_margin": _within_clause}


def _finished(clause: _Clause, target: Target, plan) -> str:
    """Return a clause as a sentence: where, whose card, on what assumption, and the numbers."""
    row = target.row
    text = f"{clause.core} {place(row)}{whose(row, plan)}"
    if row.verdict == "no_verdict":
        return f"{_capital(text)}: {_lower(reasons_text(row))}"
    numbers = change_words(target.amounts, confidence=row.confidence)
    return f"{_capital(text)}{clause.tail}{assumption(row, plan)}{unsafe_order([row])} ({numbers})."


def _least_size(target: Target) -> float:
    """Return the size that a difference has at least, by its printed interval; the wider of two."""
    if target.amounts.change > 0:
        return min(one.ci_low for one in _ends(target))
    return min(-one.ci_high for one in _ends(target))


def _ends(target: Target) -> list[Amounts]:
    """Return the intervals that a sentence about a result must respect: that of a game's own runs too."""
    return [one for one in (target.amounts, target.own) if one is not None]


def _way(target: Target) -> str:
    """Return which way the change goes."""
    return way_words(target.row.metric, is_up=target.amounts.change > 0)


def _capital(text: str) -> str:
    """Return text with a capital first letter."""
    return text[:1].upper() + text[1:]


def _lower(text: str) -> str:
    """Return text with a small first letter."""
    return text[:1].lower() + text[1:]
