"""Which test decided each game, read off the rows themselves: the layout, the units and the degrees of freedom."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import is_missing, number_text
from gpubench_kit.wording.terms import scene_text

PAIRED, POOLED, WELCH, WIDENED = "paired", "pooled", "welch", "widened"


def deciding_test(row: Any) -> str:
    """Return which test decided a row; empty where none was made.

    Parameters
    ----------
    row : row of ``comparisons``

    Notes
    -----
    Pairs of n rounds have n - 1 degrees of freedom (more where noise is borrowed, which only rounds do), two
    groups of n each 2 (n - 1), groups of unequal size those of Welch.
    """
    if is_missing(row.df):
        return ""
    if row.layout == "confounded":
        return WIDENED
    is_borrowed = not is_missing(row.borrowed) and bool(row.borrowed)
    if row.layout == "rounds" and (is_borrowed or np.isclose(row.df, row.n_blocks - 1)):
        return PAIRED
    return POOLED if np.isclose(row.df, 2 * (row.n_blocks - 1)) else WELCH


def deciding_sentences(comparisons: pd.DataFrame, *, samples: frozenset[str] = frozenset()) -> list[str]:
    """Return one sentence for each way in which games were decided.

    Parameters
    ----------
    comparisons : DataFrame, one row per (pair, game, setting, metric); see ``tables.COMPARISONS``
    samples : models of which several cards were measured: between them the card is the unit
    """
    rows: dict[tuple[str, str], list[Any]] = {}
    for row in comparisons.itertuples():
        if name := deciding_test(row):
            rows.setdefault((name, _units(row, samples)), []).append(row)
    return [
        _sentence(name, units, rows=found, with_games=len(rows) > 1)
        for (name, units), found in sorted(rows.items())
    ]


def overall_tests(overall: pd.DataFrame) -> Iterator[str]:
    """Yield how games were taken together, one sentence for each layout that occurs.

    Parameters
    ----------
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    """
    found = set(overall.loc[overall["df"].notna() & (overall["scope"] == "these_games"), "layout"])
    yield from (say(f"tests.over_games.{layout}") for layout in _OVER_GAMES if layout in found)


_OVER_GAMES = ("rounds", "shared-rounds", "restarts", "confounded")


def _units(row: Any, samples: frozenset[str]) -> str:
    """Return what a row's test counts."""
    between_cards = row.of_card != row.against_card
    if row.layout == "restarts" and samples & {row.of_card, row.against_card}:
        return "cards"
    if row.layout in ("restarts", "confounded") and between_cards:
        return "installations"
    return {"restarts": "blocks", "confounded": "restarts"}.get(row.layout, "runs")


def _sentence(name: str, units: str, *, rows: list[Any], with_games: bool) -> str:
    """Return how one test was made, with its degrees of freedom, and of which games where tests differ."""
    told = say(f"tests.{name}", units=say(f"tests.units.{units}"), df=_df_words(rows))
    if name == POOLED and rows[0].layout == "rounds":
        told = f"{told} {say('tests.few_rounds')}"
    games = "; ".join(dict.fromkeys(scene_text(row.game, row.setting) for row in rows))
    return f"{told} {say('tests.games', games=games)}" if with_games else told


def _df_words(rows: list[Any]) -> str:
    """Return the degrees of freedom of several rows, the least and the most."""
    least, most = min(row.df for row in rows), max(row.df for row in rows)
    ends = [number_text(one, decimals=0 if np.isclose(one, round(one)) else 1) for one in (least, most)]
    number = ends[0] if ends[0] == ends[1] else say("cost.span", low=ends[0], high=ends[1])
    return say("tests.df", n=1 if number == "1" else number)
