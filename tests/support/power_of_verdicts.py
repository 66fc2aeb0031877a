"""How often the verdicts that a page prints find what is there, by the number of tunings and of rounds."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
from run_tables import make_plan
from simulated_runs import Design, Noise, make_review
from simulated_suites import FACTORY, NOISE_PCT, REAL, noise_factors

from gpubench_kit.statistics.compare import compare_over_games, compare_tunings

#: Reviews a line, and every noise, tunings and rounds of the table.
SUITES = 1000
LINES = tuple(product(("design", "uniform"), (1, 2), (3, 4, 5, 6)))
#: What a page has beside the metric measured here: its members share the level.
_METRICS = ("avg_fps", "low_1pct_fps", "board_w", "energy_per_frame_j")
_OTHERS = ("quiet", "brisk")
_EFFECTS = {"alike": 0.0, "+1 %": 1.0, "+2 %": 2.0}


def printed(noise: str, tunings: int, rounds: int, *, suites: int = SUITES) -> dict[str, float]:
    """Return shares of right verdicts [%] at the first of two looks: in the table of games, and over games.

    Parameters
    ----------
    noise : of the games: as everywhere in these measurements (``design``), or even from 0.6 to 1.5 % (``uniform``)
    tunings : compared with the factory state, all changing by the same amount
    rounds : of every game
    suites : made-up reviews of ten games, margin 2 %
    """
    names = _OTHERS[:tunings]
    made = Noise(run_pct=NOISE_PCT, games_df=np.inf, by_game=noise_factors(noise, seed=3900, suites=suites))
    plan = make_plan((FACTORY, *names), metrics=list(_METRICS), looks=2)
    found = {}
    for name, effect in _EFFECTS.items():
        effects = {FACTORY: 0.0, **dict.fromkeys(names, effect)}
        runs = make_review(effects, Design(rounds=rounds, suites=suites), noise=made, seed=3900 + rounds)
        games = compare_tunings(runs, plan)["verdict"]
        overall = compare_over_games(runs, plan)
        overall = overall.loc[overall["scope"] == "these_games", "verdict"]
        right = ["same_within_margin"] if name == "alike" else list(REAL)
        found[f"games, {name}"] = 100 * float(games.isin(right).mean())
        found[f"overall, {name}"] = 100 * float(overall.isin(right).mean())
    return found


def table(*, suites: int = SUITES) -> pd.DataFrame:
    """Return one row for each noise and number of tunings and rounds."""
    return pd.DataFrame([
        {"noise": noise, "tunings": tunings, "rounds": rounds, **printed(noise, tunings, rounds, suites=suites)}
        for noise, tunings, rounds in LINES
    ])  # fmt: skip
