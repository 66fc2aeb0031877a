"""What a number of rounds can show: per game and metric, and over all games."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.model.metrics import METRICS, change_unit
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import Column, Table, columns_named
from gpubench_kit.schedule.design import NEEDS, NEEDS_OVERALL, VERDICT_CHANCES
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.statistics.more_rounds import SHOWN_ROUNDS
from gpubench_kit.statistics.overall import member_levels
from gpubench_kit.statistics.planning import (
    DEFAULT_ROUNDS,
    MOST_ROUNDS,
    POWER,
    chance_decided,
    chance_of_verdict,
    degrees_of_freedom,
    detectable_difference,
    level_of_game,
    margin_shown,
    overall_decided,
    overall_half_width,
    rounds_to_decide,
    rounds_to_plan,
)
from gpubench_kit.statistics.variance import LEAST_GAMES
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import number_text

#: Spread of the true differences between games that the wider result is given for [%].
SPREAD_OF_GAMES_PCT = 1.0
#: Metrics for which a declared frame limit leaves nothing to compare.
_RATES = tuple(name for name, row in METRICS.items() if row.needs == "frames")


@dataclass(frozen=True)
class PlannedTest:
    """The test that a comparison of the plan will be.

    Attributes
    ----------
    level : of the first look
    among : level that the table of games leaves to one of them
    borrowing : whether games borrow noise from each other
    in_blocks : whether restarts or mountings are the units, each side for itself
    """

    level: float
    among: float
    borrowing: bool
    in_blocks: bool

    def df(self, n) -> np.ndarray:
        """Return the degrees of freedom of n rounds, or of n blocks of each side."""
        return degrees_of_freedom(n, borrowing=self.borrowing, in_blocks=self.in_blocks)


def planned_test(plan: ReviewPlan, *, games: int, in_blocks: bool) -> PlannedTest:
    """Return the test that a comparison of the plan will be.

    Parameters
    ----------
    plan : gives looks, confidence, ``adjust`` and ``strict``
    games : games of the group
    in_blocks : whether restarts or mountings are the units
    """
    level, _ = level_of_looks(plan)
    comparisons = games * max(len(plan.tunings) - 1, 1)
    among = level_of_game(level, adjust=plan.analysis.adjust, comparisons=comparisons)
    borrowing = games >= LEAST_GAMES and not in_blocks and not plan.analysis.strict
    return PlannedTest(level, among, borrowing, in_blocks)


def level_over_games(plan: ReviewPlan, metric: str, group: str) -> float:
    """Return the level of a result over games at the first look: its part of the page's.

    Parameters
    ----------
    plan : gives pairs, metrics, groups and looks
    metric, group : what the result is of; one that is no member of the page stands alone
    """
    members = member_levels(plan, level_of_looks(plan)[0])
    levels = np.array([members.of(place, metric, group) for place in range(len(plan.pairs()))])
    return float(np.nanmin(levels)) if np.isfinite(levels).any() else 1 - plan.analysis.confidence


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
    """Return what the plan's rounds can show of each game, and how many would decide it.

    Parameters
    ----------
    noise : see ``schedule.design.PLANNED_NOISE``
    plan : gives margins, looks and confidence
    rounds : rounds of each (game, setting), those done included; games without are left out
    in_blocks : whether restarts or mountings are the units

    Returns
    -------
    DataFrame, see ``schedule.design.NEEDS``

    Notes
    -----
    A game is decided if it differs by nothing or by the margin or more; the chance is the smaller of the two, at
    the level that the table of games leaves to one of them.
    """
    planned = list(_played(noise, rounds).itertuples())
    games: dict[str, set] = {}
    for row in planned:
        games.setdefault(row.group, set()).add(row.game)
    limited = _limited_scenes(plan)
    return NEEDS.frame(
        _needs(row, plan, rounds=rounds[row.game, row.setting], is_limited=(row.game, row.setting) in limited,
               test=planned_test(plan, games=len(games[row.group]), in_blocks=in_blocks))
        for row in planned
    )  # fmt: skip


_GAME = ["card", "bench", "game", "setting", "metric"]

#: Inside the kit only.
NOISE_PLAN = Table(
    "noise_plan", "card, bench, game, setting and metric", tuple(_GAME),
    (
        *columns_named(" ".join(_GAME)),
        Column("unit", "text", "% on the ratio scale, else the metric's unit"),
        Column("runs", "integer", "fewest runs of a tuning so far"),
        Column("df", "number", "degrees of freedom of the noise, over all tunings"),
        Column("noise", "number", "run-to-run standard deviation, in `unit`"),
        Column("detectable", "number", "smallest difference found with 80 % chance by so many runs, in `unit`"),
        Column("margin", "number", "smallest difference that matters, in `unit`; empty where none is given"),
        Column("runs_needed", "integer", "runs that decide with 80 % chance; empty above 16"),
        Column("margin_of_twelve", "number", "smallest margin that 12 runs can show, in `unit`"),
    ),
)  # fmt: skip


def plan_from_noise(noise: pd.DataFrame, plan: ReviewPlan) -> pd.DataFrame:
    """Return what the noise found so far means for the number of runs.

    Parameters
    ----------
    noise : see ``tables.NOISE``; the tunings' variances are pooled, their means are not looked at
    plan : gives margins, looks and ``strict``

    Returns
    -------
    DataFrame, one row per game and metric; see `NOISE_PLAN`. Games without any two runs of one tuning
    have no noise and empty numbers.

    Notes
    -----
    Runs needed count with borrowed noise where the plan allows it and six games have noise, as the
    comparison will. A decision means 80 % chance to show "no difference" when there is none, and to
    find a difference as large as the margin, at the level that the table of games leaves to a game.
    """
    rows = noise.assign(own_df=(noise["n"].astype(float) - 1).clip(lower=0))
    rows["squares"] = rows["own_df"] * rows["sd"].fillna(0.0) ** 2
    games = rows.groupby(_GAME, sort=False).agg(runs=("n", "min"), df=("own_df", "sum"), squares=("squares", "sum"))
    games = games.reset_index()
    groups = {scene: one.group for scene, one in plan.scenes.items()}
    group = pd.Series(
        [groups.get(key, "") for key in zip(games["game"], games["setting"], strict=True)], games.index
    )
    counted = (games["df"] > 0).groupby([games["card"], games["bench"], games["metric"], group]).transform("sum")
    games["borrowing"] = (counted >= LEAST_GAMES) & (games["df"] > 0) & (not plan.analysis.strict)
    test = planned_test(plan, games=len(plan.games), in_blocks=False)
    planned = []
    for row in games.itertuples():
        margin = plan.margin_of(row.metric)
        found: dict[str, Any] = {}
        if row.df > 0:
            sigma, own = float(np.sqrt(row.squares / row.df)), replace(test, borrowing=bool(row.borrowing))
            size = None if margin is None else scaled_size(row.metric, margin)
            needed = rounds_to_decide(sigma, size, level=own.among, borrowing=own.borrowing)
            found = _shown(row.metric, sigma, rounds=max(int(row.runs), 2), test=own) | {
                "noise": shown_size(row.metric, sigma), "runs_needed": needed}  # fmt: skip
        planned.append({"unit": change_unit(METRICS[row.metric]), "margin": margin} | found)
    return NOISE_PLAN.frame(pd.concat([games[[*_GAME, "runs", "df"]], pd.DataFrame(planned)], axis=1))


def _played(noise: pd.DataFrame, rounds: Mapping[tuple[str, str], int]) -> pd.DataFrame:
    """Return the noise of games that have rounds."""
    scenes = zip(noise["game"], noise["setting"], strict=True)
    return noise[np.array([rounds.get(scene, 0) > 0 for scene in scenes], dtype=bool)]


def _limited_scenes(plan: ReviewPlan) -> set[tuple[str, str]]:
    """Return the games and settings for which a frame limit is declared."""
    return {scene for scene, one in plan.scenes.items() if one.frame_limit_fps}


def needs_over_games(
    noise: pd.DataFrame, plan: ReviewPlan, *, rounds: Mapping[tuple[str, str], int], in_blocks: bool
) -> pd.DataFrame:
    """Return how narrow the overall results will be.

    Parameters
    ----------
    noise, plan, rounds, in_blocks : as in `needs_of`

    Returns
    -------
    DataFrame, see ``schedule.design.NEEDS_OVERALL``; groups of one game have no overall result
    """
    there = _played(noise, rounds)
    there = there[there["sd"].notna()]
    rows = []
    for (group, metric), part in there.groupby(["group", "metric"], sort=False):
        least = min(rounds[key] for key in zip(part["game"], part["setting"], strict=True))
        if part["game"].nunique() > 1:
            one = _overall(part, plan, n=least, in_blocks=in_blocks)
            rows.append(one | {"group": group, "metric": metric})
    return NEEDS_OVERALL.frame(rows)


def rounds_by_pilot(pilot: pd.DataFrame, plan: ReviewPlan) -> tuple[int, str]:
    """Return the rounds of every game, and why, in a sentence.

    Parameters
    ----------
    pilot : noise known before the first round is planned; see ``schedule.design.PLANNED_NOISE``
    plan : gives margins, looks and confidence
    """
    primary, known = plan.analysis.primary, pilot[pilot["metric"] == plan.analysis.primary]
    margin = plan.margin_of(primary)
    limited = _limited_scenes(plan)
    if primary in _RATES:
        known = known[[key not in limited for key in zip(known["game"], known["setting"], strict=True)]]
    if margin is None or not len(known):
        return DEFAULT_ROUNDS, say("schedule.rounds.default", rounds=DEFAULT_ROUNDS)
    size, games = scaled_size(primary, margin), known.groupby("group", sort=False)["game"].nunique()
    main = known[known["group"] == games.idxmax()]
    test = planned_test(plan, games=int(games.max()), in_blocks=False)
    is_alone = games.max() == 1
    overall = () if is_alone else variances_over_games(main), level_over_games(plan, primary, str(games.idxmax()))
    planned = rounds_to_plan(
        known["sd"].to_numpy(float), size, level=test.among, borrowing=test.borrowing, overall=overall
    )
    if planned.share < POWER and (is_alone or not planned.is_overall_decided):
        return planned.rounds, say("schedule.rounds.noisy", rounds=planned.rounds)
    kind = "overall" if planned.share < POWER else "both" if planned.is_overall_decided else "single"
    share = number_text(100 * planned.share, decimals=0)
    return planned.rounds, say(f"schedule.rounds.{kind}", rounds=planned.rounds, share=share)


def variances_over_games(noise: pd.DataFrame) -> np.ndarray:
    """Return the variance of one run of each game, a game's settings averaged first.

    Parameters
    ----------
    noise : rows of one group and metric; see ``schedule.design.PLANNED_NOISE``
    """
    squares = (noise["sd"].astype(float) ** 2).groupby(noise["game"])
    return squares.agg(lambda one: one.sum() / len(one) ** 2).to_numpy()


def _needs(row, plan: ReviewPlan, *, rounds: int, test: PlannedTest, is_limited: bool) -> dict:
    """Return the row of one game and metric."""
    margin = plan.margin_of(row.metric)
    out = {name: getattr(row, name) for name in ("game", "setting", "metric", "group", "unit")}
    out |= {"rounds": rounds, "margin": margin, "outlook": "none"}
    if np.isnan(row.sd) or (is_limited and row.metric in _RATES):
        return out
    sigma = noise_of_unit(row.sd, row.restart_sd, in_blocks=test.in_blocks)
    out |= _shown(row.metric, sigma, rounds=rounds, test=test)
    if margin is None:
        return out
    chance, needed = _decided(sigma, scaled_size(row.metric, margin), rounds=rounds, test=test)
    outlook = "yes" if chance >= POWER else "no"
    return out | {"chance": chance, "rounds_to_decide": needed, "outlook": outlook}


def _shown(metric: str, sigma: float, *, rounds: int, test: PlannedTest) -> dict[str, float]:
    """Return what so many rounds find, and the margin that 12 show, in percent on the ratio scale."""
    found = detectable_difference(sigma, n=rounds, level=test.level, df=test.df(rounds))
    shown = margin_shown(sigma, n=SHOWN_ROUNDS, level=test.among, df=test.df(SHOWN_ROUNDS))
    twelve = shown_size(metric, float(shown), is_margin=True)
    return {"detectable": shown_size(metric, float(found)), "margin_of_twelve": twelve}


@lru_cache(maxsize=4096)
def _decided(sigma: float, margin: float, *, rounds: int, test: PlannedTest) -> tuple[float, int | None]:
    """Return the chance that so many rounds decide a game, and the rounds that do so with 80 %."""
    options = {"margin": margin, "level": test.among}
    chance = chance_decided(max(sigma, margin * 1e-9), n=rounds, df=test.df(rounds), **options)
    needed = rounds_to_decide(sigma, margin, level=test.among, borrowing=test.borrowing, in_blocks=test.in_blocks)
    return float(chance), needed


def _overall(part: pd.DataFrame, plan: ReviewPlan, *, n: int, in_blocks: bool) -> dict:
    """Return the half-widths of one group and metric, every game counted once."""
    metric = part["metric"].iloc[0]
    level = level_over_games(plan, metric, part["group"].iloc[0])
    by_game = variances_over_games(part)
    # Blocks serve all games, so that the mean over games is what varies from block to block.
    between = float(np.nan_to_num(part["restart_sd"].iloc[0])) ** 2
    these = np.array([by_game.mean() / len(by_game) + between]) if in_blocks else by_game
    widths = {"these_games": overall_half_width(these, n=n, level=level)}
    if METRICS[metric].scale == "ratio" and not in_blocks:
        spread = scaled_size(metric, SPREAD_OF_GAMES_PCT, is_margin=False)
        alone = 1 - plan.analysis.confidence
        widths["games_like_these"] = overall_half_width(by_game, n=n, spread_of_games=spread, level=alone)
    margin = plan.margin_of(metric)
    size = None if margin is None else scaled_size(metric, margin)
    return {
        "unit": part["unit"].iloc[0],
        "games": len(by_game),
        "rounds": n,
        "margin": margin,
        **{name: shown_size(metric, width) for name, width in widths.items()},
        "is_enough": None if size is None else overall_decided(these, margin=size, n=n, level=level),
    }


#: True differences for which the chance is told [%].
DIFFERENCES_PCT = (0.0, 1.0, 2.0, 3.0)

_ROUNDS = np.arange(2, MOST_ROUNDS + 1)


def verdict_chances(
    noise: pd.DataFrame, plan: ReviewPlan, *, rounds: Mapping[tuple[str, str], int], in_blocks: bool
) -> pd.DataFrame:
    """Return the chance of a verdict for 2 to 16 rounds and true differences of 0, 1, 2 and 3 %.

    Parameters
    ----------
    noise : see ``schedule.design.PLANNED_NOISE``
    plan : gives margins, looks and confidence
    rounds : rounds of each (game, setting); games without are left out
    in_blocks : whether restarts are the units

    Returns
    -------
    DataFrame, see ``schedule.design.VERDICT_CHANCES``; metrics on the ratio scale whose noise is known
    """
    there = _played(noise, rounds)
    ratio = there["metric"].map(lambda name: METRICS[name].scale == "ratio").astype(bool)
    rows: list[dict] = []
    for (group, metric), part in there[ratio & (there["sd"] > 0)].groupby(["group", "metric"], sort=False):
        test = planned_test(plan, games=part["game"].nunique(), in_blocks=in_blocks)
        sigma = noise_of_unit(float(part["sd"].median()), part["restart_sd"].iloc[0], in_blocks=in_blocks)
        margin = scaled_size(metric, plan.margin_of(metric) or 0.0)
        key = {"group": group, "metric": metric, "noise": 100 * np.expm1(sigma)}
        options: dict[str, Any] = {"margin": margin, "n": _ROUNDS, "level": test.among, "df": test.df(_ROUNDS)}
        for difference in DIFFERENCES_PCT:
            chances = chance_of_verdict(scaled_size(metric, difference, is_margin=False), sigma, **options)
            rows += [key | {"difference_pct": difference, "rounds": int(n), "chance": float(chance)}
                     for n, chance in zip(_ROUNDS, chances, strict=True)]  # fmt: skip
    return VERDICT_CHANCES.frame(rows)
