"""Tables of the page that plans a bench session: rounds needed, starts of games, runs in order."""

from __future__ import annotations

from typing import Any

import pandas as pd

from gpubench_kit.page.elements import Column, Markup, table
from gpubench_kit.page.planning_words import amount_text, time_text
from gpubench_kit.schedule.needs import SPREAD_OF_GAMES_PCT
from gpubench_kit.statistics.planning import MOST_ROUNDS
from gpubench_kit.wording.numbers import count_text, is_missing, number_text, percent_text
from gpubench_kit.wording.terms import metric_of, scene_text, sentence


def needs_list(rows: pd.DataFrame, metric: str) -> Markup:
    """Return the table of one metric, a line for each game.

    Parameters
    ----------
    rows : rows of ``schedule.tables.NEEDS`` with the noise beside them
    metric : name of the metric
    """
    unit, margin = rows["unit"].iloc[0], rows["margin"].iloc[0]
    sources = rows["source"].nunique() > 1
    columns = [Column("Game"), Column("Noise", unit, is_number=True), *[Column("From")] * sources,
               Column("Rounds", is_number=True), Column("Detectable", unit, is_number=True),
               Column("Decided", "%", is_number=True), Column("Rounds to decide", is_number=True)]  # fmt: skip
    about = f"margin {amount_text(margin, unit)}" if not is_missing(margin) else "no margin is set"
    lines = [_needs_line(row, with_source=sources) for row in rows.itertuples()]
    return table(columns, lines, caption=f"{sentence(metric_of(metric).label)}, {about}")


def overall_list(rows: pd.DataFrame) -> Markup:
    """Return how narrow the overall results will be, a line for each group and metric.

    Parameters
    ----------
    rows : see ``schedule.tables.NEEDS_OVERALL``
    """
    several = rows["group"].nunique() > 1
    columns = [Column("Metric"), *[Column("Group")] * several, Column("Games", is_number=True),
               Column("These games", is_number=True), Column("Games like these", is_number=True),
               Column("Margin", is_number=True), Column("Enough")]  # fmt: skip
    caption = (
        "Half-width of the interval. Enough: with 95 % chance these games show “no difference” beyond the margin, "
        "or a difference of the margin. Games like these: if their true differences spread by "
        f"{percent_text(SPREAD_OF_GAMES_PCT)}."
    )
    return table(columns, [_overall_line(row, several=several) for row in rows.itertuples()], caption=caption)


def visits_list(visits: pd.DataFrame) -> Markup:
    """Return the starts of games as a table.

    Parameters
    ----------
    visits : see ``schedule.tables.VISITS``
    """
    columns = [Column("Start"), Column("Game"), Column("Runs", is_number=True), Column("Before it"),
               Column("Start and settle"), Column("Runs take")]  # fmt: skip
    return table(columns, [_visit_line(row) for row in visits.itertuples()], caption="Starts of games, in order")


def runs_list(rows: pd.DataFrame) -> Markup:
    """Return runs as a table, in the order planned.

    Parameters
    ----------
    rows : see ``schedule.tables.PLANNED_RUNS``
    """
    sessions, cards = (rows[name].nunique() > 1 for name in ("session", "card"))
    columns = [Column("Run"), Column("Game"), Column("Round", is_number=True), Column("Tuning")]
    columns += [Column("Session")] * sessions + [Column("Card")] * cards
    lines = [_run_line(row, with_session=sessions, with_card=cards) for row in rows.itertuples()]
    return table(columns, lines, caption="Runs in the order planned; the order done is taken from the logs")


def _overall_line(row: Any, *, several: bool) -> list[str]:
    """Return the cells of one group and metric."""
    widths = (
        "–" if is_missing(one) else f"±{amount_text(one, row.unit)}"
        for one in (row.these_games, row.games_like_these)
    )
    margin = "–" if is_missing(row.margin) else amount_text(row.margin, row.unit)
    enough = "–" if is_missing(row.is_enough) else "yes" if row.is_enough else "no"
    label = sentence(metric_of(row.metric).label)
    return [label, *[row.group] * several, count_text(row.games), *widths, margin, enough]


def _needs_line(row: Any, *, with_source: bool) -> list[str]:
    """Return the cells of one game."""
    is_open = is_missing(row.margin) or is_missing(row.detectable)
    far = f"over {MOST_ROUNDS} (12 show {amount_text(row.margin_of_twelve, row.unit)})"
    needed = far if is_missing(row.rounds_to_decide) else count_text(row.rounds_to_decide)
    return [
        scene_text(row.game, row.setting), number_text(row.noise, decimals=2),
        *[f"{row.source}, {count_text(row.runs, 'run')}" if row.runs else row.source] * with_source,
        count_text(row.rounds), number_text(row.detectable, decimals=1),
        "–" if is_open else number_text(100 * row.chance, decimals=0), "–" if is_open else needed,
    ]  # fmt: skip


def _visit_line(row: Any) -> list[str]:
    """Return the cells of one start of a game."""
    hours, minutes = divmod(int(row.starts_s // 60), 60)
    before = time_text(row.change_s) if row.change_s else "–"
    return [
        f"{hours}:{minutes:02d}", scene_text(row.game, row.setting), count_text(row.runs), before,
        time_text(row.launch_s + row.settle_s), time_text(row.tuning_s + row.scene_s),
    ]  # fmt: skip


def _run_line(row: Any, *, with_session: bool, with_card: bool) -> list[str]:
    """Return the cells of one run."""
    round_ = "warm-up" if is_missing(row.round) else count_text(row.round)
    return [row.run, scene_text(row.game, row.setting), round_, row.tuning, *[row.session] * with_session,
            *[row.card] * with_card]  # fmt: skip
