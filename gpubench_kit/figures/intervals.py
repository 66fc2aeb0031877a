"""Changes with their intervals and the margin band: game by game, and over all games."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.row_layouts import draw_rows
from gpubench_kit.figures.rows import Axis, Block, Mark, Row, RowChart
from gpubench_kit.figures.sheet import Heading
from gpubench_kit.file_names import slug
from gpubench_kit.model.metrics import Metric
from gpubench_kit.model.tables import PAIR_KEY
from gpubench_kit.wording.numbers import change_and_interval_text, change_text, count_text, percent_text
from gpubench_kit.wording.terms import (
    VERDICT_MARKS,
    VERDICT_WORDS,
    margin_band,
    margin_text,
    metric_of,
    names_text,
    of_group,
    of_pair,
    pair_text,
    reason_text,
    scene_names,
    sentence,
)

_DIRECTIONS = {"higher": ("worse", "better"), "lower": ("better", "worse"), "neither": ("lower", "higher")}
_SCOPES = {"these_games": "These games", "games_like_these": "Games like these"}
_KEY = "Line: interval of the change. Shaded: the margin, changes too small to matter."


def draw_game_intervals(comparisons: pd.DataFrame, plan, *, pair: Sequence[str], metric: str,
                        group: str = "all") -> DescribedFigure | None:  # fmt: skip
    """Draw the change of one metric in each game, sorted by size, with the margin band.

    Parameters
    ----------
    comparisons : DataFrame, one row per (pair, game, setting, metric); see ``tables.COMPARISONS``
    plan : ReviewPlan, gives names and style
    pair : the pair to draw, as ``tables.PAIR_KEY``
    metric : name of the metric
    group : group of settings

    Returns
    -------
    DescribedFigure; None when no game has a change to draw. The intervals drawn are unadjusted,
    each game on its own; the verdict words are those of the table.
    """
    of_metric = comparisons[(comparisons["metric"] == metric) & (comparisons["group"] == group)]
    data = of_pair(of_metric, pair).sort_values(["change", "game", "setting"], ascending=[False, True, True])
    if not data["change"].notna().any():
        return None
    facts, about = metric_of(metric), pair_text(pair, plan)
    unit = _change_unit(data)
    runs, in_rows = _runs_text(data)
    names = scene_names(data)
    rows = tuple(
        _game_row(row, names[row.game, row.setting], unit=unit, with_runs=in_rows) for row in data.itertuples()
    )
    subtitle = f"Each game on its own, {_confidence_text(data)}. {runs}"
    heading = Heading(of_group(f"{sentence(facts.label)}: {about}", group), subtitle, _KEY)
    chart = RowChart(heading, (Block("", rows),), _change_axis(data, facts, unit=unit))
    return DescribedFigure(
        name=slug("per-game", metric, _pair_slug(pair, plan), "" if group == "all" else group),
        data=data.reset_index(drop=True),
        caption=f"Change in {facts.label} per game, {about}; intervals are not adjusted for the number of games.",
        alternative_text=_games_alternative(data, facts, about=about, unit=unit),
        drawing=partial(draw_rows, chart=chart),
        style=plan.style,
    )


def draw_overall(overall: pd.DataFrame, plan, *, metric: str, group: str = "all") -> DescribedFigure | None:
    """Draw the change of one metric over all games, for every pair and both scopes.

    Parameters
    ----------
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    plan : ReviewPlan, gives names and style
    metric : name of the metric
    group : group of settings

    Returns
    -------
    DescribedFigure; None when no pair has a change to draw
    """
    data = overall[(overall["metric"] == metric) & (overall["group"] == group)]
    if not data["change"].notna().any():
        return None
    facts, unit = metric_of(metric), _change_unit(data)
    blocks = tuple(block for scope in _SCOPES if (block := _scope_block(data, plan, scope=scope, unit=unit)).rows)
    games = f"{count_text(int(data['n_games'].max()), 'game')}, {_confidence_text(data)}"
    heading = Heading(of_group(f"{sentence(facts.label)} over all games", group), sentence(games) + ".", _KEY)
    chart = RowChart(heading, blocks, _change_axis(data, facts, unit=unit))
    return DescribedFigure(
        name=slug("overall", metric, "" if group == "all" else group),
        data=data.reset_index(drop=True),
        caption=f"Change in {facts.label} over all games of the review, with its interval and the margin band.",
        alternative_text=_overall_alternative(data, plan, facts=facts, unit=unit),
        drawing=partial(draw_rows, chart=chart),
        style=plan.style,
    )


def _game_row(row, label: str, *, unit: str, with_runs: bool) -> Row:
    """Return the row of one game."""
    runs = f" (n = {row.n} and {row.n_against})" if with_runs else ""
    return Row(label + runs, _result_text(row, unit), (_change_mark(row),), _short_text(row, unit))


def _scope_block(data: pd.DataFrame, plan, *, scope: str, unit: str) -> Block:
    """Return the rows of all pairs in one scope, largest change first."""
    rows = data[data["scope"] == scope].sort_values("change", ascending=False, kind="stable")
    pairs = [(row, tuple(getattr(row, name) for name in PAIR_KEY)) for row in rows.itertuples()]
    drawn = (
        Row(pair_text(pair, plan), _result_text(row, unit), (_change_mark(row),), _short_text(row, unit))
        for row, pair in pairs
    )
    return Block(_SCOPES[scope], tuple(drawn))


def _change_mark(row) -> Mark:
    """Return the mark of a change, keyed by its verdict."""
    role, shape, is_hollow = VERDICT_MARKS.get(row.verdict, VERDICT_MARKS["no_verdict"])
    return Mark(row.change, row.ci_low, row.ci_high, role, shape, is_hollow)


def _result_text(row, unit: str) -> str:
    """Return the verdict in words and the change, which so stands at the right edge."""
    verdict = VERDICT_WORDS.get(row.verdict, "")
    if row.verdict == "no_verdict" and row.reason:
        verdict = f"{verdict} ({reason_text(row.reason)})"
    change = change_text(row.change, unit) if np.isfinite(row.change) else ""
    return ": ".join(part for part in (verdict, change) if part)


def _short_text(row, unit: str) -> str:
    """Return the change alone; where there is none, that there is no verdict."""
    return change_text(row.change, unit) if np.isfinite(row.change) else VERDICT_WORDS["no_verdict"]


def _change_unit(data: pd.DataFrame) -> str:
    """Return the unit of the changes: percent on the ratio scale."""
    return "%" if data["scale"].iloc[0] == "ratio" else data["unit"].iloc[0]


def _change_axis(data: pd.DataFrame, facts: Metric, *, unit: str) -> Axis:
    """Return the axis of changes: it holds zero and the band, and no single wide interval rules it."""
    margin = data["margin"].max()
    band = margin_band(margin, data["scale"].iloc[0])
    reach = np.fmax(data["ci_low"].abs(), data["ci_high"].abs()).fillna(data["change"].abs()).dropna()
    most = max(2.5 * float(reach.quantile(0.75)), 1.15 * float(data["change"].abs().max()), 2 * max(band or (0, 0)))
    ends = np.clip([*data["ci_low"], *data["ci_high"], *data["change"], *(band or ()), 0.0], -most, most)
    low, high = np.nanmin(ends), np.nanmax(ends)
    pad = 0.04 * (high - low) or 1.0
    left, right = _DIRECTIONS[facts.better]
    text = margin_text(margin, unit) if band else ""
    label = f"change in {facts.label} [{unit}]" if unit else f"change in {facts.label}"
    axis = Axis(low - pad, high + pad, label, zero=True, band=band, band_text=text)
    return replace(axis, left_text=left, right_text=right)


def _confidence_text(data: pd.DataFrame) -> str:
    """Return what the intervals are."""
    levels = data["confidence"].dropna().unique()
    return f"{percent_text(100 * levels[0])} intervals" if len(levels) == 1 else "intervals"


def _runs_text(data: pd.DataFrame) -> tuple[str, bool]:
    """Return how many runs each game has, and whether each row has to say it itself."""
    counts = {(int(row.n), int(row.n_against)) for row in data.itertuples() if not pd.isna(row.n)}
    if len(counts) != 1:
        return "n: runs of each side.", True
    of, against = counts.pop()
    return (f"n = {count_text(of, 'run')} of each." if of == against else f"n = {of} and {against} runs."), False


def _pair_slug(pair: Sequence[str], plan) -> str:
    """Return the names of a pair for a file name."""
    return pair_text(pair, plan).replace(" against ", " vs ").replace(", ", " ")


def _games_alternative(data: pd.DataFrame, facts: Metric, *, about: str, unit: str) -> str:
    """Return what the chart of games shows: the games of each verdict, and the range of changes."""
    parts, names = [], scene_names(data)
    for verdict, rows in data.groupby("verdict", sort=False):
        found = [(names[row.game, row.setting], _known(row.change, unit)) for row in rows.itertuples()]
        games = names_text([f"{scene} {change}".strip() for scene, change in found])
        parts.append(f"{VERDICT_WORDS.get(verdict, 'no verdict')} in {len(rows)} of {len(data)} ({games})")
    title = of_group(f"{sentence(facts.label)}, {about}, game by game", data["group"].iloc[0])
    return f"{title}: {'; '.join(parts)}."


def _overall_alternative(data: pd.DataFrame, plan, *, facts: Metric, unit: str) -> str:
    """Return what the overall chart shows, pair by pair."""
    parts = []
    for row in data.itertuples():
        pair = pair_text([getattr(row, name) for name in PAIR_KEY], plan)
        found = change_and_interval_text(row.change, row.ci_low, row.ci_high, unit=unit)
        verdict = VERDICT_WORDS.get(row.verdict, "no verdict")
        parts.append(f"{pair}, {_SCOPES.get(row.scope, row.scope).lower()}: {found}, {verdict}")
    title = of_group(f"{sentence(facts.label)} over all games", data["group"].iloc[0])
    return f"{title}. {'; '.join(parts)}."


def _known(change: float, unit: str) -> str:
    """Return a change as text, empty where there is none."""
    return change_text(change, unit) if np.isfinite(change) else ""
