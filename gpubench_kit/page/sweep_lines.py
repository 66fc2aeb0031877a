"""What the page of a sweep and its section in a review share: lines of settings, and two cards at equal power."""

from __future__ import annotations

from collections.abc import Iterator

from gpubench_kit.page.charts.sweep_part import SweptPart
from gpubench_kit.page.charts.sweeps import READINGS, between_cards
from gpubench_kit.page.drawn import figure, figures
from gpubench_kit.page.elements import Markup, heading, paragraph
from gpubench_kit.page.sweep_tables import between_tables
from gpubench_kit.page.sweep_words import lowest_sentences, most_efficient_sentence
from gpubench_kit.sweep.find import Sweep
from gpubench_kit.wording.numbers import percent_text


def parts_of(sweep: Sweep, plan) -> Iterator[SweptPart]:
    """Yield each line of settings of each card, bench and group, in order."""
    names = ["card", "bench", "group"]
    for answer in sweep.answers.itertuples():
        settings, curves = (
            table[(table[names] == [answer.card, answer.bench, answer.group]).all(axis=1)]
            for table in (sweep.settings, sweep.curves)
        )
        subject = [answer.card] * (len(plan.cards) > 1) + [answer.bench] * (len(plan.benches) > 1)
        yield SweptPart(settings, curves, answer, sweep.ladders[answer.card], ", ".join(filter(None, subject)))


def together(parts: list[SweptPart]) -> Iterator[list[SweptPart]]:
    """Yield the lines of one card, bench and group together."""
    groups: dict[tuple, list[SweptPart]] = {}
    for part in parts:
        groups.setdefault((part.answer.card, part.answer.bench, part.answer.group), []).append(part)
    yield from groups.values()


def answer_sentences(sweep: Sweep, plan) -> list[str]:
    """Return the lowest power without a loss that matters, and the most efficient setting, of everything swept."""
    found = together(list(parts_of(sweep, plan)))
    told = [
        one
        for parts in found
        for one in [*lowest_sentences(parts, sweep), most_efficient_sentence(parts[0], sweep)]
    ]
    return [one for one in told if one]


def _between_charts(sweep: Sweep) -> Iterator[Markup]:
    """Yield a chart of each two cards that were both swept, at equal power and at equal frame rate."""
    confidence = float(sweep.answers["confidence"].max())
    for _, rows in sweep.between.groupby(["of_card", "against_card", "bench", "group"], sort=False):
        for reading in READINGS:
            yield figure(between_cards(rows, reading=reading, confidence=confidence))


def between_told(sweep: Sweep) -> Iterator[Markup]:
    """Yield two cards at equal power, where both were swept.

    Parameters
    ----------
    sweep : see `gpubench_kit.sweep.find_tuning`
    """
    found = between_tables(sweep)
    if found:
        yield heading("Card against card")
        yield paragraph(
            "Each card is read off its own curves, at the same power or at the same frame rate. The ranges take in "
            "the bands of both cards and the difference of their factory states, installations and all; together "
            f"they hold at {percent_text(100 * float(sweep.answers['confidence'].max()))} or more. Only what both "
            "ladders surely reach is read."
        )
        yield figures(_between_charts(sweep))
        yield found
