"""The head of the page: title, a result in three sentences, and the figures behind it at a glance."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from gpubench_kit.model.tables import PAIR_KEY
from gpubench_kit.page.elements import Column, Markup, join, note, paragraph, table
from gpubench_kit.page.no_verdict_told import no_verdict_sentences
from gpubench_kit.page.pairs import groups_in, subject_names
from gpubench_kit.page.section import Section
from gpubench_kit.page.wording import are_alike, result_clause, sentence_of, unit_of_change, verdict_mark
from gpubench_kit.wording.numbers import change_text, count_text, percent_text
from gpubench_kit.wording.reasons import SEPARATOR
from gpubench_kit.wording.terms import metric_of, names_text, of_group, of_pair, pair_text, pairs_in, sentence

#: Sentences of the result, and pairs that each of them names.
_SENTENCES, _PAIRS_NAMED = 3, 3
_NONE = "no_verdict"
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
    """Return the rows that the result is told from: over these games, or the one game that there is.

    Parameters
    ----------
    overall, comparisons : DataFrames, see `summary`

    Returns
    -------
    DataFrame, rows of ``overall`` with ``only_game`` and ``without``: the game where there is but one, and what
    the result does not rest on though others do, separated by semicolons
    """
    rows = overall[overall["scope"] == "these_games"]
    only = comparisons["game"].iloc[0] if comparisons["game"].nunique() == 1 else ""
    without = [_without(row, comparisons) for row in rows.itertuples()]
    return rows.assign(only_game=only, without=pd.Series(without, index=rows.index, dtype=object))


def _without(row: Any, comparisons: pd.DataFrame) -> str:
    """Return the games of a row's group that do not enter it, also those that the pair never ran."""
    of_group = comparisons[comparisons["group"] == row.group]
    pair = of_pair(of_group, [getattr(row, name) for name in PAIR_KEY])
    ran = set(pair.loc[pair["metric"] == row.metric, "game"])
    never = [game for game in dict.fromkeys(of_group["game"]) if game not in ran]
    return SEPARATOR.join([*row.games_left_out.split(SEPARATOR), *never]).removeprefix(SEPARATOR)


def result_sentences(headline: pd.DataFrame, plan) -> list[str]:
    """Return the result in at most three sentences, and what has no verdict in one for each reason.

    Parameters
    ----------
    headline : rows of ``overall`` over these games, see `headline_rows`
    plan : ReviewPlan

    Returns
    -------
    list of str. With one group: the primary metric, a low, power. With several: the primary metric and
    power of the first, and the primary metric of the second. Results over different games are told apart.
    """
    groups = groups_in(headline, plan)
    wanted = (_LOWS, _POWER) if len(groups) == 1 else (_POWER,)
    topics = [(group, plan.analysis.primary) for group in groups[:1]]
    topics += [(groups[0], metric) for metric in _further_metrics(headline, plan, wanted)]
    topics += [(group, plan.analysis.primary) for group in groups[1:2]]
    ordered = list(_ordered(headline, plan))
    rows = [
        [row for row in ordered if (row.group, row.metric) == topic] for topic in dict.fromkeys(topics[:_SENTENCES])
    ]
    places: list[tuple] = []
    told = [_topic_text([row for row in one if row.verdict != _NONE], plan, places=places) for one in rows]
    open_ = no_verdict_sentences([row for one in rows for row in one if row.verdict == _NONE], plan)
    is_open_first = bool(rows and rows[0]) and rows[0][0].verdict == _NONE
    made = [*_placed(open_, rows, plan), *told] if is_open_first else [*told, *open_]
    return [one for one in made if one]


def _further_metrics(headline: pd.DataFrame, plan, wanted: Sequence[tuple[str, ...]]) -> list[str]:
    """Return the metrics of the further sentences: the first of each kind wanted, as far as there are any."""
    measured = set(headline["metric"]) - {plan.analysis.primary}
    present = [one for one in plan.analysis.metrics if one in measured]
    kinds = ([one for one in present if one in kind] for kind in wanted)
    return [found[0] for found in kinds if found]


def _topic_text(rows: Sequence[Any], plan, *, places: list[tuple]) -> str:
    """Return what was found on one metric in one group, one sentence for each set of games; adds them to places."""
    named, sentences = rows[:_PAIRS_NAMED], []
    for place in dict.fromkeys(map(_place_of, named)):
        there = [row for row in named if _place_of(row) == place]
        clauses = _clauses(there, plan, with_level=not places)
        sentences.append((clauses, _lead(there, plan, places=places)))
        places.append(place)
    more = len(rows) - _PAIRS_NAMED
    if more > 0:
        sentences[-1][0].append(f"{count_text(more, 'further comparison')} in the tables below")
    return " ".join(sentence_of(clauses, lead=lead) for clauses, lead in sentences)


def _clauses(rows: Sequence[Any], plan, *, with_level: bool) -> list[str]:
    """Return what was found on one metric, one clause for each verdict; the first names metric and margin."""
    clauses, said = [], ""
    for alike in _alike(rows, plan):
        against = subject_names(alike[0], plan)[1]
        of = names_text(subject_names(row, plan)[0] for row in alike)
        beside, is_first = against if against != said else "", not clauses
        options = {"plan": plan, "with_level": with_level and is_first, "is_first": is_first}
        clauses.append(result_clause(alike, of=of, against=beside, **options))
        said = against
    return clauses


def _place_of(row: Any) -> tuple[str, str]:
    """Return the games that a row rests on: its group, and what is left out of it."""
    return row.group, row.without


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


def _lead(rows: Sequence[Any], plan, *, places: Sequence[tuple]) -> str:
    """Return where results hold, as far as it was not said before: the games, the group, whose card."""
    row = rows[0]
    group = "" if row.group == "all" else f" at {row.group}"
    if not places:
        return f"{_games_words(row)}{group}, on our {whose(rows, plan)}, "
    if set(places) != {_place_of(row)}:
        return f"{_games_words(row)}{group}, "
    return "There, " if row.group != "all" else ""


def _games_words(row: Any) -> str:
    """Return the games that a result rests on, and those that it leaves out."""
    if row.only_game:
        return f"In {row.only_game}"
    names = [name for name in row.without.split(SEPARATOR) if name]
    left_out = f" (left out: {names_text(names)})" if names else ""
    return f"Over {count_text(row.n_games, 'game')}{left_out}"


def _placed(sentences: list[str], rows: Sequence[Sequence[Any]], plan) -> list[str]:
    """Return sentences on what is open, the first with the card that the page is about."""
    place = f"In {rows[0][0].only_game}, on" if rows[0][0].only_game else "On"
    first, *others = sentences
    told = [row for one in rows for row in one if row.verdict == _NONE and row.reason == rows[0][0].reason]
    return [f"{place} our {whose(told, plan)}, {first}", *others]


def whose(rows: Iterable[Any], plan) -> str:
    """Return the cards that comparisons speak of, so that nobody takes them for every card of their model."""
    names = dict.fromkeys(card for row in rows for card in (row.of_card, row.against_card))
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
