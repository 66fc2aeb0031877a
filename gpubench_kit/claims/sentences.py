"""Results as sentences for a film or an article: never more than the data show, and always on our card."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from gpubench_kit.claims.targets import Amounts, Target, scene_text
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.statistics.units import direction_of
from gpubench_kit.wording.numbers import (
    bound_text,
    change_text,
    count_text,
    interval_text,
    is_missing,
    percent_text,
)
from gpubench_kit.wording.reasons import is_conditional, reason_words, sentences_of

#: Last words of metrics' labels that want an article in running text.
_WITH_ARTICLE = ("low", "rate", "time", "level", "clock", "temperature", "speed", "voltage", "load")


def sides(row: Any, plan: ReviewPlan) -> tuple[str, str]:
    """Return what is compared and what it is compared with, in running text.

    Parameters
    ----------
    row : row of ``comparisons`` or ``overall``
    plan : ReviewPlan, gives the number of samples of each card

    Returns
    -------
    tuple of str : tunings in quotes; cards where they differ, so that nobody takes ours for every one
    """
    return _side(row, "of", plan), _side(row, "against", plan)


def place(row: Any) -> str:
    """Return where a result holds: the scene, or the games and their group."""
    if hasattr(row, "game"):
        return f"in {scene_text(row.game, row.setting)}"
    group = "" if row.group == "all" else f" at {row.group}"
    games = count_text(row.n_games, "game")
    if row.scope == "games_like_these":
        return f"in games like these{group} (judged by {games})"
    return f"over {games}{group}"


def whose(row: Any, plan: ReviewPlan) -> str:
    """Return whose card, and which of several benches, a sentence speaks of; nothing where it names two."""
    card = "" if row.of_card != row.against_card else f", on {_our(row.of_card, plan)}"
    has_bench = len(plan.benches) > 1 and row.of_bench and row.of_bench == row.against_bench
    return f"{card}, bench “{row.of_bench}”" if has_bench else card


def label_words(metric: str) -> str:
    """Return a metric's label in running text, with its article where it wants one."""
    label = METRICS[metric].label
    return f"the {label}" if label.endswith(_WITH_ARTICLE) else label


def way_words(metric: str, *, is_up: bool) -> str:
    """Return which way a metric goes: ``faster`` for the frame rate, else ``higher``, and their opposites."""
    up, down = ("faster", "slower") if metric == "avg_fps" else ("higher", "lower")
    return up if is_up else down


def change_words(amounts: Amounts, *, confidence: float) -> str:
    """Return a change with its interval and level: ``−0.9 %, 95 % interval −1.4 to −0.4 %``."""
    change = change_text(amounts.change, amounts.unit)
    level = percent_text(100 * confidence)
    return f"{change}, {level} interval {interval_text(amounts.ci_low, amounts.ci_high, amounts.unit)}"


def reasons_text(row: Any) -> str:
    """Return what must be known about a result, as sentences."""
    return " ".join(sentences_of(row))


def _side(row: Any, side: str, plan: ReviewPlan) -> str:
    """Return one side of a comparison."""
    card, tuning, bench = (getattr(row, f"{side}_{part}") for part in ("card", "tuning", "bench"))
    on_bench = f" on bench “{bench}”" if row.of_bench != row.against_bench else ""
    if row.of_card == row.against_card:
        return f"“{tuning}”{on_bench}"
    if row.of_tuning == row.against_tuning == plan.reference_tuning:
        return f"{_our(card, plan)}{on_bench}"
    return f"{_our(card, plan)} with “{tuning}”{on_bench}"


def _our(card: str, plan: ReviewPlan) -> str:
    """Return a card as ours: one sample, or so many."""
    samples = len(plan.cards_named(card))
    return f"our {card}" if samples <= 1 else f"our {samples} samples of the {card}"


def margin_words(row: Any) -> str:
    """Return a row's margin as an amount."""
    return percent_text(row.margin) if row.scale == "ratio" else change_text(row.margin, row.unit).lstrip("+")


