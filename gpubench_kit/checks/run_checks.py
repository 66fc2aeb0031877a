"""Checks of runs against their peers and against what can be: length, caps, load, impossible values, odd runs."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from gpubench_kit.checks.evidence import Evidence, chosen, median_of_others, place_text, run_text
from gpubench_kit.model.errors import listed, shown
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.metrics import METRICS, SENSOR_METRICS
from gpubench_kit.model.plan.rules import Checks
from gpubench_kit.statistics.adapters import t_quantile
from gpubench_kit.statistics.variance import resolution_variance, shrink_variance
from gpubench_kit.wording.numbers import change_text, count_text, number_text, percent_text, value_text

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
        found["center"][rows] = center
        found["distance"][rows] = y - center
        found["spread"][rows], found["spread_df"][rows] = _spread_without_each(y, step, cell=cell, game=game)
    return found


def _spread_without_each(
    y: np.ndarray, step: np.ndarray, *, cell: np.ndarray, game: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return for each run the usual spread of its game, calculated without the run itself, and its df."""
    known = np.isfinite(y)
    spread, spread_df = np.full(len(y), np.nan), np.full(len(y), np.nan)
    y, step, cell, game = y[known], step[known], cell[known], game[known]
    n = np.bincount(cell)[cell].astype(float)
    mean = (np.bincount(cell, weights=y) / np.maximum(np.bincount(cell), 1))[cell]
    squares = np.bincount(game, weights=(y - mean) ** 2)
    df = np.rint(np.bincount(game) - np.bincount(game, weights=1 / n))
    # Leaving one run out of a cell of n takes n / (n - 1) times its squared distance from the sum.
    own_squares = np.maximum(squares[game] - (y - mean) ** 2 * n / np.maximum(n - 1, 1), 0.0)
    own_df = np.where(n > 1, df[game] - 1, 0.0)
    rows = np.arange(len(y))
    table, degrees = np.tile(squares / np.maximum(df, 1), (len(y), 1)), np.tile(df, (len(y), 1))
    table[rows, game], degrees[rows, game] = own_squares / np.maximum(own_df, 1), own_df
    borrowed = shrink_variance(table, degrees)
    floor = np.maximum(resolution_variance(step), _LEAST_VARIANCE)
    usual = np.sqrt(np.maximum(borrowed.variance[rows, game], floor))
    spread[known] = np.where(own_df > 0, usual, np.nan)
    spread_df[known] = np.where(own_df > 0, borrowed.df[rows, game], np.nan)
    return spread, spread_df


