"""Measurements of what follows from results: advice on more rounds.

Names of measurements are those of the promises; see ``error_rates``.
"""

from __future__ import annotations

from functools import partial
from itertools import product

import numpy as np
import pandas as pd
import simulated_suites
from run_tables import make_plan
from simulated_suites import (
    FACTORY,
    GAMES,
    NOISE_DF,
    NOISE_PCT,
    REAL,
    SAME,
    Found,
)

from gpubench_kit.statistics.compare import compare_tunings
from gpubench_kit.statistics.looks import level_of_look
from gpubench_kit.statistics.multiplicity import adjust_in_families, decide
from gpubench_kit.synthetic import Design, Noise, make_review

LEVEL = 0.05
Rates = dict[str, Found]

#: Noise of a game [%]: as everywhere in these measurements, or even between two ends.
_UNIFORM = (0.6, 1.5)
_MARGIN_PCT = 2.0


def _factors(noise: str, *, seed: int) -> np.ndarray:
    """Return the noise of each game of each suite, in multiples of the usual one."""
    rng, shape = np.random.default_rng(seed), (simulated_suites.SUITES, GAMES)
    if noise == "uniform":
        return rng.uniform(*_UNIFORM, shape) / NOISE_PCT
    return np.sqrt(NOISE_DF / rng.chisquare(NOISE_DF, shape))


def _one_tuning(noise: str, effect: float, rounds: int, *, seed: int) -> pd.DataFrame:
    """Return runs of suites of one tuning and the reference."""
    made = Noise(run_pct=NOISE_PCT, games_df=np.inf, by_game=_factors(noise, seed=seed))
    design = Design(rounds=rounds, suites=simulated_suites.SUITES)
    return make_review({FACTORY: 0.0, "quiet": effect}, design, noise=made, seed=seed)


def advice(noise: str, effect: float, settles: str) -> Rates:
    """Four rounds, then as many more for each game as was advised: does the second look decide it?

    What the first look gave stands; the other games are judged anew at the second look's level.
    """
    runs = _one_tuning(noise, effect, 16, seed=3300)
    plan = make_plan((FACTORY, "quiet"), looks=2, adjust="fdr_bh")
    key = ["group", "game"]
    first = compare_tunings(runs[runs["round"] <= 4], plan, looks_made=1).sort_values(key, ignore_index=True)
    wanted = 4 + first.set_index(key)["more_runs"].fillna(0).astype(int)
    asked = wanted.loc[pd.MultiIndex.from_frame(runs[key])].to_numpy()
    second = compare_tunings(runs[runs["round"].to_numpy() <= asked], plan, looks_made=2)
    second = second.sort_values(key, ignore_index=True)
    decided = _after_two_looks(first, second, plan)
    given = (first["more_runs_for"] == settles).to_numpy()
    kept, count = float(decided[given].mean()), int(given.sum())
    error = 100 * np.sqrt(max(kept * (1 - kept), 1 / count) / count)
    return {"kept (not below 90 - 2)": Found(100 * kept, float(error), len(given) // GAMES)}


def _after_two_looks(first: pd.DataFrame, second: pd.DataFrame, plan) -> np.ndarray:
    """Return which games are decided after two looks, verdicts of the first remembered."""
    levels = [level_of_look(plan, look) for look in (1, 2)]
    family = pd.factorize(second["group"])[0]
    before = {"p_difference": first["verdict"].isin(REAL), "p_equivalence": first["verdict"].isin(SAME)}
    p = [
        np.minimum(second[name] * np.where(held, 1.0, levels[0] / levels[1]), 1.0) for name, held in before.items()
    ]
    adjusted = [adjust_in_families(one.to_numpy(), family, method="fdr_bh") for one in p]
    verdict = decide(second["change"].to_numpy(), *adjusted, level=levels[0], direction=1)
    return verdict != "undecided"


_EFFECTS = {"0": 0.0, "half margin": 1.0, "margin": _MARGIN_PCT}
_ADVICE = (("half margin", "whatever"), ("0", "clear"), ("margin", "clear"))
LATER = {
    **{f"advice after 4 rounds: {noise}, {name}, {settles}": partial(advice, noise, _EFFECTS[name], settles)
       for noise, (name, settles) in product(("design", "uniform"), _ADVICE)},
}  # fmt: skip
