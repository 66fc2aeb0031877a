"""The finding in one line, and the titles of the parts: by rule, and never more than was tested.

A headline names a change only where it is real, calls a frame rate the same only where a difference as large as the
margin is ruled out, never rests on a result carried by one game, and names a loss beyond the margin in any group.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import groupby
from typing import Any

import numpy as np

from gpubench_kit.costs import PER_PRICE, PER_WATT, ahead_of_rival
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.page.results import Block, Pair, Results
from gpubench_kit.statistics.testing import NO_VERDICT
from gpubench_kit.wording.catalogue import has, say
from gpubench_kit.wording.numbers import (
    bound_text,
    change_and_interval_text,
    change_text,
    is_missing,
    money_text,
    watts_text,
)
from gpubench_kit.wording.terms import (
    cut,
    metric_label,
    metric_of,
    names_text,
    of_group,
    reason_words,
    starting,
    subject_text,
    unit_of_change,
)

#: Most words of the headline, and lines on further tunings below it.
MOST_WORDS, FURTHER = 12, 2

_SAME = "same_within_margin"
#: How titles say what is worse, and what is better, where it is not in these words.
_KINDS = {"avg_fps": ("slows", "speeds"), "board_w": ("higher", "lower"), "wall_w": ("higher", "lower")}


def headline(results: Results) -> str:
    """Return the finding of the review in at most `MOST_WORDS` words.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    pair = leading_pair(results)
    return _open_headline(results) if pair is None else line_about(results, pair)


def line_about(results: Results, pair: Pair) -> str:
    """Return what was found about a pair in at most `MOST_WORDS` words, as far as that can be.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    pair : what is compared
    """
    # A loss is never what is left out: first further groups go, then power.
    for groups, with_power in (("all", True), ("worst", True), ("worst", False)):
        text = _line(results, pair, groups=groups, with_power=with_power)
        if len(text.split()) <= MOST_WORDS:
            break
    return text


def line_about_group(results: Results, pair: Pair, group: str) -> str:
    """Return what was found about a pair in one further group of settings.

    Parameters
    ----------
    results, pair : as for `line_about`
    group : of settings
    """
    power, rate = power_of(results, pair, group), rate_of(results, pair, group)
    told = say("headline.not_decided") if rate is None else rate_words(rate)
    return of_group(_named(results, pair, [*([power_words(power)] if is_real(power) else []), told]), group)


def further_lines(results: Results) -> list[str]:
    """Return a line on each of the next tunings that something was found about."""
    first = leading_pair(results)
    others = [pair for pair in _candidates(results) if pair != first and _is_decided(results, pair)]
    return [f"{_line(results, pair, groups='all')}." for pair in others[:FURTHER]] if first else []


def leading_pair(results: Results) -> Pair | None:
    """Return the pair that the headline is about; None where nothing is decided.

    The first whose power is really lower while its frame rate loses less than the margin; else the largest real
    gain; else the largest real loss; else the first about which anything is decided.
    """
    pairs = _candidates(results)
    rates = [(row, pair) for pair in pairs if (row := rate_of(results, pair)) is not None]
    for rate, pair in rates:
        power = power_of(results, pair)
        inside = (_SAME, "worse_but_small", "better_but_small", "better")
        if power is not None and power.verdict == "better" and rate.verdict in inside:
            return pair
    for verdict in ("better", "worse", "worse_but_small"):
        found = [(abs(row.change), pair) for row, pair in rates if row.verdict == verdict]
        if found:
            return max(found, key=lambda one: one[0])[1]
    return next((pair for pair in pairs if _is_decided(results, pair)), None)


def rate_of(results: Results, pair: Pair, group: str | None = None) -> Any:
    """Return the result on the primary metric that a headline may use; None where there is none."""
    return _usable(results.over_games(pair, group or results.groups[0], results.plan.analysis.primary))


def power_of(results: Results, pair: Pair, group: str | None = None) -> Any:
    """Return the result on power that a headline may use; None where there is none."""
    watts = [one for one in results.metrics if metric_of(one).unit == "W"]
    return _usable(results.over_games(pair, group or results.groups[0], watts[0])) if watts else None


