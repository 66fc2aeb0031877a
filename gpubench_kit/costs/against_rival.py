"""Card against rival: ahead by how much, per watt and per price, in each game and over all games."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import pandas as pd

from gpubench_kit.costs.estimates import Span, extra_price, price_of, value_for_money, value_metric
from gpubench_kit.model.tables import PAIR_KEY, Column, Table

#: What is told of two cards, in the order of the page.
PERFORMANCE, PER_WATT, PER_PRICE = QUANTITIES = ("performance", "per_watt", "per_price")

#: Metrics of performance per watt, best first: the second is its inverse.
_PER_WATT = ("frames_per_j", "energy_per_frame_j")

#: Inside the kit only: one row per pair of two cards, group, game (empty: over these games), setting and quantity.
AHEAD = Table(
    "ahead", "pair of two cards, group, game, setting and quantity",
    (*PAIR_KEY, "group", "game", "setting", "quantity"),
    (
        *(Column(name, "text", name.replace("_", " ")) for name in PAIR_KEY),
        Column("group", "text", "settings of one kind"),
        Column("game", "text", "what was played; empty for the result over these games"),
        Column("setting", "text", "resolution and quality"),
        Column("quantity", "text", "what is told", allowed=QUANTITIES),
        Column("metric", "text", "metric that it follows from"),
        Column("unit", "text", "unit of the change"),
        Column("scale", "text", "scale on which it was judged"),
        Column("change", "number", "how far `of` is ahead of `against`", "%"),
        Column("ci_low", "number", "lower end of its interval", "%"),
        Column("ci_high", "number", "upper end of its interval", "%"),
        Column("confidence", "number", "of the interval"),
        Column("margin", "number", "smallest difference that matters", "%"),
        Column("verdict", "text", "verdict on the metric; that of the performance where prices enter"),
        Column("n_games", "integer", "games that entered"),
        Column("reason", "text", "why there is no verdict, or what to know about the one given"),
    ),
)  # fmt: skip


def ahead_of_rival(comparisons: pd.DataFrame, overall: pd.DataFrame, plan) -> pd.DataFrame:
    """Return how far one card is ahead of another: in performance, per watt and per price.

    Parameters
    ----------
    comparisons : DataFrame, one row per (pair, game, setting, metric); see ``tables.COMPARISONS``
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    plan : ReviewPlan, gives the primary metric and the prices of the cards

    Returns
    -------
    DataFrame, see `AHEAD`; only pairs of two cards, and per price only where both prices are given

    Notes
    -----
    Performance per watt is frames per joule: the exact inverse of energy per frame, run by run, so its
    interval is that of the energy turned round. Prices are taken as known, so performance per price is a
    multiple of the performance.
    """
    rate = value_metric(plan)
    energy = next((one for one in _PER_WATT if (overall["metric"] == one).any()), "")
    games = overall[overall["scope"] == "these_games"].assign(game="", setting="")
    rows = [row for table in (games, comparisons) for row in table.itertuples() if row.of_card != row.against_card]
    made = [line for row in rows if row.metric in (rate, energy) for line in _lines(row, plan, energy=energy)]
    made.sort(key=lambda line: QUANTITIES.index(line["quantity"]))
    return AHEAD.frame(made)


def _lines(row: Any, plan, *, energy: str) -> Iterator[dict]:
    """Yield what follows from one row."""
    names = (*PAIR_KEY, "group", "game", "setting", "metric", "confidence", "margin", "verdict")
    start = {name: getattr(row, name) for name in names}
    start |= {"n_games": getattr(row, "n_games", 1), "reason": row.reason, "unit": "%", "scale": "ratio"}
    span = Span(row.change, row.ci_low, row.ci_high)
    if row.metric == energy:
        yield start | {"quantity": PER_WATT} | _columns(_inverse(span) if energy == _PER_WATT[1] else span)
        return
    yield start | {"quantity": PERFORMANCE} | _columns(span)
    if extra_price(row, plan)[0] is not None:
        prices = price_of(row.of_card, plan), price_of(row.against_card, plan)
        money = value_for_money(span, prices[0], against_price=prices[1])
        yield start | {"quantity": PER_PRICE} | _columns(money)


def _inverse(span: Span) -> Span:
    """Return the change of 1 / x from that of x [%]."""
    return Span(*(_inverse_pct(one) for one in (span.value, span.high, span.low)))


def _inverse_pct(change: float) -> float:
    """Return the change of 1 / x [%]; nan where there is none."""
    return 100 * (1 / (1 + change / 100) - 1) if change > -100 else math.nan


def _columns(span: Span) -> dict[str, float]:
    """Return a span as columns."""
    return {"change": span.value, "ci_low": span.low, "ci_high": span.high}
