"""Results over all games and game by game: charts with intervals, tables, and every verdict explained."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.intervals import draw_game_intervals, draw_overall
from gpubench_kit.page.deciding_tests import note_on_tests, overall_tests
from gpubench_kit.page.elements import Column, Markup, details, heading, join, paragraph, slug, table, terms, tied
from gpubench_kit.page.over_benches import over_benches
from gpubench_kit.page.pairs import groups_in
from gpubench_kit.page.places import chart_grid, pictures_of
from gpubench_kit.page.section import Section, left_out
from gpubench_kit.page.topics import PERFORMANCE, in_topic
from gpubench_kit.page.wording import (
    caution_sentences,
    change_with_interval,
    margin_words,
    no_loss_sentence,
    unit_of_change,
    verdict_key,
    verdict_mark,
)
from gpubench_kit.wording.numbers import change_text, count_text, interval_text, is_missing, value_text
from gpubench_kit.wording.reasons import more_rounds_text
from gpubench_kit.wording.terms import (
    VERDICT_WORDS,
    metric_of,
    of_group,
    of_pair,
    pair_text,
    pairs_in,
    scene_text,
    sentence,
)

#: Metrics whose charts are in sight: over all games, and within one section game by game.
_IN_SIGHT, _GAMES_IN_SIGHT = 4, 2

_SCOPES = ("these_games", "games_like_these")

_GUIDE = (
    "A change compares means over several runs of the same scene. Its interval holds every true change that the "
    "runs leave plausible. The margin, a band in the charts, is the smallest difference that we hold to matter. "
    "“Better” or “worse” is a real difference; “small” means that it is shown to be less than the margin. “Same "
    "within margin” means that a difference as large as the margin is ruled out. “Undecided” means that the runs "
    "cannot tell: it is not a draw. Runs are counted, never frames. All of this holds for our card on our bench."
)


def overall_results(overall: pd.DataFrame, plan) -> Section:
    """Return the section on results over all games.

    Parameters
    ----------
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    plan : ReviewPlan

    Returns
    -------
    Section; left out where nothing was compared over games
    """
    name, title = "overall", "Result over all games"
    if not len(overall):
        return left_out(name, title, "nothing could be compared")
    groups = groups_in(overall, plan)
    metrics = [one for one in plan.analysis.metrics if one in set(overall["metric"])]
    topics = [(group, one) for group in groups for one in metrics]
    charts = {topic: draw_overall(overall, plan, metric=topic[1], group=topic[0]) for topic in topics}
    shown = [chart for (_, metric), chart in charts.items() if metric in metrics[:_IN_SIGHT]]
    folded = [chart for (_, metric), chart in charts.items() if metric not in metrics[:_IN_SIGHT]]
    more = details("Charts of the other metrics", chart_grid(folded))
    tables = [
        _overall_part(overall, plan, group=group, pair=pair) for group in groups for pair in pairs_in(overall)
    ]
    tests = paragraph(*overall_tests(overall), css="small")
    key = join([verdict_terms(overall), _scope_words(overall), tests])
    body = join([guide(), chart_grid(shown), key, more, *tables, over_benches(overall, plan)])
    return Section(name, title, body, pictures=pictures_of(charts.values()))


def game_results(comparisons: pd.DataFrame, plan) -> Section:
    """Return the section on frame rates and frame times game by game.

    Parameters
    ----------
    comparisons : DataFrame, one row per (pair, game, setting, metric); see ``tables.COMPARISONS``
    plan : ReviewPlan

    Returns
    -------
    Section; left out where no game could be compared
    """
    name, title = "games", "Game by game"
    rows = in_topic(comparisons, PERFORMANCE)
    if not len(rows):
        return left_out(name, title, "no frame rate was compared")
    intro = paragraph(
        "Each interval stands for its game alone. The verdict also takes into account that many games were "
        "compared at once, so it can be more cautious than the interval looks."
    )
    body, charts = metric_blocks(rows, plan)
    return Section(name, title, join([intro, body, verdict_terms(rows)]), pictures=pictures_of(charts))


def metric_blocks(rows: pd.DataFrame, plan) -> tuple[Markup, list[DescribedFigure | None]]:
    """Return charts and tables of every metric in the rows, one block each, and the charts.

    Parameters
    ----------
    rows : rows of ``comparisons``
    plan : ReviewPlan
    """
    metrics = [one for one in plan.analysis.metrics if one in set(rows["metric"])]
    parts, charts = [], []
    for place, metric in enumerate(metrics):
        of_metric = rows[rows["metric"] == metric]
        made = list(_game_charts(of_metric, plan, metric=metric))
        facts, shown = metric_of(metric), chart_grid(made)
        shown = shown if place < _GAMES_IN_SIGHT else details(f"Charts: {facts.label}", shown)
        parts += [
            heading(sentence(facts.label), name=slug(f"games-{metric}")),
            paragraph(facts.help),
            shown,
        ]
        parts += list(_game_tables(of_metric, plan))
        charts += made
    return join(parts), charts


def guide() -> Markup:
    """Return the box that says how to read results, in at most 120 words."""
    return Markup('<div class="box"><h3>How to read this</h3>{}</div>\n').format(paragraph(_GUIDE))


def _game_charts(rows: pd.DataFrame, plan, *, metric: str) -> Iterable[DescribedFigure | None]:
    """Yield the interval chart of each group and pair."""
    for group in groups_in(rows, plan):
        for pair in pairs_in(rows):
            yield draw_game_intervals(rows, plan, pair=pair, metric=metric, group=group)


def _game_tables(rows: pd.DataFrame, plan) -> Iterable[Markup]:
    """Yield the folded table of each group and pair."""
    for group in groups_in(rows, plan):
        for pair in pairs_in(rows):
            chosen = of_pair(rows[rows["group"] == group], pair)
            about = of_group(pair_text(pair, plan), group)
            yield details(f"Numbers: {about}", _game_table(chosen, pair, caption=about, plan=plan))


def _game_table(rows: pd.DataFrame, pair: Sequence[str], *, caption: str, plan) -> Markup:
    """Return one line per game of one pair and metric."""
    if not len(rows):
        return Markup("")
    first = next(rows.itertuples())
    facts, unit = metric_of(first.metric), unit_of_change(first)
    columns = [
        Column("Game"), Column("Runs", is_number=True),
        Column(side_text(pair[3:], pair), facts.unit, is_number=True),
        Column(side_text(pair[:3], pair), facts.unit, is_number=True),
        Column("Change", unit, is_number=True), Column("Interval", unit, is_number=True),
        Column("Verdict"), Column("What to know"),
    ]  # fmt: skip
    lines = [_game_line(row, unit, plan=plan) for row in rows.sort_values(["change"], ascending=False).itertuples()]
    test = note_on_tests(rows)
    return table(columns, lines, caption=f"{sentence(facts.label)}: {caption}" + (f". {test}" if test else ""))


def _game_line(row: Any, unit: str, *, plan) -> list[str | Markup]:
    """Return the cells of one game."""
    counts = count_text(row.n) if row.n == row.n_against else f"{count_text(row.n)} / {count_text(row.n_against)}"
    values = [bare(value_text(one, row.metric), row.unit) for one in (row.against_value, row.of_value)]
    return [
        scene_text(row.game, row.setting), counts, *values,
        bare(change_text(row.change, unit), unit), bare(interval_text(row.ci_low, row.ci_high, unit), unit),
        verdict_mark(row.verdict), join(_to_know(row, plan), " "),
    ]  # fmt: skip


def _to_know(row: Any, plan) -> Iterable[str]:
    """Yield what a reader must know about one game's verdict."""
    yield from caution_sentences(row, plan)
    # Without borrowed noise the strict verdict differs by the missing correction alone, which is no second opinion.
    is_borrowed = not is_missing(row.borrowed) and bool(row.borrowed)
    if is_borrowed and row.verdict != "no_verdict" and row.own_verdict not in ("", row.verdict):
        yield f"By its own noise alone, this game by itself: {VERDICT_WORDS[row.own_verdict]}."
    if row.verdict == "undecided":
        yield more_rounds_text(row, plan)


