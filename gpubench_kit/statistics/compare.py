"""The tables of a review: ``noise``, ``levels``, ``comparisons`` and ``overall``.

Levels are for looking at. Whether two of them differ is judged in pairs, which is sharper, since runs of one round
share much of their noise.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import product

import numpy as np
import pandas as pd

from gpubench_kit.model.errors import DesignError, Fault, check_choice, check_given, listed, shown
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.table_checks import usable_rows
from gpubench_kit.model.tables import COMPARISONS, NOISE, OVERALL, PURPOSES, Column, Table, columns_named
from gpubench_kit.sheet.looks import Looks
from gpubench_kit.statistics.adapters import t_quantile
from gpubench_kit.statistics.comparison import Measured, measure_pair
from gpubench_kit.statistics.games import Games
from gpubench_kit.statistics.looks import level_of_looks, recall, weaker_as_before, weaker_without, without_flagged
from gpubench_kit.statistics.more_rounds import Compared, more_rounds
from gpubench_kit.statistics.overall import games_like_these, guarded, member_levels, noise_ratios, these_games
from gpubench_kit.statistics.planning import detectable_difference
from gpubench_kit.statistics.results import (
    EXPLORATORY,
    comparison_columns,
    influence_columns,
    judge,
    overall_columns,
    published,
    stacked,
)
from gpubench_kit.statistics.runs import CodedRuns, encode_runs, group_ids
from gpubench_kit.statistics.variance import in_percent, is_ratio, scaled_values
from gpubench_kit.wording.terms import metric_of

#: Inside the kit only: one row per (card, bench, tuning, game, setting, metric); game '' is all games.
LEVELS = Table(
    "levels", "card, bench, tuning, game, setting, group and metric",
    ("card", "bench", "tuning", "game", "setting", "group", "metric"),
    (
        *columns_named("card bench tuning game setting group metric unit"),
        Column("n", "integer", "runs; games where `game` is empty"),
        Column("value", "number", "mean, geometric on the ratio scale, in `unit`"),
        Column("ci_low", "number", "lower end of its interval, from its own runs; empty with one run"),
        Column("ci_high", "number", "upper end of its interval"),
    ),
)  # fmt: skip

#: An interval may be wider than numbers reach.
_LARGEST_LOG = 700.0

_SUBJECT = ["card", "bench", "tuning"]


def levels_of_games(noise: pd.DataFrame, plan: ReviewPlan) -> pd.DataFrame:
    """Return the mean of every metric with its interval, per game and over all games of each group.

    Parameters
    ----------
    noise : DataFrame, one row per (card, bench, tuning, game, setting, metric); see ``tables.NOISE``
    plan : ReviewPlan, gives the groups of settings and ``analysis.confidence``

    Returns
    -------
    DataFrame, see `LEVELS`. A row for all games counts the games that every tuning of the group has,
    so that no one gains by leaving out a slow game; without such a game there is no row.

    Notes
    -----
    Per game: mean +- t(n - 1) sd / sqrt(n), on natural logs on the ratio scale. Over G games: the mean
    of the games' means, a game's settings averaged first, with standard error
    ``sqrt(sum v_g) / G``, ``v_g = sd_g^2 / n_g``, and df ``(sum v)^2 / sum(v^2 / (n - 1))``
    (Satterthwaite 1946). It speaks of these games.
    """
    groups = {scene: one.group for scene, one in plan.scenes.items()}
    keys = zip(noise["game"], noise["setting"], strict=True)
    is_ratio = noise["metric"].map(lambda name: metric_of(name).scale == "ratio").astype(bool)
    centre = np.where(is_ratio, np.log(noise["mean"].where(is_ratio, 1.0)), noise["mean"])
    runs = noise["n"].astype(float)
    table = noise.assign(
        group=[groups.get(key, "all") for key in keys], is_ratio=is_ratio, centre=centre,
        se2=noise["sd"] ** 2 / runs, own_df=runs - 1,
    )  # fmt: skip
    names, confidence = LEVELS.names[: LEVELS.names.index("metric") + 1], plan.analysis.confidence
    rows = [
        {name: getattr(row, name) for name in (*names, "n")} | {"unit": metric_of(row.metric).unit}
        | _interval(row.centre, row.se2, df=row.own_df, confidence=confidence, is_ratio=row.is_ratio)
        for row in table.itertuples()
    ]  # fmt: skip
    for _, part in table.groupby(["group", "metric"], sort=False):
        rows += _over_games(part, confidence)
    return LEVELS.frame(rows)


def _over_games(part: pd.DataFrame, confidence: float) -> Iterator[dict]:
    """Yield the level over all common games, one row per tuning of each card and bench."""
    subjects = (rows for _, rows in part.groupby(_SUBJECT, sort=False))
    common = set.intersection(*(set(zip(rows["game"], rows["setting"], strict=True)) for rows in subjects))
    if not common:
        return
    shared = part[[key in common for key in zip(part["game"], part["setting"], strict=True)]]
    n_games = shared["game"].nunique()
    weight = 1 / (shared.groupby([*_SUBJECT, "game"])["setting"].transform("count") * n_games)
    weighted = shared.assign(weight=weight, part=weight**2 * shared["se2"])
    for subject, rows in weighted.groupby(_SUBJECT, sort=False):
        se2 = rows["part"].sum(skipna=False)
        uncertain = (rows["part"] ** 2 / rows["own_df"].where(rows["own_df"] > 0)).sum(skipna=False)
        # Runs that do not differ at all give no noise, and so no interval.
        df = se2**2 / uncertain if uncertain > 0 else np.nan
        centre, metric = (rows["weight"] * rows["centre"]).sum(), metric_of(rows["metric"].iloc[0])
        interval = _interval(centre, se2, df=df, confidence=confidence, is_ratio=metric.scale == "ratio")
        place = {"group": rows["group"].iloc[0], "metric": metric.name, "unit": metric.unit}
        place |= {"game": "", "setting": ""}
        yield dict(zip(_SUBJECT, subject, strict=True)) | place | {"n": n_games} | interval


def _interval(centre: float, se2: float, *, df: float, confidence: float, is_ratio: bool) -> dict:
    """Return value, low and high in the metric's unit; no ends without degrees of freedom."""
    has_ends = np.isfinite(se2) and np.isfinite(df) and df > 0
    half = t_quantile(0.5 + confidence / 2, df) * np.sqrt(se2) if has_ends else np.nan
    ends = np.array([centre, centre - half, centre + half])
    ends = np.exp(np.minimum(ends, _LARGEST_LOG)) if is_ratio else ends
    return dict(zip(("value", "ci_low", "ci_high"), ends, strict=True))


