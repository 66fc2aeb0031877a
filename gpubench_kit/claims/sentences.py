"""Results as sentences for a film or an article: never more than the data show, and always on our card.

Each verdict has a pattern of the strongest and one of the weakest sentence that it supports. The catalogue has
their words, ``claims.said.PATTERN``, for the frame rate and for other metrics, and what follows,
``claims.tail.PATTERN``.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from typing import Any

from gpubench_kit.claims.classify import ClassifiedResult, Verdict
from gpubench_kit.claims.rules import CONTRADICTED, SUPPORTED, asks_for_more
from gpubench_kit.claims.targets import Amounts, Target, listed
from gpubench_kit.model.metrics import change_unit
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.sections import AMOUNT_KEYS, OVER_WORDS, Claim, SubjectText
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.statistics.testing import NO_VERDICT, UNDECIDED
from gpubench_kit.statistics.variance import direction_of
from gpubench_kit.wording.catalogue import has, say
from gpubench_kit.wording.numbers import (
    bound_text,
    change_text,
    count_text,
    interval_text,
    is_missing,
    percent_text,
)
from gpubench_kit.wording.terms import capital, is_conditional, metric_of, reason_words, scene_text, sentences_of

#: Verdict -> pattern of the strongest sentence, and of the weakest; any other is that of a difference.
_PATTERNS = {
    "same_within_margin": ("same", "within"),
    "undecided": ("open", "open"),
    "no_verdict": ("none", "none"),
    **{f"{way}_but_small": ("small", "small") for way in ("better", "worse", "higher", "lower")},
}
_DIFFERENCE = ("least", "about")
#: Those that say the same of the frame rate and of any other metric.
_FOR_ALL = ("loss", "none")
#: Last words of metrics' labels that want an article in running text.
_WITH_ARTICLE = ("low", "rate", "time", "level", "clock", "temperature", "speed", "voltage", "load")
#: What makes a verdict unsafe to repeat: the order of the runs may have made the difference.
_UNSAFE_ORDER = ("not_stated", "order_same_every_time")
_MOST_GAMES, _MOST_GROUPS = 4, 3
_AMOUNTS = ("at_least", "at_most")
#: How scenes stand that do not bear a claim out.
_STANDING = ("against", "same", "not_shown", "open")


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
    is_factory = row.of_tuning == row.against_tuning == plan.reference_tuning
    said = []
    for side in ("of", "against"):
        card, tuning, bench = (getattr(row, f"{side}_{part}") for part in ("card", "tuning", "bench"))
        kind = "tuning" if row.of_card == row.against_card else "card" if is_factory else "both"
        text = say(f"claims.side.{kind}", tuning=tuning, card=_our(card, plan))
        said.append(say("claims.side.bench", side=text, bench=bench) if row.of_bench != row.against_bench else text)
    return said[0], said[1]


def _our(card: str, plan: ReviewPlan) -> str:
    """Return a card as ours: one sample, or so many."""
    samples = len(plan.cards_named(card))
    return say(f"claims.our.{'one' if samples <= 1 else 'samples'}", card=card, samples=samples)


def place(row: Any) -> str:
    """Return where a result holds: the scene, or the games and their group."""
    if hasattr(row, "game"):
        return say("claims.place.scene", scene=scene_text(row.game, row.setting))
    group = "" if row.group == "all" else say("claims.place.group", group=row.group)
    return say(f"claims.place.{row.scope}", games=count_text(row.n_games, "game"), group=group)


def whose(row: Any, plan: ReviewPlan) -> str:
    """Return whose card, and which of several benches, a sentence speaks of; nothing where it names two."""
    card = "" if row.of_card != row.against_card else say("claims.whose.card", card=_our(row.of_card, plan))
    has_bench = len(plan.benches) > 1 and row.of_bench and row.of_bench == row.against_bench
    return card + (say("claims.whose.bench", bench=row.of_bench) if has_bench else "")


def label_words(metric: str) -> str:
    """Return a metric's label in running text, with its article where it wants one."""
    label = metric_of(metric).label
    return say("claims.the", label=label) if label.endswith(_WITH_ARTICLE) else label


