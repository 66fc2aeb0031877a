"""What changed over time: the same card under other drivers, or measured again, side against side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from gpubench_kit.archive.gather import CARDS, CONTROL_RUNS, DRIVER_CHANGES
from gpubench_kit.archive.noise import factor_of
from gpubench_kit.archive.store import QUESTIONS, Store
from gpubench_kit.model.metrics import METRICS, change_unit
from gpubench_kit.statistics.adapters import connected_parts
from gpubench_kit.statistics.testing import NO_VERDICT, Uncertainty, adjust_in_families, decide, run_tests
from gpubench_kit.statistics.variance import direction_of, in_percent

LEVEL = 0.05

_SCENE = ["game", "setting", "metric"]

#: What must agree between both sides, where both state it, and the reason if it does not.
_ALIKE = {
    "frames": "different_frames_counted",
    "power_measured_at": "different_power_points",
    "versions": "different_game_version",
    "definition": "different_definition",
}
_VALUES = ["n", "mean", "squares", "df", "sessions", "share", *_ALIKE]

#: Variance between restarts and its degrees of freedom, by metric.
Spreads = Mapping[str, tuple[float, float]]


def sides_of(store: Store, keys: Sequence[str]) -> pd.DataFrame:
    """Return each side's runs of reference tunings in each game and metric, over all its sessions.

    Parameters
    ----------
    store : holds ``cells`` and ``tunings``
    keys : columns that make a side

    Returns
    -------
    DataFrame, one row per side, game, setting and metric: ``side``, its number; ``n``, ``mean``, ``squares`` and
    ``df`` within sessions, ``sessions``, and ``share``: the sum of the squared shares of sessions in the mean, by
    which a restart moves it; ``first_place`` and ``first_bench``, to put sides in order
    """
    alike = ", ".join(f"arg_max({name}, place_in_time) AS {name}" for name in _ALIKE)
    rows = store.ask(QUESTIONS["sides"].format(by=", ".join([*keys, *_SCENE]), alike=alike))
    return rows.assign(side=rows.groupby(list(keys), sort=True).ngroup())


def compare_sides(
    pairs: pd.DataFrame, sides: pd.DataFrame, *, margins: Mapping[str, float], spreads: Spreads
) -> pd.DataFrame:
    """Compare sides over the games that both have.

    Parameters
    ----------
    pairs : DataFrame with ``of`` and ``against``, sides by their number, and what else is kept of each pair
    sides : see `sides_of`
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
    joined, rows = pairs.assign(pair=range(len(pairs))), sides[["side", *_SCENE, *_VALUES]]
    both = joined.merge(rows, left_on="of", right_on="side").merge(
        rows, left_on=["against", *_SCENE], right_on=["side", *_SCENE], suffixes=("", "_against")
    )
    unlike = np.full(len(both), "", dtype=object)
    for name, reason in _ALIKE.items():
        left, right = both[name].to_numpy(dtype=object), both[f"{name}_against"].to_numpy(dtype=object)
        unlike[(unlike == "") & (left != right) & (left != "") & (right != "")] = reason
    both = both.assign(unlike=unlike)
    found = _over_games(both[(both["unlike"] == "") & (both["df"] + both["df_against"] > 0)])
    told = both[both["unlike"] != ""].drop_duplicates(["pair", "metric"])[["pair", "metric", "unlike"]]
    found = found.merge(told, on=["pair", "metric"], how="outer").fillna({"unlike": ""})
    found.loc[found["change"].notna(), "unlike"] = ""
    parts = [
        _tested(part, metric, margin=margins.get(metric, np.nan), spread=spreads.get(metric))
        for metric, part in found.groupby("metric", sort=True)
    ]
    found = pd.concat(parts, ignore_index=True) if parts else found
    return joined.merge(found, on="pair").sort_values(["pair", "metric"], kind="stable").reset_index(drop=True)


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


def _tested(part: pd.DataFrame, metric: str, *, margin: float, spread: tuple[float, float] | None) -> pd.DataFrame:
    """Return the rows of one metric with intervals, adjusted p-values and verdicts."""
    names = ("change", "shares", "variance", "own_df")
    change, shares, variance, own_df = (part[name].to_numpy(dtype=float) for name in names)
    unknown = np.full(len(part), np.nan)
    found = (
        Uncertainty(variance, own_df, spread[0] * shares, spread[1]) if spread else Uncertainty(unknown, unknown)
    )
    is_ratio, direction = METRICS[metric].scale == "ratio", direction_of(metric)
    scaled = -np.log1p(-margin / 100) if is_ratio else margin
    tests = run_tests(change, found, margin=scaled, level=LEVEL, direction=direction)
    family = np.zeros(len(part), dtype=np.int64)
    p_difference, p_equivalence = (
        adjust_in_families(p, family, method="holm") for p in (tests.p_difference, tests.p_equivalence)
    )
    verdict = decide(change, p_difference, p_equivalence, level=LEVEL, direction=np.full(len(part), direction))
    reason = np.where(part["unlike"] != "", part["unlike"], "" if spread else "confounded")
    verdict[reason != ""] = NO_VERDICT
    shown = {"change": change, "ci_low": tests.ci_low, "ci_high": tests.ci_high}
    if is_ratio:
        shown = {name: in_percent(values) for name, values in shown.items()}
    return part.assign(
        **shown, df=found.df, p_difference=tests.p_difference, p_difference_adjusted=p_difference,
        p_equivalence_adjusted=p_equivalence, margin=margin, verdict=verdict,
        reason=np.where(reason != "", reason, "measured_restart_spread"), unit=change_unit(METRICS[metric]),
        explaining_spread=factor_of(metric) * (np.abs(change) / np.sqrt(shares)),
    )  # fmt: skip