def _overall_part(overall: pd.DataFrame, plan, *, group: str, pair: Sequence[str]) -> Markup:
    """Return the folded table of one pair: one line per metric and scope."""
    rows = of_pair(overall[overall["group"] == group], pair)
    columns = [
        Column("Metric"), Column("Change (interval)", is_number=True), Column("Margin", is_number=True),
        Column("Verdict"), Column("What to know"),
    ]  # fmt: skip
    lines = [
        _overall_line(row, plan)
        for metric in plan.analysis.metrics
        for scope in _SCOPES
        for row in rows[(rows["metric"] == metric) & (rows["scope"] == scope)].itertuples()
        # Where no game enters, the line on these games has said it.
        if row.n_games or scope == _SCOPES[0]
    ]
    about = of_group(pair_text(pair, plan), group)
    return details(f"Numbers: {about}", table(columns, lines, caption=about))


def _overall_line(row: Any, plan) -> list[str | Markup]:
    """Return the cells of one metric over games."""
    known = [no_loss_sentence(row), *caution_sentences(row, plan)]
    if row.games_left_out and row.n_games:
        known.append(f"Left out: {row.games_left_out}.")
    these = f"these {count_text(row.n_games, 'game')}" if row.n_games else "no game"
    speaks_of = "games like these" if row.scope == "games_like_these" else these
    head = Markup('{} <span class="unit">{}</span>').format(sentence(metric_of(row.metric).label), speaks_of)
    return [
        head, change_with_interval(row), margin_words(row), verdict_mark(row.verdict), join(map(tied, known), " "),
    ]  # fmt: skip


def verdict_terms(rows: pd.DataFrame) -> Markup:
    """Return the explanation of each verdict that occurs in the rows."""
    return terms(verdict_key(list(rows["verdict"])), css="key")


def _scope_words(overall: pd.DataFrame) -> Markup:
    """Return what each of the two scopes speaks of, where there are two."""
    if "games_like_these" not in set(overall["scope"]):
        return Markup("")
    text = (
        "“These games” speaks of the games measured here. “Games like these” asks what to expect in other games "
        "of the same kind: it needs the games themselves to agree, so its interval is usually wider."
    )
    return paragraph(text, css="small")


def side_text(side: Sequence[str], pair: Sequence[str]) -> str:
    """Return one side of a pair for the head of a column: what tells it from the other side."""
    card, tuning, bench = side
    parts = [card if pair[0] != pair[3] else "", tuning, bench if pair[2] != pair[5] else ""]
    return ", ".join(part for part in parts if part)


def bare(text: str, unit: str) -> str:
    """Return a number without its unit, for a column that has the unit in its head."""
    return text.removesuffix(unit).rstrip() if unit else text
