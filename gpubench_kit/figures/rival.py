"""Card against rival over all games: ahead in performance, per watt and per price, tuning by tuning."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.costs.against_rival import PER_PRICE, PER_WATT, PERFORMANCE
from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.row_layouts import draw_rows
from gpubench_kit.figures.rows import Axis, Block, Mark, Row, RowChart
from gpubench_kit.figures.sheet import Heading
from gpubench_kit.file_names import slug
from gpubench_kit.wording.numbers import change_and_interval_text, change_text, count_text, percent_text
from gpubench_kit.wording.terms import VERDICT_MARKS, VERDICT_WORDS, metric_of, of_group, sentence

_BLOCKS = {PER_WATT: "Per watt", PER_PRICE: "Per price (estimate)"}


def draw_ahead(ahead: pd.DataFrame, plan, *, cards: tuple[str, str], group: str = "all") -> DescribedFigure | None:
    """Draw how far one card is ahead of another over these games, with intervals.

    Parameters
    ----------
    ahead : DataFrame, see `gpubench_kit.costs.against_rival.AHEAD`
    plan : ReviewPlan, gives the style
    cards : names of the two cards, or models: of, against
    group : group of settings

    Returns
    -------
    DescribedFigure; None where the two were not compared over games
    """
    data = ahead[(ahead["of_card"] == cards[0]) & (ahead["against_card"] == cards[1])]
    data = data[(data["group"] == group) & (data["game"] == "") & data["change"].notna()]
    if not len(data):
        return None
    title = of_group(f"{cards[0]} against {cards[1]}", group)
    levels = data["confidence"].dropna()
    what = f", {percent_text(100 * levels.iloc[0])} intervals" if len(levels) else ""
    heading = Heading(title, f"Over {count_text(int(data['n_games'].max()), 'game')}{what}.", _note(data))
    chart = RowChart(heading, tuple(_blocks(data)), _axis(data, cards[1]))
    return DescribedFigure(
        name=slug("ahead-of-rival", "" if group == "all" else group, *cards),
        data=data.reset_index(drop=True),
        caption=f"{title}: how far it is ahead in performance, per watt and per price.",
        alternative_text=_alternative(data, title),
        drawing=partial(draw_rows, chart=chart),
        style=plan.style,
    )


def tunings_text(row: Any) -> str:
    """Return the tunings of a pair of cards: one name where both have the same."""
    same = row.of_tuning == row.against_tuning
    return row.of_tuning if same else f"{row.of_tuning} against {row.against_tuning}"


def quantity_text(row: Any) -> str:
    """Return what a row tells of two cards."""
    return _BLOCKS.get(row.quantity) or sentence(metric_of(row.metric).label)


def _blocks(data: pd.DataFrame) -> list[Block]:
    """Return a block of rows for each quantity, one row for each pair of tunings."""
    blocks = []
    for _, rows in data.groupby("quantity", sort=False):
        drawn = tuple(_row(row) for row in rows.itertuples())
        blocks.append(Block(quantity_text(next(rows.itertuples())), drawn))
    return blocks


def _row(row) -> Row:
    """Return the row of one pair of tunings."""
    verdict = row.verdict if row.quantity in (PERFORMANCE, PER_WATT) else ""
    role, shape, is_hollow = VERDICT_MARKS.get(verdict, ("series-3", "D", False))
    change = change_text(row.change, "%")
    text = f"{VERDICT_WORDS[verdict]}: {change}" if verdict else change
    return Row(
        tunings_text(row), text, (Mark(row.change, row.ci_low, row.ci_high, role, shape, is_hollow),), change
    )


def _axis(data: pd.DataFrame, against: str) -> Axis:
    """Return the axis: how far ahead, zero on it."""
    ends = np.array([*data["ci_low"], *data["ci_high"], *data["change"], 0.0], dtype=float)
    low, high = np.nanmin(ends), np.nanmax(ends)
    pad = 0.05 * (high - low) or 1.0
    label = f"ahead of {against} [%]"
    return Axis(low - pad, high + pad, label, zero=True, left_text="behind", right_text="ahead")


def _note(data: pd.DataFrame) -> str:
    """Return what the chart rests on."""
    if (data["quantity"] == PER_PRICE).any():
        return "Per price: prices are those in the plan, taken as known."
    return ""


def _alternative(data: pd.DataFrame, title: str) -> str:
    """Return what the chart shows, row by row."""
    parts = [
        f"{quantity_text(row)}, {tunings_text(row)}: "
        f"{change_and_interval_text(row.change, row.ci_low, row.ci_high)}"
        for row in data.itertuples()
    ]
    return f"{title}, how far ahead. {'; '.join(parts)}."