def way_words(metric: str, *, is_up: bool) -> str:
    """Return which way a metric goes: ``faster`` for the frame rate, else ``higher``, and their opposites."""
    return say(f"claims.way.{_kind(metric)}.{'up' if is_up else 'down'}")


def change_words(amounts: Amounts, *, confidence: float) -> str:
    """Return a change with its interval and level: ``−0.9 %, 95 % interval −1.4 to −0.4 %``."""
    ends = interval_text(amounts.ci_low, amounts.ci_high, amounts.unit)
    change = change_text(amounts.change, amounts.unit)
    return say("claims.change", change=change, level=level_text(confidence), interval=ends)


def level_text(confidence: float) -> str:
    """Return a confidence as it is spoken: with at most one decimal, never more than it is."""
    return percent_text(math.floor(1000 * confidence + 1e-9) / 10)


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
    once = say("claims.assumed.once") if "installed_once" in words else ""
    starts = "installations" if row.of_card != row.against_card else "restarts"
    return say(f"claims.assumed.{starts}", spread=amount, once=once)


def unsafe_order(rows: Iterable[Any]) -> str:
    """Return what any of several results leaves open about the order of its runs, for the end of a sentence.

    Parameters
    ----------
    rows : rows of ``comparisons`` or ``overall``
    """
    found = {word for row in rows for word in reason_words(row.reason)}
    return "".join(say(f"claims.order.{word}") for word in _UNSAFE_ORDER if word in found)


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
        known["assumed_restart_spread"] = f"{capital(assumed)}."
        known.pop("installed_once", None)
    return " ".join(known.values())


def best_sentence(target: Target, plan: ReviewPlan) -> str:
    """Return the strongest sentence that a result supports, with the measured change and its interval.

    Parameters
    ----------
    target : a result
    plan : ReviewPlan
    """
    return _said(target, plan, _PATTERNS.get(target.row.verdict, _DIFFERENCE)[0])


def loss_bound(target: Target) -> float:
    """Return what a loss does not reach: the end of the printed interval, or the margin if that is less."""
    is_up = direction_of(target.row.metric) > 0
    most = max(-one.ci_low if is_up else one.ci_high for one in _ends(target))
    return most if 0 < most < target.row.margin else target.row.margin


def _of_result(one: ClassifiedResult, verdict: Verdict, plan: ReviewPlan) -> str:
    """Return the sentence that one result supports: what is claimed, or the weakest that tells what was found."""
    claim, target = verdict.claim, one.target
    strongest, weakest = _PATTERNS.get(target.row.verdict, _DIFFERENCE)
    if one.outcome != SUPPORTED or verdict.outcome != SUPPORTED:
        return _said(target, plan, weakest)
    if claim.amount is not None:
        is_beyond = claim.amount * target.amounts.change > 0 and (claim.amount > 0) == (claim.kind == "at_least")
        return _said(target, plan, "least" if is_beyond else "most", claim=claim)
    is_gain = target.row.verdict in ("better", "better_but_small")
    return _said(target, plan, strongest if is_gain or claim.kind != "no_loss" else "loss")


