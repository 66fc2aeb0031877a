"""Measurements of how often results over games and tables of games err, by name, as in ``error_rates``.

Names of measurements are those of the promises. Noise of the games is alike in all metrics of a review.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from unittest import mock

import numpy as np
import pandas as pd
import simulated_suites
from run_tables import make_plan
from scipy import stats
from simulated_runs import Design, Noise, make_review
from simulated_suites import (
    GAMES,
    NOISE_DF,
    NOISE_PCT,
    REAL,
    SUITES,
    Found,
    by_suite,
    excludes_zero,
    half_width,
    measured,
    median,
    one_tuning,
    over_games,
    per_game,
    share,
)

from gpubench_kit.statistics import compare
from gpubench_kit.statistics.compare import compare_over_games, compare_tunings

LEVEL = 0.05
TUNINGS = ("factory", "quiet", "brisk")
#: Noise of each metric against that of the frame rate, and typical effects of the two tunings [%].
METRICS = {"avg_fps": (1.0, (-1.0, 3.0)), "low_1pct_fps": (2.0, (0.0, 2.0)), "board_w": (0.7, (-15.0, 8.0))}
OFFSET_PCT = 0.3

Results = dict[str, Found]


def reviews(true: Mapping[str, tuple], *, rounds: int, seed: int, noisy: float = 1.0) -> tuple:
    """Return the runs of suites of two tunings in four metrics, and their plan.

    Parameters
    ----------
    true : effects of both tunings [%] in each of `METRICS`, one for all games or one for each; not named: none
    rounds, seed : of every game; the same seed gives the same noise, whatever the effects
    noisy : noise of the first game in multiples of its own
    """
    suites = simulated_suites.SUITES
    factors = np.sqrt(NOISE_DF / np.random.default_rng(seed).chisquare(NOISE_DF, (suites, GAMES)))
    factors[:, 0] *= noisy
    tables = []
    for place, (metric, (share_of_noise, _)) in enumerate(METRICS.items()):
        made = dict(zip(TUNINGS, (0.0, *true.get(metric, (0.0, 0.0))), strict=True))
        noise = Noise(run_pct=NOISE_PCT * share_of_noise, games_df=np.inf, by_game=factors)
        design = Design(rounds=rounds, suites=suites, metric=metric)
        tables.append(make_review(made, design, noise=noise, seed=seed + place))
    return merged_metrics(tables), make_plan(TUNINGS, metrics=[*METRICS, "energy_per_frame_j"])


def _page(rounds: int, *, seed: int, true=None, noisy: float = 1.0) -> pd.DataFrame:
    """Return the results over these games, one row per suite, tuning and metric."""
    found = compare_over_games(*reviews(true or {}, rounds=rounds, seed=seed, noisy=noisy))
    return found[found["scope"] == "these_games"].sort_values(["group", "metric", "of_tuning"], ignore_index=True)


def merged_metrics(tables: list[pd.DataFrame]) -> pd.DataFrame:
    """Return one table of the runs of `METRICS`, each measured in the same runs, and of energy per frame."""
    tables = [one.sort_values(["group", "game", "tuning", "round"], ignore_index=True) for one in tables]
    order, run = tables[0]["order"], tables[0]["run"]
    tables = [one.assign(order=order, run=run, tuning_change=pd.NA) for one in tables]
    energy = tables[2]["value"] / tables[0]["value"]
    return pd.concat([*tables, tables[2].assign(metric="energy_per_frame_j", value=energy)], ignore_index=True)


def _any(missed: pd.Series) -> np.ndarray:
    """Return whether anything is wrong in each suite: rows of one suite follow each other."""
    return np.asarray(missed).reshape(-1, 8).any(axis=1)


def page_alike(rounds: int) -> Results:
    """A page of two pairs and four metrics, nothing differs. Control: each result at 95 %."""
    rows = _page(rounds, seed=2500 + rounds)
    return {
        "any false sentence": share(_misses(rows)),
        "any false, each at 95 %": share(_any(rows["p_difference"] <= LEVEL)),
    }


def page_typical() -> Results:
    """The same with typical effects: an interval in percent that misses the truth."""
    rows = _page(5, seed=2510, true={name: effects for name, (_, effects) in METRICS.items()})
    typical = {name: np.log1p(np.array(effects) / 100) for name, (_, effects) in METRICS.items()}
    logs = {name: dict(zip(TUNINGS[1:], each, strict=True)) for name, each in typical.items()}
    logs["energy_per_frame_j"] = {name: logs["board_w"][name] - logs["avg_fps"][name] for name in TUNINGS[1:]}
    truth = [logs[metric][of] for metric, of in zip(rows["metric"], rows["of_tuning"], strict=True)]
    truth = 100 * np.expm1(truth)
    return {"any false sentence": share(_any((rows["ci_low"] > truth) | (rows["ci_high"] < truth)))}


def _satterthwaite_alone():
    """Return a context in which degrees of freedom are not held down by the noise of all metrics and pairs."""
    return mock.patch.object(compare, "guarded", lambda _games, pooled, _ratios: pooled.found)


def page_noisy_game() -> Results:
    """One game seven times noisier in all metrics. Control: Satterthwaite's df alone."""
    rows = _page(3, seed=2520, noisy=7.0)
    with _satterthwaite_alone():
        alone = _page(3, seed=2520, noisy=7.0)
    return {
        "any interval misses": share(_misses(rows)),
        "any interval misses, Satterthwaite alone": share(_misses(alone)),
    }