_MEASUREMENT = ["card", "tuning", "review", "place_in_time", "bench", "driver"]


def control_runs(store: Store, dates: pd.Series, *, margins: Mapping[str, float], spreads: Spreads) -> pd.DataFrame:
    """Return how the same card and tuning, measured again, differ from the first time.

    Parameters
    ----------
    store : holds ``cells`` and ``tunings``
    dates : day of each review, by review
    margins, spreads : as in `compare_sides`

    Returns
    -------
    DataFrame; see ``archive.gather.CONTROL_RUNS``; the first time has no row
    """
    sides = sides_of(store, _MEASUREMENT)
    about = sides.drop_duplicates("side").sort_values(["place_in_time", "side"], kind="stable")
    first = about.groupby(["card", "tuning"], sort=False)["side"].transform("first")
    pairs = about.assign(of=about["side"], against=first)[[*_MEASUREMENT, "of", "against"]]
    pairs = pairs[pairs["of"] != pairs["against"]]
    if not len(pairs):
        return CONTROL_RUNS.frame()
    found = compare_sides(pairs, sides, margins=margins, spreads=spreads)
    found = found.assign(date=found["review"].map(dates))
    return CONTROL_RUNS.frame(found.sort_values(["card", "tuning", "metric", "place_in_time"], kind="stable"))


def driver_changes(
    store: Store, within: pd.DataFrame, *, margins: Mapping[str, float], spreads: Spreads
) -> pd.DataFrame:
    """Return what changed from one driver to the next, on the same card with the same tuning.

    Parameters
    ----------
    store : holds ``cells`` and ``tunings``
    within : results of reviews that compared two benches themselves, as ``archive.gather.DRIVER_CHANGES``, with
        ``first_place``, the place of the review in the order of time
    margins, spreads : as in `compare_sides`

    Returns
    -------
    DataFrame; see ``archive.gather.DRIVER_CHANGES``: reviews that compared drivers themselves, interleaved, and all
    runs under one driver against all under the one before it, in the order in which the later drivers came
    """
    names = ["card", "tuning", "driver"]
    sides = sides_of(store, names)
    first = sides.groupby([*names, "side"], sort=True)[["first_place", "first_bench"]].min().reset_index()
    ordered = first.sort_values(["card", "tuning", "first_place", "first_bench", "driver"], kind="stable")
    before = ordered.groupby(["card", "tuning"], sort=False)[["driver", "side"]].shift()
    ordered = ordered.rename(columns={"driver": "of_driver", "side": "of"})
    pairs = ordered.assign(against_driver=before["driver"], against=before["side"], source="archive", review="",
                           group="all")  # fmt: skip
    pairs = pairs[pairs["against"].notna()].astype({"against": int})
    if not len(pairs):
        return DRIVER_CHANGES.frame(within)
    found = compare_sides(pairs, sides, margins=margins, spreads=spreads)
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
    DataFrame; see ``archive.gather.CARDS``; metrics on the ratio scale only

    Notes
    -----
    Reviews differ in their games. In logs each value is taken as the sum of a level of the card at that time and
    one of the game, fitted by least squares, so a card is compared with others through games they share. Families
    that share no game are fitted apart, and their levels say nothing about each other.
    """
    parts = []
    for metric, part in sides_of(store, _MEASUREMENT).groupby("metric", sort=True):
        if METRICS[metric].scale != "ratio":
            continue
        side = part.groupby(_MEASUREMENT, sort=True).ngroup().to_numpy()
        game = part.groupby(["game", "setting"], sort=True).ngroup().to_numpy()
        # Sides that share a game, directly or through others, are one family.
        linked = connected_parts(int(side.max()) + 1, [(side, game)])
        level, names = _fit(side, game, part["mean"].to_numpy(dtype=float)), (*_MEASUREMENT, "metric")
        about = part.assign(side=side).groupby("side").agg(
            **{name: (name, "first") for name in names}, n_games=("game", "size"), n=("n", "sum")
        )  # fmt: skip
        centre = np.bincount(linked, weights=level) / np.bincount(linked)
        parts.append(about.assign(linked=linked + 1, level=100 * np.exp(level - centre[linked])))
    if not parts:
        return CARDS.frame()
    found = pd.concat(parts, ignore_index=True)
    found = found.assign(date=found["review"].map(dates))
    return CARDS.frame(found.sort_values(["metric", "place_in_time", "card", "bench"], kind="stable"))


def _fit(side: np.ndarray, game: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return the level of each side in ``value = level of side + level of game``, least squares.

    Fitting ends when levels no longer move in any digit that is shown, after 200 rounds at most.
    """
    n_side, n_game = np.bincount(side), np.bincount(game)
    of_side = np.bincount(side, weights=values) / n_side
    for _ in range(200):
        of_game = np.bincount(game, weights=values - of_side[side]) / n_game
        before, of_side = of_side, np.bincount(side, weights=values - of_game[game]) / n_side
        if np.abs(of_side - before).max() < 1e-12:
            break
    return of_side
