"""The head of the page: title, a result in three sentences, and the figures behind it at a glance."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from gpubench_kit.figures.words import metric_of, names_text, of_group, of_pair, pair_text, pairs_in, sentence
from gpubench_kit.number_text import change_text, count_text, percent_text
from gpubench_kit.page.elements import Column, Markup, join, note, paragraph, table
from gpubench_kit.page.pairs import groups_in, subject_names
from gpubench_kit.page.section import Section
from gpubench_kit.page.wording import are_alike, result_clause, sentence_of, unit_of_change, verdict_mark

#: Sentences of the result, and pairs that each of them names.
_SENTENCES, _PAIRS_NAMED = 3, 3
_LOWS = ("low_1pct_fps", "low_0p1pct_fps", "pacing_ms", "median_frame_ms", "hitch_ms_per_min")
_POWER = ("board_w", "wall_w", "energy_per_frame_j")


def summary(
    overall: pd.DataFrame, comparisons: pd.DataFrame, *, runs: pd.DataFrame, plan, cautions: Sequence[str] = ()
) -> Section:
    """Return the head of the page.

    Parameters
    ----------
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    comparisons : DataFrame, one row per (pair, game, setting, metric); see ``tables.COMPARISONS``
    runs : DataFrame, one row per run; see ``tables.RUNS``
    plan : ReviewPlan
    cautions : sentences that a reader must know before any number

    Returns
    -------
    Section
    """
    headline = headline_rows(overall, comparisons)
    sentences = result_sentences(headline, plan)
    parts = [_byline(runs, plan), *(paragraph(one, css="result") for one in sentences)]
    if not sentences:
        parts.append(paragraph("Nothing could be compared. The section on data quality says why.", css="result"))
    parts += [note(one) for one in cautions]
    parts += [_board(headline, plan, group=group) for group in groups_in(headline, plan)]
    return Section("result", plan.review.title, join(parts), is_summary=True)


def headline_rows(overall: pd.DataFrame, comparisons: pd.DataFrame) -> pd.DataFrame:
    """Return the rows that the result is told from: over these games, or the one game that there is."""
    rows = overall[overall["scope"] == "these_games"]
    if comparisons["game"].nunique() == 1 and len(rows):
        rows = rows.assign(only_game=comparisons["game"].iloc[0])
    return rows.assign(only_game="") if "only_game" not in rows else rows


def result_sentences(headline: pd.DataFrame, plan) -> list[str]:
    """Return the result in at most three sentences.

    Parameters
    ----------
    headline : rows of ``overall`` over these games, see `headline_rows`
    plan : ReviewPlan

    Returns
    -------
    list of str. With one group: the primary metric, a low, power. With several: the primary metric and
    power of the first, and the primary metric of the second.
    """
    groups = groups_in(headline, plan)
    wanted = (_LOWS, _POWER) if len(groups) == 1 else (_POWER,)
    topics = [(group, plan.analysis.primary) for group in groups[:1]]
    topics += [(groups[0], metric) for metric in _further_metrics(headline, plan, wanted)]
    topics += [(group, plan.analysis.primary) for group in groups[1:2]]
    made = [_topic_sentence(headline, plan, group=group, metric=metric) for group, metric in topics[:_SENTENCES]]
    return [one for one in made if one]


def _further_metrics(headline: pd.DataFrame, plan, wanted: Sequence[tuple[str, ...]]) -> list[str]:
    """Return the metrics of the further sentences: the first of each kind wanted, as far as there are any."""
    measured = set(headline["metric"]) - {plan.analysis.primary}
    present = [one for one in plan.analysis.metrics if one in measured]
    kinds = ([one for one in present if one in kind] for kind in wanted)
    return [found[0] for found in kinds if found]


def _topic_sentence(headline: pd.DataFrame, plan, *, group: str, metric: str) -> str:
    """Return what was found on one metric in one group, for the first pairs of the plan."""
    is_opening = metric == plan.analysis.primary and group == groups_in(headline, plan)[0]
    rows = [row for row in _ordered(headline, plan) if row.group == group and row.metric == metric]
    if not rows:
        return ""
    clauses, said = [], ""
    for alike in _alike(rows[:_PAIRS_NAMED], plan):
        against = subject_names(alike[0], plan)[1]
        beside = against if against != said or alike[0].verdict == "no_verdict" else ""
        of = names_text(subject_names(row, plan)[0] for row in alike)
        is_first = not clauses
        clauses.append(
            result_clause(
                alike, of=of, against=beside, plan=plan, with_level=is_opening and is_first, is_first=is_first
            )
        )
        said = against
    more = len(rows) - _PAIRS_NAMED
    if more > 0:
        clauses.append(f"{count_text(more, 'further comparison')} in the tables below")
    return sentence_of(clauses, lead=_lead(headline, rows[0], plan))


def _alike(rows: Sequence[Any], plan) -> list[list[Any]]:
    """Return rows that can be told together in one list each, in order of the first of them."""
    lists: list[list[Any]] = []
    for row in rows:
        against = subject_names(row, plan)[1]
        fitting = (one for one in lists if are_alike(one[0], row) and subject_names(one[0], plan)[1] == against)
        found = next(fitting, None)
        if found is None:
            lists.append([row])
        else:
            found.append(row)
    return lists


def _ordered(headline: pd.DataFrame, plan) -> Iterable[Any]:
    """Return the rows in the order of the plan's pairs, card against rival first."""
    for pair in _ranked_pairs(headline):
        yield from of_pair(headline, pair).itertuples()


