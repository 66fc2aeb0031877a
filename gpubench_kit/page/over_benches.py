"""Results within each bench, averaged over benches: a table below the result over all games."""

from __future__ import annotations

from typing import Any

import pandas as pd

from gpubench_kit.page.elements import Column, Markup, heading, join, paragraph, stacked, table, tied
from gpubench_kit.page.wording import caution_sentences, change_with_interval, margin_words, verdict_mark
from gpubench_kit.statistics.over_benches import combine_benches
from gpubench_kit.wording.numbers import count_text
from gpubench_kit.wording.terms import metric_of, of_group, sentence


def over_benches(overall: pd.DataFrame, plan) -> Markup:
    """Return what was found over the benches; nothing with one bench.

    Parameters
    ----------
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    plan : ReviewPlan
    """
    rows = combine_benches(overall, plan)
    if not len(rows):
        return Markup("")
    count = count_text(int(rows["n_benches"].max()), "bench", "benches")
    text = (
        f"Each of the {count} has a result of its own, from its own runs; these are averaged, every bench counting "
        "once. Nothing is compared across benches, and the mean speaks of these benches only."
    )
    columns = [
        Column("Compared"), Column("Metric"), Column("Change (interval)", is_number=True),
        Column("Margin", is_number=True), Column("Verdict"), Column("What to know"),
    ]  # fmt: skip
    lines = [_line(row, plan) for row in rows.itertuples()]
    if not any(line[-1] for line in lines):
        columns, lines = columns[:-1], [line[:-1] for line in lines]
    return join([heading("Over the benches"), paragraph(text), table(columns, lines, caption=f"Mean over {count}")])


def _line(row: Any, plan) -> list[str | Markup]:
    """Return the cells of one pair and metric."""
    pair = f"{_side(row, 'of', plan)} against {_side(row, 'against', plan)}"
    return [
        of_group(pair, row.group), sentence(metric_of(row.metric).label), stacked(change_with_interval(row)),
        margin_words(row), verdict_mark(row.verdict), join(map(tied, caution_sentences(row, plan)), " "),
    ]  # fmt: skip


def _side(row: Any, side: str, plan) -> str:
    """Return one side of a pair: the tuning, with its card where the plan has several."""
    card = f"{getattr(row, f'{side}_card')}, " if len(plan.cards) > 1 else ""
    return f"{card}{getattr(row, f'{side}_tuning')}"
