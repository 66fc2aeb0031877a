"""Charts of the archive: noise of games with its interval, changes over drivers and time, levels of cards."""

from __future__ import annotations

import pandas as pd

from gpubench_kit.page.charts.lanes import Cell, Column, Lane, Lanes
from gpubench_kit.page.charts.over_games import sign_of
from gpubench_kit.page.charts.scales import is_known
from gpubench_kit.wording.numbers import change_text, number_text
from gpubench_kit.wording.terms import margin_band, metric_of, scene_names, sentence

#: Rows of one chart; the tables beside the page hold all.
MOST_ROWS = 24
_WIDTH = 360.0


def archive_noise_lanes(noise: pd.DataFrame, *, metric: str) -> Lanes | None:
    """Return the run-to-run noise of each game with its interval, noisiest first.

    Parameters
    ----------
    noise : DataFrame; see ``archive.tables.RUN_NOISE``
    metric : name of the metric

    Returns
    -------
    Lanes; None where the noise of no game is known
    """
    data = noise[(noise["scope"] == "all") & (noise["metric"] == metric)].sort_values("noise", ascending=False)
    data = data.head(MOST_ROWS)
    if not len(data):
        return None
    names, unit = scene_names(data), data["unit"].iloc[0]
    lanes = tuple(Lane(names[row.game, row.setting], None, (_noise_cell(row, unit),)) for row in data.itertuples())
    # An interval from few runs may be far wider than all else.
    most = float(data["noise"].max())
    heading = f"{sentence(metric_of(metric).label)}: noise from run to run, all reviews, {unit}"
    column = Column(heading, unit, decimals=2, low=0.0, high=3.2 * most or None)
    return Lanes(heading, (column,), lanes, _WIDTH)


def change_lanes(rows: pd.DataFrame, *, metric: str, title: str) -> Lanes | None:
    """Return changes with their intervals against zero and the margin, one row each.

    Parameters
    ----------
    rows : DataFrame with ``label`` and the columns of changes in ``archive.tables``, in the order drawn
    metric : name of the metric
    title : what is compared

    Returns
    -------
    Lanes; None where there is no change of this metric
    """
    data = rows[(rows["metric"] == metric) & rows["change"].notna()].tail(MOST_ROWS)
    if not len(data):
        return None
    facts, unit, margin = metric_of(metric), data["unit"].iloc[0], float(data["margin"].iloc[-1])
    lanes = tuple(Lane(row.label, None, (_change_cell(row, unit),)) for row in data.itertuples())
    heading = f"{title}: change of {facts.label}, {unit}"
    return Lanes(
        heading, (Column(heading, unit, margin=margin_band(margin, facts.scale), signed=True),), lanes, _WIDTH
    )


def card_lanes(cards: pd.DataFrame, *, metric: str) -> Lanes | None:
    """Return the level of each card in its reference tuning, in the order of time.

    Parameters
    ----------
    cards : DataFrame with ``label`` and the columns of ``archive.tables.CARDS``
    metric : name of the metric

    Returns
    -------
    Lanes; None where fewer than two levels are linked by games
    """
    known = cards[cards["metric"] == metric]
    if not len(known):
        return None
    data = known[known["linked"] == known["linked"].mode().iloc[0]].tail(MOST_ROWS)
    if len(data) < 2:
        return None
    lanes = tuple(
        Lane(row.label, None, (Cell(centre=float(row.level), text=number_text(row.level)),))
        for row in data.itertuples()
    )
    heading = f"{sentence(metric_of(metric).label)}: level of each card, mean of the linked cards = 100"
    return Lanes(heading, (Column(heading, "", decimals=1),), lanes, _WIDTH)


def _noise_cell(row, unit: str) -> Cell:
    """Return the noise of one game."""
    low, high = (float(one) if pd.notna(one) else None for one in (row.ci_low, row.ci_high))
    text = f"{number_text(row.noise, decimals=2)} {unit}"
    return Cell(centre=float(row.noise), low=low if is_known(low) else None, high=high, text=text)


def _change_cell(row, unit: str) -> Cell:
    """Return one change with its verdict."""
    low, high = (float(one) if pd.notna(one) else None for one in (row.ci_low, row.ci_high))
    change = float(row.change)
    text = f"{sign_of(row.verdict, change)} {change_text(change, unit)}"
    return Cell(centre=change, low=low, high=high, verdict=row.verdict, text=text)
