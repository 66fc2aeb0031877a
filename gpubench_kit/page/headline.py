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
    saving = [pair for pair in pairs if _saves_power(results, pair)]
    if saving:
        return saving[0]
    rates = [(row, pair) for pair in pairs if (row := rate_of(results, pair)) is not None]
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


def _is_beyond(row: Any) -> bool:
    """Return whether a result is a real change that is not shown to be small."""
    return is_real(row) and not VERDICTS[row.verdict].is_small


def _usable(row: Any) -> Any:
    """Return a row unless one game carries its verdict."""
    return None if row is None or row.verdict == "no_verdict" or row.carried_by else row


def _candidates(results: Results) -> tuple[Pair, ...]:
    """Return the pairs that a headline may speak of, in the order of the plan."""
    return results.main.pairs if results.main and results.groups else ()


def _saves_power(results: Results, pair: Pair) -> bool:
    """Return whether power is really lower and any loss of the frame rate is inside the margin."""
    power, rate = power_of(results, pair), rate_of(results, pair)
    is_lower = power is not None and power.verdict == "better"
    inside = (_SAME, "worse_but_small", "better_but_small", "better")
    return is_lower and rate is not None and rate.verdict in inside


def _is_decided(results: Results, pair: Pair) -> bool:
    """Return whether the frame rate or power of a pair is decided."""
    rate, power = rate_of(results, pair), power_of(results, pair)
    return is_real(rate) or is_real(power) or (rate is not None and rate.verdict == _SAME)


def _line(results: Results, pair: Pair, *, groups: str, with_power: bool = True) -> str:
    """Return what was found about a pair; groups with a further loss all, or the worst only."""
    return _named(results, pair, _facts(results, pair, groups=groups, with_power=with_power))


def _named(results: Results, pair: Pair, facts: Iterable[str]) -> str:
    """Return facts behind the names that they are about."""
    told = ", ".join(facts)
    if pair.is_between:
        return say("headline.versus", of=pair.of.card, against=pair.against.card, facts=told)
    if pair.is_over_benches:
        return say("headline.versus", of=starting(pair.names[0]), against=pair.names[1], facts=told)
    return say("headline.tuning", tuning=side_of(results, pair), facts=told)


def _facts(results: Results, pair: Pair, *, groups: str, with_power: bool) -> Iterator[str]:
    """Yield power, then the frame rate with the groups in which more is lost."""
    power = power_of(results, pair)
    if is_real(power) and with_power:
        yield power_words(power)
    rate = rate_of(results, pair)
    losses = list(_group_losses(results, pair, rate))
    if groups == "worst":
        losses = losses[:1]
    told = say("headline.not_decided") if rate is None else rate_words(rate)
    yield f"{told} ({', '.join(text for _, text in losses)})" if losses else told


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


def _group_losses(results: Results, pair: Pair, main: Any) -> Iterator[tuple[float, str]]:
    """Yield the other groups in which the primary metric really loses more than the margin, the worst first."""
    found = []
    for group in results.groups[1:]:
        row = results.over_games(pair, group, results.plan.analysis.primary)
        if row is not None and row.verdict == "worse":
            is_same_way = is_real(main) and main.verdict.startswith("worse")
            text = _size(row) if is_same_way else rate_words(row)
            found.append((abs(row.change), say("headline.group", group=cut(group), amount=text)))
    yield from sorted(found, reverse=True)


def _size(row: Any) -> str:
    """Return the size of a change without its sign."""
    return change_text(abs(row.change), "%" if row.scale == "ratio" else row.unit).lstrip("+")


def _open_headline(results: Results) -> str:
    """Return the headline of a review that decides nothing."""
    pairs = _candidates(results)
    rows = [(pair, row) for pair in pairs if (row := rate_of(results, pair)) is not None]
    if not rows:
        carried = [pair for pair in pairs if _carried(results, pair)]
        if carried:
            return say("headline.carried")
        measured = [results.over_games(pair, results.groups[0], results.plan.analysis.primary) for pair in pairs]
        why = next((short_reason(row) for row in measured if row is not None and row.reason), "")
        return say("headline.no_verdict", why=why) if why else say("headline.nothing")
    pair, row = rows[0]
    most = results.runs_each(pairs, results.groups[0], results.plan.analysis.primary)[1]
    if row.metric != "avg_fps" or is_missing(row.ci_low) or row.ci_low >= 0:
        return say("headline.undecided", n=most)
    bound = bound_text(-row.ci_low, "%", up=True)
    return say("headline.undecided_loss", n=most, tuning=results.short(pair.of), bound=bound)


def _carried(results: Results, pair: Pair) -> bool:
    """Return whether the primary result of a pair is carried by one game."""
    row = results.over_games(pair, results.groups[0], results.plan.analysis.primary)
    return row is not None and bool(row.carried_by)


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
        changing = [one for one in ranked if any(map(_is_beyond, _rows_of(results, one, metric)))]
        pair = (changing or ranked)[0]
    rows = _rows_of(results, pair, metric)
    open_ = [row for row in rows if VERDICTS[row.verdict].is_open]
    of = "" if metric == primary else _metric_of_pair(results, pair, metric)
    if rows and len(open_) == len(rows):
        kind = "none" if all(row.verdict == "no_verdict" for row in rows) else "open"
        about = {"n": len(rows)} | ({"of": of} if of else {})
        return say(f"games.title.{kind}_{'of' if of else 'games'}", **about)
    return _games_line(rows, len(open_), name=of or side_of(results, pair), metric=metric)


def _games_line(rows: list[Any], n_open: int, *, name: str, metric: str) -> str:
    """Return in how many games something is worse, better, within the margin, undecided."""
    worse, better = (_games(rows, verdict) for verdict in ("worse", "better"))
    kept = len(rows) - n_open - len(worse) - len(better)
    kinds = _KINDS.get(metric, ("worse", "better"))
    parts = [_games_clause(name, kind, found) for kind, found in zip(kinds, (worse, better), strict=True) if found]
    parts += (
        [say("games.title.hold", n=kept)] * bool(kept) if parts else [say("games.title.holds", n=kept, tuning=name)]
    )
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


def _metric_of_pair(results: Results, pair: Pair, metric: str) -> str:
    """Return a metric of the first side of a pair at the start of a sentence."""
    of = pair.of.card if pair.is_between else results.short(pair.of)
    return say("games.title.metric", metric=metric_label(metric), tuning=of)


def _rows_of(results: Results, pair: Pair, metric: str) -> list[Any]:
    """Return the results of a pair in the games of the main group."""
    rows = [results.in_game(pair, scene, metric) for scene in results.scenes(results.groups[0])]
    return [row for row in rows if row is not None]


def _games(rows: Iterable[Any], verdict: str) -> list[str]:
    """Return the games of one verdict."""
    return [row.game for row in rows if row.verdict == verdict]


def _games_clause(name: str, kind: str, games: list[str]) -> str:
    """Return which games a tuning slows or speeds up: by name up to two, else how many."""
    if len(games) <= 2:
        return say(f"games.title.{kind}_named", tuning=name, games=names_text(games))
    return say(f"games.title.{kind}", tuning=name, n=len(games))


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
