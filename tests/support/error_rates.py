"""Measurements of how often the kit errs, by name: each simulates suites, compares them, and counts.

What is promised of each number, and how closely, stands in ``tests/error_rates/promises.csv``.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial

import error_rates_later
import error_rates_page
import numpy as np
import pandas as pd
import simulated_suites
from error_rates_exact import EXACT
from error_rates_later import LATER
from error_rates_page import PAGE
from run_tables import make_plan
from scipy import stats
from simulated_runs import Design, Noise
from simulated_suites import (
    FACTORY,
    GAMES,
    MORE_SUITES,
    REAL,
    SMALL,
    SUITES,
    Found,
    by_suite,
    excludes_zero,
    half_width,
    median,
    one_tuning,
    over_games,
    per_game,
    share,
    simulate,
)

from gpubench_kit.statistics.compare import estimate_noise
from gpubench_kit.statistics.comparison import estimate_two_groups
from gpubench_kit.statistics.restarts import tipping_point
from gpubench_kit.statistics.testing import Tests, Uncertainty, run_tests, uncertainty_of

LEVEL = 0.05
#: Reviews of each measurement in daily tests; whole rows take minutes.
DAILY_SUITES = 500
#: True spread between restarts, or between acts of applying a tuning [%], where there is one.
OFFSET_PCT = 0.3

Results = dict[str, Found]


def alike(rounds: int) -> Results:
    """Two equal tunings in rounds."""
    made = one_tuning(0.0, rounds, seed=100 + rounds, suites=MORE_SUITES)
    games = per_game(made.runs)
    real, noisiest = by_suite(excludes_zero(games)), np.argsort(made.sigma, axis=1)[:, -2:]
    these = over_games(made.runs, "these_games")
    return {
        "own false": share(by_suite(excludes_zero(games, "own_"))),
        "borrowed false": share(real),
        "borrowed false in the noisiest fifth": share(np.take_along_axis(real, noisiest, axis=1)),
        "borrowed half-width": median(by_suite(half_width(games))),
        "borrowed same": share(by_suite(games["p_equivalence"] <= LEVEL)),
        "no loss": share(by_suite(games["no_loss"])),
        "these games false": share(excludes_zero(these)),
        "these games half-width": median(half_width(these)),
        **_outcomes(games),
    }


def different(effect: float, rounds: int) -> Results:
    """Two tunings in rounds that differ in truth."""
    games = per_game(one_tuning(effect, rounds, seed=200 + rounds).runs)
    wrong = "worse" if effect > 0 else "better"
    return {
        "own found": share(by_suite(excludes_zero(games, "own_"))),
        "borrowed found": share(by_suite(excludes_zero(games))),
        "borrowed same": share(by_suite(games["p_equivalence"] <= LEVEL)),
        "no loss": share(by_suite(games["no_loss"])),
        "wrong direction": share(by_suite(games["verdict"].isin([wrong, f"{wrong}_but_small"]))),
        **_outcomes(games),
    }


def _outcomes(games: pd.DataFrame) -> Results:
    """Return the shares of the four outcomes."""
    verdict = games["verdict"]
    return {
        "real": share(by_suite(verdict.isin(REAL) & ~verdict.isin(SMALL))),
        "small": share(by_suite(verdict.isin(SMALL))),
        "none": share(by_suite(verdict == "same_within_margin")),
        "undecided": share(by_suite(verdict == "undecided")),
    }


def adjusted() -> Results:
    """Suites of ten equal games: any false claim in a suite."""
    runs = one_tuning(0.0, 5, seed=105, suites=MORE_SUITES).runs
    return {
        adjust: share(by_suite(per_game(runs, adjust=adjust)["verdict"].isin(REAL)).any(axis=1))
        for adjust in ("none", "holm", "fdr_bh")
    }


def one_game(effect: float) -> Results:
    """A single game with three rounds: two groups."""
    made = one_tuning(effect, 3, seed=105, games=1, suites=SUITES * GAMES)
    return {"found": share(by_suite(excludes_zero(per_game(made.runs)), games=1))}


def four_tunings() -> Results:
    """Tunings with noise 1 : 2 : 0.5 : 0.5. Control: residuals pooled over all of them."""
    noise = Noise(by_tuning={"quiet": 2.0, "brisk": 0.5, "calm": 0.5})
    effects = dict.fromkeys(("quiet", "brisk", "calm"), 0.0)
    runs = simulate(effects, Design(rounds=5, suites=SUITES), seed=106, noise=noise).runs
    games = per_game(runs)
    false = excludes_zero(games, "own_").reshape(len(effects), -1, GAMES)
    spread = estimate_noise(runs, make_plan((FACTORY, *effects)))
    pooled = (spread["sd"] ** 2).groupby([spread["setting"], spread["game"]]).mean().to_numpy()
    noisy = games[games["of_tuning"] == "quiet"]
    t = np.log1p(noisy["change"].to_numpy() / 100) / np.sqrt(2 * pooled / 5)
    return {
        "pairs false": share(false.transpose(1, 0, 2)),
        "pooled false": share(by_suite(_is_far(t, df=16))),
    }


def games_differ(rounds: int) -> Results:
    """True effects that differ between games by 1 %, and are 0 on average over such games."""
    # The effect of each tuning is drawn, so that the difference of the two has the spread wanted.
    noise = Noise(effects_pct=1 / np.sqrt(2))
    design = Design(rounds=rounds, suites=MORE_SUITES)
    runs = simulate({"quiet": 0.0}, design, seed=800 + rounds, noise=noise).runs
    return {
        "games like these false": share(excludes_zero(over_games(runs, "games_like_these"))),
        "these games misused": share(excludes_zero(over_games(runs, "these_games"))),
    }


def shared_rounds() -> Results:
    """One act of applying a tuning for all games of a round. Control: told that each run had its own."""
    design = Design(rounds=5, suites=MORE_SUITES, layout="shared-rounds")
    runs = simulate({"quiet": 0.0}, design, seed=109, noise=Noise(change_pct=OFFSET_PCT)).runs
    return {
        "shared false": share(excludes_zero(over_games(runs, "these_games"))),
        "taken as separate": share(excludes_zero(over_games(runs, "these_games", applied="each_run"))),
    }


def confounded() -> Results:
    """All runs of one tuning, then all of the other. Control: two groups, as if no restart stood between them."""
    runs = _blocks(OFFSET_PCT, 0.0)
    disguised = runs.drop(columns="order")
    change, tests = _two_groups(runs, rounds=5)
    error = ((tests.ci_high - change) / stats.t.ppf(0.975, 8)) ** 2
    df = error.sum(axis=1) ** 2 / (error**2 / 8).sum(axis=1)
    overall = change.mean(axis=1) / np.sqrt(error.sum(axis=1)) * GAMES
    return {
        "verdicts": share(by_suite(per_game(runs)["verdict"] != "no_verdict")),
        "overall verdicts": share(over_games(runs, "these_games")["verdict"] != "no_verdict"),
        "disguised overall verdicts": share(over_games(disguised, "these_games")["verdict"] != "no_verdict"),
        "taken as separate": share(tests.p_difference <= LEVEL),
        "taken as separate overall": share(_is_far(overall, df=df)),
    }


def widened(restarts: int) -> Results:
    """The same, with a spread between restarts that was measured on a few of them, anew for each suite."""
    runs = _blocks(OFFSET_PCT, 0.0)
    groups = runs["group"].unique()
    # Twenty-five equal parts of the distribution of a measured spread stand for single draws.
    shares = stats.chi2.ppf((np.arange(25) + 0.5) / 25, restarts - 1) / (restarts - 1)
    games, over = [], []
    for number, spread in enumerate(OFFSET_PCT * np.sqrt(shares)):
        some = runs[runs["group"].isin(groups[number :: len(shares)])]
        restart_spread = {"avg_fps": float(spread), "restarts": restarts}
        games.append(per_game(some, restart_spread=restart_spread))
        over.append(over_games(some, "these_games", restart_spread=restart_spread))
    order = np.random.default_rng(111).permutation(len(groups))
    return {
        "game false": share(by_suite(excludes_zero(pd.concat(games)))[order]),
        "overall false": share(excludes_zero(pd.concat(over))[order]),
    }


def tipping_same(spread: float) -> Results:
    """A loss as large as the margin on two blocks: the spread up to which a game would be called the same."""
    runs, margin = _blocks(spread, -2.0), -np.log(0.98)
    # With a spread of nothing the noise of the runs alone is shown, which the note for "same" counts with.
    rows = per_game(runs, restart_spread={"avg_fps": 1e-9, "restarts": 0})
    distance = margin - np.log1p(rows["change"] / 100).abs()
    found = tipping_point(distance.to_numpy(), uncertainty_of(rows), level=2 * LEVEL)
    return {"same: s* >= true spread": share(by_suite(found.restart_spread >= spread / 100))}


def tipping(spread: float) -> Results:
    """Two blocks without a known spread: the spread that would explain a difference reaches the true one."""
    runs = _blocks(spread, 0.0)
    over, games = over_games(runs, "these_games"), per_game(runs)
    true = 100 * np.expm1(spread / 100)
    return {
        "overall": share(over["restart_spread_pct"] >= true),
        "per game": share(by_suite(games["restart_spread_pct"] >= true)),
        "s* >= 1 %": share(over["restart_spread_pct"] >= 1),
    }


def _blocks(spread: float, effect: float) -> pd.DataFrame:
    """Return suites of one block per tuning, each after a restart."""
    design = Design(rounds=5, suites=SUITES, layout="confounded")
    return simulate({"quiet": effect}, design, seed=110, noise=Noise(session_pct=spread)).runs


def _two_groups(runs: pd.DataFrame, *, rounds: int) -> tuple[np.ndarray, Tests]:
    """Return change and tests of two groups of runs in each suite and game, whatever their order."""
    runs = runs.sort_values(["setting", "game", "tuning", "run"])
    values = np.log(runs["value"].to_numpy()).reshape(-1, GAMES, 2, rounds)
    found = estimate_two_groups(values[:, :, ::-1])
    noise = Uncertainty(found.error, found.df)
    return found.change, run_tests(found.change, noise, margin=np.nan, level=LEVEL, direction=1)


def _is_far(t: np.ndarray, *, df) -> np.ndarray:
    """Return which statistics exceed the two-sided limit of Student's t."""
    return 2 * stats.t.sf(np.abs(t), df) <= LEVEL


