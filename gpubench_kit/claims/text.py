"""What a claim was held against, and what may be said instead: both in words, numbers rounded."""

from __future__ import annotations

from collections import Counter

from gpubench_kit.claims.classify import ClassifiedResult, Verdict
from gpubench_kit.claims.rules import CONTRADICTED, SUPPORTED
from gpubench_kit.claims.sentences import (
    amount_sentence,
    assumption,
    best_sentence,
    change_words,
    label_words,
    loss_bound,
    loss_sentence,
    margin_words,
    modest_sentence,
    place,
    reasons_text,
    sides,
    unsafe_order,
    way_words,
    whose,
)
from gpubench_kit.claims.targets import listed, scene_text
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.sections import AMOUNT_KEYS, OVER_WORDS, Claim, SubjectText
from gpubench_kit.statistics.multiplicity import NO_VERDICT, UNDECIDED
from gpubench_kit.statistics.units import direction_of
from gpubench_kit.wording.numbers import bound_text, change_text, count_text, is_missing, percent_text

_MOST_GAMES, _MOST_GROUPS = 4, 3
_AMOUNTS = ("at_least", "at_most")

_AGAINST, _SAME, _NOT_SHOWN, _OPEN = "Against it", "Same within the margin", "Not shown", "Open"
#: How scenes stand that do not bear a claim out, and how one and how several are counted in a sentence.
_STANDING: dict[str, tuple[str, ...]] = {
    _AGAINST: (),
    _SAME: ("scene is the same within our margin", "scenes are the same within our margin"),
    _NOT_SHOWN: ("scene does not show it", "scenes do not show it"),
    _OPEN: ("scene is open", "scenes are open"),
}


def subject_words(subject: SubjectText) -> str:
    """Return one side of a claim as written: card, tuning and bench, as far as given."""
    return ", ".join(part for part in (subject.card, subject.tuning, subject.bench) if part)


def over_words(claim: Claim) -> str:
    """Return the games that a claim speaks of, and its group."""
    words = claim.over.replace("_", " ") if claim.over in OVER_WORDS else claim.over
    return f"{words}, {claim.group}" if claim.group else words


def by_words(claim: Claim) -> str:
    """Return the amount of a claim with its unit; nothing where it gives none."""
    if claim.size is None:
        return ""
    return change_text(claim.amount, METRICS[claim.metric].unit if claim.is_in_unit else "%")


def size_words(claim: Claim) -> str:
    """Return the amount of a claim as it is written, without sign; nothing where it gives none."""
    return by_words(claim).lstrip("+−")


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
        way = "higher" if AMOUNT_KEYS[claim.word][1] > 0 else "lower"
        parts.append(f"Read as: {METRICS[claim.metric].label} {_amount_words(claim)} {way}.")
    if claim.over != "every_game":
        parts += [_result_text(one, claim) for one in verdict.classified]
        return " ".join([*parts, *verdict.lacking])
    others = [one for one in verdict.classified if one.outcome != SUPPORTED]
    if verdict.classified:
        every = len(verdict.classified)
        parts.append(f"{every - len(others)} of {count_text(every, 'scene')} support it.")
    for label in _STANDING:
        rows = [one for one in others if _standing_among_many(one, claim) == label]
        parts += [f"{label}: {listed(map(_scene_result, rows), _MOST_GAMES)}."] if rows else []
    return " ".join([*parts, *verdict.lacking])


def suggestion(verdict: Verdict, *, plan: ReviewPlan) -> str:
    """Return the sentence that may be said: the strongest where a claim is supported, else the weakest true one.

    Parameters
    ----------
    verdict : see `gpubench_kit.claims.classify.classify_claim`
    plan : ReviewPlan
    """
    if not verdict.classified:
        return "Nothing can be said: " + " ".join(verdict.lacking)[:1].lower() + " ".join(verdict.lacking)[1:]
    if verdict.claim.over == "every_game" and len(verdict.classified) > 1:
        row, count = verdict.classified[0].target.row, len(verdict.classified)
        # An assumption, and an order that is not known.
        rows = [one.target.row for one in verdict.classified]
        assumed = dict.fromkeys(assumption(one, plan) for one in rows)
        clause, rests_on = _shared_clause(verdict, plan), "".join(assumed) + unsafe_order(rows)
        if verdict.outcome == SUPPORTED:
            return f"{clause} in each of our {count} scenes{whose(row, plan)}{rests_on}."
        held = [one for one in verdict.classified if _stands_among_many(one, verdict.claim)]
        others = [one for one in verdict.classified if one not in held]
        against = [one for one in others if one.outcome == CONTRADICTED]
        where = f"in {len(held)} of our {count} scenes{whose(row, plan)}{rests_on * bool(held)}"
        text = (
            f"{clause} {where}" if held else f"In none of our {count} scenes is the claim shown{whose(row, plan)}"
        )
        if against:
            text += f"; not so in {listed(map(_short_result, against), _MOST_GAMES)}"
        counts = Counter(_standing_among_many(one, verdict.claim) for one in others)
        left = [f"; {count_text(counts[one], *words)}" for one, words in _STANDING.items() if words and counts[one]]
        return f"{''.join([text, *left])}."
    return " ".join(_sentence(one, verdict, plan) for one in verdict.classified[:_MOST_GROUPS])