def check_sensors_in_part(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note on each sensor that only some of a card's logs gave, though all of them hold samples.

    Parameters
    ----------
    evidence : what there is to check
    """
    sampled = set(evidence.runs.loc[evidence.runs["n_samples"] > 0, "run"])
    values = evidence.values
    of_sensors = values[values["metric"].isin(SENSOR_METRICS) & values["run"].isin(sampled)]
    for (card, _), found in of_sensors.groupby(["card", "bench"], observed=True):
        by_run = pd.crosstab(found["run"], found["metric"]) > 0
        for metric in by_run.columns[~by_run.all()]:
            without = by_run.index[~by_run[metric]].tolist()
            n_runs, n_with = len(by_run), len(by_run) - len(without)
            message = (
                f"{METRICS[metric].label} of card {shown(str(card))} was found in {n_with} of {n_runs} runs with "
                f"samples, not in {listed(without)}."
            )
            action = (
                "If their logs hold it, name its column in the plan, below [logs]: "
                f'sensors = {{ {metric} = "..." }}'
            )
            found, limit = float(n_with), float(n_runs)
            yield Finding("note", "sensor_in_part", message, "", found, limit, "runs", action)


#: Metrics whose values are at most as large as a limit of the plan.
_MOST = {
    "board_w": "most_w",
    "core_c": "most_c",
    "hotspot_c": "most_c",
    "memory_c": "most_c",
    "avg_fps": "most_fps",
}


def check_lengths(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note for each run that is shorter or longer than its peers, in seconds or in frames.

    Parameters
    ----------
    evidence : what there is to check; games that end after a number of frames are held to that number
    """
    runs, limit = evidence.runs, evidence.plan.checks.duration_pct
    by_frames = (runs["ends"] == "frames").to_numpy()
    seconds, frames = (runs[name].to_numpy(dtype=float, na_value=np.nan) for name in ("duration_s", "n_frames"))
    length = np.where(by_frames, frames, seconds)
    usual = median_of_others(length, runs["of_game"].to_numpy())
    off_pct = 100 * ((length - usual) / np.where(usual > 0, usual, np.nan))
    action = (
        "Look whether the scene was completed; if not, write not_completed into the cell `excluded` and repeat."
    )
    beside = {"length": length, "usual": usual, "off": off_pct, "by_frames": by_frames}
    for row in chosen(runs, np.abs(off_pct) > limit, beside=beside):
        unit, decimals = ("frames", 0) if row.by_frames else ("s", 1)
        word = "shorter" if row.off < 0 else "longer"
        message = (
            f"{run_text(row)}: {number_text(row.length, decimals=decimals)} {unit}, {_percent(abs(row.off))} "
            f"{word} than the other runs of its game (median {number_text(row.usual, decimals=decimals)} {unit})."
        )
        yield Finding("note", f"too_{word[:-2]}", message, row.run, float(row.off), limit, "%", action)


def check_values(evidence: Evidence) -> Iterator[Finding]:
    """Yield a stop for each value that cannot be: not above zero on the ratio scale, or beyond the plan's limits.

    Parameters
    ----------
    evidence : what there is to check
    """
    checks = evidence.plan.checks
    for row in chosen(evidence.values, is_impossible(evidence.values, checks)):
        limit = _limit(row.metric, checks)
        bound = "above 0" if row.value <= 0 else f"at most {value_text(limit, row.metric)}"
        message = (
            f"{run_text(row)}: {METRICS[row.metric].label} is {value_text(row.value, row.metric)}; "
            f"{bound} is expected."
        )
        action = "Look which column was read, and in which unit; declare it in the plan, below [logs]."
        found = float(row.value)
        bounds = 0.0 if row.value <= 0 else limit
        yield Finding("stop", "impossible_value", message, row.run, found, bounds, METRICS[row.metric].unit, action)


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
    return getattr(checks, _MOST[metric]) if metric in _MOST else np.inf


def check_caps(evidence: Evidence) -> Iterator[Finding]:
    """Yield a stop for each run that a frame cap holds, and a note for each game with a declared limit.

    A run is held by a cap where most of its frames take one and the same time, and either its peers
    agree in that time far better than work would while the card is not fully loaded, or they are not
    steady at all.

    Parameters
    ----------
    evidence : what there is to check
    """
    checks, runs = evidence.plan.checks, evidence.runs
    declared = runs["frame_limit_fps"].fillna(0).to_numpy(dtype=float) > 0
    for _, same in runs[declared].groupby(["game", "setting", "frame_limit_fps"], sort=False):
        limit = float(same["frame_limit_fps"].iloc[0])
        message = (
            f"{place_text(same.iloc[0])}: a frame limit of {value_text(limit, 'avg_fps')} is declared; its frame "
            "rates are not compared, its watts and energy are."
        )
        yield Finding("note", "frame_limit_declared", message, limit=limit, unit="fps")
    share_pct = 100 * runs["share_at_interval"].to_numpy(dtype=float)
    steady = share_pct >= checks.cap_share_pct
    is_loaded = runs["mean_load_pct"].to_numpy(dtype=float) >= checks.load_full_pct
    # How far apart the usual frame times of steady peers are; nan for a steady run alone.
    kept = runs[steady & ~is_loaded].groupby("cell")["interval_ms"]
    apart_pct = 100 * (kept.max() / kept.min() - 1)
    apart_pct = runs["cell"].map(apart_pct.where(kept.size() > 1)).to_numpy(dtype=float)
    agree = ~is_loaded & (apart_pct <= checks.cap_spread_pct)
    others = median_of_others(share_pct, runs["of_game"].to_numpy())
    alone = others < checks.cap_share_pct / 2
    for row in chosen(runs, steady & (agree | alone) & ~declared, beside={"share": share_pct}):
        message = (
            f"{run_text(row)}: {_percent(row.share)} of the frames take {number_text(row.interval_ms, decimals=3)} "
            f"ms ({number_text(1000 / row.interval_ms, decimals=1)} fps), as under a frame cap: its frame rates "
            "show the cap, so verdicts on them are withheld."
        )
        action = "Lift the cap and repeat, or declare it as frame_limit_fps of the game's setting."
        yield Finding("stop", "held_by_cap", message, row.run, float(row.share), checks.cap_share_pct, "%", action)


def check_load(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note where the card's load and what is said to limit a game do not fit together.

    Parameters
    ----------
    evidence : what there is to check
    """
    checks, runs = evidence.plan.checks, evidence.runs
    loaded = runs[runs["mean_load_pct"].notna()]
    for _, same in loaded.groupby("of_game", sort=False):
        usual, row = float(same["mean_load_pct"].median()), same.iloc[0]
        is_of_card, is_low = row.limited_by == "card", usual < checks.load_low_pct
        if (is_of_card and is_low) or (not is_of_card and usual >= checks.load_full_pct):
            meaning = "something else limits it" if is_of_card else "the card limits it"
            limit = checks.load_low_pct if is_of_card else checks.load_full_pct
            message = (
                f"{place_text(row)}: the card's load is {_percent(usual)} in the middle of "
                f"{count_text(len(same), 'run')}, as if {meaning}; the plan says limited_by = '{row.limited_by}'."
            )
            action = 'Correct limited_by: "no loss" must hold over the games that the card limits.'
            yield Finding("note", "limited_by_other", message, "", usual, limit, "%", action)
        elif is_of_card:
            yield from _idle_runs(same, usual, checks.load_low_pct)


def _idle_runs(same: pd.DataFrame, usual: float, limit: float) -> Iterator[Finding]:
    """Yield a note for each run of low load in a game that loads the card fully."""
    for row in chosen(same, same["mean_load_pct"] < limit):
        message = (
            f"{run_text(row)}: the card's load is {_percent(row.mean_load_pct)}, in its game usually "
            f"{_percent(usual)}: something else held this run back."
        )
        action = (
            "Look for a load beside the game; if there was one, write background_load into the cell `excluded`."
        )
        yield Finding("note", "load_low", message, row.run, float(row.mean_load_pct), limit, "%", action)


def check_outlier(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note for each value far from those of its peers; asks for a cause, never deletes.

    Parameters
    ----------
    evidence : what there is to check
    """
    limit = evidence.plan.checks.unlike_spreads
    compared = evidence.values[evidence.values["metric"].isin(evidence.plan.analysis.metrics)]
    rated = compared.assign(**distance_from_peers(compared))
    for row in chosen(rated, is_flagged(rated, limit), beside={"bound": flag_bound(rated, limit)}):
        ratio = METRICS[row.metric].scale == "ratio"
        apart = 100 * np.expm1(row.distance) if ratio else row.distance
        center = float(np.exp(row.center)) if ratio else row.center
        usual = _percent(100 * row.spread) if ratio else value_text(row.spread, row.metric)
        unit = "%" if ratio else METRICS[row.metric].unit
        message = (
            f"{run_text(row)}: {METRICS[row.metric].label} lies {change_text(float(apart), unit)} from the median "
            f"of the other runs of this game and tuning; runs of this game usually differ by {usual} "
            f"({value_text(row.value, row.metric)}, the others {value_text(center, row.metric)})."
        )
        action = "Look for a cause in your notes. The run stays in; verdicts are tried with and without it."
        found, limit_there = float(apart), float(row.bound) * (100 if ratio else 1)
        yield Finding("note", "outlier", message, row.run, found, limit_there, unit, action)


def _percent(value: float) -> str:
    """Return a percentage as text, with at most one decimal (two below 1)."""
    return percent_text(round(float(value), 1 if abs(value) >= 1 else 2))


RUN_CHECKS = (
    check_sensors_in_part, check_lengths, check_values, check_caps, check_load, check_outlier,
)  # fmt: skip
