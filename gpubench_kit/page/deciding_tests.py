"""Which test decided each game, read off the rows themselves: the layout, the units and the degrees of freedom."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.wording.numbers import is_missing, number_text
from gpubench_kit.wording.terms import scene_text

PAIRED, POOLED, WELCH, WIDENED = "paired rounds", "two groups", "two unequal groups", "two groups, widened"

_UNITS = {"rounds": "runs", "restarts": "blocks of runs", "confounded": "runs", "not_stated": "runs"}
_FEW_ROUNDS = (
    " Fewer than six games and at most four rounds leave pairs too few degrees of freedom; what runs of one round "
    "share is then not taken out, which errs on the safe side."
)
_HOW = {
    PAIRED: "the difference within each round is the unit, and a t test on these differences decides ({df}).",
    POOLED: "the {units} of the two sides are compared as two groups with one common noise, by a two-sample t test "
    "({df}).",
    WELCH: "the {units} of the two sides are compared as two groups, each with its own noise (Welch 1947; {df}).",
    WIDENED: "the runs of the two sides are compared as two groups, and their noise is widened by the spread "
    "between {starts} (Satterthwaite 1946; {df}).",
}


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
        name = deciding_test(row)
        if name:
            rows.setdefault((name, _units(row, samples)), []).append(row)
    by_name = sorted(rows.items())
    return [f"{name.capitalize()}: {_how(name, units, rows=found)}" for (name, units), found in by_name]


def note_on_tests(rows: pd.DataFrame) -> str:
    """Return by which test the games of one table were decided; each with its games where tests differ.

    Parameters
    ----------
    rows : rows of ``comparisons`` of one pair and metric
    """
    found: dict[str, list[Any]] = {}
    for row in rows.itertuples():
        if deciding_test(row):
            found.setdefault(deciding_test(row), []).append(row)
    parts = [f"{name}, {_df_words(those)}{_games(those) * (len(found) > 1)}" for name, those in found.items()]
    return f"Test{'s' * (len(parts) > 1)}: {'; '.join(parts)}." if parts else ""


def overall_tests(overall: pd.DataFrame) -> Iterator[str]:
    """Yield how games were taken together, one sentence for each layout that occurs.

    Parameters
    ----------
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    """
    found = set(overall.loc[overall["df"].notna() & (overall["scope"] == "these_games"), "layout"])
    yield from (text for layout, text in _OVER_GAMES.items() if layout in found)


_OVER_GAMES = {
    "rounds": "Over these games each game counts once, with the noise of its own runs (Satterthwaite 1946).",
    "shared-rounds": "One change of tuning served several games of a round, so games are averaged within each "
    "round first, and rounds are compared: the result counts rounds, not games.",
    "restarts": "Where a block of runs served several games, they are averaged within it first, and the blocks of "
    "the two sides are compared as two groups.",
    "confounded": "Where a spread between restarts is stated, it widens the result over games once, not game by "
    "game.",
}


def _units(row: Any, samples: frozenset[str]) -> str:
    """Return what a row's test counts."""
    if row.layout == "restarts" and samples & {row.of_card, row.against_card}:
        return "cards"
    if row.layout == "restarts" and row.of_card != row.against_card:
        return "installations"
    if row.layout == "confounded":
        return "installations" if row.of_card != row.against_card else "restarts"
    return "runs in rounds" if row.layout == "rounds" else _UNITS[row.layout]


def _how(name: str, units: str, *, rows: list[Any]) -> str:
    """Return how one test was made, with its degrees of freedom."""
    is_few = name == POOLED and units == "runs in rounds"
    told = _HOW[name].format(units=units.removesuffix(" in rounds"), starts=units, df=_df_words(rows))
    return told + _FEW_ROUNDS * is_few


def _df_words(rows: list[Any]) -> str:
    """Return the degrees of freedom of several rows, the least and the most."""
    least, most = min(row.df for row in rows), max(row.df for row in rows)
    ends = [number_text(one, decimals=0 if np.isclose(one, round(one)) else 1) for one in (least, most)]
    number = " to ".join(dict.fromkeys(ends))
    return f"{number} degree{'s' * (number != '1')} of freedom"


def _games(rows: list[Any]) -> str:
    """Return the scenes of several rows in brackets."""
    return f" ({'; '.join(dict.fromkeys(scene_text(row.game, row.setting) for row in rows))})"