_CELL = ("card", "bench", "tuning", "game", "setting", "metric")


def estimate_noise(usable: pd.DataFrame, plan: ReviewPlan, *, purpose: str | None = None) -> pd.DataFrame:
    """Estimate how far repeated runs of the same tuning differ.

    Parameters
    ----------
    usable : DataFrame, one row per usable run and metric; see ``tables.USABLE``. ``tables.METRIC_VALUES`` will do,
        too: rows whose ``used`` is false are left out
    plan : ReviewPlan, gives the level
    purpose : purpose of the runs, for example ``pilot``; default that of each metric's verdicts

    Returns
    -------
    DataFrame, one row per card, bench, tuning, game, setting and metric; see ``tables.NOISE``. The tunings of what
    is played stand in the order of the plan

    Raises
    ------
    TableError : ``usable`` cannot be used; see `gpubench_kit.model.table_checks.usable_rows`

    Notes
    -----
    On the ratio scale the mean is geometric and ``sd`` that of the natural log. ``detectable_pct`` is
    the difference that this many runs of each side find with a chance of 80 %, by own noise alone.
    """
    if purpose is not None:
        check_choice(purpose, PURPOSES, where="purpose")
    coded = encode_runs(usable_rows(usable, plan))
    # What is only likely is shown run by run, and in no picture of levels.
    likely = coded.codes["withheld_for"] == coded.code_of("withheld_for", "format_not_confirmed")
    purposes = [purpose or (METRICS[one].purpose if one in METRICS else "") for one in coded.names["metric"]]
    codes = np.array([coded.code_of("purpose", one) for one in purposes], dtype=np.int64)
    wanted = (codes[coded.codes["metric"]] == coded.codes["purpose"]) & ~likely
    if not wanted.any():
        return NOISE.frame()
    coded = coded.take(np.flatnonzero(wanted))
    cell = group_ids([coded.codes[name] for name in _CELL])
    level, _ = level_of_looks(plan)
    example = np.zeros(int(cell.max()) + 1, dtype=np.int64)
    example[cell[::-1]] = np.arange(len(cell))[::-1]
    columns = {name: coded.names[name][coded.codes[name][example]] for name in _CELL}
    metrics = columns["metric"]
    scaled = np.full(len(cell), np.nan)
    for name in coded.names["metric"]:
        rows = coded.codes["metric"] == coded.code_of("metric", name)
        if name in METRICS:
            scaled[rows] = scaled_values(name, coded.numbers["value"][rows])
    kept, count = ~np.isnan(scaled), len(metrics)
    n = np.bincount(cell[kept], minlength=count)
    mean = np.bincount(cell[kept], weights=scaled[kept], minlength=count) / np.maximum(n, 1)
    squares = np.bincount(cell[kept], weights=(scaled - mean[cell])[kept] ** 2, minlength=count)
    sd = np.where(n > 1, np.sqrt(squares / np.maximum(n - 1, 1)), np.nan)
    ratio = np.array([is_ratio(name) for name in metrics], dtype=bool)
    found = in_percent(detectable_difference(sd, n=np.maximum(n, 1), level=level))
    noise_columns = {
        "n": n,
        "mean": np.where(n > 0, np.where(ratio, np.exp(np.where(ratio, mean, 0.0)), mean), np.nan),
        "sd": sd,
        "cv_pct": np.where(ratio, np.sqrt(100 * in_percent(np.where(ratio, sd, 0.0) ** 2)), np.nan),
        "detectable_pct": np.where(ratio, found, np.nan),
    }
    noise = pd.DataFrame(columns | noise_columns)
    scene = noise.groupby(["card", "bench", "game", "setting"], sort=False).ngroup()
    place = noise["tuning"].map({one.name: place for place, one in enumerate(plan.tunings)})
    return NOISE.frame(noise.iloc[np.lexsort((place, scene))].reset_index(drop=True))