def assumption(row: Any, plan: ReviewPlan) -> str:
    """Return the assumption that a result rests on, with its size; nothing where it rests on none.

    Between cards it speaks of installations, and says so where a card was installed only once.
    """
    spread, words = plan.restart_spread_of(row.metric), reason_words(row.reason)
    if spread is None or "assumed_restart_spread" not in words:
        return ""
    amount = percent_text(spread[0]) if row.scale == "ratio" else change_text(spread[0], row.unit).lstrip("+")
    once = "; installed once" if "installed_once" in words else ""
    return f", assuming that {starts_words(row)} vary by {amount}{once}"


#: What makes a verdict unsafe to repeat: the order of the runs may have made the difference.
_UNSAFE_ORDER = {
    "not_stated": "with the order of the runs not stated",
    "order_same_every_time": "with one side run first every time",
}


def unsafe_order(rows: Iterable[Any]) -> str:
    """Return what any of several results leaves open about the order of its runs, for the end of a sentence.

    Parameters
    ----------
    rows : rows of ``comparisons`` or ``overall``
    """
    found = {word for row in rows for word in reason_words(row.reason)}
    return "".join(f", {text}" for word, text in _UNSAFE_ORDER.items() if word in found)


def known_text(row: Any, plan: ReviewPlan) -> str:
    """Return what must be known about a result, an assumption with its size.

    Parameters
    ----------
    row : row of ``comparisons`` or ``overall``
    plan : ReviewPlan, gives the spread between restarts that is assumed, where one is
    """
    known = dict(zip(reason_words(row.reason), sentences_of(row), strict=True))
    assumed = assumption(row, plan).removeprefix(", ")
    if assumed:
        known["assumed_restart_spread"] = f"{assumed[:1].upper()}{assumed[1:]}."
        known.pop("installed_once", None)
    return " ".join(known.values())


def starts_words(row: Any) -> str:
    """Return what starts anew between the two sides of a row: restarts, or installations of two cards."""
    return "installations" if row.of_card != row.against_card else "restarts"


#: What was found, and what follows once it is said where.
_Clause = tuple[str, str]


def best_sentence(target: Target, plan: ReviewPlan) -> str:
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


def modest_sentence(target: Target, plan: ReviewPlan) -> str:
    """Return the weakest sentence that still tells what was found: for saying instead of a claim.

    Parameters
    ----------
    target, plan : as in `best_sentence`
    """
    return _finished(_WEAKEST.get(target.row.verdict, _about_clause)(target, plan), target, plan)


def loss_sentence(target: Target, plan: ReviewPlan) -> str:
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


def amount_sentence(target: Target, amount: float, *, is_least: bool, plan: ReviewPlan) -> str:
    """Return the sentence that bears out an amount: ``at least 45.0 W lower``, ``at most 2.0 % slower``.

    Parameters
    ----------
    target, plan : as in `best_sentence`
    amount : in the unit of the target's amounts
    is_least : whether the change is at least, else at most, the amount
    """
    size, change = abs(amount), target.amounts.change
    if amount * change > 0 and (amount > 0) == is_least:
        clause = _sized_clause(target, plan, max(size, _least_size(target)))
    else:
        way = way_words(target.row.metric, is_up=not is_least)
        most = f"at most {change_text(size, target.amounts.unit).lstrip('+')} {way}"
        clause = (_compared(target.row, plan, (most, "than")), "")
    return _finished(clause, target, plan)


def _compared(row: Any, plan: ReviewPlan, words: tuple[str, str]) -> str:
    """Return what was compared around two words: ``was faster`` and ``than``, ``was the same`` and ``as``."""
    of, against = sides(row, plan)
    said, than = words
    if row.metric == "avg_fps":
        return f"{of} was {said} {than} {against}"
    return f"{label_words(row.metric)} was {said} with {of} {than} with {against}"


def _about_clause(target: Target, plan: ReviewPlan) -> _Clause:
    """Return the clause of a real difference, with its size."""
    size = change_text(abs(target.amounts.change), target.amounts.unit).lstrip("+")
    is_small = target.row.verdict.endswith("_but_small")
    tail = f", less than our margin of {margin_words(target.row)}" if is_small else ""
    return (_compared(target.row, plan, (f"about {size} {_way(target)}", "than")), tail)