def short_reason(row: Any) -> str:
    """Return in a few words why a result has no verdict, or that it was not measured."""
    if row is None:
        return say("answer.not_measured")
    words = reason_words(row.reason)
    key = f"reason.short.{words[0]}" if words else ""
    return say(key) if key and has(key) else (words[0].replace("_", " ") if words else "")


def is_real(row: Any) -> bool:
    """Return whether a result is a real change, large or small."""
    return row is not None and VERDICTS[row.verdict].is_difference


def _usable(row: Any) -> Any:
    """Return a row unless one game carries its verdict."""
    return None if row is None or row.verdict == "no_verdict" or row.carried_by else row


def _candidates(results: Results) -> tuple[Pair, ...]:
    """Return the pairs that a headline may speak of, in the order of the plan."""
    return results.main.pairs if results.main and results.groups else ()


def _is_decided(results: Results, pair: Pair) -> bool:
    """Return whether the frame rate or power of a pair is decided."""
    rate, power = rate_of(results, pair), power_of(results, pair)
    return is_real(rate) or is_real(power) or (rate is not None and rate.verdict == _SAME)


def _line(results: Results, pair: Pair, *, groups: str, with_power: bool = True) -> str:
    """Return what was found about a pair: power, then the rate with groups that lose more, all or the worst."""
    power, rate = power_of(results, pair), rate_of(results, pair)
    facts = [power_words(power)] if is_real(power) and with_power else []
    told, losses = say("headline.not_decided") if rate is None else rate_words(rate), []
    for group in results.groups[1:]:
        row = results.over_games(pair, group, results.plan.analysis.primary)
        if row is not None and row.verdict == "worse":
            text = _size(row) if is_real(rate) and rate.verdict.startswith("worse") else rate_words(row)
            losses.append((abs(row.change), say("headline.group", group=cut(group), amount=text)))
    listed = [text for _, text in sorted(losses, reverse=True)][: 1 if groups == "worst" else None]
    return _named(results, pair, [*facts, f"{told} ({', '.join(listed)})" if listed else told])


def _named(results: Results, pair: Pair, facts: Iterable[str]) -> str:
    """Return facts behind the names that they are about."""
    told = ", ".join(facts)
    if pair.is_between:
        return say("headline.versus", of=pair.of.card, against=pair.against.card, facts=told)
    if pair.is_over_benches:
        return say("headline.versus", of=starting(pair.names[0]), against=pair.names[1], facts=told)
    return say("headline.tuning", tuning=side_of(results, pair), facts=told)


def power_words(row: Any) -> str:
    """Return a real change of power: in watts where their interval is on one side of zero, else in percent."""
    up = row.change > 0
    ends = [getattr(row, name, None) for name in ("change_w", "change_w_ci_low", "change_w_ci_high")]
    if all(not is_missing(end) and end != 0 and (end > 0) == up for end in ends):
        amount = watts_text(abs(row.change_w)).lstrip("+")
        return say(f"headline.watts_{'more' if up else 'less'}", amount=amount)
    return say(f"headline.power_{'more' if up else 'less'}", amount=_size(row))


def rate_words(row: Any) -> str:
    """Return what was found about the primary metric: a real change, the same, or undecided."""
    metric = metric_of(row.metric)
    kind = "rate" if row.metric == "avg_fps" else "metric"
    if is_real(row):
        better = row.verdict.removesuffix("_but_small") in ("better", "higher")
        return say(f"headline.{kind}_{'better' if better else 'worse'}", amount=_size(row), metric=metric.label)
    return say(f"headline.{kind}_{'same' if row.verdict == _SAME else 'undecided'}", metric=metric.label)


def _size(row: Any) -> str:
    """Return the size of a change without its sign."""
    return change_text(abs(row.change), unit_of_change(row)).lstrip("+")


