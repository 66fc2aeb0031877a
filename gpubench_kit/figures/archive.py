"""The archive as charts: noise of games with its interval, changes over drivers and time, levels of cards."""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.row_layouts import draw_rows
from gpubench_kit.figures.rows import Axis, Block, Mark, Row, RowChart
from gpubench_kit.figures.scales import padded_range
from gpubench_kit.figures.sheet import Heading
from gpubench_kit.file_names import slug
from gpubench_kit.wording.numbers import change_and_interval_text, number_text, percent_text
from gpubench_kit.wording.terms import (
    VERDICT_MARKS,
    VERDICT_WORDS,
    margin_band,
    metric_of,
    scene_names,
    sentence,
)

#: Rows of one chart; the tables beside the page hold all.
MOST_ROWS = 24


def draw_archive_noise(noise: pd.DataFrame, archive, *, metric: str) -> DescribedFigure | None:
    """Draw the run-to-run noise of each game with its interval, noisiest first.

    Parameters
    ----------
    noise : DataFrame; see ``archive.tables.RUN_NOISE``
    archive : Archive, gives the style
    metric : name of the metric

    Returns
    -------
    DescribedFigure; None where the noise of no game is known
    """
    data = noise[(noise["scope"] == "all") & (noise["metric"] == metric)].sort_values("noise", ascending=False)
    data = data.head(MOST_ROWS)
    if not len(data):
        return None
    facts, names, unit = metric_of(metric), scene_names(data), data["unit"].iloc[0]
    rows = tuple(_noise_row(row, names[row.game, row.setting]) for row in data.itertuples())
    top = padded_range([*data["noise"], *np.minimum(data["ci_high"], 3 * data["noise"].max())])[1]
    title = f"Noise of the {facts.label} on this bench"
    chart = RowChart(
        Heading(
            f"Noise: {facts.label}", "From run to run within a session, all reviews.", "Lines: 95 % intervals."
        ),
        (Block("", rows),),
        Axis(0.0, top, f"standard deviation from run to run [{unit}]"),
    )
    most, least = data.iloc[0], data.iloc[-1]
    told = f"{title}: from {_noise_text(least)} ({least.game}) to {_noise_text(most)} ({most.game})."
    return DescribedFigure(
        name=slug("archive-noise", metric),
        data=data.reset_index(drop=True),
        caption=f"{title}: standard deviation between runs of one tuning within a session, over all reviews.",
        alternative_text=told,
        drawing=partial(draw_rows, chart=chart),
        style=archive.style,
    )


def draw_changes(rows: pd.DataFrame, archive, *, metric: str, title: str, name: str) -> DescribedFigure | None:
    """Draw changes with their intervals against zero and the margin, one row each.

    Parameters
    ----------
    rows : DataFrame with ``label`` and the columns of changes in ``archive.tables``, in the order drawn
    archive : Archive, gives the style
    metric : name of the metric
    title : title of the chart
    name : what its file's name begins with

    Returns
    -------
    DescribedFigure; None where there is no change of this metric
    """
    data = rows[(rows["metric"] == metric) & rows["change"].notna()].tail(MOST_ROWS)
    if not len(data):
        return None
    facts, unit, margin = metric_of(metric), data["unit"].iloc[0], float(data["margin"].iloc[-1])
    ends = data[["change", "ci_low", "ci_high"]].to_numpy(dtype=float)
    band = margin_band(margin, facts.scale)
    low, high = padded_range(ends[np.isfinite(ends)], include=[0.0, *(band or ())])
    axis = Axis(
        low, high, f"change of {facts.label} [{unit}]", zero=True, band=band, band_text=_margin_words(margin, unit)
    )
    heading = Heading(title, f"{sentence(facts.label)}. Lines: 95 % intervals, widened by restarts.",
                      "A hollow mark is no finding beyond the margin; a cross has no verdict.")  # fmt: skip
    chart = RowChart(heading, (Block("", tuple(_change_row(row, unit) for row in data.itertuples())),), axis)
    told = "; ".join(f"{row.label}: {_change_words(row, unit).replace(' · ', ', ')}" for row in data.itertuples())
    return DescribedFigure(
        name=slug(name, metric),
        data=data.reset_index(drop=True),
        caption=f"{title}: {facts.label}, later against earlier, over the games measured both times.",
        alternative_text=f"{title}, {facts.label}. {told}.",
        drawing=partial(draw_rows, chart=chart),
        style=archive.style,
    )


def draw_cards(cards: pd.DataFrame, archive, *, metric: str) -> DescribedFigure | None:
    """Draw the level of each card in its reference tuning, in the order of time.

    Parameters
    ----------
    cards : DataFrame with ``label`` and the columns of ``archive.tables.CARDS``
    archive : Archive, gives the style
    metric : name of the metric

    Returns
    -------
    DescribedFigure; None where fewer than two levels are linked by games
    """
    known = cards[cards["metric"] == metric]
    if not len(known):
        return None
    data = known[known["linked"] == known["linked"].mode().iloc[0]].tail(MOST_ROWS)
    if len(data) < 2:
        return None
    facts = metric_of(metric)
    rows = tuple(
        Row(row.label, number_text(row.level), (Mark(row.level, role="series-1"),), number_text(row.level))
        for row in data.itertuples()
    )
    title = f"Cards over time: {facts.label}"
    subtitle = "Reference tuning. 100: mean of the cards that are linked by games."
    chart = RowChart(
        Heading(title, subtitle, "A level is no verdict: it also holds restarts, drivers and what else changed."),
        (Block("", rows),),
        Axis(*padded_range(data["level"]), "level [mean = 100]"),
    )
    told = "; ".join(f"{row.label}: {number_text(row.level)}" for row in data.itertuples())
    return DescribedFigure(
        name=slug("cards-over-time", metric),
        data=data.reset_index(drop=True),
        caption=f"{title}, each in its reference tuning, over the games that link them; the mean is 100.",
        alternative_text=f"{title}, mean 100. {told}.",
        drawing=partial(draw_rows, chart=chart),
        style=archive.style,
    )


def _noise_row(row, label: str) -> Row:
    """Return the row of one game's noise."""
    text = f"{_noise_text(row)} · {int(row.n)} runs"
    return Row(label, text, (Mark(row.noise, row.ci_low, row.ci_high),), _noise_text(row))


def _noise_text(row) -> str:
    """Return a noise with its unit."""
    return f"{number_text(row.noise, decimals=2)} {row.unit}"


def _change_row(row, unit: str) -> Row:
    """Return the row of one change."""
    role, shape, hollow = VERDICT_MARKS[row.verdict]
    text = _change_words(row, unit)
    return Row(
        row.label,
        text,
        (Mark(row.change, row.ci_low, row.ci_high, role, shape, hollow),),
        VERDICT_WORDS[row.verdict],
    )


def _change_words(row, unit: str) -> str:
    """Return a change with its interval and verdict."""
    change = change_and_interval_text(row.change, row.ci_low, row.ci_high, unit=unit)
    return f"{change} · {VERDICT_WORDS[row.verdict]}"


def _margin_words(margin: float, unit: str) -> str:
    """Return what the band around zero is; nothing without a margin."""
    if not np.isfinite(margin):
        return ""
    return f"margin {percent_text(margin) if unit == '%' else f'{margin:g} {unit}'}"