def compare_tunings(
    usable: pd.DataFrame,
    plan: ReviewPlan,
    *,
    looks_made: int = 0,
    looks: Looks | None = None,
    may_be_empty: bool = False,
) -> pd.DataFrame:
    """Compare the plan's pairs game by game.

    Parameters
    ----------
    usable : DataFrame, one row per usable run and metric; see ``tables.USABLE``. ``tables.METRIC_VALUES`` will do,
        too: rows whose ``used`` is false are left out
    plan : ReviewPlan, gives pairs, metrics, margins and level
    looks_made : looks at verdicts so far, this one included, where nothing is known of them
    looks : looks at the review, with what earlier ones gave; see `gpubench_kit.sheet.looks.open_looks`
    may_be_empty : whether runs of which nothing can be compared give no rows, as early in a review, in place of
        an error

    Returns
    -------
    DataFrame, one row per pair, game, setting and metric; see ``tables.COMPARISONS``

    Raises
    ------
    TableError : ``usable`` cannot be used; see `gpubench_kit.model.table_checks.usable_rows`
    DesignError : no pair of the plan has runs on both sides in any of its metrics

    Notes
    -----
    A run is the unit. Adjusted p-values are over the games and pairs of one metric, one group of
    settings and one pair of cards; they are held against the level of the first look.
    """
    made = _looks_made(looks, looks_made)
    rows = _weaker_of_both(usable, plan, _comparisons, looks=looks, looks_made=made)
    return COMPARISONS.frame(_not_empty(rows, usable, plan, may_be_empty=may_be_empty))


def compare_over_games(
    usable: pd.DataFrame,
    plan: ReviewPlan,
    *,
    looks_made: int = 0,
    looks: Looks | None = None,
    may_be_empty: bool = False,
) -> pd.DataFrame:
    """Compare the plan's pairs over all games of each group.

    Parameters
    ----------
    usable, plan, looks_made, looks, may_be_empty : as in `compare_tunings`

    Returns
    -------
    DataFrame, one row per pair, group, scope and metric; see ``tables.OVERALL``

    Raises
    ------
    TableError : ``usable`` cannot be used; see `gpubench_kit.model.table_checks.usable_rows`
    DesignError : no pair of the plan has runs on both sides in any of its metrics

    Notes
    -----
    Every game counts once. All results over these games hold together at the level of the page; see
    `gpubench_kit.statistics.overall.member_levels`. The scope ``games_like_these``, for three or more games, and
    metrics without a direction have an interval of their own at the plan's confidence.
    """
    made = _looks_made(looks, looks_made)
    rows = _weaker_of_both(usable, plan, _overall, looks=looks, looks_made=made)
    return OVERALL.frame(_not_empty(rows, usable, plan, may_be_empty=may_be_empty))


def measure_pairs(coded: CodedRuns, plan: ReviewPlan) -> Iterator[Measured]:
    """Yield every pair and metric of the plan that has runs on both sides.

    Parameters
    ----------
    coded : usable runs
    plan : ReviewPlan
    """
    present = set(coded.names["metric"]) & set(METRICS)
    metrics = [metric for metric in plan.analysis.metrics if metric in present]
    for metric, (place, pair) in product(metrics, enumerate(plan.pairs())):
        measured = measure_pair(coded, pair, place=place, metric=metric, plan=plan)
        if measured is not None:
            yield measured


def _weaker_of_both(
    usable: pd.DataFrame, plan: ReviewPlan, make: Callable, *, looks: Looks | None, looks_made: int
) -> pd.DataFrame:
    """Return judged rows, those that hang on a flagged run or a changed number by the weaker of two verdicts."""
    coded = encode_runs(usable_rows(usable, plan))
    rows = make(coded, plan, looks_made, looks)
    if len(rows) and coded.numbers["flagged"].any():
        rows = weaker_without(rows, make(without_flagged(coded), plan, looks_made, looks))
    return weaker_as_before(rows, looks) if len(rows) else rows


