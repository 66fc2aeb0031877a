"""Card against card: ahead by how much, per watt and for the price, how installed, what one sample cannot show."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby

import numpy as np

from gpubench_kit.costs import PER_PRICE, PER_WATT, ahead_of_rival
from gpubench_kit.page.headline import is_real, power_of, power_words, rate_of, rate_words
from gpubench_kit.page.results import Block, Pair, Results
from gpubench_kit.statistics.multiplicity import NO_VERDICT
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import change_and_interval_text, is_missing, money_text
from gpubench_kit.wording.terms import metric_of, names_text, subject_text

#: Installations that are written out one by one, and no more.
_MOST_WRITTEN = 12


def rival_title(results: Results, pair: Pair) -> str:
    """Return the headline of a rival's sheet: the frame rate, then power, of the reviewed card compared with it."""
    rate, power = rate_of(results, pair), power_of(results, pair)
    told = [rate_words(rate)] if rate is not None else []
    told += [power_words(power)] if is_real(power) else []
    return say("rival.title", rival=pair.against.card, facts=", ".join(told) or say("headline.not_decided"))


def rival_text(results: Results, block: Block) -> str:
    """Return what stands below the headline: performance per watt and price, installations, samples."""
    pair = block.pairs[0]
    return " ".join([*_ahead(results, pair), *installed_sentences(results, pair), *_open_questions(results, block)])


def pair_name(pair: Pair) -> str:
    """Return both tunings of a pair of cards; where they differ, with the rival's name."""
    if pair.of.tuning == pair.against.tuning:
        return say("rival.both", tuning=pair.of.tuning)
    return say("answer.pair", of=pair.of.tuning, against=subject_text(pair.against, with_card=True))


def _ahead(results: Results, pair: Pair) -> Iterator[str]:
    """Yield performance per watt and for the price, with prices."""
    rows = ahead_of_rival(results.comparisons, results.overall, results.plan)
    names = ["of_card", "of_tuning", "against_card", "against_tuning", "game", "group"]
    is_its = (rows[names] == [*pair.of[:2], *pair.against[:2], "", results.groups[0]]).all(axis=1)
    known = {row.quantity: row for row in rows[is_its].itertuples()}
    for quantity, key in ((PER_WATT, "per_watt"), (PER_PRICE, "per_price")):
        row = known.get(quantity)
        if row is None or is_missing(row.ci_low):
            continue
        change = change_and_interval_text(row.change, row.ci_low, row.ci_high)
        is_open = row.ci_low <= 0 <= row.ci_high
        yield say(f"rival.{key}_open" if is_open else f"rival.{key}", change=change)
    prices = {card.name: card.price for card in results.plan.cards}
    sides = (pair.of.card, pair.against.card)
    lacking = [card for card in sides if prices.get(card) is None]
    if not lacking:
        own, other = (money_text(prices[card], results.plan.costs.currency) for card in sides)
        yield say("rival.price", price=own, rival=other)
    elif len(lacking) == 1:
        yield say("rival.no_price", card=lacking[0])


def installed_sentences(results: Results, pair: Pair) -> Iterator[str]:
    """Yield how often and in which order two cards were installed, and what one sample of each cannot show."""
    names = (pair.of.card, pair.against.card)
    samples = {name: results.plan.cards_named(name) for name in names}
    if max(map(len, samples.values())) > 1:
        first, second = (say("rival.samples", n=len(samples[name]), card=name) for name in names)
        yield say("rival.samples_measured", first=first, second=second)
        if min(map(len, samples.values())) < 5:
            yield say("rival.samples_few")
        return
    letters = {card: letter for letter, cards in zip("AB", samples.values(), strict=True) for card in cards}
    runs = results.runs
    used = runs[runs["used"].fillna(False).astype(bool) & runs["card"].isin(letters)]
    done = used["order_done"].fillna(used["order"]).astype("Float64").to_numpy(dtype=float, na_value=np.inf)
    used = used.iloc[np.argsort(done, kind="stable")]
    order = [letters[card] for (card, _), _ in groupby(zip(used["card"], used["session"], strict=True))]
    counts = [order.count(letter) for letter in "AB"]
    if counts == [1, 1]:
        yield say("rival.once")
    elif all(counts):
        times = [say("rival.times", card=name, n=count) for name, count in zip(names, counts, strict=True)]
        turns = say("rival.turns", order=" ".join(order)) if 2 < len(order) <= _MOST_WRITTEN else ""
        yield say("rival.installed", first=times[0], second=times[1], turns=turns)
    rows = [results.over_games(pair, group, results.plan.analysis.primary) for group in results.groups]
    if any(row is not None and row.layout == "restarts" for row in rows):
        yield say("rival.unit")
    yield say("rival.one_sample", of=names[0], against=names[1])


def _open_questions(results: Results, block: Block) -> Iterator[str]:
    """Yield what keeps the two cards from being compared."""
    rows = [
        row
        for pair in block.pairs
        for group in results.groups
        for metric in results.plan.analysis.metrics
        if (row := results.over_games(pair, group, metric)) is not None and row.verdict == NO_VERDICT
    ]
    reasons = {row.reason.partition(":")[0] for row in rows}
    lost = dict.fromkeys(metric_of(row.metric).label for row in rows if row.reason.startswith("confounded"))
    if lost:
        yield say("rival.confounded", metrics=names_text(lost))
    if "different_power_points" in reasons:
        yield say("rival.power_apart")
