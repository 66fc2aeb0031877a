"""Claims that are read off a sweep: frame rate at equal power, power at equal frame rate."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.claims.classify import NO_P, ClaimP, combined, outcome_of_all
from gpubench_kit.claims.rules import NOT_SHOWN, outcome_of_interval
from gpubench_kit.costs import Span
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.references import Pair, Subject
from gpubench_kit.model.plan.sections import READINGS, Claim
from gpubench_kit.statistics.adapters import normal_cdf, normal_quantile
from gpubench_kit.statistics.units import direction_of
from gpubench_kit.wording.numbers import change_text, count_text, interval_text, percent_text
from gpubench_kit.wording.reasons import reason_sentences

_LEADS = {"at_w": "at {} W", "at_fps": "at {} fps", "at_loss_pct": "where {} % of the frame rate is given up"}
_NO_BAND = (
    "The settings do not follow a curve that only rises and flattens, so there is no range to hold it against."
)
_LOOKS = "These results were looked at too often for any verdict."
#: In the place of key and value where a claim is not read off a sweep: no word is known for it.
_NOT_READ = ("", 0.0)
_ONE_CURVE = "Both sides are read off the same curve."


@dataclass(frozen=True)
class _Read:
    """One reading under a claim: its change [%] and difference [fps or W], and the words for both sides."""

    change: Span
    difference: Span
    sides: tuple[str, str]
    n_games: int
    group: str


def classify_reading(claim: Claim, sweep: Any, plan: ReviewPlan) -> dict[str, Any]:
    """Return outcome, evidence and the sentence that may be said of a claim that is read off a sweep.

    Parameters
    ----------
    claim : entry of ``plan.claims`` with a ``reading``
    sweep : Sweep, or None where the review has none
    plan : ReviewPlan

    Returns
    -------
    dict with ``by``, ``verdict``, ``evidence``, ``suggested_text``

    Notes
    -----
    A claim is supported where the whole range of the reading lies on its side, contradicted where it lies on
    the other. Ranges are made of bands that hold together, so this is stricter than the test of a measured
    amount. On one card the factory state stands for itself, and any other tuning for the curve that it lies on.
    """
    found = list(_readings(claim, sweep, plan))
    reads = [one for one in found if isinstance(one, _Read)]
    lacking = list(dict.fromkeys(one for one in found if isinstance(one, str)))
    key, given = claim.reading or _NOT_READ
    unit = METRICS[claim.metric].unit if claim.is_in_unit else "%"
    shown = f"{change_text(claim.size, unit).lstrip('+')} " if claim.size is not None else ""
    by = f"{shown}{_LEADS[key].format(f'{given:g}')}"
    if not reads:
        why = " ".join(lacking)
        return {
            "by": by,
            "verdict": NOT_SHOWN,
            "evidence": why,
            "suggested_text": f"Nothing can be said: {why[:1].lower()}{why[1:]}",
        }
    spans, is_up = [_chosen(claim, one)[0] for one in reads], _asks_for_more(claim)
    outcomes = [
        outcome_of_interval(one.low, one.high, claim, is_up=is_up)
        if np.isfinite([one.low, one.high]).all()
        else NOT_SHOWN
        for one in spans
    ]
    level = percent_text(100 * float(sweep.answers["confidence"].max()))
    text = [f"{_place(claim)}: {_span_text(claim, one)}" for one in reads]
    evidence = [f"Read off fitted curves, ranges that hold together at {level} or more.", *text, *lacking]
    return {
        "by": by,
        "verdict": outcome_of_all(outcomes, is_whole=not lacking),
        "evidence": " ".join(evidence),
        "suggested_text": " ".join(_sentence(claim, one) for one in reads),
    }


def p_of_reading(claim: Claim, sweep: Any, plan: ReviewPlan) -> ClaimP:
    """Return the p-values of a claim that is read off a sweep: at which its range would meet what is claimed.

    Parameters
    ----------
    claim, sweep, plan : as in `classify_reading`

    Notes
    -----
    The range is known at one confidence. Its width at others is taken to follow the normal quantiles, so the p is
    below ``1 - confidence`` just where the range lies on the claim's side. It must hold in every reading: the
    largest p; its opposite in one: k times the smallest of k.
    """
    found = list(_readings(claim, sweep, plan))
    reads = [one for one in found if isinstance(one, _Read)]
    if not reads:
        return NO_P
    level = 1 - float(sweep.answers["confidence"].max())
    every = [_p_of_span(claim, _chosen(claim, one)[0], level=level) for one in reads]
    both = combined(every)
    return both if len(reads) == len(found) else replace(both, supports=float("nan"))


def _p_of_span(claim: Claim, span: Span, *, level: float) -> ClaimP:
    """Return the p-values of a claim by one range, two-sided as the range is."""
    if not np.isfinite([span.low, span.high]).all():
        return NO_P
    ways = (span.low, span.high) if _asks_for_more(claim) else (span.high, span.low)
    return ClaimP(*(
        _p_beyond(span.value - (claim.amount or 0.0), end - span.value, level=level) for end in ways
    ))  # fmt: skip


def _p_beyond(distance: float, reach: float, *, level: float) -> float:
    """Return the p of a distance from what is claimed, where a range reaches back so far at a level."""
    if distance * reach >= 0:
        return 1.0
    # Rounded, so that a range that just meets what is claimed has the level itself.
    return round(float(2 * normal_cdf(-normal_quantile(1 - level / 2) * abs(distance / reach))), 12)


def _asks_for_more(claim: Claim) -> bool:
    """Return whether a claim asks for a higher value, of the change with its sign."""
    if claim.kind in ("better", "worse"):
        return (claim.kind == "better") == (direction_of(claim.metric) > 0)
    return claim.kind == "at_least"


def _readings(claim: Claim, sweep: Any, plan: ReviewPlan) -> Iterator[_Read | str]:
    """Yield what a claim must agree with, on every bench and in every group that it speaks of; or why not."""
    if sweep is None or sweep.too_many_looks:
        yield _LOOKS if sweep else "The review has no sweep to read it off."
        return
    for pair in plan.pairs_of(claim):
        read = _on_one_card if pair.of.card == pair.against.card else _between_cards
        groups = [one for one in sweep.answers["group"].unique() if claim.group in ("", one)]
        for group in groups:
            yield read(claim, pair, sweep, group=group)


def _on_one_card(claim: Claim, pair: Pair, sweep: Any, *, group: str) -> _Read | str:
    """Return a setting's curve against the factory state, or against the curve of another setting."""
    of_side, against_side = (_side(claim, one, sweep, group=group) for one in (pair.of, pair.against))
    if isinstance(of_side, str):
        return of_side
    if isinstance(against_side, str):
        return against_side
    (of, of_words), (against, against_words) = of_side, against_side
    if of_words == against_words:
        return _ONE_CURVE
    settings = _of(sweep.settings, {"card": pair.of.card, "bench": pair.of.bench, "group": group})
    games = int(settings["n_games"].max())
    words = f"our {pair.of.card} {of_words}", against_words
    return _Read(of.change_from(against), of.minus(against), words, games, group)