def peeking() -> Results:
    """A look after each of rounds 3 to 10, stopping at the first difference."""
    runs = one_tuning(0.0, 10, seed=117).runs
    rounds = runs["round"].to_numpy()
    lowest = np.ones((SUITES, GAMES))
    for look in range(3, 11):
        p = by_suite(per_game(runs[rounds <= look], strict=True)["p_difference"])
        lowest = np.minimum(lowest, p)
    return {"at 0.05": share(lowest <= 0.05), "at 0.0122": share(lowest <= 0.0122)}


def looks_at(first: int, second: int, levels: tuple[float, float]) -> Results:
    """A look after some rounds and one after more, at two levels: a difference found at either."""
    runs = one_tuning(0.0, second, seed=118).runs
    rounds = runs["round"].to_numpy()
    p = [by_suite(per_game(runs[rounds <= n], strict=True)["p_difference"]) for n in (first, second)]
    return {"found": share((p[0] <= levels[0]) | (p[1] <= levels[1]))}


def level_game(effect: float) -> Results:
    """One of ten games runs at a frame cap. Control: the recorder's digits hide that it does."""
    runs = one_tuning(effect, 3, seed=119).runs
    capped = (runs["game"] == "game 01").to_numpy()
    level = runs.assign(value=np.where(capped, 60.0, runs["value"]))
    jitter = np.random.default_rng(119).standard_normal(len(runs))
    hidden = runs.assign(value=np.where(capped, 60.0 * np.exp(1e-5 * jitter), runs["value"]))
    games = per_game(level)
    return {
        "verdicts on the capped game": share(by_suite(games["verdict"] != "no_verdict")[:, 0]),
        "left out": share(by_suite(excludes_zero(games))[:, 1:]),
        "left in": share(by_suite(excludes_zero(per_game(hidden)))[:, 1:]),
    }


