"""The three tables of a review: ``noise``, ``comparisons`` and ``overall``."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from typing import NamedTuple

import numpy as np
import pandas as pd

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.tables import COMPARISONS, NOISE, OVERALL
from gpubench_kit.sheet.looks import Looks
from gpubench_kit.statistics.coded_runs import CodedRuns, code_runs, number_groups
from gpubench_kit.statistics.comparison import Measured, measure_pair
from gpubench_kit.statistics.design import CLASSES, RESTARTS
from gpubench_kit.statistics.games import Games
from gpubench_kit.statistics.looks import (
    level_of_look,
    level_of_looks,
    recall,
    weaker_as_before,
    weaker_without,
    without_flagged,
)
from gpubench_kit.statistics.more_rounds import Compared, more_rounds
from gpubench_kit.statistics.multiplicity import DIFFERENT, SAME, UNDECIDED
from gpubench_kit.statistics.overall import (
    OverallEstimate,
    games_like_these,
    guarded,
    noise_ratios,
    these_games,
)
from gpubench_kit.statistics.page import member_levels
from gpubench_kit.statistics.planning import detectable_difference
from gpubench_kit.statistics.results import (
    EXPLORATORY,
    Levels,
    comparison_columns,
    judge_comparisons,
    overall_columns,
    pair_columns,
)
from gpubench_kit.statistics.units import in_percent, is_ratio, scaled_margin, scaled_values

_CELL = ("card", "bench", "tuning", "game", "setting", "metric")


class Seen(NamedTuple):
    """Looks made, the present one included, and what is known of them."""

    made: int
    looks: Looks | None

    @classmethod
    def of(cls, made: int, looks: Looks | None) -> Seen:
        """Return what was seen; what is known of the looks tells their number too."""
        return cls(made if looks is None else looks.made, looks)


def estimate_noise(usable: pd.DataFrame, plan, *, purpose: str | None = None) -> pd.DataFrame:
    """Estimate how far repeated runs of the same tuning differ.

    Parameters
    ----------
    usable : DataFrame, one row per usable run and metric; see ``tables.USABLE``
    plan : ReviewPlan, gives the level
    purpose : purpose of the runs, for example ``pilot``; default that of each metric's verdicts

    Returns
    -------
    DataFrame, one row per card, bench, tuning, game, setting and metric; see ``tables.NOISE``

    Notes
    -----
    On the ratio scale the mean is geometric and ``sd`` that of the natural log. ``detectable_pct`` is
    the difference that this many runs of each side find with a chance of 80 %, by own noise alone.
    """
    coded = code_runs(usable)
    # What is only likely is shown run by run, and in no picture of levels.
    likely = coded.codes["withheld_for"] == coded.code_of("withheld_for", "format_not_confirmed")
    wanted = _has_purpose(coded, purpose) & ~likely
    if not wanted.any():
        return NOISE.frame()
    coded = coded.take(np.flatnonzero(wanted))
    cell = number_groups([coded.codes[name] for name in _CELL])
    level, _ = level_of_looks(plan)
    example = np.zeros(int(cell.max()) + 1, dtype=np.int64)
    example[cell[::-1]] = np.arange(len(cell))[::-1]
    columns = {name: coded.names[name][coded.codes[name][example]] for name in _CELL}
    return NOISE.frame(pd.DataFrame(columns | _noise_columns(coded, cell, columns["metric"], level=level)))


def compare_tunings(usable: pd.DataFrame, plan, *, looks_made: int = 0, looks: Looks | None = None) -> pd.DataFrame:
    """Compare the plan's pairs game by game.

    Parameters
    ----------
    usable : DataFrame, one row per usable run and metric; see ``tables.USABLE``
    plan : ReviewPlan, gives pairs, metrics, margins and level
    looks_made : looks at verdicts so far, this one included, where nothing is known of them
    looks : looks at the review, with what earlier ones gave; see `gpubench_kit.sheet.looks.open_looks`

    Returns
    -------
    DataFrame, one row per pair, game, setting and metric; see ``tables.COMPARISONS``

    Notes
    -----
    A run is the unit. Adjusted p-values are over the games and pairs of one metric, one group of
    settings and one pair of cards; they are held against the level of the first look.
    """
    return COMPARISONS.frame(_with_weaker(usable, plan, Seen.of(looks_made, looks), make=_comparisons))


def compare_over_games(
    usable: pd.DataFrame, plan, *, looks_made: int = 0, looks: Looks | None = None
) -> pd.DataFrame:
    """Compare the plan's pairs over all games of each group.

    Parameters
    ----------
    usable, plan, looks_made, looks : as in `compare_tunings`

    Returns
    -------
    DataFrame, one row per pair, group, scope and metric; see ``tables.OVERALL``

    Notes
    -----
    Every game counts once. All results over these games hold together at the level of the page; see
    `gpubench_kit.statistics.page.member_levels`. The scope ``games_like_these``, for three or more games, and
    metrics without a direction have an interval of their own at the plan's confidence.
    """
    return OVERALL.frame(_with_weaker(usable, plan, Seen.of(looks_made, looks), make=_overall))


def measure_pairs(coded: CodedRuns, plan) -> Iterator[Measured]:
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


def _with_weaker(usable: pd.DataFrame, plan, seen: Seen, *, make) -> pd.DataFrame:
    """Return judged rows, those that hang on a flagged run or a changed number by the weaker of two verdicts."""
    coded = code_runs(usable)
    rows = make(coded, plan, seen)
    if len(rows) and coded.numbers["flagged"].any():
        rows = weaker_without(rows, make(without_flagged(coded), plan, seen))
    return weaker_as_before(rows, seen.looks) if len(rows) else rows


def _comparisons(coded: CodedRuns, plan, seen: Seen) -> pd.DataFrame:
    """Return judged rows of all pairs and metrics, game by game."""
    level, too_many = level_of_looks(plan, looks_made=seen.made)
    parts = [_comparison_rows(measured, plan=plan) for measured in measure_pairs(coded, plan)]
    if not parts:
        return pd.DataFrame()
    rows, pairs = pd.concat(parts, ignore_index=True), plan.pairs()
    if too_many:
        rows.loc[rows["withheld"] == "", "withheld"] = EXPLORATORY
    sets = {pair: number for number, pair in enumerate(dict.fromkeys(_cards(pair) for pair in pairs))}
    pair_set = np.array([sets[_cards(pair)] for pair in pairs])[rows["place"].to_numpy()]
    family = number_groups([pair_set, *(pd.factorize(rows[name])[0] for name in ("metric", "group"))])
    memory = recall(rows, seen.looks, plan, level=level)
    levels = Levels(level, memory.of, memory.kept, memory.no_loss)
    rows = judge_comparisons(rows, family=family, levels=levels, first_level=level_of_look(plan, 1), plan=plan)
    later, none_left = level_of_looks(plan, looks_made=max(seen.made, 1) + 1)
    return _with_more_rounds(rows, family, level=np.nan if none_left else later, adjust=plan.analysis.adjust)


def _comparison_rows(measured: Measured, *, plan) -> pd.DataFrame:
    """Return the rows of one pair and metric for ``comparisons``, not judged yet."""
    columns = comparison_columns(measured, plan=plan)
    count = measured.pair.n_cells
    extra = {
        "place": np.full(count, measured.place),
        # Rounds do not narrow what restarts add.
        "sigma": np.where(measured.is_widened, np.nan, np.sqrt(measured.used.variance)),
        "margin_scaled": np.full(count, scaled_margin(plan, measured.pair.metric)),
        "flagged": measured.pair.any_in_cell(measured.pair.runs.numbers["flagged"] > 0),
    }
    return pd.DataFrame(pair_columns(plan.pairs()[measured.place], count) | columns | extra)


def _overall(coded: CodedRuns, plan, seen: Seen) -> pd.DataFrame:
    """Return judged rows of all pairs and metrics, over games."""
    level, too_many = level_of_looks(plan, looks_made=seen.made)
    members = member_levels(plan, level)
    everything = [Games(measured) for measured in measure_pairs(coded, plan)]
    pooled = [games.pool(games.judged) for games in everything]
    ratios = noise_ratios(list(zip(everything, pooled, strict=True)))
    parts = []
    for games, mean, ratio in zip(everything, pooled, ratios, strict=True):
        these = these_games(games, mean, guarded(games, mean, ratio))
        for scope, result in (("these_games", these), ("games_like_these", games_like_these(games, mean))):
            result.withheld[(result.withheld == "") & too_many] = EXPLORATORY
            parts.append(_overall_rows(games, result, ratio, scope=scope, of_page=(members, seen.looks), plan=plan))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _overall_rows(
    games: Games, result: OverallEstimate, ratios: np.ndarray, *, scope: str, of_page: tuple, plan
) -> pd.DataFrame:
    """Return the judged rows of one pair, metric and scope; of_page = (levels of its members, looks)."""
    measured, (members, looks) = games.measured, of_page
    count, groups, metric = games.n_families, games.groups(), games.measured.pair.metric
    names = pair_columns(plan.pairs()[measured.place], count)
    margin = plan.margin_of(metric)
    asked = pd.DataFrame(names | {"group": groups, "metric": metric, "scope": scope, "change": result.change})
    memory = recall(
        asked.assign(margin=np.nan if margin is None else float(margin)), looks, plan, level=members.level
    )
    by_group = {group: members.of(measured.place, metric, group) / members.level for group in set(groups)}
    own = np.array([by_group[group] for group in groups]) if scope == "these_games" else np.full(count, np.nan)
    share = np.fmin(own, memory.share)
    # What is no member of the page stands alone, at the plan's confidence.
    alone = np.isnan(own)
    of = tuple(np.where(alone, 1 - plan.analysis.confidence, share * level) for level in memory.of)
    kept, no_loss = (np.where(alone, "", one) for one in (memory.kept, memory.no_loss))
    levels = Levels(np.where(alone, np.nan, members.level), of, kept.astype(object), no_loss.astype(object))
    rows = overall_columns(games, result, ratios, scope=scope, levels=levels, plan=plan)
    rows = rows.assign(share=np.where(alone, np.nan, share)[result.exists])
    flagged = games.any_in_family(measured.pair.any_in_cell(measured.pair.runs.numbers["flagged"] > 0))
    names = {name: column[result.exists] for name, column in names.items()}
    return rows.assign(**names, place=measured.place, flagged=flagged[result.exists])


def _cards(pair) -> tuple:
    """Return what pairs of one family share: the cards and benches compared."""
    return (pair.of.card, pair.of.bench, pair.against.card, pair.against.bench)


def _with_more_rounds(rows: pd.DataFrame, family: np.ndarray, *, level: float, adjust: str) -> pd.DataFrame:
    """Return the rows with what more rounds would do for those that are undecided."""
    verdict, is_ratio_row = rows["verdict"].to_numpy(), (rows["scale"] == "ratio").to_numpy()
    numbers = {name: rows[name].to_numpy(float) for name in ("n_blocks", "sigma", "df", "margin_scaled")}
    compared = Compared(
        family=family,
        pair=number_groups([family, rows["place"].to_numpy()]),
        n=numbers["n_blocks"],
        sigma=numbers["sigma"],
        df=numbers["df"],
        borrowed=rows["borrowed"].fillna(False).to_numpy(dtype=bool),
        in_blocks=(rows["layout"] == CLASSES[RESTARTS]).to_numpy(),
        margin=numbers["margin_scaled"],
        different=np.isin(verdict, DIFFERENT),
        same=np.isin(verdict, SAME),
        undecided=verdict == UNDECIDED,
    )
    found = more_rounds(compared, level=level, adjust=adjust)
    shown = np.where(is_ratio_row, -in_percent(-found.margin_shown), found.margin_shown)
    more = pd.array(found.more, dtype="Float64").astype("Int64")
    return rows.assign(more_runs=more, more_runs_for=found.settles, margin_of_twelve=shown)


def _has_purpose(coded: CodedRuns, purpose: str | None) -> np.ndarray:
    """Return which runs have the purpose asked for, or that of their metric."""
    wanted = [purpose or (METRICS[name].purpose if name in METRICS else "") for name in coded.names["metric"]]
    codes = np.array([coded.code_of("purpose", one) for one in wanted], dtype=np.int64)
    return codes[coded.codes["metric"]] == coded.codes["purpose"] if len(codes) else np.zeros(0, dtype=bool)


def _noise_columns(
    coded: CodedRuns, cell: np.ndarray, metrics: np.ndarray, *, level: float
) -> dict[str, np.ndarray]:
    """Return count, mean, spread and what can be found, for each cell."""
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
    return {
        "n": n,
        "mean": np.where(n > 0, np.where(ratio, np.exp(np.where(ratio, mean, 0.0)), mean), np.nan),
        "sd": sd,
        "cv_pct": np.where(ratio, np.sqrt(100 * in_percent(np.where(ratio, sd, 0.0) ** 2)), np.nan),
        "detectable_pct": np.where(ratio, found, np.nan),
    }