def _looks_made(looks: Looks | None, looks_made: int) -> int:
    """Return how many looks were made, or refuse what is no look."""
    action = "Give kit.open_looks(plan, usable), or review.looks."
    check_given(looks, (Looks, type(None)), where="looks", wanted="the looks at a review", action=action)
    return looks_made if looks is None else looks.made


def _not_empty(rows: pd.DataFrame, usable: pd.DataFrame, plan: ReviewPlan, *, may_be_empty: bool) -> pd.DataFrame:
    """Return judged rows; where there are none and some are wanted, raise with what stands against what."""
    if len(rows) or may_be_empty:
        return rows
    found = {name: listed(dict.fromkeys(usable[name])) for name in ("tuning", "metric")}
    problem = (
        "no pair of the plan has runs of its metrics on both sides "
        f"(tunings in the table: {found['tuning']}; metrics: {found['metric']})."
    )
    pairs = ", ".join(f"{shown(pair.of.tuning)} against {shown(pair.against.tuning)}" for pair in plan.pairs()[:6])
    action = f"The plan compares {pairs or 'nothing'}, in {listed(plan.analysis.metrics)}: give runs of both."
    raise DesignError(Fault("table 'usable'", problem, action))


def _comparisons(coded: CodedRuns, plan: ReviewPlan, made: int, looks: Looks | None) -> pd.DataFrame:
    """Return judged rows of all pairs and metrics, game by game."""
    level, too_many = level_of_looks(plan, looks_made=made)
    parts = [comparison_columns(measured, plan=plan) for measured in measure_pairs(coded, plan)]
    if not parts:
        return pd.DataFrame()
    rows = pd.DataFrame(stacked(parts))
    if too_many:
        rows.loc[rows["withheld"] == "", "withheld"] = EXPLORATORY
    # Pairs of one family share the cards and benches compared.
    sides = [(pair.of.card, pair.of.bench, pair.against.card, pair.against.bench) for pair in plan.pairs()]
    pair_set = pd.factorize(pd.Series(sides))[0][rows["place"].to_numpy()]
    family = group_ids([pair_set, *(pd.factorize(rows[name])[0] for name in ("metric", "group"))])
    rows = published(judge(rows, recall(rows, looks, plan, level=level), plan, family=family))
    later, none_left = level_of_looks(plan, looks_made=max(made, 1) + 1)
    found = more_rounds(
        Compared.of(rows, family), level=np.nan if none_left else later, adjust=plan.analysis.adjust
    )
    shown = np.where(rows["scale"] == "ratio", -in_percent(-found.margin_shown), found.margin_shown)
    more = pd.array(found.more, dtype="Float64").astype("Int64")
    return rows.assign(more_runs=more, more_runs_for=found.settles, margin_of_twelve=shown)


def _overall(coded: CodedRuns, plan: ReviewPlan, made: int, looks: Looks | None) -> pd.DataFrame:
    """Return judged rows of all pairs and metrics, over games."""
    level, too_many = level_of_looks(plan, looks_made=made)
    everything = [Games(measured) for measured in measure_pairs(coded, plan)]
    if not everything:
        return pd.DataFrame()
    pooled = [games.pool(games.judged) for games in everything]
    ratios = noise_ratios(list(zip(everything, pooled, strict=True)))
    results = []
    for games, mean, ratio in zip(everything, pooled, ratios, strict=True):
        these = these_games(games, mean, guarded(games, mean, ratio))
        results += [
            ("these_games", games, these, ratio),
            ("games_like_these", games, games_like_these(games, mean), ratio),
        ]
    for _, _, result, _ in results:
        result.withheld[(result.withheld == "") & too_many] = EXPLORATORY
    rows = pd.DataFrame(
        stacked([overall_columns(games, result, scope, plan=plan) for scope, games, result, _ in results])
    )
    members = member_levels(plan, level)
    own = [
        members.of(*one) / level if scope == "these_games" else np.nan
        for scope, *one in zip(*(rows[name] for name in ("scope", "place", "metric", "group")), strict=True)
    ]
    levels = recall(rows, looks, plan, level=level).of_page(np.array(own), confidence=plan.analysis.confidence)
    rows = judge(rows, levels, plan).assign(share=levels.share)
    ends = np.cumsum([games.n_families for _, games, _, _ in results])
    of_part = np.split(1 - rows["confidence"].to_numpy(), ends[:-1])
    parts = [
        influence_columns(games, result, ratio, level=one, plan=plan) if scope == "these_games"
        else {"carried_by": np.full(games.n_families, "", dtype=object)}
        for (scope, games, result, ratio), one in zip(results, of_part, strict=True)
    ]  # fmt: skip
    rows = rows.assign(**stacked(parts))
    return published(rows)[rows["exists"].to_numpy()].reset_index(drop=True)
