"""What changed over time: the same card under other drivers, or measured again, side against side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from gpubench_kit.archive.gather import REFERENCE_CELLS
from gpubench_kit.archive.noise import change_in_unit, in_unit, unit_of
from gpubench_kit.archive.store import Store
from gpubench_kit.archive.tables import CARDS, CONTROL_RUNS, DRIVER_CHANGES
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.statistics.equivalence import Uncertainty, run_tests
from gpubench_kit.statistics.multiplicity import NO_VERDICT, adjust_in_families, decide
from gpubench_kit.statistics.units import direction_of

LEVEL = 0.05

_SCENE = ["game", "setting", "metric"]

#: What must agree between both sides, where both state it, and the reason if it does not.
_ALIKE = {
    "frames": "different_frames_counted",
    "power_measured_at": "different_power_points",
    "versions": "different_game_version",
    "definition": "different_definition",
}


def sides_of(store: Store, keys: Sequence[str]) -> pd.DataFrame:
    """Return each side's runs of reference tunings in each game and metric, over all its sessions.

    Parameters
    ----------
    store : holds ``cells`` and ``tunings``
    keys : columns that make a side

    Returns
    -------
    DataFrame, one row per side, game, setting and metric: ``n``, ``mean``, ``squares`` and ``df`` within sessions,
    ``sessions``, and ``share``: the sum of the squared shares of sessions in the mean, by which a restart moves it;
    ``first_place`` and ``first_bench``, to put sides in order
    """
    by = ", ".join([*keys, *_SCENE])
    alike = ", ".join(f"arg_max({name}, place_in_time) AS {name}" for name in _ALIKE)
    return store.ask(
        f"""
        SELECT {by}, sum(n)::BIGINT AS n, sum(n * mean) / sum(n) AS mean, sum(squares) AS squares,
            sum(n - 1)::DOUBLE AS df, count(*) AS sessions, sum(n * n)::DOUBLE / sum(n) ** 2 AS share,
            min(place_in_time) AS first_place, min(bench_number) AS first_bench, {alike}
        FROM {REFERENCE_CELLS} GROUP BY {by} ORDER BY {by}
        """
    )


def compare_sides(
    pairs: pd.DataFrame,
    sides: pd.DataFrame,
    *,
    key: str,
    margins: Mapping[str, float],
    spreads: Mapping[str, tuple[float, float]],
) -> pd.DataFrame:
    """Compare sides over the games that both have.

    Parameters
    ----------
    pairs : DataFrame with ``of`` and ``against``, sides by their number, and what else is kept of each pair
    sides : see `sides_of`, with the number of each row's side in the column ``key``
    key : name of that column
    margins : smallest difference that matters, by metric, in percent or the unit
    spreads : variance between restarts and its degrees of freedom, by metric

    Returns
    -------
    DataFrame, one row per pair and metric that both sides have

    Notes
    -----
    In each game ``D`` is the difference of means and ``V`` its variance from the runs of both sides within
    sessions. Over games both are averaged (Satterthwaite 1946 for the degrees of freedom), and the spread between
    restarts is a part of its own, ``r**2`` times the squared shares of the sessions on both sides: all games share
    a restart. Where no such spread is known there is no verdict: a change of driver cannot be told from a restart.
    """
    joined = pairs.assign(pair=range(len(pairs)))
    both = joined.merge(sides, left_on="of", right_on=key).merge(
        sides, left_on=["against", *_SCENE], right_on=[key, *_SCENE], suffixes=("", "_against")
    )
    both = both.assign(unlike=_unlike(both))
    games = both[(both["unlike"] == "") & (both["df"] + both["df_against"] > 0)]
    found = _over_games(games)
    told = both[both["unlike"] != ""].drop_duplicates(["pair", "metric"])[["pair", "metric", "unlike"]]
    found = found.merge(told, on=["pair", "metric"], how="outer").fillna({"unlike": ""})
    found.loc[found["change"].notna(), "unlike"] = ""
    found = _judged(found, margins=margins, spreads=spreads)
    return joined.merge(found, on="pair").sort_values(["pair", "metric"], kind="stable").reset_index(drop=True)


def _unlike(both: pd.DataFrame) -> np.ndarray:
    """Return why the two sides of a game are not compared; empty where they are."""
    out = np.full(len(both), "", dtype=object)
    for name, reason in _ALIKE.items():
        left, right = both[name].to_numpy(dtype=object), both[f"{name}_against"].to_numpy(dtype=object)
        out[(out == "") & (left != right) & (left != "") & (right != "")] = reason
    return out


def _over_games(games: pd.DataFrame) -> pd.DataFrame:
    """Return change, variance and degrees of freedom over the games of each pair and metric."""
    df = games["df"] + games["df_against"]
    variance = (games["squares"] + games["squares_against"]) / df * (1 / games["n"] + 1 / games["n_against"])
    kept = games.assign(change=games["mean"] - games["mean_against"], variance=variance)
    kept = kept.assign(uncertain=variance**2 / df, shares=games["share"] + games["share_against"])
    found = kept.groupby(["pair", "metric"], sort=True).agg(
        n_games=("change", "size"), change=("change", "mean"), variance=("variance", "sum"),
        uncertain=("uncertain", "sum"), shares=("shares", "mean"), n_sessions_of=("sessions", "max"),
        n_sessions_against=("sessions_against", "max"),
    ).reset_index()  # fmt: skip
    usable = np.where(found["uncertain"] > 0, found["uncertain"], np.nan)
    own_df = found["variance"] ** 2 / usable
    return found.assign(variance=found["variance"] / found["n_games"] ** 2, own_df=own_df)


def _judged(
    found: pd.DataFrame, *, margins: Mapping[str, float], spreads: Mapping[str, tuple[float, float]]
) -> pd.DataFrame:
    """Return the rows with intervals, adjusted p-values and verdicts."""
    parts = [
        _tested(part, str(metric), margin=margins.get(str(metric), np.nan), spread=spreads.get(str(metric)))
        for metric, part in found.groupby("metric", sort=True)
    ]
    return pd.concat(parts, ignore_index=True) if parts else found


def _tested(part: pd.DataFrame, metric: str, *, margin: float, spread: tuple[float, float] | None) -> pd.DataFrame:
    """Return the rows of one metric with intervals and verdicts."""
    change, shares = (part[name].to_numpy(dtype=float) for name in ("change", "shares"))
    found = _uncertainty(part, spread)
    is_ratio = unit_of(metric) == "%"
    scaled = -np.log1p(-margin / 100) if is_ratio else margin
    direction = direction_of(metric)
    tests = run_tests(change, found, margin=scaled, level=LEVEL, direction=direction)
    family = np.zeros(len(part), dtype=np.int64)
    p_difference, p_equivalence = (
        adjust_in_families(p, family, method="holm") for p in (tests.p_difference, tests.p_equivalence)
    )
    verdict = decide(change, p_difference, p_equivalence, level=LEVEL, direction=np.full(len(part), direction))
    reason = np.where(part["unlike"] != "", part["unlike"], "" if spread else "confounded")
    verdict[reason != ""] = NO_VERDICT
    names = [metric] * len(part)
    return part.assign(
        ci_low=change_in_unit(tests.ci_low, names), ci_high=change_in_unit(tests.ci_high, names), df=found.df,
        p_difference=tests.p_difference,
        p_difference_adjusted=p_difference, p_equivalence_adjusted=p_equivalence, margin=margin, verdict=verdict,
        reason=np.where(reason != "", reason, "measured_restart_spread"), change=change_in_unit(change, names),
        explaining_spread=in_unit(np.abs(change) / np.sqrt(shares), names), unit=unit_of(metric),
    )  # fmt: skip


def _uncertainty(part: pd.DataFrame, spread: tuple[float, float] | None) -> Uncertainty:
    """Return how well changes are known, with the spread between restarts; nan where none is known."""
    variance, own_df, shares = (part[name].to_numpy(dtype=float) for name in ("variance", "own_df", "shares"))
    if spread is None:
        return Uncertainty(np.full(len(part), np.nan), np.full(len(part), np.nan))
    return Uncertainty(variance, own_df, spread[0] * shares, spread[1])


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
    one of the game, fitted by least squares, so a card is compared with others through games they share. Families
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