def _side(claim: Claim, subject: Subject, sweep: Any, *, group: str) -> tuple[Span, str] | str:
    """Return level and words of one side on one card, or why there is none."""
    place = {"card": subject.card, "bench": subject.bench, "group": group}
    rows = _of(sweep.settings, place | {"tuning": subject.tuning})
    if not len(rows):
        return f"“{subject.tuning}” on our {subject.card} is no measured setting of the ladder."
    setting = rows.iloc[0]
    if setting["is_factory"]:
        return Span(*[float(setting[claim.metric])] * 3), "in its factory state"
    key, given = claim.reading or _NOT_READ
    read = _of(sweep.readings, place | {"line": setting["line"], "reading": READINGS[key][1], "given": given})
    words = f"with {setting['line'] or f'the {sweep.ladders[subject.card].label} alone'}"
    return (_span_of(read.iloc[0], "value", "ci_low", "ci_high"), words) if len(read) else _out_of_reach(claim)


def _between_cards(claim: Claim, pair: Pair, sweep: Any, *, group: str) -> _Read | str:
    """Return one card's curve against that of another."""
    key, given = claim.reading or _NOT_READ
    cards = (pair.of.card, pair.against.card)
    for of, against in (cards, cards[::-1]):
        place = {"of_card": of, "against_card": against, "bench": pair.of.bench, "group": group}
        rows = _of(sweep.between, place)
        why = [one for one in rows["reason"] if one]
        if why:
            return " ".join(reason_sentences(why[0], between_cards=True))
        rows = _of(rows, {"reading": READINGS[key][1], "given": given})
        if len(rows):
            row = rows.iloc[0]
            is_turned = of != cards[0]
            change = _span_of(row, "change", "ci_low", "ci_high")
            difference = _span_of(row, "difference", "difference_ci_low", "difference_ci_high")
            if is_turned:
                whole = Span(100.0, 100.0, 100.0)
                level = Span(*(100 + one for one in (change.value, change.low, change.high)))
                change, difference = whole.change_from(level), difference.times(-1)
            of_group = _of(sweep.settings, {"card": cards[0], "bench": row["bench"], "group": row["group"]})
            words = (f"our {cards[0]}", f"our {cards[1]}")
            return _Read(change, difference, words, int(of_group["n_games"].max()), row["group"])
    return _out_of_reach(claim)