def _open_headline(results: Results) -> str:
    """Return the headline of a review that decides nothing."""
    pairs, primary = _candidates(results), results.plan.analysis.primary
    rows = [(pair, row) for pair in pairs if (row := rate_of(results, pair)) is not None]
    if not rows:
        measured = [results.over_games(pair, results.groups[0], primary) for pair in pairs]
        measured = [row for row in measured if row is not None]
        if any(row.carried_by for row in measured):
            return say("headline.carried")
        why = next((short_reason(row) for row in measured if row.reason), "")
        return say("headline.no_verdict", why=why) if why else say("headline.nothing")
    pair, row = rows[0]
    most = results.runs_each(pairs, results.groups[0], primary)[1]
    if row.metric != "avg_fps" or is_missing(row.ci_low) or row.ci_low >= 0:
        return say("headline.undecided", n=most)
    bound = bound_text(-row.ci_low, "%", up=True)
    return say("headline.undecided_loss", n=most, tuning=results.short(pair.of), bound=bound)


def games_title(results: Results, pair: Pair | None = None, metric: str = "") -> str:
    """Return the title of the table by game: what a tuning does, with the undecided.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    pair : default that of the headline, or the first that changes a game where that one changes none
    metric : default the primary one
    """
    primary = results.plan.analysis.primary
    metric = metric or primary
    if pair is None:
        first = leading_pair(results)
        ranked = [*([first] if first else []), *_candidates(results)]
        # A real change that is not shown to be small.
        changes = {
            one: any(is_real(row) and not VERDICTS[row.verdict].is_small for row in _rows_of(results, one, metric))
            for one in ranked
        }
        pair = next((one for one in ranked if changes[one]), ranked[0])
    rows, of = _rows_of(results, pair, metric), ""
    if metric != primary:
        tuning = pair.of.card if pair.is_between else results.short(pair.of)
        of = say("games.title.metric", metric=metric_label(metric), tuning=tuning)
    n_open = sum(VERDICTS[row.verdict].is_open for row in rows)
    if rows and n_open == len(rows):
        kind = "none" if all(row.verdict == "no_verdict" for row in rows) else "open"
        about = {"n": len(rows)} | ({"of": of} if of else {})
        return say(f"games.title.{kind}_{'of' if of else 'games'}", **about)
    name, kept, parts = of or side_of(results, pair), len(rows) - n_open, []
    for kind, verdict in zip(_KINDS.get(metric, ("worse", "better")), ("worse", "better"), strict=True):
        found = [row.game for row in rows if row.verdict == verdict]
        kept -= len(found)
        # By name up to two, else how many.
        if found and len(found) <= 2:
            parts.append(say(f"games.title.{kind}_named", tuning=name, games=names_text(found)))
        elif found:
            parts.append(say(f"games.title.{kind}", tuning=name, n=len(found)))
    if not parts:
        parts.append(say("games.title.holds", n=kept, tuning=name))
    elif kept:
        parts.append(say("games.title.hold", n=kept))
    parts += [say("games.title.undecided", n=n_open)] * bool(n_open)
    return f"{parts[0]}; {', '.join(parts[1:])}" if parts[1:] else parts[0]


def side_of(results: Results, pair: Pair) -> str:
    """Return the first side of a pair at the start of a sentence; with the other where pairs differ in it."""
    if pair.is_between:
        return pair.of.card
    name = starting(pair.names[0] if pair.is_over_benches else results.short(pair.of))
    others = {one.against for one in _candidates(results) if not one.is_between}
    if len(others) < 2:
        return name
    return say("answer.pair", of=name, against=pair.names[1])


def _rows_of(results: Results, pair: Pair, metric: str) -> list[Any]:
    """Return the results of a pair in the games of the main group."""
    rows = [results.in_game(pair, scene, metric) for scene in results.scenes(results.groups[0])]
    return [row for row in rows if row is not None]


def watts_title(results: Results) -> str:
    """Return the title of the part on watts: the most efficient state, if energy per frame is decided for it."""
    metric, group = "energy_per_frame_j", results.groups[0]
    rows = [(pair, results.over_games(pair, group, metric)) for pair in _candidates(results)]
    known = [(row.change, pair, row) for pair, row in rows if row is not None and not is_missing(row.change)]
    if not known:
        return say("watts.title.plain")
    _, pair, best = min(known, key=lambda one: one[0])
    # The others are compared with the reference only, so nothing is claimed among them where intervals overlap.
    is_first = all(row is best or best.ci_high < row.ci_low for _, _, row in known)
    if is_real(best) and best.change < 0 and not best.carried_by and is_first:
        return say("watts.title.best", tuning=starting(results.short(pair.of)))
    return say("watts.title.plain")


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