def _said(target: Target, plan: ReviewPlan, pattern: str, *, claim: Claim | None = None) -> str:
    """Return a result in the words of a pattern: where, whose card, on what assumption, and the numbers.

    Bounds are those of the interval printed, the wider of two; an amount is that of the claim.
    """
    row, amounts = target.row, target.amounts
    size, is_up, unit = abs(claim.amount or 0.0) if claim else 0.0, amounts.change > 0, amounts.unit
    least = max(size, min(one.ci_low if is_up else -one.ci_high for one in _ends(target)))
    most = max(max(-one.ci_low, one.ci_high) for one in _ends(target))
    least_text = bound_text(least, unit, up=False)
    is_as_in_table = unit == change_unit(row)
    if pattern == "same" and most >= row.margin:
        pattern = "within"
    elif pattern == "open" and is_as_in_table and not is_missing(row.no_loss) and row.no_loss:
        pattern = "loss"
    elif (pattern == "least" and not (least > 0 and any(digit in least_text for digit in "123456789"))) or (
        pattern == "none" and is_conditional(row)
    ):
        pattern = "plain"
    if pattern == "most" and claim:
        is_up = claim.kind == "at_most"
    values = _names(row, plan) | {
        "way": way_words(row.metric, is_up=is_up), "least": least_text, "amount": _amount(size, unit),
        "size": _amount(abs(amounts.change), unit), "loss": bound_text(loss_bound(target), unit, up=True),
    }  # fmt: skip
    words = {"small": "about", "within": "same"}.get(pattern, pattern)
    text = say(
        f"claims.said.{words}" if words in _FOR_ALL else f"claims.said.{words}.{_kind(row.metric)}", **values
    )
    start = capital(f"{text} {place(row)}{whose(row, plan)}")
    if is_conditional(row):
        spreads = (row.bench_change_pct, row.restart_spread_pct)
        change, spread = (_amount(one, change_unit(row)) for one in spreads)
        return say("claims.unless", start=start, change=change, spread=spread)
    if row.verdict == NO_VERDICT:
        why = " ".join(sentences_of(row))
        return say("claims.since", start=start, why=why[:1].lower() + why[1:])
    tail = f"claims.tail.{pattern}"
    known = {"bound": bound_text(most, unit, up=True), "margin": margin_words(row)}
    rests_on = (say(tail, **known) if has(tail) else "") + assumption(row, plan) + unsafe_order([row])
    widest = max(_ends(target), key=lambda one: one.ci_high - one.ci_low)
    return say("claims.with_numbers", start=start, rests_on=rests_on,
               numbers=change_words(widest, confidence=row.confidence))  # fmt: skip


def _kind(metric: str) -> str:
    """Return whose words a metric is spoken of in."""
    return "rate" if metric == "avg_fps" else "other"


def _names(row: Any, plan: ReviewPlan) -> dict[str, str]:
    """Return what every sentence about a row may name."""
    of, against = sides(row, plan)
    word = say("claims.loss" if direction_of(row.metric) > 0 else "claims.rise")
    return {"of": of, "against": against, "label": label_words(row.metric), "word": word}


def _amount(size: float, unit: str) -> str:
    """Return a size without a plus sign."""
    return change_text(size, unit).lstrip("+")


def _ends(target: Target) -> list[Amounts]:
    """Return the intervals that a sentence about a result must respect: that of a game's own runs too."""
    return [one for one in (target.amounts, target.own) if one is not None]


def subject_words(subject: SubjectText) -> str:
    """Return one side of a claim as written: card, tuning and bench, as far as given."""
    return ", ".join(part for part in (subject.card, subject.tuning, subject.bench) if part)


def over_words(claim: Claim) -> str:
    """Return the games that a claim speaks of, and its group."""
    words = claim.over.replace("_", " ") if claim.over in OVER_WORDS else claim.over
    return f"{words}, {claim.group}" if claim.group else words


def size_words(claim: Claim) -> str:
    """Return the amount of a claim with its unit, without sign; nothing where it gives none."""
    if claim.amount is None:
        return ""
    return change_text(claim.amount, metric_of(claim.metric).unit if claim.is_in_unit else "%").lstrip("+−")


def _amount_words(claim: Claim) -> str:
    """Return the amount of a claim without its way, for example ``at least 30.0 W``."""
    return say(f"claims.{'least' if claim.word.endswith('at_least') else 'most'}", size=size_words(claim))