def _misses(rows: pd.DataFrame) -> np.ndarray:
    """Return in which suites an interval misses zero, in percent or in watts."""
    return _any(excludes_zero(rows) | (rows["change_w_ci_low"] > 0) | (rows["change_w_ci_high"] < 0))


def page_primary(effect: float) -> Results:
    """The primary metric of the same page."""
    rows = _page(4, seed=2530, true=dict.fromkeys(METRICS, (effect, effect)))
    rows = rows[rows["metric"] == "avg_fps"]
    return {
        "found": share((rows["ci_low"] > 0).to_numpy().reshape(-1, 2)),
        "same": share((rows["verdict"] == "same_within_margin").to_numpy().reshape(-1, 2)),
        "median half-width": median(half_width(rows).reshape(-1, 2)),
    }


def one_game_apart(others: float, odd: float, games: int = GAMES) -> Results:
    """One game changes by another amount than all others [%]: who carries the result."""
    runs = one_tuning(others, 4, seed=2700, games=games, suites=SUITES).runs
    moved = ((runs["game"] == "game 01") & (runs["tuning"] == "quiet")).to_numpy()
    factor = (1 + odd / 100) / (1 + others / 100)
    rows = over_games(runs.assign(value=np.where(moved, runs["value"] * factor, runs["value"])), "these_games")
    real, carried = rows["verdict"].isin(REAL), rows["carried_by"] != ""
    return {
        "flagged": share(carried),
        "real lost by the guard": share(real & carried),
        "real after guard": share(real & ~carried),
    }


def table_of_games(effect: float, rounds: int) -> Results:
    """Two tunings in a table of games at the first of two looks, by Benjamini and Hochberg."""
    made = dict(zip(TUNINGS, (0.0, effect, effect), strict=True))
    factors = np.sqrt(NOISE_DF / np.random.default_rng(3200).chisquare(NOISE_DF, (SUITES, GAMES)))
    noise = Noise(run_pct=NOISE_PCT, games_df=np.inf, by_game=factors)
    runs = make_review(made, Design(rounds=rounds, suites=SUITES), noise=noise, seed=3200 + rounds)
    found = compare_tunings(runs, make_plan(TUNINGS, looks=2, adjust="fdr_bh")).sort_values(["group", "game"])
    verdict = found["verdict"].to_numpy().reshape(SUITES, -1)
    return {
        "found": share(np.isin(verdict, REAL)),
        "same": share(np.isin(verdict, ("same_within_margin", "better_but_small", "worse_but_small"))),
        "any false": share(np.isin(verdict, REAL).any(axis=1)),
    }


def typed(fps: float, effect: float, *, noise: float = 1.0, rounds: int = 4) -> Results:
    """Values typed to whole frames per second; noise as usual, or a share of it.

    Control: the floor of the variance alone.
    """
    made = one_tuning(effect, rounds, seed=3500)
    runs = made.runs.sort_values(["group", "game"], kind="stable", ignore_index=True)
    true = np.where(runs["tuning"] == "quiet", np.log1p(effect / 100), 0.0).reshape(SUITES * GAMES, -1)
    made_at = np.tile(np.log(np.geomspace(60.0, 180.0, GAMES)), SUITES)[:, None]
    noises = noise * (np.log(runs["value"].to_numpy()).reshape(true.shape) - true - made_at)
    # Much hangs on where between two steps a game lies: everywhere alike, over one step.
    level = np.random.default_rng(3500).uniform(-0.5 / fps, 0.5 / fps, (SUITES * GAMES, 1))
    values = fps * np.exp(level + true + noises)
    runs = runs.assign(value=np.round(values).ravel(), step=1.0)
    over, games = over_games(runs, "these_games"), per_game(runs)
    truth, change = np.log1p(effect / 100), np.log1p(over["change"] / 100)
    held = (np.log1p(over["ci_low"] / 100) <= truth) & (truth <= np.log1p(over["ci_high"] / 100))
    with _satterthwaite_alone():
        plain = over_games(runs, "these_games")
    floor = stats.t.ppf(0.975, plain["df"]) * plain["se"] >= (change - truth).abs()
    return {
        "overall coverage": share(held),
        "overall coverage, floor only": share(floor),
        "bias overall": measured(100 * (change - truth).to_numpy(), np.mean),
        "held_by_cap": share(by_suite(games["reason"] == "held_by_cap")),
        "same per game": share(by_suite(games["p_equivalence"] <= LEVEL)),
    }


