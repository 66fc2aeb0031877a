"""The section on card against rival: ahead by how much, how installed, and what one sample cannot show."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.claims.words import assumption
from gpubench_kit.costs.against_rival import PER_PRICE, PER_WATT, PERFORMANCE, ahead_of_rival
from gpubench_kit.figures.rival import draw_ahead, quantity_text, tunings_text
from gpubench_kit.page.elements import (
    Column,
    Markup,
    bullets,
    details,
    heading,
    join,
    note,
    paragraph,
    stacked,
    table,
)
from gpubench_kit.page.pairs import groups_in
from gpubench_kit.page.places import chart_grid, pictures_of
from gpubench_kit.page.section import Section, left_out
from gpubench_kit.page.wording import caution_sentences, change_with_interval, verdict_mark
from gpubench_kit.statistics.verdict import NO_VERDICT
from gpubench_kit.wording.numbers import change_and_interval_text, change_text, count_text, is_missing
from gpubench_kit.wording.reasons import sentences_of
from gpubench_kit.wording.terms import metric_of, names_text, of_group, scene_text, sentence

#: Exchanges that are written out one by one, and no more.
_MOST_WRITTEN = 12

_ADVICE = (
    "Install each card at least twice, taking turns (A B B A), or state in the plan by how much installations vary "
    "(restart_spread): then there is a verdict."
)


@dataclass(frozen=True)
class _Cards:
    """Two cards (or models) and the rows about them."""

    of: str
    against: str
    ahead: pd.DataFrame
    overall: pd.DataFrame


def against_rival(comparisons: pd.DataFrame, overall: pd.DataFrame, *, runs: pd.DataFrame, plan) -> Section:
    """Return the section on card against rival.

    Parameters
    ----------
    comparisons : DataFrame, one row per (pair, game, setting, metric); see ``tables.COMPARISONS``
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    runs : DataFrame, one row per run; see ``tables.RUNS``
    plan : ReviewPlan

    Returns
    -------
    Section; left out where no two cards were compared
    """
    name, title = "rival", "Card against card"
    ahead = ahead_of_rival(comparisons, overall, plan)
    between = overall[(overall["of_card"] != overall["against_card"]) & (overall["scope"] == "these_games")]
    if not len(between):
        return left_out(name, title, "no two cards were compared")
    parts, charts = [], []
    for group in groups_in(between, plan):
        for cards in _cards_in(between[between["group"] == group], ahead[ahead["group"] == group]):
            chart = draw_ahead(ahead, plan, cards=(cards.of, cards.against), group=group)
            charts.append(chart)
            about = of_group(f"{cards.of} against {cards.against}", group)
            parts += [heading(about), *_block(cards, chart, runs=runs, plan=plan)]
    return Section(name, title, join(parts), pictures=pictures_of(charts))


def _cards_in(overall: pd.DataFrame, ahead: pd.DataFrame) -> Iterator[_Cards]:
    """Yield the pairs of cards, in order, with their rows."""
    for of, against in overall[["of_card", "against_card"]].drop_duplicates().itertuples(index=False):
        of_pair = (rows[(rows["of_card"] == of) & (rows["against_card"] == against)] for rows in (ahead, overall))
        yield _Cards(of, against, *of_pair)


def _block(cards: _Cards, chart, *, runs: pd.DataFrame, plan) -> Iterator[Markup]:
    """Yield what is told of two cards."""
    yield bullets(ahead_sentences(cards.ahead, plan))
    yield paragraph(" ".join(installed_sentences(cards, runs, plan)))
    yield from (note(one) for one in _open_questions(cards, plan))
    yield chart_grid([chart])
    yield _over_games(cards, plan)
    about = f"{cards.of} against {cards.against}"
    yield details(f"Game by game: {about}", _by_game(cards.ahead, caption=about))


def ahead_sentences(ahead: pd.DataFrame, plan) -> list[str]:
    """Return how far one card is ahead of another over these games, one sentence for each pair of tunings.

    Parameters
    ----------
    ahead : rows of `gpubench_kit.costs.against_rival.AHEAD`
    plan : ReviewPlan, gives the spread between installations that is assumed, where one is
    """
    told = []
    for _, rows in ahead[ahead["game"] == ""].groupby(["of_tuning", "against_tuning", "of_bench"], sort=False):
        known = {row.quantity: row for row in rows.itertuples()}
        if PERFORMANCE in known:
            told.append(_ahead_sentence(known, plan))
    return told


def _ahead_sentence(known: dict[str, Any], plan) -> str:
    """Return the sentence of one pair of tunings."""
    row = known[PERFORMANCE]
    sides = [f"our {card} “{tuning}”" for card, tuning in
             ((row.of_card, row.of_tuning), (row.against_card, row.against_tuning))]  # fmt: skip
    games = f"On these {count_text(row.n_games, 'game')}" if row.n_games > 1 else "In this game"
    if is_missing(row.ci_low):
        measured = "" if is_missing(row.change) else f"; measured {change_text(row.change, '%')}"
        why = " ".join(sentences_of(row))
        return f"{games} whether {sides[0]} is ahead of {sides[1]} cannot be said{measured}. {why}"
    text = f"{games} {sides[0]} is {_ahead_words(row)} {sides[1]} in {metric_of(row.metric).label} ({_span(row)})"
    more = [f"{_ahead_words(known[one], with_of=False)} {words} ({_span(known[one])})"
            for one, words in ((PER_WATT, "per watt"), (PER_PRICE, "for the price, an estimate"))
            if one in known and not is_missing(known[one].ci_low)]  # fmt: skip
    return ", ".join([text, *more]) + f"{assumption(row, plan)}."


def _ahead_words(row: Any, *, with_of: bool = True) -> str:
    """Return how far ahead or behind a card is, or that this is not settled."""
    size = change_and_interval_text(row.change, row.ci_low, row.ci_high).partition(" (")[0].lstrip("+−")
    if row.ci_low <= 0 <= row.ci_high:
        return "not told from" if with_of else "not told apart"
    way, of = ("ahead", " of") if row.change > 0 else ("behind", "")
    return f"{size} {way}{of * with_of}"


def _span(row: Any) -> str:
    """Return the interval of a row."""
    return change_and_interval_text(row.change, row.ci_low, row.ci_high).partition(" (")[2].rstrip(")")


def installed_sentences(cards: _Cards, runs: pd.DataFrame, plan) -> Iterator[str]:
    """Yield how often and in which order two cards were installed, and what one sample of each cannot show."""
    samples = {name: plan.cards_named(name) for name in (cards.of, cards.against)}
    if max(map(len, samples.values())) > 1:
        counts = " and ".join(
            f"{count_text(len(found), 'sample')} of the {name}" for name, found in samples.items()
        )
        yield f"{counts} were measured. The card is the unit: what samples differ by is in the intervals."
        yield "Other samples of these models may still lie outside what so few show." * (_fewest(samples) < 5)
        return
    order = _installations(runs, samples)
    counts = [order.count(letter) for letter in "AB"]
    turns = f", in this order: {' '.join(order)}" if 2 < len(order) <= _MOST_WRITTEN else ""
    if counts == [1, 1]:
        yield "Each card was installed once."
    elif all(counts):
        letters = "AB" if turns else ("", "")
        named = (f"{name} ({letter})" if letter else name for name, letter in zip(samples, letters, strict=True))
        times = (f"{name} {_times(count)}" for name, count in zip(named, counts, strict=True))
        yield f"Installed: {' and '.join(times)}{turns}."
    if (cards.overall["layout"] == "restarts").any():
        yield "The installation is the unit: the runs made in one are averaged first."
    yield (
        "One sample of each was measured. How far two samples of one model differ cannot be seen from one: another "
        f"{cards.of} or {cards.against} may be faster, slower, louder or hungrier than ours, and nothing here says "
        "that one model beats the other."
    )


def _fewest(samples: dict[str, tuple[str, ...]]) -> int:
    """Return the fewest samples of any model."""
    return min(map(len, samples.values()))


def _times(count: int) -> str:
    """Return how often, in words."""
    return {1: "once", 2: "twice", 3: "three times", 4: "four times"}.get(count, f"{count_text(count)} times")


def _installations(runs: pd.DataFrame, samples: dict[str, tuple[str, ...]]) -> list[str]:
    """Return the cards in the order installed, as A and B; a new session is a new installation."""
    letters = {card: letter for letter, cards in zip("AB", samples.values(), strict=True) for card in cards}
    used = runs[runs["used"].fillna(False).astype(bool) & runs["card"].isin(letters)]
    done = used["order_done"].fillna(used["order"]).astype("Float64").to_numpy(dtype=float, na_value=np.inf)
    used = used.iloc[np.argsort(done, kind="stable")]
    return [letters[card] for (card, _), _ in groupby(zip(used["card"], used["session"], strict=True))]


def _open_questions(cards: _Cards, plan) -> Iterator[str]:
    """Yield what keeps the two cards from being compared, and what to do."""
    found = cards.overall[cards.overall["verdict"] == NO_VERDICT]
    lost = found.loc[found["reason"] == "confounded", "metric"]
    if len(lost):
        labels = names_text(metric_of(one).label for one in dict.fromkeys(lost))
        yield f"No verdict on {labels}: two cards cannot be told from two installations. {_ADVICE}"
    if "different_power_points" in set(found["reason"]):
        yield "Power was measured at different points, or the point is not stated: no watts or energy are compared."
    if not len(cards.ahead[cards.ahead["quantity"] == PER_WATT]):
        yield "Performance per watt is not compared: the plan’s metrics have no energy per frame of both cards."
    lacking = [name for name in (cards.of, cards.against) if _has_no_price(name, plan)]
    if lacking:
        yield f"Performance for the price is not compared: no one price is given for {' and '.join(lacking)}."


def _has_no_price(name: str, plan) -> bool:
    """Return whether a card, or a model, lacks one price."""
    prices = {card.price for card in plan.cards if card.name in plan.cards_named(name)}
    return len(prices) != 1 or None in prices


def _over_games(cards: _Cards, plan) -> Markup:
    """Return the table over these games: a line for each metric, a column for each pair of tunings."""
    rows, ahead = list(cards.overall.itertuples()), cards.ahead[cards.ahead["game"] == ""]
    names = list(dict.fromkeys(map(tunings_text, rows)))
    kinds = [list(ahead[ahead["quantity"] == one].itertuples()) for one in (PERFORMANCE, PER_WATT, PER_PRICE)]
    lines = [[quantity_text(of_kind[0]), *_cells(names, of_kind)] for of_kind in kinds if of_kind]
    told = {row.metric for row in ahead.itertuples() if row.quantity == PERFORMANCE}
    of_metrics = [[row for row in rows if row.metric == one] for one in plan.analysis.metrics if one not in told]
    lines += [[sentence(metric_of(of[0].metric).label), *_cells(names, of)] for of in of_metrics if of]
    primary = [row for row in rows if row.metric == plan.analysis.primary]
    known = [f"{tunings_text(row)}: {one}" for row in primary for one in caution_sentences(row, plan)]
    caption = f"{cards.of} against {cards.against}, over these games"
    columns = [Column("Metric"), *(Column(name, is_number=True) for name in names)]
    return join([table(columns, lines, caption=caption), bullets(known)])


def _cells(names: list[str], rows: list[Any]) -> Iterator[Markup | str]:
    """Yield the cell of each pair of tunings."""
    found = {tunings_text(row): row for row in rows}
    for name in names:
        yield _cell(found[name]) if name in found else ""


def _cell(row: Any) -> Markup:
    """Return change, interval and verdict."""
    mark = verdict_mark(row.verdict) if getattr(row, "quantity", "") != PER_PRICE else Markup("")
    if is_missing(row.change):
        return mark
    return join([stacked(change_with_interval(row)), *[mark] * bool(mark)], Markup("<br>"))


def _by_game(ahead: pd.DataFrame, *, caption: str) -> Markup:
    """Return the table game by game: a column for each quantity and pair of tunings."""
    rows = list(ahead[ahead["game"] != ""].itertuples())
    heads = list(dict.fromkeys((quantity_text(row), tunings_text(row)) for row in rows))
    scenes = dict.fromkeys((row.game, row.setting) for row in rows)
    cells = {(row.game, row.setting, quantity_text(row), tunings_text(row)): _cell(row) for row in rows}
    columns = [Column("Game"), *(Column(join(head, Markup("<br>")), is_number=True) for head in heads)]
    lines = [[scene_text(*scene), *(cells.get((*scene, *head), "") for head in heads)] for scene in scenes]
    return table(columns, lines, caption=f"{caption}, game by game")