def _at_least_clause(target: Target, plan: ReviewPlan) -> _Clause:
    """Return the clause of a real difference, with the size that it has at least."""
    return _sized_clause(target, plan, _least_size(target))


def _sized_clause(target: Target, plan: ReviewPlan, least: float) -> _Clause:
    """Return the clause of a real difference with a least size, unless that is nothing."""
    bound = bound_text(least, target.amounts.unit, up=False)
    is_some = least > 0 and any(digit in bound for digit in "123456789")
    size = f"at least {bound} " if is_some else ""
    return (_compared(target.row, plan, (f"{size}{_way(target)}", "than")), "")


def _same_clause(target: Target, plan: ReviewPlan) -> _Clause:
    """Return the clause of a difference that is ruled out, with the tightest bound."""
    most = max(max(-one.ci_low, one.ci_high) for one in _ends(target))
    if most >= target.row.margin:
        return _within_clause(target, plan)
    bound = bound_text(most, target.amounts.unit, up=True)
    return (_is_same(target, plan), f"; any difference is smaller than {bound}")


def _within_clause(target: Target, plan: ReviewPlan) -> _Clause:
    """Return the clause of a difference that is ruled out, to within the margin."""
    return (_is_same(target, plan), f", to within our margin of {margin_words(target.row)}")


def _is_same(target: Target, plan: ReviewPlan) -> str:
    """Return the clause of no difference; its bound must follow."""
    said = "as fast" if target.row.metric == "avg_fps" else "the same"
    return _compared(target.row, plan, (said, "as"))


def _undecided_clause(target: Target, plan: ReviewPlan) -> _Clause:
    """Return the clause of what is open; a loss as large as the margin may be ruled out all the same."""
    row = target.row
    is_as_in_table = target.amounts.unit == ("%" if row.scale == "ratio" else row.unit)
    if is_as_in_table and not is_missing(row.no_loss) and row.no_loss:
        return _loss_clause(target, plan)
    either = " or ".join(way_words(row.metric, is_up=up) for up in (True, False))
    return (f"our runs do not tell whether {_compared(row, plan, (either, 'than'))}", "")


def _loss_clause(target: Target, plan: ReviewPlan) -> _Clause:
    """Return the clause about the largest loss that is left."""
    of, against = sides(target.row, plan)
    word = "loss" if direction_of(target.row.metric) > 0 else "rise"
    bound = bound_text(loss_bound(target), target.amounts.unit, up=True)
    return (
        f"any {word} of {label_words(target.row.metric)} with {of} against {against} is smaller than {bound}",
        "",
    )


def _none_clause(target: Target, plan: ReviewPlan) -> _Clause:
    """Return the clause of a result without a verdict; where one has a condition, which way it goes."""
    if is_conditional(target.row):
        return (_compared(target.row, plan, (_way(target), "than")), "")
    of, against = sides(target.row, plan)
    return (f"we cannot compare {label_words(target.row.metric)} of {of} and {against}", "")


_STRONGEST = {
    "same_within_margin": _same_clause,
    "undecided": _undecided_clause,
    "no_verdict": _none_clause,
} | {f"{way}_but_small": _about_clause for way in ("better", "worse", "higher", "lower")}
_WEAKEST = {**_STRONGEST, "same_within_margin": _within_clause}


def _finished(clause: _Clause, target: Target, plan: ReviewPlan) -> str:
    """Return a clause as a sentence: where, whose card, on what assumption, and the numbers."""
    row = target.row
    core, tail = clause
    text = f"{core} {place(row)}{whose(row, plan)}"
    if is_conditional(row):
        change, spread = (
            change_text(one, "%" if row.scale == "ratio" else row.unit).lstrip("+")
            for one in (row.bench_change_pct, row.restart_spread_pct)
        )
        return (
            f"{_capital(text)}, unless our test setup itself came back more than {change} different between the "
            f"two blocks (restarts that vary by more than {spread})."
        )
    if row.verdict == "no_verdict":
        return f"{_capital(text)}: {_lower(reasons_text(row))}"
    numbers = change_words(target.amounts, confidence=row.confidence)
    return f"{_capital(text)}{tail}{assumption(row, plan)}{unsafe_order([row])} ({numbers})."


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