def _of(table: pd.DataFrame, wanted: dict[str, Any]) -> pd.DataFrame:
    """Return the rows of a table that have these values."""
    return table[np.logical_and.reduce([table[name] == value for name, value in wanted.items()])]


def _span_of(row: pd.Series, *names: str) -> Span:
    """Return columns as a span."""
    return Span(*(float(row[name]) for name in names))


def _out_of_reach(claim: Claim) -> str:
    """Return that the curves do not reach the place."""
    return f"{_place(claim)} nothing can be read: not every curve reaches it, its range included."


def _place(claim: Claim) -> str:
    """Return where a claim is read, as the beginning of a sentence."""
    key, given = claim.reading or _NOT_READ
    text = _LEADS[key].format(f"{given:g}")
    return f"{text[:1].upper()}{text[1:]}"


def _chosen(claim: Claim, read: _Read) -> tuple[Span, str]:
    """Return the change in the unit that a claim speaks in, and that unit."""
    return (read.difference, METRICS[claim.metric].unit) if claim.is_in_unit else (read.change, "%")


def _span_text(claim: Claim, read: _Read) -> str:
    """Return a reading with its range, as a sentence without a beginning."""
    span, unit = _chosen(claim, read)
    about = "" if read.group == "all" else f" at {read.group}"
    if not np.isfinite([span.low, span.high]).all():
        return f"{change_text(span.value, unit)} over {count_text(read.n_games, 'game')}{about}. {_NO_BAND}"
    ends = interval_text(span.low, span.high, unit)
    return f"{change_text(span.value, unit)}, range {ends}, over {count_text(read.n_games, 'game')}{about}."


def _sentence(claim: Claim, read: _Read) -> str:
    """Return what may be said."""
    span, unit = _chosen(claim, read)
    of, against = read.sides
    label = f"the {METRICS[claim.metric].label} of {of}"
    other = f"that of {against}" if against.startswith("our ") else f"that {against}"
    if not np.isfinite([span.low, span.high]).all():
        return f"{_place(claim)}, {label} cannot be held against {other}: {_NO_BAND[:1].lower()}{_NO_BAND[1:]}"
    if span.low <= 0 <= span.high:
        said = f"cannot be told from {other}"
    else:
        size = change_text(abs(span.value), unit).lstrip("+")
        said = f"was about {size} {'higher' if span.value > 0 else 'lower'} than {other}"
    return f"{_place(claim)}, {label} {said} (read off the sweep: {_span_text(claim, read).rstrip('.')})."