def standing(row) -> str:
    """Return how a result stands: its verdict, what must be known about it, and the games left out.

    Parameters
    ----------
    row : row of ``comparisons`` or ``overall``
    """
    words = _verdict_words(row)
    parts = [f"{words[:1].upper()}{words[1:]}.", reasons_text(row), _left_out(row)]
    return " ".join(part for part in parts if part)


def _amount_words(claim: Claim) -> str:
    """Return the amount of a claim without its way, for example ``at least 30.0 W``."""
    return f"at {'least' if claim.word.endswith('at_least') else 'most'} {size_words(claim)}"


def _result_text(one: ClassifiedResult, claim: Claim) -> str:
    """Return one result with its interval, its verdict and what must be known about it."""
    row, amounts, own = one.target.row, one.target.amounts, one.target.own
    where = place(row)
    where = where[:1].upper() + where[1:]
    if row.verdict == NO_VERDICT:
        return f"{where}: no verdict. {reasons_text(row)}"
    parts = [f"{where}: {change_words(amounts, confidence=row.confidence)}; {_verdict_words(row)}."]
    if claim.kind in _AMOUNTS:
        ends = (change_text(end, amounts.unit) for end in (amounts.equivalence_ci_low, amounts.equivalence_ci_high))
        parts.append(f"One-sided {percent_text(100 * row.confidence)} ends: {' and '.join(ends)}.")
    if one.target.is_named and own is not None and row.borrowed:
        parts.append(f"By its own runs alone: {change_words(own, confidence=row.confidence)}.")
    parts += [one.limited.text if one.limited else "", reasons_text(row), _left_out(row)]
    return " ".join(part for part in parts if part)


def _verdict_words(row) -> str:
    """Return a verdict in words, with the margin that it was held against."""
    words = row.verdict.replace("_but_small", ", but by less than the margin").replace("_", " ")
    return words if is_missing(row.margin) else f"{words} (margin {margin_words(row)})"


def _left_out(row) -> str:
    """Return which games did not enter a result over games."""
    names = getattr(row, "games_left_out", "")
    return f"Left out: {names}." if names else ""


def _standing_among_many(one: ClassifiedResult, claim: Claim) -> str:
    """Return how a scene stands that does not bear a claim out: open is what no verdict answers."""
    if one.outcome == CONTRADICTED:
        return _AGAINST
    # A verdict is about zero and the margin: whether an amount is reached stays open.
    if one.target.row.verdict in (UNDECIDED, NO_VERDICT) or claim.kind in _AMOUNTS:
        return _OPEN
    return _SAME if one.target.row.verdict == "same_within_margin" else _NOT_SHOWN


def _scene_result(one: ClassifiedResult) -> str:
    """Return a scene with its change, or why it has no verdict."""
    row = one.target.row
    name = scene_text(row.game, row.setting)
    if row.verdict == NO_VERDICT:
        return f"{name} (no verdict: {reasons_text(row).rstrip('.')})"
    return f"{name} ({change_words(one.target.amounts, confidence=row.confidence)})"


def _sentence(one: ClassifiedResult, verdict: Verdict, plan: ReviewPlan) -> str:
    """Return the sentence that one result bears out."""
    if one.outcome != SUPPORTED:
        return modest_sentence(one.target, plan)
    claim = verdict.claim
    if claim.amount is not None:
        return amount_sentence(one.target, claim.amount, is_least=claim.kind == "at_least", plan=plan)
    return loss_sentence(one.target, plan) if claim.kind == "no_loss" else best_sentence(one.target, plan)


def _stands_among_many(one: ClassifiedResult, claim: Claim) -> bool:
    """Return whether a scene may be counted among those that bear a claim out: adjusted for how many there are."""
    if claim.kind == "no_loss":
        return one.outcome == SUPPORTED and bool(one.target.row.no_loss)
    # The one-sided intervals of amounts are those of single scenes, so they are counted only if all agree.
    return one.outcome == SUPPORTED and claim.kind not in _AMOUNTS


def _short_result(one: ClassifiedResult) -> str:
    """Return a scene with its change."""
    row = one.target.row
    return (
        f"{scene_text(row.game, row.setting)} ({change_text(one.target.amounts.change, one.target.amounts.unit)})"
    )


def _shared_clause(verdict: Verdict, plan: ReviewPlan) -> str:
    """Return what scenes that bear a claim out share; where all do, with a bound that holds in each."""
    claim, row = verdict.claim, verdict.classified[0].target.row
    of, against = sides(row, plan)
    label = label_words(claim.metric)
    if claim.kind == "no_loss":
        bounds = [loss_bound(one.target) for one in verdict.classified]
        is_whole = verdict.outcome == SUPPORTED
        bound = (
            bound_text(max(bounds), ("%" if row.scale == "ratio" else row.unit), up=True)
            if is_whole
            else f"our margin of {margin_words(row)}"
        )
        word = "loss" if direction_of(claim.metric) > 0 else "rise"
        return f"Any {word} of {label} with {of} against {against} is smaller than {bound}"
    if claim.kind == "same":
        return (
            f"There is no difference of {label} between {of} and {against} beyond our margin of {margin_words(row)}"
        )
    if claim.amount_keys:
        way = f"{_amount_words(claim)} {way_words(claim.metric, is_up=AMOUNT_KEYS[claim.word][1] > 0)}"
    else:
        way = way_words(claim.metric, is_up=(claim.kind == "better") == (direction_of(claim.metric) > 0))
    if claim.metric == "avg_fps":
        return f"{of} was {way} than {against}"
    return f"{label[:1].upper()}{label[1:]} was {way} with {of} than with {against}"