def evidence(verdict: Verdict) -> str:
    """Return what a claim was held against.

    Parameters
    ----------
    verdict : see `gpubench_kit.claims.classify.classify_claim`

    Returns
    -------
    str : how an amount was read, then each result with its interval, then what is lacking; of many games
        those that do not bear the claim out
    """
    claim, parts = verdict.claim, []
    if claim.amount_keys:
        # With its way, so that a slip of the key is seen.
        way = say(f"claims.way.other.{'up' if AMOUNT_KEYS[claim.word][1] > 0 else 'down'}")
        label, amount = metric_of(claim.metric).label, _amount_words(claim)
        parts.append(say("claims.evidence.read", label=label, amount=amount, way=way))
    if claim.over != "every_game":
        parts += [_result_text(one, claim) for one in verdict.classified]
        return " ".join([*parts, *verdict.lacking])
    others = [one for one in verdict.classified if one.outcome != SUPPORTED]
    if verdict.classified:
        every = len(verdict.classified)
        parts.append(say("claims.evidence.some", n=every - len(others), scenes=count_text(every, "scene")))
    for standing in _STANDING:
        rows = [_scene_result(one) for one in others if _standing_among_many(one, claim) == standing]
        parts += [say(f"claims.evidence.{standing}", scenes=listed(rows, _MOST_GAMES))] if rows else []
    return " ".join([*parts, *verdict.lacking])


def standing(row: Any) -> str:
    """Return how a result stands: its verdict, what must be known about it, and the games left out.

    Parameters
    ----------
    row : row of ``comparisons`` or ``overall``
    """
    names = getattr(row, "games_left_out", "")
    left_out = say("claims.evidence.left_out", games=names) if names else ""
    return " ".join(filter(None, (f"{capital(_verdict_words(row))}.", *sentences_of(row), left_out)))


def _verdict_words(row: Any) -> str:
    """Return a verdict in words, with the margin that it was held against."""
    word = VERDICTS[row.verdict].word
    return word if is_missing(row.margin) else say("claims.evidence.margin", verdict=word, margin=margin_words(row))


def _result_text(one: ClassifiedResult, claim: Claim) -> str:
    """Return one result with its interval, its verdict and what must be known about it."""
    row, amounts, own = one.target.row, one.target.amounts, one.target.own
    where, reasons = capital(place(row)), " ".join(sentences_of(row))
    if row.verdict == NO_VERDICT:
        return say("claims.evidence.no_verdict", where=where, reasons=reasons)
    change, names = change_words(amounts, confidence=row.confidence), getattr(row, "games_left_out", "")
    parts = [say("claims.evidence.result", where=where, change=change, verdict=_verdict_words(row))]
    if claim.kind in _AMOUNTS:
        # Ends over games are at the level of the page, whatever part of it the interval has.
        is_of_page = hasattr(row, "scope") and not is_missing(row.level)
        level = level_text(1 - row.level if is_of_page else row.confidence)
        ends = amounts.equivalence_ci_low, amounts.equivalence_ci_high
        low, high = (change_text(end, amounts.unit) for end in ends)
        parts.append(say("claims.evidence.ends", level=level, low=low, high=high))
    if one.target.is_named and own is not None and row.borrowed:
        parts.append(say("claims.evidence.own", change=change_words(own, confidence=row.confidence)))
    parts += [one.limited.text if one.limited else "", reasons]
    parts += [say("claims.evidence.left_out", games=names)] if names else []
    return " ".join(part for part in parts if part)


def _standing_among_many(one: ClassifiedResult, claim: Claim) -> str:
    """Return how a scene stands that does not bear a claim out: open is what no verdict answers."""
    if one.outcome == CONTRADICTED:
        return "against"
    # A verdict is about zero and the margin: whether an amount is reached stays open.
    if one.target.row.verdict in (UNDECIDED, NO_VERDICT) or claim.kind in _AMOUNTS:
        return "open"
    return "same" if one.target.row.verdict == "same_within_margin" else "not_shown"