def _ranked_pairs(rows: pd.DataFrame) -> list[tuple[str, ...]]:
    """Return the pairs of a table, those of two cards first: a review with a rival is about them."""
    return sorted(pairs_in(rows), key=lambda pair: pair[0] == pair[3])


def _lead(headline: pd.DataFrame, row: Any, plan) -> str:
    """Return where the result holds, as far as it was not said before: the games, the group, whose card."""
    place = f"In {row.only_game}" if row.only_game else f"Over {count_text(row.n_games, 'game')}"
    group = "" if row.group == "all" else f" at {row.group}"
    groups, primary = groups_in(headline, plan), plan.analysis.primary
    if row.metric == primary and row.group == groups[0]:
        return f"{place}{group}, on our {whose(row, plan)}, "
    said = headline[(headline["group"] == groups[0]) & (headline["metric"] == primary)]
    if row.group != groups[0] or row.n_games not in set(said["n_games"]):
        return f"{place}{group}, "
    return "There, " if len(groups) > 1 else ""


def whose(row: Any, plan) -> str:
    """Return the cards that a comparison speaks of, so that nobody takes them for every card of their model."""
    names = dict.fromkeys((row.of_card, row.against_card))
    samples = {name: len(plan.cards_named(name)) for name in names}
    words = [name if samples[name] == 1 else f"{samples[name]} samples of the {name}" for name in names]
    return " and our ".join(words)


def _byline(runs: pd.DataFrame, plan) -> Markup:
    """Return who measured, when, and how much."""
    used = runs["used"].fillna(False)
    is_due = (runs["purpose"] == "measure") & (runs["excluded_for"] != "not_recorded")
    left_out = int((is_due & ~used).sum())
    counted = f"{count_text(int(used.sum()), 'run')} used"
    parts = [
        plan.review.author,
        plan.review.date.isoformat() if plan.review.date else "",
        count_text(runs.loc[used, "game"].nunique(), "game"),
        f"{counted}, {left_out} left out" if left_out else counted,
        f"margin ±{percent_text(plan.analysis.margin_pct)}",
    ]
    return paragraph(join(parts, " · "), css="byline")


def _board(headline: pd.DataFrame, plan, *, group: str) -> Markup:
    """Return the result of every pair at a glance, for the first metrics of the plan."""
    rows = headline[headline["group"] == group]
    metrics = [plan.analysis.primary, *_further_metrics(rows, plan, (_LOWS, _POWER))]
    heads = [pair_text(pair, plan) for pair in _ranked_pairs(rows)]
    ends = {head.partition(" against ")[2] for head in heads}
    is_common = len(ends) == 1
    columns = [Column("Against " + ends.pop() if is_common else "Compared"), *_metric_columns(metrics)]
    lines = [
        [
            head.partition(" against ")[0] if is_common else head,
            *(_board_cell(of_pair(rows, pair), metric=one) for one in metrics),
        ]
        for head, pair in zip(heads, _ranked_pairs(rows), strict=True)
    ]
    return table(columns, lines, caption=of_group("Change and verdict over these games", group), css="board")


def _metric_columns(metrics: Sequence[str]) -> list[Column]:
    """Return a column for each metric."""
    return [Column(sentence(metric_of(one).label)) for one in metrics]


def _board_cell(rows: pd.DataFrame, *, metric: str) -> Markup:
    """Return the change and the verdict of one metric of one pair."""
    for row in rows[rows["metric"] == metric].itertuples():
        text = change_text(row.change, unit_of_change(row))
        return Markup('<span class="big">{}</span>{}').format(text, verdict_mark(row.verdict))
    return Markup("–")
