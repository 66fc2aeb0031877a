"""Whether each run had the tuning that the sheet says, by its log; and values typed twice.

A driver reset puts a card back to its factory state without a word. A run that looks like another
tuning, and unlike its own, is withheld until that is explained.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import permutations, product

import numpy as np
import pandas as pd

from gpubench_kit.checks.evidence import Evidence, Found, place_text, usual_spread
from gpubench_kit.model.errors import shown
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.wording.numbers import change_text, count_text, value_text
from gpubench_kit.wording.terms import metric_of

#: Metrics that tell tunings apart.
SIGNS = ("core_mv", "core_mhz", "board_w")

#: A run stands between its own tuning (1) and another (0); below this it looks like the other.
_LOOKS_LIKE = 0.35
_NEVER_ABOVE = 0.6
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
    Per game, by each of voltage, clock and power that tells two tunings apart: the run's place between
    the centre of its own tuning and that of the other. A tuning's own centre is the median of the half
    of its runs that is farther from the other, so that it holds even where half of the runs were lost.
    """
    runs, checks = evidence.runs, evidence.limits
    sure = evidence.sure_values
    signs = sure[sure["metric"].isin(SIGNS)]
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
                yield _lost(runs.iloc[mine[k]], names[other], centres, np.where(known[k], logs[mine[k]], np.nan))


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
        within = usual_spread(others, np.zeros(len(others), dtype=int))
        if abs(centre - other) > max(limits[0] * max(spreads[k], within), limits[1]):
            places[:, k], centres[:, k] = (mine[:, k] - other) / (centre - other), (centre, other)
    return places, centres


def _lost(row: pd.Series, other: str, centres: np.ndarray, logs: np.ndarray) -> Found:
    """Return a run that looks like another tuning, by the sign that tells them apart most clearly."""
    apart = np.abs(centres[0] - centres[1])
    clearest = int(np.nanargmax(np.where(np.isfinite(logs), apart, np.nan)))
    metric = metric_of(SIGNS[clearest])
    value, own, others = (float(np.exp(one[clearest])) for one in (logs, *centres))
    names = {"value": value, "here": own, "there": others}
    told = {name: value_text(one, metric.name) for name, one in names.items()}
    return Found(
        row, value, np.sqrt(own * others), told | {"label": metric.label, "other": shown(other)}, metric.unit
    )


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
