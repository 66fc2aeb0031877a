"""Cards over time: control runs, drivers, and levels that can be read against each other."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from gpubench_kit.archive.sides import compare_sides, sides_of
from gpubench_kit.archive.store import Store
from gpubench_kit.archive.tables import CARDS, CONTROL_RUNS, DRIVER_CHANGES
from gpubench_kit.model.metrics import METRICS

#: Rounds of fitting after which levels no longer move in any digit that is shown.
_ROUNDS = 200
_SETTLED = 1e-12

_MEASUREMENT = ["card", "tuning", "review", "place_in_time", "bench", "driver"]


def control_runs(store: Store, dates: pd.Series, *, margins: Mapping[str, float], spreads: Mapping) -> pd.DataFrame:
    """Return how the same card and tuning, measured again, differ from the first time.

    Parameters
    ----------
    store : holds ``cells`` and ``tunings``
    dates : day of each review, by review
    margins, spreads : as in `archive.sides.compare_sides`

    Returns
    -------
    DataFrame; see ``archive.tables.CONTROL_RUNS``; the first time has no row
    """
    sides = sides_of(store, _MEASUREMENT)
    numbered = sides.assign(side=sides.groupby(_MEASUREMENT, sort=True).ngroup())
    about = numbered.drop_duplicates("side").sort_values(["place_in_time", "side"], kind="stable")
    first = about.groupby(["card", "tuning"], sort=False)["side"].transform("first")
    pairs = about.assign(of=about["side"], against=first)[[*_MEASUREMENT, "of", "against"]]
    pairs = pairs[pairs["of"] != pairs["against"]]
    if not len(pairs):
        return CONTROL_RUNS.frame()
    found = compare_sides(pairs, numbered[["side", *_columns(sides)]], key="side", margins=margins, spreads=spreads)
    found = found.assign(date=found["review"].map(dates))
    return CONTROL_RUNS.frame(found.sort_values(["card", "tuning", "metric", "place_in_time"], kind="stable"))


def driver_changes(
    store: Store, within: pd.DataFrame, *, margins: Mapping[str, float], spreads: Mapping
) -> pd.DataFrame:
    """Return what changed from one driver to the next, on the same card with the same tuning.

    Parameters
    ----------
    store : holds ``cells`` and ``tunings``
    within : results of reviews that compared two benches themselves, as ``archive.tables.DRIVER_CHANGES``, with
        ``first_place``, the place of the review in the order of time
    margins, spreads : as in `archive.sides.compare_sides`

    Returns
    -------
    DataFrame; see ``archive.tables.DRIVER_CHANGES``: reviews that compared drivers themselves, interleaved, and all
    runs under one driver against all under the one before it, in the order in which the later drivers came
    """
    sides = sides_of(store, ["card", "tuning", "driver"])
    numbered = sides.assign(side=sides.groupby(["card", "tuning", "driver"], sort=True).ngroup())
    names = ["card", "tuning", "driver"]
    first = numbered.groupby(names, sort=True)[["first_place", "first_bench"]].min().reset_index()
    ordered = first.sort_values(["card", "tuning", "first_place", "first_bench", "driver"], kind="stable")
    ordered = ordered.merge(numbered.drop_duplicates("side")[[*names, "side"]], on=names)
    before = ordered.groupby(["card", "tuning"], sort=False)[["driver", "side"]].shift()
    pairs = ordered.assign(of_driver=ordered["driver"], against_driver=before["driver"], of=ordered["side"],
                           against=before["side"], source="archive", review="", group="all")  # fmt: skip
    pairs = pairs[pairs["against"].notna()].astype({"against": int})
    about = ["card", "tuning", "of_driver", "against_driver", "source", "review", "group"]
    if not len(pairs):
        return DRIVER_CHANGES.frame(within)
    rows = numbered[["side", *_columns(sides)]]
    found = compare_sides(
        pairs[["of", "against", "first_place", *about]], rows, key="side", margins=margins, spreads=spreads
    )
    both = pd.concat([DRIVER_CHANGES.frame(within), DRIVER_CHANGES.frame(found)], ignore_index=True)
    came = np.concatenate([within["first_place"], found["first_place"]]).astype(float)
    return DRIVER_CHANGES.frame(both.iloc[np.argsort(came, kind="stable")])


def cards_over_time(store: Store, dates: pd.Series) -> pd.DataFrame:
    """Return the level of each card in its reference tuning, review by review.

    Parameters
    ----------
    store : holds ``cells`` and ``tunings``
    dates : day of each review, by review

    Returns
    -------
    DataFrame; see ``archive.tables.CARDS``; metrics on the ratio scale only

    Notes
    -----
    Reviews differ in their games. In logs each value is taken as the sum of a level of the card at that time and
    one of the game, fitted by least squares, so a card is held against others through games they share. Families
    that share no game are fitted apart, and their levels say nothing about each other.
    """
    sides = sides_of(store, _MEASUREMENT).groupby("metric", sort=True)
    parts = [_levels(part) for metric, part in sides if METRICS[metric].scale == "ratio"]
    if not parts:
        return CARDS.frame()
    found = pd.concat(parts, ignore_index=True)
    found = found.assign(date=found["review"].map(dates))
    return CARDS.frame(found.sort_values(["metric", "place_in_time", "card", "bench"], kind="stable"))


def _columns(sides: pd.DataFrame) -> list[str]:
    """Return the columns of sides that say what was measured, not who was."""
    return [name for name in sides.columns if name not in (*_MEASUREMENT, "first_place", "first_bench")]


def _levels(part: pd.DataFrame) -> pd.DataFrame:
    """Return the level of each measurement in one metric."""
    side = part.groupby(_MEASUREMENT, sort=True).ngroup().to_numpy()
    game = part.groupby(["game", "setting"], sort=True).ngroup().to_numpy()
    linked = _linked(side, game)
    level = _fit(side, game, part["mean"].to_numpy(dtype=float))
    about = part.assign(side=side).groupby("side").agg(
        **{name: (name, "first") for name in (*_MEASUREMENT, "metric")}, n_games=("game", "size"), n=("n", "sum")
    )  # fmt: skip
    centre = np.bincount(linked, weights=level) / np.bincount(linked)
    return about.assign(linked=linked + 1, level=100 * np.exp(level - centre[linked]))


def _linked(side: np.ndarray, game: np.ndarray) -> np.ndarray:
    """Return the family of each side: sides that share a game, directly or through others, from 0."""
    family = np.arange(int(side.max()) + 1)
    while True:
        of_game = np.full(int(game.max()) + 1, len(family))
        np.minimum.at(of_game, game, family[side])
        least = family.copy()
        np.minimum.at(least, side, of_game[game])
        if (least == family).all():
            return np.unique(family, return_inverse=True)[1]
        family = least


def _fit(side: np.ndarray, game: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return the level of each side in ``value = level of side + level of game``, least squares."""
    n_side, n_game = np.bincount(side), np.bincount(game)
    of_side = np.bincount(side, weights=values) / n_side
    for _ in range(_ROUNDS):
        of_game = np.bincount(game, weights=values - of_side[side]) / n_game
        fitted = np.bincount(side, weights=values - of_game[game]) / n_side
        settled = np.abs(fitted - of_side).max() < _SETTLED
        of_side = fitted
        if settled:
            break
    return of_side
