"""Measurements of what follows from results: scripts, schedules, advice on more rounds, reports made again.

Names of measurements are those of the promises; see ``error_rates``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache, partial

import numpy as np
import pandas as pd
import simulated_suites
from error_rates_page import METRICS, TUNINGS, reviews
from run_tables import make_plan
from simulated_runs import Design, Noise, make_review
from simulated_suites import (
    FACTORY,
    GAMES,
    NOISE_PCT,
    REAL,
    SAME,
    Found,
    by_suite,
    excludes_zero,
    noise_factors,
    one_tuning,
    over_games,
    share,
)

from gpubench_kit.statistics.compare import compare_over_games, compare_tunings
from gpubench_kit.statistics.contrasts import scaled
from gpubench_kit.statistics.looks import level_of_look
from gpubench_kit.statistics.overall import member_levels
from gpubench_kit.statistics.planning import DEFAULT_ROUNDS, level_of_game, rounds_to_plan
from gpubench_kit.statistics.testing import adjust_in_families, decide, one_sided_p, two_sided_p, uncertainty_of
from gpubench_kit.statistics.variance import scaled_margin

LEVEL = 0.05
Rates = dict[str, Found]

_MARGIN_PCT = 2.0


@lru_cache(maxsize=1)
def _sixteen_rounds(noise: str, effect: float, *, suites: int) -> pd.DataFrame:
    """Return runs of suites of one tuning and the reference; the next measurement often needs the same."""
    made = Noise(run_pct=NOISE_PCT, games_df=np.inf, by_game=noise_factors(noise, seed=3300, suites=suites))
    return make_review({FACTORY: 0.0, "quiet": effect}, Design(rounds=16, suites=suites), noise=made, seed=3300)


def advice(noise: str, effect: float, settles: str) -> Rates:
    """Four rounds, then as many more for each game as was advised: does the second look decide it?

    What the first look gave stands; the other games are judged anew at the second look's level.
    """
    runs = _sixteen_rounds(noise, effect, suites=simulated_suites.SUITES)
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


def schedule(noise: str, pilot_df: int) -> Rates:
    """As many rounds as a pilot of so many degrees of freedom asks for, or the default, and nothing differs."""
    plan, suites = make_plan((FACTORY, "quiet"), looks=2, adjust="fdr_bh"), simulated_suites.SUITES
    runs, level = _sixteen_rounds(noise, 0.0, suites=suites), level_of_look(plan, 1)
    rounds = np.full(suites, DEFAULT_ROUNDS)
    if pilot_df:
        sigma = NOISE_PCT / 100 * noise_factors(noise, seed=3300, suites=suites)
        seen = sigma * np.sqrt(np.random.default_rng(3400 + pilot_df).chisquare(pilot_df, sigma.shape) / pilot_df)
        levels = level_of_game(level, adjust="fdr_bh", comparisons=GAMES), member_levels(plan, level)
        asked = partial(rounds_to_plan, margin=-np.log(1 - _MARGIN_PCT / 100), level=levels[0], borrowing=True)
        member = levels[1].of(0, "avg_fps", "all")
        rounds = np.array([asked(one, overall=(one**2, member)).rounds for one in seen])
    wanted = rounds[pd.factorize(runs["group"], sort=True)[0]]
    runs = runs[runs["round"].to_numpy() <= wanted]
    games, over = compare_tunings(runs, plan).sort_values(["group", "game"]), compare_over_games(runs, plan)
    over = over[over["scope"] == "these_games"].sort_values("group")
    return {
        "games decided at look 1": share(by_suite(games["verdict"] != "undecided")),
        "overall decided": share(over["verdict"] != "undecided"),
    }


def _real(runs: pd.DataFrame) -> np.ndarray:
    """Return the way of the difference over games that is found in each suite; 0 for none."""
    rows = over_games(runs, "these_games")
    return np.where(excludes_zero(rows), np.sign(rows["change"]), 0)


def typos() -> Rates:
    """One run in a hundred is typed a tenth too high or too low, and corrected where no difference was found."""
    runs, rng = one_tuning(0.0, 4, seed=3700, suites=simulated_suites.SUITES).runs, np.random.default_rng(3700)
    slip = np.where(rng.random(len(runs)) < 0.01, 1 + rng.choice([-0.1, 0.1], len(runs)), 1.0)
    first = _real(runs.assign(value=runs["value"] * slip))
    return {"overall false": share((first != 0) | (_real(runs) != 0))}


def sensors() -> Rates:
    """Two sensors with a noise that correlates by .9: the weaker of both verdicts. Control: the favourable one."""
    made = one_tuning(0.0, 4, seed=3710, suites=simulated_suites.SUITES)
    runs = made.runs.sort_values(["group", "game"], kind="stable", ignore_index=True)
    logs = np.log(runs["value"].to_numpy()).reshape(-1, 8)
    own = made.sigma.reshape(-1, 1) / 100 * np.random.default_rng(3710).standard_normal(logs.shape)
    middle = logs.mean(axis=1, keepdims=True)
    other = np.exp(middle + 0.9 * (logs - middle) + np.sqrt(1 - 0.9**2) * own)
    one, two = _real(runs), _real(runs.assign(value=other.ravel()))
    return {
        "weaker of the two": share((one == two) & (one != 0)),
        "favourable one": share((one != 0) | (two != 0)),
    }


#: What a script says of each tuning over all games, and of two single games: nine and four of thirteen sentences.
_OF_TUNING = (
    {"metric": "avg_fps", "says": "better"},
    {"metric": "low_1pct_fps", "says": "no_loss"},
    {"metric": "board_w", "saves_at_least": "10 %"},
    {"metric": "energy_per_frame_j", "saves_at_least": "10 %"},
)
_OF_GAME = (
    {"metric": "avg_fps", "says": "better", "over": "game 02"},
    {"metric": "avg_fps", "says": "no_loss", "over": "game 03"},
)
SCRIPT = (
    *({"of": {"tuning": name}, **claim} for name in TUNINGS[1:] for claim in _OF_TUNING),
    {"of": {"tuning": TUNINGS[2]}, "metric": "avg_fps", "says": "no_loss", "over": "every_game"},
    *({"of": {"tuning": name}, **claim} for name in TUNINGS[1:] for claim in _OF_GAME),
)

#: Effects [%] at which every sentence about a tuning just fails: no gain over all games and in the second, a loss
#: as large as the margin in the third, as large a loss of the low, and as much saved as is claimed.
_REST = 100 * ((1 - _MARGIN_PCT / 100) ** (-1 / 8) - 1)
_AT_BOUNDARY = {
    "avg_fps": (_REST, 0.0, -_MARGIN_PCT, *[_REST] * 7),
    "low_1pct_fps": -_MARGIN_PCT,
    "board_w": -10.0,
}
_EASY = {"avg_fps": 3.0, "low_1pct_fps": 2.0, "board_w": -15.0}


def script(*of: dict) -> Rates:
    """Scripts of sentences about two tunings with true effects ``of``, by Holm. Control: each sentence at 5 %."""
    count = 13 if of == (_AT_BOUNDARY, _AT_BOUNDARY) else 9
    true = {metric: tuple(one[metric] for one in of) for metric in METRICS}
    p = p_of_script(*reviews(true, rounds=4, seed=2800), SCRIPT[:count])
    family = np.repeat(np.arange(len(p)), count)
    adjusted = adjust_in_families(p.ravel(), family, method="holm").reshape(p.shape)
    false = np.arange(count) < {9: 4, 13: 13}[count] if _AT_BOUNDARY in of else np.zeros(count, dtype=bool)
    return {
        "any false supported, Holm": share((adjusted[:, false] <= LEVEL).any(axis=1)),
        "any false supported, per claim": share((p[:, false] <= LEVEL).any(axis=1)),
        "all supported": share((adjusted <= LEVEL).all(axis=1)),
    }


def p_of_script(runs: pd.DataFrame, plan, claims: Sequence[Mapping]) -> np.ndarray:
    """Return the p-value of each sentence (across) in each suite (down), by the rules of scripts.

    One review at a time goes through `gpubench_kit.claims.check`, which a test holds against this.
    """
    games, over = compare_tunings(runs, plan), compare_over_games(runs, plan)
    over = over[over["scope"] == "these_games"]
    columns = []
    for claim in claims:
        place = claim.get("over", "these_games")
        table = over if place == "these_games" else games
        rows = table[(table["metric"] == claim["metric"]) & (table["of_tuning"] == claim["of"]["tuning"])]
        rows = rows if place in ("these_games", "every_game") else rows[rows["game"] == place]
        rows = rows.sort_values([name for name in ("group", "game") if name in rows])
        known = (
            [uncertainty_of(rows)]
            if place == "these_games"
            else [uncertainty_of(rows), uncertainty_of(rows, own=True)]
        )
        p = np.max([_p(claim, rows, found, plan) for found in known], axis=0)
        columns.append(by_suite(p).max(axis=1) if place == "every_game" else p)
    return np.column_stack(columns)


def _p(claim: Mapping, rows: pd.DataFrame, found, plan) -> np.ndarray:
    """Return the p-value of one sentence in each row."""
    change, margin = scaled(rows, "change"), scaled_margin(plan, claim["metric"])
    if claim.get("says") == "better":
        return np.where(change > 0, two_sided_p(change, found), 1.0)
    if claim.get("says") == "no_loss":
        return one_sided_p(change + margin, found)
    return one_sided_p(np.log(0.9) - change, found)


_EFFECTS = {"0": 0.0, "half margin": 1.0, "margin": _MARGIN_PCT}
_ADVICE = (("half margin", "whatever"), ("margin", "clear"), ("0", "clear"))
_PILOTS = {0: "no pilot, 4 rounds", 2: "pilot 2 df", 4: "pilot 4 df"}
LATER = {
    "script of 13 claims at their boundary, n = 4": partial(script, _AT_BOUNDARY, _AT_BOUNDARY),
    "script of 5 true and 4 false claims, n = 4": partial(script, _AT_BOUNDARY, _EASY),
    "script of 9 true claims, n = 4": partial(script, _EASY, _EASY),
    "typos corrected only where undecided, n = 4": typos,
    "two sensors, correlation .9": sensors,
}
for _noise in ("design", "uniform"):
    LATER |= {
        f"advice after 4 rounds: {_noise}, {name}, {settles}": partial(advice, _noise, _EFFECTS[name], settles)
        for name, settles in _ADVICE
    }
    # Without a pilot the schedule promises nothing for the noisier bench.
    LATER |= {
        f"schedule, truth 0: {name}, {_noise}": partial(schedule, _noise, df)
        for df, name in _PILOTS.items()
        if df or _noise == "design"
    }