def pieces(size: int) -> Results:
    """Some games under one act of applying each tuning, found from the order. Control: each game alone.

    The sides take turns in coming first: the same one first in every round is a finding of its own.
    """
    made = one_tuning(0.0, 4, seed=3600).runs.sort_values(["group", "round", "game", "tuning"], ignore_index=True)
    rng = np.random.default_rng(3600 + size)
    shape = (SUITES, 4, GAMES, 2)
    piece = np.broadcast_to(np.arange(GAMES)[:, None] // size, shape)
    first = rng.integers(0, 2, (SUITES, 4, GAMES))
    first[:, 1::2] = 1 - first[:, ::2]
    first = first[:, :, np.arange(GAMES) // size]
    place = (piece * 2 + (np.arange(2) != first[..., None])) * size + np.arange(GAMES)[:, None] % size
    act = piece * 2 + np.arange(2)
    offsets = OFFSET_PCT / 100 * rng.standard_normal((SUITES, 4, 2 * GAMES))
    offset = np.take_along_axis(offsets, act.reshape(SUITES, 4, -1), axis=2).reshape(shape)
    order = place + 10_000 * np.arange(4)[:, None, None] + 100_000 * np.arange(SUITES)[:, None, None, None]
    runs = made.assign(order=order.ravel(), value=made["value"] * np.exp(offset.ravel()), tuning_change=pd.NA)
    alone = over_games(runs, "these_games", applied="each_run")
    return {
        "overall false, components": share(excludes_zero(over_games(runs, "these_games"))),
        "overall false, each game alone": share(excludes_zero(alone)),
    }


def neighbours() -> Results:
    """Every game alone, in turns A B, B A, ...: the last run of a game and the first of the next share an act."""
    made = one_tuning(0.0, 4, seed=3650).runs.sort_values(["group", "round", "game", "tuning"], ignore_index=True)
    rng = np.random.default_rng(3650)
    shape = (SUITES, 4, GAMES, 2)
    start = rng.integers(0, 2, (SUITES, 4, 1))
    # The place of each run within its game: the sides take turns from game to game.
    place = (np.arange(2) + start[..., None] + np.arange(GAMES)[:, None]) % 2
    act = np.arange(GAMES)[:, None] + place
    offsets = OFFSET_PCT / 100 * rng.standard_normal((SUITES, 4, GAMES + 1))
    offset = np.take_along_axis(offsets, act.reshape(SUITES, 4, -1), axis=2).reshape(shape)
    order = 2 * np.arange(GAMES)[:, None] + place + 100 * np.arange(4)[:, None, None]
    order = order + 1000 * np.arange(SUITES)[:, None, None, None]
    runs = made.assign(order=order.ravel(), value=made["value"] * np.exp(offset.ravel()), tuning_change=pd.NA)
    return {"overall false": share(excludes_zero(over_games(runs, "these_games")))}


_PAGE = "page of 2 pairs x 4 metrics"
PAGE = {
    **{f"{_PAGE}, alike, looks = 1, n = {n}": partial(page_alike, n) for n in (3, 4, 5)},
    "page, typical effects, n = 5": page_typical,
    f"{_PAGE}, one game 7 times noisier in all, G = 10, n = 3": page_noisy_game,
    **{f"page primary, level .01, {name}, n = 4": partial(page_primary, effect)
       for name, effect in (("alike", 0.0), ("+1 %", 1.0), ("+2 %", 2.0))},
    "one game -10.8 %, ten games, n = 4, level .05": partial(one_game_apart, 0.0, -10.8),
    "nine games +2 %, one cancels them, n = 4, level .05": partial(one_game_apart, 2.0, 100 * (1.02**-9 - 1)),
    "+1 % everywhere, ten games, n = 4, level .05": partial(one_game_apart, 1.0, 1.0),
    "alike, three games, n = 4, level .05": partial(one_game_apart, 0.0, 0.0, games=3),
    **{f"two tunings, table at .04, {name}, n = {n}": partial(table_of_games, effect, n)
       for n in (3, 4, 5) for name, effect in (("+2 %", 2.0), ("alike", 0.0))},
    "1 FPS at 40, +2 %, n = 4": partial(typed, 40.0, 2.0),
    "1 FPS at 40, +2 %, n = 4, noise x .3": partial(typed, 40.0, 2.0, noise=0.3),
    "1 FPS at 90, loss = margin, n = 4": partial(typed, 90.0, -2.0),
    **{f"1 FPS at 144, +2 %, n = {n}": partial(typed, 144.0, 2.0, rounds=n) for n in (3, 5)},
    **{f"{size} games per application, offset .3 %, n = 4": partial(pieces, size) for size in (2, 3, 5, 10)},
    "alternating, neighbours share the application, n = 4": neighbours,
}  # fmt: skip
