"""Checks of runs against their peers: length, caps, load, odd values; and whether each had its tuning.

A driver reset puts a card back to its factory state without a word. A run that looks like another
tuning, and unlike its own, is withheld until that is explained.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import permutations, product

import numpy as np
import pandas as pd

from gpubench_kit.checks.evidence import (
    Evidence,
    Found,
    chosen,
    drawn_near,
    median_of_others,
    place_text,
    share_text,
    spread_of_few,
    usual_spread,
)
from gpubench_kit.model.errors import listed, shown
from gpubench_kit.model.metrics import METRICS, SENSOR_METRICS
from gpubench_kit.model.plan.rules import Checks
from gpubench_kit.statistics.adapters import t_quantile
from gpubench_kit.statistics.variance import resolution_variance, shrink_variance
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import change_text, count_text, number_text, value_text
from gpubench_kit.wording.terms import metric_of

#: Chance, for one run, of being flagged where the spread rests on few runs.
_CHANCE = 0.002
# Equal values without a known resolution still differ by more than this: a millionth.
_LEAST_VARIANCE = 1e-12


def is_flagged(rated: pd.DataFrame, limit: float) -> np.ndarray:
    """Return which values are farther from their peers than so many usual spreads.

    Parameters
    ----------
    rated : with the columns of `distance_from_peers`
    limit : in usual spreads of the game
    """
    return np.abs(rated["distance"].to_numpy(dtype=float)) > flag_bound(rated, limit)


def flag_bound(rated: pd.DataFrame, limit: float) -> np.ndarray:
    """Return the distance from its peers beyond which each value is flagged.

    Parameters
    ----------
    rated, limit : as in `is_flagged`

    Returns
    -------
    array (rows,): ``limit`` usual spreads; where the spread itself rests on fewer than eight degrees of
    freedom, as many as chance exceeds once in 500 runs (Student's t), so that a few runs do not flag
    each other; nan where there is nothing to hold a value against
    """
    by_chance = t_quantile(1 - _CHANCE / 2, rated["spread_df"].to_numpy(dtype=float))
    return np.maximum(limit, by_chance) * rated["spread"].to_numpy(dtype=float)


def distance_from_peers(values: pd.DataFrame) -> dict[str, np.ndarray]:
    """Return how far each value is from its peers, and how far runs of its game usually are.

    Parameters
    ----------
    values : rows of ``Evidence.values``

    Returns
    -------
    dict of arrays (rows,): ``distance`` from the median of the peers and ``center``, that median,
    natural log on the ratio scale, else in the unit; ``spread``, the usual standard deviation of runs
    of this game without the run itself, borrowed from the other games where there are six, and its
    degrees of freedom, ``spread_df``; nan where there is nothing to hold a value against
    """
    found = {name: np.full(len(values), np.nan) for name in ("distance", "center", "spread", "spread_df")}
    places = pd.Series(np.arange(len(values)), index=values.index)
    numbers = values[["value", "step", "cell", "of_game"]]
    for (metric, *_), rows in places.groupby([values[name] for name in ("metric", "card", "bench", "purpose")]):
        same = numbers.iloc[rows]
        y, step = same["value"].to_numpy(dtype=float), same["step"].fillna(0).to_numpy(dtype=float)
        if METRICS[metric].scale == "ratio":
            above = np.where(y > 0, y, np.nan)
            y, step = np.log(above), step / above
        cell, game = (pd.factorize(same[name])[0] for name in ("cell", "of_game"))
        center = pd.Series(y).groupby(cell).transform("median").to_numpy()
        found["center"][rows], found["distance"][rows] = center, y - center
        found["spread"][rows], found["spread_df"][rows] = _spread_without_each(y, step, cell=cell, game=game)
    return found


def _spread_without_each(
    y: np.ndarray, step: np.ndarray, *, cell: np.ndarray, game: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return for each run the usual spread of its game, calculated without the run itself, and its df."""
    known = np.isfinite(y)
    spread, spread_df = np.full(len(y), np.nan), np.full(len(y), np.nan)
    cell, game = cell[known], game[known]
    floor = np.maximum(resolution_variance(step[known]), _LEAST_VARIANCE)
    y = drawn_near(y[known], cell, game, least=np.sqrt(floor))
    n = np.bincount(cell)[cell].astype(float)
    mean = np.bincount(cell, weights=y)[cell] / n
    squares = np.bincount(game, weights=(y - mean) ** 2)
    df = np.rint(np.bincount(game) - np.bincount(game, weights=1 / n))
    # Leaving one run out of a cell of n takes n / (n - 1) times its squared distance from the sum.
    own_squares = np.maximum(squares[game] - (y - mean) ** 2 * n / np.maximum(n - 1, 1), 0.0)
    own_df = np.where(n > 1, df[game] - 1, 0.0)
    table, degrees = np.tile(squares / np.maximum(df, 1), (len(y), 1)), np.tile(df, (len(y), 1))
    rows = np.arange(len(y))
    table[rows, game], degrees[rows, game] = own_squares / np.maximum(own_df, 1), own_df
    borrowed = shrink_variance(table, degrees)
    spread[known] = np.where(own_df > 0, np.sqrt(np.maximum(borrowed.variance[rows, game], floor)), np.nan)
    spread_df[known] = np.where(own_df > 0, borrowed.df[rows, game], np.nan)
    return spread, spread_df


def sensor_in_part(evidence: Evidence) -> Iterator[Found]:
    """Yield each sensor that only some of a card's logs gave, though all of them hold samples."""
    sampled = set(evidence.runs.loc[evidence.runs["n_samples"] > 0, "run"])
    values = evidence.values
    of_sensors = values[values["metric"].isin(SENSOR_METRICS) & values["run"].isin(sampled)]
    for (card, _), found in of_sensors.groupby(["card", "bench"], observed=True):
        runs = set(found["run"])
        for metric, of_metric in found.groupby("metric")["run"]:
            without = sorted(runs.difference(of_metric))
            if not without:
                continue
            n_found = len(runs) - len(without)
            told = {"label": metric_of(metric).label, "metric": metric, "card": shown(str(card)), "all": len(runs),
                    "found": n_found, "without": listed(without)}  # fmt: skip
            yield Found(None, n_found, len(runs), told)


def too_short(evidence: Evidence) -> Iterator[Found]:
    """Yield runs that are shorter than their peers, in frames where a game ends after a number of them."""
    return _odd_length(evidence, -1)


def too_long(evidence: Evidence) -> Iterator[Found]:
    """Yield runs that are longer than their peers."""
    return _odd_length(evidence, 1)


def _odd_length(evidence: Evidence, way: int) -> Iterator[Found]:
    """Yield runs that differ in length from their peers one way."""
    runs, limit = evidence.runs, evidence.limits.duration_pct
    by_frames = (runs["ends"] == "frames").to_numpy()
    seconds, frames = (runs[name].to_numpy(dtype=float, na_value=np.nan) for name in ("duration_s", "n_frames"))
    length = np.where(by_frames, frames, seconds)
    usual = median_of_others(length, runs["of_game"].to_numpy())
    off = 100 * ((length - usual) / np.where(usual > 0, usual, np.nan))
    beside = {"length": length, "usual": usual, "off": off, "by_frames": by_frames}
    for row in chosen(runs, way * off > limit, beside=beside):
        length_text, usual_text = (
            f"{number_text(one, decimals=0)} {say('finding.frames')}" if row.by_frames
            else f"{number_text(one, decimals=1)} s"
            for one in (row.length, row.usual)
        )  # fmt: skip
        yield Found(
            row, row.off, limit, {"length": length_text, "off": share_text(abs(row.off)), "usual": usual_text}
        )


def impossible_value(evidence: Evidence) -> Iterator[Found]:
    """Yield values that cannot be: not above zero on the ratio scale, or beyond the plan's limits."""
    for row in chosen(evidence.values, is_impossible(evidence.values, evidence.limits)):
        limit = 0.0 if row.value <= 0 else _limit(row.metric, evidence.limits)
        values = {"label": metric_of(row.metric).label, "value": value_text(row.value, row.metric),
                  "limit": value_text(limit, row.metric)}  # fmt: skip
        kind = "not_above" if row.value <= 0 else "beyond"
        yield Found(row, row.value, limit, values, METRICS[row.metric].unit, kind)


def is_impossible(values: pd.DataFrame, checks: Checks) -> np.ndarray:
    """Return which values cannot be.

    Parameters
    ----------
    values : with ``metric`` and ``value``
    checks : the plan's limits

    Returns
    -------
    array (rows,) of truth values
    """
    metric, value = values["metric"], values["value"].to_numpy(dtype=float)
    most = metric.map({name: _limit(name, checks) for name in METRICS}).to_numpy(dtype=float)
    is_ratio = metric.map({name: row.scale == "ratio" for name, row in METRICS.items()}).to_numpy(dtype=bool)
    return (value > most) | (is_ratio & (value <= 0)) | (value < -100)


def _limit(metric: str, checks: Checks) -> float:
    """Return the largest value that a metric can have."""
    if metric == "load_pct":
        return 101.0
    return getattr(checks, METRICS[metric].most) if METRICS[metric].most else np.inf


def frame_limit_declared(evidence: Evidence) -> Iterator[Found]:
    """Yield games with a declared frame limit."""
    runs = evidence.runs[evidence.runs["frame_limit_fps"].fillna(0).to_numpy(dtype=float) > 0]
    for _, same in runs.groupby(["game", "setting", "frame_limit_fps"], sort=False):
        limit = float(same["frame_limit_fps"].iloc[0])
        values = {"place": place_text(same.iloc[0]), "limit": value_text(limit, "avg_fps")}
        yield Found(None, None, limit, values)


def held_by_cap(evidence: Evidence) -> Iterator[Found]:
    """Yield runs that a frame cap holds where none is declared.

    A run is held by a cap where most of its frames take one and the same time, and either its peers
    agree in that time far better than work would while the card is not fully loaded, or they are not
    steady at all.
    """
    limits, runs = evidence.limits, evidence.runs
    declared = runs["frame_limit_fps"].fillna(0).to_numpy(dtype=float) > 0
    share = 100 * runs["share_at_interval"].to_numpy(dtype=float)
    steady = share >= limits.cap_share_pct
    is_loaded = runs["mean_load_pct"].to_numpy(dtype=float) >= limits.load_full_pct
    # How far apart the usual frame times of steady peers are; nan for a steady run alone.
    kept = runs[steady & ~is_loaded].groupby("cell")["interval_ms"]
    apart_pct = 100 * (kept.max() / kept.min() - 1)
    apart_pct = runs["cell"].map(apart_pct.where(kept.size() > 1)).to_numpy(dtype=float)
    agree = ~is_loaded & (apart_pct <= limits.cap_spread_pct)
    alone = median_of_others(share, runs["of_game"].to_numpy()) < limits.cap_share_pct / 2
    for row in chosen(runs, steady & (agree | alone) & ~declared, beside={"share": share}):
        interval, rate = number_text(row.interval_ms, decimals=3), number_text(1000 / row.interval_ms, decimals=1)
        values = {"share": share_text(row.share), "interval": interval, "rate": rate}
        yield Found(row, row.share, limits.cap_share_pct, values)


def limited_by_other(evidence: Evidence) -> Iterator[Found]:
    """Yield games whose load does not fit to what the plan says limits them."""
    for is_of_card, limit, usual, same in _loads(evidence):
        if usual < limit if is_of_card else usual >= limit:
            row = same.iloc[0]
            values = {"place": place_text(row), "load": share_text(usual), "runs": count_text(len(same), "run"),
                      "limited_by": row.limited_by}  # fmt: skip
            yield Found(None, usual, limit, values, kind="card" if is_of_card else "other")


def load_low(evidence: Evidence) -> Iterator[Found]:
    """Yield runs of low load in games that load the card fully."""
    for is_of_card, limit, usual, same in _loads(evidence):
        for row in chosen(same, (same["mean_load_pct"] < limit) & (is_of_card and usual >= limit)):
            values = {"load": share_text(row.mean_load_pct), "usual": share_text(usual)}
            yield Found(row, row.mean_load_pct, limit, values)


def _loads(evidence: Evidence) -> Iterator[tuple[bool, float, float, pd.DataFrame]]:
    """Yield of each game whether the card is said to limit it, the limit for that, the usual load, and its runs."""
    limits = evidence.limits
    for _, same in evidence.runs[evidence.runs["mean_load_pct"].notna()].groupby("of_game", sort=False):
        is_of_card = same["limited_by"].iloc[0] == "card"
        limit = limits.load_low_pct if is_of_card else limits.load_full_pct
        yield is_of_card, limit, float(same["mean_load_pct"].median()), same


def outlier(evidence: Evidence) -> Iterator[Found]:
    """Yield values far from those of their peers; they ask for a cause, and nothing is deleted."""
    limit = evidence.limits.unlike_spreads
    compared = evidence.sure_values.loc[lambda sure: sure["metric"].isin(evidence.plan.analysis.metrics)]
    rated = compared.assign(**distance_from_peers(compared))
    for row in chosen(rated, is_flagged(rated, limit), beside={"bound": flag_bound(rated, limit)}):
        metric = metric_of(row.metric)
        ratio = metric.scale == "ratio"
        apart, center, unit = (
            (100 * np.expm1(row.distance), np.exp(row.center), "%") if ratio
            else (row.distance, row.center, metric.unit)
        )  # fmt: skip
        values = {
            "label": metric.label, "apart": change_text(float(apart), unit),
            "usual": share_text(100 * row.spread) if ratio else value_text(row.spread, row.metric),
            "value": value_text(row.value, row.metric), "others": value_text(float(center), row.metric),
        }  # fmt: skip
        yield Found(row, apart, row.bound * (100 if ratio else 1), values, unit)


#: Metrics that tell tunings apart.
SIGNS = ("core_mv", "core_mhz", "board_w")

#: A run stands between its own tuning (1) and another (0); below this it looks like the other.
_LOOKS_LIKE, _NEVER_ABOVE = 0.35, 0.6
#: A typed step wider than this share of the margin is worth a decimal more.
COARSE_SHARE = 0.5
#: A declared change of which less than this share is seen was hardly applied.
_SEEN_SHARE = 0.25

#: What a declared change of a tuning would move, and the metric that shows it.
_DECLARED = {"core_mv": "core_mv", "voltage_mv": "core_mv", "core_mhz": "core_mhz", "memory_mhz": "memory_mhz"}


def tuning_not_applied(evidence: Evidence) -> Iterator[Found]:
    """Yield runs that look like another tuning.

    Notes
    -----
    Per game, by each of voltage, clock and power that tells two tunings apart: a run's place between both centres.
    A tuning's own is the median of the half of its runs that is farther from the other, in case half were lost.
    """
    runs, checks = evidence.runs, evidence.limits
    signs = evidence.sure_values.loc[lambda sure: sure["metric"].isin(SIGNS)]
    table = signs.pivot(index="run", columns="metric", values="value")
    values = table.reindex(index=runs["run"], columns=list(SIGNS)).to_numpy(dtype=float)
    logs = np.log(np.where(values > 0, values, np.nan))
    cell, of_game = (runs[name].to_numpy() for name in ("cell", "of_game"))
    spreads = np.array([usual_spread(column, cell) for column in logs.T])
    limits = (checks.tuning_spreads, float(np.log1p(checks.tuning_pct / 100)))
    codes, names = pd.factorize(runs["tuning"])
    for game in np.unique(of_game):
        inside = np.flatnonzero(of_game == game)
        for own, other in permutations(np.unique(codes[inside]), 2):
            mine, theirs = (inside[codes[inside] == code] for code in (own, other))
            places, centres = _likeness(logs[mine], logs[theirs], spreads, limits)
            known = np.isfinite(places)
            mean = np.where(known, places, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
            highest = np.where(known, places, -np.inf).max(axis=1)
            is_lost = known.any(axis=1) & (mean < _LOOKS_LIKE) & (highest < _NEVER_ABOVE)
            for k in np.flatnonzero(is_lost):
                # By the sign that tells the two apart most clearly.
                apart = np.where(np.isfinite(logs[mine[k]]) & known[k], np.abs(centres[0] - centres[1]), np.nan)
                clearest = int(np.nanargmax(apart))
                metric = metric_of(SIGNS[clearest])
                here = dict(
                    zip(("value", "here", "there"), np.exp([logs[mine[k]], *centres])[:, clearest], strict=True)
                )
                told = {name: value_text(float(one), metric.name) for name, one in here.items()}
                told |= {"label": metric.label, "other": shown(names[other])}
                between = np.sqrt(here["here"] * here["there"])
                yield Found(runs.iloc[mine[k]], float(here["value"]), between, told, metric.unit)


def _likeness(
    mine: np.ndarray, theirs: np.ndarray, spreads: np.ndarray, limits: tuple[float, float]
) -> tuple[np.ndarray, np.ndarray]:
    """Return how runs of one tuning look beside another, by their logs and the spreads usual for runs.

    That is their places (runs, metrics): 1 at their own tuning, 0 at the other, nan where the metric does not tell
    the two apart; and the centres (2, metrics) of both.
    """
    places, centres = np.full(mine.shape, np.nan), np.full((2, len(SIGNS)), np.nan)
    for k in range(len(SIGNS)):
        own, others = mine[:, k][np.isfinite(mine[:, k])], theirs[:, k][np.isfinite(theirs[:, k])]
        if not len(own) or len(others) < 2:
            continue
        other = float(np.median(others))
        by_distance = own[np.argsort(-np.abs(own - other), kind="stable")]
        centre = float(np.median(by_distance[: -(-len(own) // 2)]))
        within = spread_of_few(others)
        if abs(centre - other) > max(limits[0] * max(spreads[k], within), limits[1]):
            places[:, k], centres[:, k] = (mine[:, k] - other) / (centre - other), (centre, other)
    return places, centres


def tuning_not_as_declared(evidence: Evidence) -> Iterator[Found]:
    """Yield tunings whose declared offset, or held point, does not show in their runs."""
    reference, limit_pct = evidence.plan.reference_tuning, evidence.limits.settle_pct
    means = evidence.sure_values.groupby(["metric", "tuning", "of_game"])["value"].mean()
    by_game = {key: same.droplevel([0, 1]) for key, same in means.groupby(level=[0, 1])}
    for tuning, (name, metric) in product(evidence.plan.tunings, _DECLARED.items()):
        own, usual = by_game.get((metric, tuning.name)), by_game.get((metric, reference))
        held, offset = tuning.held_at.get(name, 0.0), tuning.changes.get(name, 0.0)
        unit, start = METRICS[metric].unit, {"tuning": shown(tuning.name), "label": metric_of(metric).label}
        if own is not None and held > 0 and not abs(np.median(own) / held - 1) <= limit_pct / 100:
            there, games = value_text(float(np.median(own)), metric), count_text(len(own), "game")
            values = start | {"held": value_text(held, metric), "found": there, "games": games}
            yield Found(None, np.median(own), held, values, unit, "held")
        moved = (own - usual).dropna() if own is not None and usual is not None and offset else []
        # Of a declared offset less than a quarter is seen, over all games.
        if len(moved) and not np.median(moved) / offset >= _SEEN_SHARE:
            seen, games = change_text(float(np.median(moved)), unit), count_text(len(moved), "game")
            values = start | {"offset": change_text(offset, unit), "found": seen, "games": games}
            yield Found(None, np.median(moved), offset, values, unit, "offset")


#: Equal values that chance makes this rarely are told.
RARE = 0.01
#: Runs that are compared with each other, whatever their card and tuning.
_PLACE = ["metric", "game", "setting", "purpose"]
_OF_FRAMES = [name for name, row in METRICS.items() if row.needs == "frames"]


def typed_values_equal(evidence: Evidence) -> Iterator[Found]:
    """Yield sides whose typed values are all equal while the other runs of the game vary.

    Metrics of frames only, since a limit may hold watts and clocks still.
    """
    values, runs = evidence.values, evidence.runs
    limited = set(runs.loc[runs["frame_limit_fps"].fillna(0).astype(float) > 0, "run"])
    kept = values[values["metric"].isin(_OF_FRAMES) & (values["value"] > 0) & ~values["run"].isin(limited)]
    typed = kept.assign(step=kept["step"].fillna(0.0))
    sides = typed.groupby([*_PLACE, "cell"], sort=False)
    is_equal = (sides["value"].transform("nunique") == 1) & (sides["step"].transform("first") > 0)
    # Only the few sides of which all typed values are equal are looked at one by one.
    for key, side in typed[is_equal].groupby([*_PLACE, "cell"], sort=False):
        others = typed[(typed[_PLACE] == list(key[:-1])).all(axis=1) & (typed["cell"] != key[-1])]
        row = side.iloc[0]
        # Pooled standard deviation of the natural log within the other sides.
        logs = pd.Series(np.log(others["value"].to_numpy(dtype=float)))
        squares = (logs - logs.groupby(others["cell"].to_numpy()).transform("mean")) ** 2
        df = len(others) - others["cell"].nunique()
        sd = float(np.sqrt(squares.sum() / df)) if df > 0 else float("nan")
        if chance_of_equal(len(side), row.step / row.value, sd=sd) < RARE:
            metric, count = metric_of(row.metric), count_text(len(side), "typed run")
            told = {
                "place": place_text(row), "runs": count, "tuning": shown(row.tuning), "card": shown(row.card),
                "label": metric.label, "value": value_text(float(row.value), row.metric),
            }  # fmt: skip
            yield Found(None, row.value, None, told, metric.unit)


def typed_coarsely(evidence: Evidence) -> Iterator[Found]:
    """Yield metrics on the ratio scale typed to a step wider than half of the margin."""
    values = evidence.values
    ratio = [name for name in values["metric"].unique() if name in METRICS and METRICS[name].scale == "ratio"]
    typed = values[values["metric"].isin(ratio) & (values["value"] > 0) & (values["step"] > 0)]
    typed = typed[typed["source"] == "typed"].assign(share=100 * typed["step"] / typed["value"])
    for metric, part in typed.groupby("metric", sort=False):
        coarse = part[part["share"] > COARSE_SHARE * (evidence.plan.margin_of(metric) or np.inf)]
        if len(coarse):
            widest, games = coarse.loc[coarse["share"].idxmax()], count_text(coarse["game"].nunique(), "game")
            told = {"label": metric_of(metric).label, "step": value_text(widest["step"], metric), "games": games,
                    "share": f"{widest['share']:.1f} %"}  # fmt: skip
            yield Found(None, None, None, told)


def chance_of_equal(n: int, step: float, *, sd: float) -> float:
    """Return about how often n normal values are equal once written to a step.

    Parameters
    ----------
    n : values
    step : one unit of the last written decimal
    sd : standard deviation of the values, on the scale of ``step``; missing or 0 where not known

    Returns
    -------
    float, at most 1: ``(step / (sd sqrt(2 pi)))**(n - 1) / sqrt(n)``, the integral of the n-th power of the
    density, which holds for steps that are small against ``sd``; 1 where no spread is known
    """
    if not sd > 0:
        return 1.0
    return float(min(1.0, (step / (sd * np.sqrt(2 * np.pi))) ** (n - 1) / np.sqrt(n)))