def far_runs_dropped() -> Results:
    """Control: runs farther than 3 MAD from the median of their three are deleted, then two groups."""
    runs = one_tuning(0.0, 3, seed=120).runs
    cell = [runs[name] for name in ("setting", "game", "tuning")]
    logs = np.log(runs["value"])
    distance = (logs - logs.groupby(cell).transform("median")).abs()
    usual = 1.4826 * distance.groupby(cell).transform("median")
    kept = runs.assign(value=runs["value"].where(distance <= 3 * usual))
    return {
        name: share(_two_groups(one, rounds=3)[1].p_difference <= LEVEL)
        for name, one in (("all kept", runs), ("dropped", kept))
    }


@contextmanager
def with_suites(count: int) -> Iterator[None]:
    """Let every measurement made meanwhile take so many reviews."""
    modules = (sys.modules[__name__], error_rates_later, error_rates_page, simulated_suites)
    places = [(one, name) for one in modules for name in ("SUITES", "MORE_SUITES") if hasattr(one, name)]
    before = [getattr(*place) for place in places]
    for place in places:
        setattr(*place, count)
    try:
        yield
    finally:
        for place, value in zip(places, before, strict=True):
            setattr(*place, value)


#: The longest first, for tests in several processes.
EXPERIMENTS = {
    "peeking": peeking,
    "four tunings": four_tunings,
    "confounded": confounded,
    "adjusted": adjusted,
    **{f"alike, n = {rounds}": partial(alike, rounds) for rounds in (2, 3, 5, 8)},
    **{f"+2 %, n = {rounds}": partial(different, 2.0, rounds) for rounds in (3, 5, 8)},
    **{f"-2 %, n = {rounds}": partial(different, -2.0, rounds) for rounds in (3, 5)},
    "one game alike": partial(one_game, 0.0),
    "one game +2 %": partial(one_game, 2.0),
    **{f"games differ, n = {rounds}": partial(games_differ, rounds) for rounds in (3, 5)},
    "shared rounds": shared_rounds,
    **{f"spread from {restarts} restarts": partial(widened, restarts) for restarts in (3, 6)},
    **{f"two blocks, spread {spread} %": partial(tipping, spread) for spread in (0.3, 0.5, 1.0)},
    "two blocks, spread 0.3 %, loss = margin": partial(tipping_same, 0.3),
    "looks at 4 and 8": partial(looks_at, 4, 8, (0.04, 0.015)),
    "looks at 4 and 6, as before": partial(looks_at, 4, 6, (0.05, 0.027)),
    "level game alike": partial(level_game, 0.0),
    "level game +2 %": partial(level_game, 2.0),
    "far runs dropped": far_runs_dropped,
    **PAGE,
    **LATER,
    **EXACT,
}
