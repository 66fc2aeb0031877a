"""What a number of rounds can show: per game and metric, and over all games."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import pandas as pd

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.schedule.tables import NEEDS, NEEDS_OVERALL
from gpubench_kit.statistics.planning import (
    MOST_RUNS,
    POWER,
    chance_of_difference,
    chance_of_same,
    degrees_of_freedom,
    detectable_difference,
    margin_shown,
    overall_half_width,
    runs_needed,
    runs_to_decide,
)
from gpubench_kit.statistics.variance import LEAST_GAMES
from gpubench_kit.statistics.verdict import level_of_looks

#: Spread of the true differences between games that the wider result is told for [%].
SPREAD_OF_GAMES_PCT = 1.0
#: Rounds for which the margin is given that could be shown.
MANY_ROUNDS = 10
#: Metrics for which a declared frame limit leaves nothing to compare.
_RATES = tuple(name for name, row in METRICS.items() if row.needs == "frames")


@dataclass(frozen=True)
class PlannedTest:
    """The test that a comparison of the plan will be.

    Attributes
    ----------
    level : of each test
    borrowing : whether games borrow noise from each other
    in_blocks : whether restarts or mountings are the units, each side for itself
    """

    level: float
    borrowing: bool
    in_blocks: bool

    def df(self, n) -> np.ndarray:
        """Return the degrees of freedom of n rounds, or of n blocks of each side."""
        if self.in_blocks:
            return 2 * (np.asarray(n, dtype=float) - 1)
        return degrees_of_freedom(n, borrowing=self.borrowing)


def planned_test(plan: ReviewPlan, *, games: int, in_blocks: bool) -> PlannedTest:
    """Return the test that a comparison of the plan will be.

    Parameters
    ----------
    plan : gives looks, confidence and ``strict``
    games : games of the group
    in_blocks : whether restarts or mountings are the units
    """
    level, _ = level_of_looks(plan)
    return PlannedTest(level, games >= LEAST_GAMES and not in_blocks and not plan.analysis.strict, in_blocks)


def scaled_size(metric: str, size: float, *, is_margin: bool = True) -> float:
    """Return a size in percent, or in the unit, on the scale of the tests.

    Parameters
    ----------
    metric : name of the metric
    size : percent on the ratio scale, else in the unit
    is_margin : whether it is a margin, which is as large down as up on the log scale; else a gain
    """
    if METRICS[metric].scale != "ratio":
        return size
    return float(-np.log1p(-size / 100) if is_margin else np.log1p(size / 100))


def shown_size(metric: str, size: float, *, is_margin: bool = False) -> float:
    """Return a size on the scale of the tests in percent, or in the unit; see `scaled_size`."""
    if METRICS[metric].scale != "ratio":
        return size
    return float(-100 * np.expm1(-size) if is_margin else 100 * np.expm1(size))


def noise_of_unit(sd: float, restart_sd: float, *, in_blocks: bool) -> float:
    """Return the noise of what a test counts: of a run, or of a block, which a restart moves as well.

    Parameters
    ----------
    sd : from run to run
    restart_sd : between restarts; missing or 0 where not known
    in_blocks : whether restarts or mountings are the units
    """
    return float(np.hypot(sd, np.nan_to_num(restart_sd))) if in_blocks else float(sd)


def needs_of(
    noise: pd.DataFrame, plan: ReviewPlan, *, rounds: Mapping[tuple[str, str], int], in_blocks: bool
) -> pd.DataFrame:
    """Return what the plan's rounds can show, and how many would be needed.

    Parameters
    ----------
    noise : see ``schedule.tables.PLANNED_NOISE``
    plan : gives margins, looks and confidence
    rounds : rounds of each (game, setting), those done included; games without are left out
    in_blocks : whether restarts or mountings are the units

    Returns
    -------
    DataFrame, see ``schedule.tables.NEEDS``

    Notes
    -----
    All numbers are for one game on its own at the plan's level; the table of verdicts corrects for the
    number of games and tunings, for which a game needs more.
    """
    planned = [row for row in noise.itertuples() if rounds.get((row.game, row.setting), 0) > 0]
    games: dict[str, set] = {}
    for row in planned:
        games.setdefault(row.group, set()).add(row.game)
    limited = {(game.name, one.name) for game in plan.games for one in game.settings if one.frame_limit_fps}
    return NEEDS.frame(
        _needs(row, plan, rounds=rounds[row.game, row.setting], is_limited=(row.game, row.setting) in limited,
               test=planned_test(plan, games=len(games[row.group]), in_blocks=in_blocks))
        for row in planned
    )  # fmt: skip


def needs_over_games(
    noise: pd.DataFrame, plan: ReviewPlan, *, rounds: Mapping[tuple[str, str], int], in_blocks: bool
) -> pd.DataFrame:
    """Return how narrow the overall results will be.

    Parameters
    ----------
    noise, plan, rounds, in_blocks : as in `needs_of`

    Returns
    -------
    DataFrame, see ``schedule.tables.NEEDS_OVERALL``; groups of one game have no overall result

    Notes
    -----
    ``corrected`` divides the level by the number of comparisons: the strictest step of Holm's (1979)
    correction, so that no game needs more.
    """
    keep = [rounds.get(key, 0) > 0 for key in zip(noise["game"], noise["setting"], strict=True)]
    there = noise[np.array(keep, dtype=bool) & noise["sd"].notna().to_numpy()]
    rows = []
    for (group, metric), part in there.groupby(["group", "metric"], sort=False):
        least = min(rounds[key] for key in zip(part["game"], part["setting"], strict=True))
        if part["game"].nunique() > 1:
            one = _overall(part, plan, n=least, in_blocks=in_blocks)
            rows.append(one | {"group": group, "metric": metric})
    return NEEDS_OVERALL.frame(rows)


def _needs(row, plan: ReviewPlan, *, rounds: int, test: PlannedTest, is_limited: bool) -> dict:
    """Return the row of one game and metric."""
    margin = plan.margin_of(row.metric)
    out = {name: getattr(row, name) for name in ("game", "setting", "metric", "group", "unit")}
    out |= {"rounds": rounds, "margin": margin, "outlook": "none"}
    if np.isnan(row.sd) or (is_limited and row.metric in _RATES):
        return out
    own = (row.sd, row.cautious_sd)
    plain, cautious = (noise_of_unit(sd, row.restart_sd, in_blocks=test.in_blocks) for sd in own)
    for name, sigma in (("", plain), ("cautious_", cautious)):
        found = detectable_difference(sigma, n=rounds, level=test.level, df=test.df(rounds))
        out[f"{name}detectable"] = shown_size(row.metric, float(found))
        if margin is not None:
            out |= {f"{name}{key}": value for key, value in _counts(sigma, row.metric, margin, test).items()}
    shown = margin_shown(plain, n=MANY_ROUNDS, level=test.level, df=test.df(MANY_ROUNDS))
    out["margin_of_ten"] = shown_size(row.metric, float(shown), is_margin=True)
    if margin is not None:
        out["outlook"] = _outlook(out, rounds)
    return out


@lru_cache(maxsize=4096)
def _counts(sigma: float, metric: str, margin: float, test: PlannedTest) -> dict:
    """Return the rounds that a margin needs."""
    size, gain = scaled_size(metric, margin), scaled_size(metric, margin, is_margin=False)
    if test.in_blocks:
        return _block_counts(sigma, size, gain=gain, test=test)
    level, borrowing = test.level, test.borrowing
    return {
        "rounds_to_find": runs_needed("difference", sigma, size=gain, level=level, borrowing=borrowing),
        "rounds_to_show_same": runs_needed("same", sigma, size=size, level=level, borrowing=borrowing),
        "rounds_to_decide": runs_to_decide(sigma, size, level=level, borrowing=borrowing),
    }


def _block_counts(sigma: float, size: float, *, gain: float, test: PlannedTest) -> dict:
    """Return the blocks of each side that a margin needs; nothing above 64."""
    n = np.arange(2, 65)
    safe, options = max(sigma, size * 1e-9), {"n": n, "level": test.level, "df": test.df(n)}
    find = chance_of_difference(gain, safe, **options) >= POWER
    same = chance_of_same(0.0, safe, margin=size, **options) >= POWER
    both = same & (chance_of_difference(size, safe, **options) >= POWER) & (n <= MOST_RUNS)
    names = ("rounds_to_find", "rounds_to_show_same", "rounds_to_decide")
    return {
        name: int(n[one.argmax()]) if one.any() else None
        for name, one in zip(names, (find, same, both), strict=True)
    }


def _outlook(needs: Mapping, rounds: int) -> str:
    """Return whether the rounds decide the game: by the cautious number, by the plain one only, or not."""
    plain, cautious = needs["rounds_to_decide"], needs["cautious_rounds_to_decide"]
    if cautious is not None and cautious <= rounds:
        return "yes"
    return "perhaps" if plain is not None and plain <= rounds else "no"


def _overall(part: pd.DataFrame, plan: ReviewPlan, *, n: int, in_blocks: bool) -> dict:
    """Return the half-widths of one group and metric, every game counted once."""
    metric, (level, _) = part["metric"].iloc[0], level_of_looks(plan)
    by_game = (part["sd"].astype(float) ** 2).groupby(part["game"]).agg(lambda one: one.sum() / len(one) ** 2)
    # Blocks serve all games, so that the mean over games is what varies from block to block.
    between = float(np.nan_to_num(part["restart_sd"].iloc[0])) ** 2
    these = [by_game.mean() / len(by_game) + between] if in_blocks else by_game
    widths = {"these_games": overall_half_width(these, n=n, level=level)}
    if METRICS[metric].scale == "ratio" and not in_blocks:
        spread = scaled_size(metric, SPREAD_OF_GAMES_PCT, is_margin=False)
        widths["games_like_these"] = overall_half_width(by_game, n=n, spread_of_games=spread, level=level)
    return {
        "unit": part["unit"].iloc[0],
        "games": len(by_game),
        "rounds": n,
        "margin": plan.margin_of(metric),
        **{name: shown_size(metric, width) for name, width in widths.items()},
        "is_enough": _is_enough(np.asarray(these, dtype=float), metric, plan, n=n),
        **_corrected(part, plan, in_blocks=in_blocks),
    }


def _is_enough(variances: np.ndarray, metric: str, plan: ReviewPlan, *, n: int) -> bool | None:
    """Return whether the result over these games will decide; None where there is no margin."""
    margin, (level, _) = plan.margin_of(metric), level_of_looks(plan)
    if margin is None:
        return None
    error = float(np.sqrt(2 * variances.mean() / (n * len(variances))))
    df = (n - 1) * variances.sum() ** 2 / (variances**2).sum() if error > 0 else n - 1
    # With two runs of each side the standard error is the noise itself.
    size, options = scaled_size(metric, margin), {"n": 2, "level": level, "df": df}
    safe = max(error, size * 1e-9)
    found = chance_of_difference(size, safe, **options), chance_of_same(0.0, safe, margin=size, **options)
    return bool(min(found) >= POWER)


def _corrected(part: pd.DataFrame, plan: ReviewPlan, *, in_blocks: bool) -> dict:
    """Return the rounds that decide a game with the middle noise, on its own and as one of many."""
    metric, games = part["metric"].iloc[0], part["game"].nunique()
    margin, count = plan.margin_of(metric), len(part) * max(len(plan.tunings) - 1, 1)
    if margin is None:
        return {"comparisons": count}
    alone = planned_test(plan, games=games, in_blocks=in_blocks)
    is_corrected = plan.analysis.adjust != "none"
    among = replace(alone, level=alone.level / count) if is_corrected else alone
    sigma = noise_of_unit(float(part["sd"].median()), part["restart_sd"].iloc[0], in_blocks=in_blocks)
    found = [_counts(sigma, metric, margin, test)["rounds_to_decide"] for test in (alone, among)]
    return {"comparisons": count, "alone": found[0], "corrected": found[1]}