def _scene_result(one: ClassifiedResult, *, is_short: bool = False) -> str:
    """Return a scene with its change, or why it has no verdict."""
    row, amounts = one.target.row, one.target.amounts
    change = change_words(amounts, confidence=row.confidence)
    if is_short:
        change = change_text(amounts.change, amounts.unit)
    elif row.verdict == NO_VERDICT:
        change = say("claims.evidence.scene_without", why=" ".join(sentences_of(row)).rstrip("."))
    return f"{scene_text(row.game, row.setting)} ({change})"


def suggestion(verdict: Verdict, *, plan: ReviewPlan) -> str:
    """Return the sentence that can be said: the strongest where a claim is supported, else the weakest true one.

    Parameters
    ----------
    verdict : see `gpubench_kit.claims.classify.classify_claim`
    plan : ReviewPlan
    """
    if not verdict.classified:
        return nothing_text(" ".join(verdict.lacking))
    if verdict.claim.over == "every_game" and len(verdict.classified) > 1:
        return _of_every_game(verdict, plan)
    return " ".join(_of_result(one, verdict, plan) for one in verdict.classified[:_MOST_GROUPS])


def nothing_text(why: str) -> str:
    """Return that nothing can be said, and why."""
    return say("claims.nothing", why=why[:1].lower() + why[1:])


def _of_every_game(verdict: Verdict, plan: ReviewPlan) -> str:
    """Return what can be said of all scenes together."""
    claim, every = verdict.claim, verdict.classified
    rows = [one.target.row for one in every]
    # An assumption, and an order that is not known.
    rests_on = "".join(dict.fromkeys(assumption(one, plan) for one in rows)) + unsafe_order(rows)
    values = {"clause": _shared_clause(verdict, plan), "count": len(every), "whose": whose(rows[0], plan)}
    if verdict.outcome == SUPPORTED:
        return say("claims.every.each", **values, rests_on=rests_on)
    held = [one for one in every if one.outcome == SUPPORTED
            and (claim.kind != "no_loss" or bool(one.target.row.no_loss))]  # fmt: skip
    others = [one for one in every if one not in held]
    # The one-sided intervals of amounts are those of single scenes, so they are counted only if all agree.
    kind = "not_each" if held and claim.kind in _AMOUNTS else "some" if held else "none"
    text = say(f"claims.every.{kind}", **values, held=len(held), rests_on=rests_on)
    against = [_scene_result(one, is_short=True) for one in others if one.outcome == CONTRADICTED]
    text += say("claims.every.against", scenes=listed(against, _MOST_GAMES)) if against else ""
    counts = Counter(_standing_among_many(one, claim) for one in others)
    told = _STANDING[1:] if kind != "not_each" else ()
    left = [say(f"claims.every.{one}", n=counts[one]) for one in told if counts[one]]
    return f"{''.join([text, *left])}."


def _shared_clause(verdict: Verdict, plan: ReviewPlan) -> str:
    """Return what scenes that bear a claim out share; where all do, with a bound that holds in each."""
    claim, row = verdict.claim, verdict.classified[0].target.row
    values = _names(row, plan) | {"margin": margin_words(row)}
    if claim.kind == "no_loss":
        most, bound = max(loss_bound(one.target) for one in verdict.classified), say("claims.our_margin", **values)
        if verdict.outcome == SUPPORTED:
            bound = bound_text(most, change_unit(row), up=True)
        return capital(say("claims.said.loss", **values, loss=bound))
    if claim.kind == "same":
        return say("claims.every.same_clause", **values)
    amount = f"{_amount_words(claim)} " if claim.amount_keys else ""
    is_up = AMOUNT_KEYS[claim.word][1] > 0 if amount else asks_for_more(claim, direction_of(claim.metric))
    way = amount + way_words(claim.metric, is_up=is_up)
    text = say(f"claims.said.plain.{_kind(claim.metric)}", **values, way=way)
    return capital(text)
