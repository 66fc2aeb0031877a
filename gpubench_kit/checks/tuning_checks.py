"""Whether each run had the tuning that the sheet says, by its log; and values typed twice.

A driver reset puts a card back to its factory state without a word. A run that looks like another
tuning, and unlike its own, is withheld until that is explained.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import permutations, product

import numpy as np
import pandas as pd

from gpubench_kit.checks.evidence import Evidence, place_text, run_text, usual_spread
from gpubench_kit.model.errors import shown
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.wording.numbers import change_text, count_text, value_text

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


@dataclass(frozen=True)
class _Likeness:
    """How runs of one tuning look beside another, by metric of `SIGNS`.

    ``place`` (runs, metrics): 1 at their own tuning, 0 at the other, nan where the metric does not tell
    the two apart; ``own`` and ``other`` (metrics): the centres, natural log.
    """

    place: np.ndarray
    own: np.ndarray
    other: np.ndarray


def check_tunings_applied(evidence: Evidence) -> Iterator[Finding]:
    """Yield a stop for each run that looks like another tuning, and a note for a declared change nobody sees.

    Parameters
    ----------
    evidence : what there is to check

    Notes
    -----
    Per game, by each of voltage, clock and power that tells two tunings apart: the run's place between
    the centre of its own tuning and that of the other. A tuning's own centre is the median of the half
    of its runs that is farther from the other, so that it holds even where half of the runs were lost.
    """
    logs = _log_signs(evidence)
    cell, of_game = (evidence.runs[name].to_numpy() for name in ("cell", "of_game"))
    spreads = np.array([usual_spread(column, cell) for column in logs.T])
    limits = (evidence.plan.checks.tuning_spreads, evidence.plan.checks.tuning_pct)
    codes, names = pd.factorize(evidence.runs["tuning"])
    for game in np.unique(of_game):
        inside = np.flatnonzero(of_game == game)
        for own, other in permutations(np.unique(codes[inside]), 2):
            mine, theirs = (inside[codes[inside] == code] for code in (own, other))
            likeness = _likeness((logs[mine], logs[theirs]), spreads, limits)
            yield from _lost_runs((evidence.runs, mine), names[other], (likeness, logs[mine]))
    yield from _unseen_changes(evidence)


def _log_signs(evidence: Evidence) -> np.ndarray:
    """Return the logs of voltage, clock and power, array (runs, metrics); nan where not measured."""
    signs = evidence.values[evidence.values["metric"].isin(SIGNS)]
    table = signs.pivot(index="run", columns="metric", values="value")
    values = table.reindex(index=evidence.runs["run"], columns=list(SIGNS)).to_numpy(dtype=float)
    return np.log(np.where(values > 0, values, np.nan))


def _likeness(sides: tuple[np.ndarray, np.ndarray], spreads: np.ndarray, limits: tuple) -> _Likeness:
    """Return how the runs of the first side look; spreads are those usual for runs, by metric."""
    (mine, theirs), (least_spreads, least_pct) = sides, limits
    places, centres = np.full(mine.shape, np.nan), np.full((2, len(SIGNS)), np.nan)
    for k in range(len(SIGNS)):
        own, others = mine[:, k][np.isfinite(mine[:, k])], theirs[:, k][np.isfinite(theirs[:, k])]
        if not len(own) or len(others) < 2:
            continue
        other = float(np.median(others))
        centre = _own_centre(own, other)
        within = usual_spread(others, np.zeros(len(others), dtype=int))
        if abs(centre - other) > max(least_spreads * max(spreads[k], within), np.log1p(least_pct / 100)):
            places[:, k], centres[:, k] = (mine[:, k] - other) / (centre - other), (centre, other)
    return _Likeness(places, *centres)


def _own_centre(y: np.ndarray, other: float) -> float:
    """Return the median of the half of the values that is farther from another tuning's centre."""
    by_distance = y[np.argsort(-np.abs(y - other), kind="stable")]
    return float(np.median(by_distance[: -(-len(y) // 2)]))


def _looks_lost(places: np.ndarray) -> np.ndarray:
    """Return which runs all signs together put at the other tuning."""
    known = np.isfinite(places)
    mean = np.where(known, places, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    highest = np.where(known, places, -np.inf).max(axis=1)
    return known.any(axis=1) & (mean < _LOOKS_LIKE) & (highest < _NEVER_ABOVE)


def _lost_runs(rows: tuple[pd.DataFrame, np.ndarray], other: str, found: tuple) -> Iterator[Finding]:
    """Yield the stops for runs that look like another tuning.

    rows = (all runs, places of those of one tuning); found = (their likeness, their logs).
    """
    (runs, mine), (likeness, logs) = rows, found
    for k in np.flatnonzero(_looks_lost(likeness.place)):
        yield _lost_finding((runs.iloc[mine[k]], other), likeness, (k, logs[k]))


def _lost_finding(rows: tuple, likeness: _Likeness, found: tuple[int, np.ndarray]) -> Finding:
    """Return the stop for a run that looks like another tuning; found = (its place, its logs)."""
    (row, other), (k, logs) = rows, found
    apart = np.abs(likeness.own - likeness.other)
    clearest = int(np.nanargmax(np.where(np.isfinite(likeness.place[k]), apart, np.nan)))
    metric = SIGNS[clearest]
    value, own, others = (float(np.exp(one[clearest])) for one in (logs, likeness.own, likeness.other))
    message = (
        f"{run_text(row)}: {METRICS[metric].label} {value_text(value, metric)} is that of {shown(other)}, not that "
        "of the other runs with its tuning: the tuning seems to have been lost or mixed up (there "
        f"{value_text(others, metric)}, here {value_text(own, metric)})."
    )
    action = (
        "Look whether the driver was reset. Write tuning_lost into the cell `excluded` and repeat the run, or "
        "correct its tuning."
    )
    halfway = float(np.sqrt(own * others))
    unit = METRICS[metric].unit
    return Finding("stop", "tuning_not_applied", message, str(row["run"]), value, halfway, unit, action)


def _unseen_changes(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note for each tuning whose declared offset, or held point, does not show in its runs."""
    reference, limit_pct = evidence.plan.reference_tuning, evidence.plan.checks.settle_pct
    means = evidence.values.groupby(["metric", "tuning", "of_game"])["value"].mean()
    by_game = {key: same.droplevel([0, 1]) for key, same in means.groupby(level=[0, 1])}
    for tuning, (name, metric) in product(evidence.plan.tunings, _DECLARED.items()):
        own, usual = by_game.get((metric, tuning.name)), by_game.get((metric, reference))
        held, offset = tuning.held_at.get(name, 0.0), tuning.changes.get(name, 0.0)
        if own is not None and held > 0:
            yield from _not_held(tuning.name, metric, own.to_numpy(), (held, limit_pct))
        if own is not None and usual is not None and offset:
            yield from _unseen(tuning.name, metric, (own - usual).dropna().to_numpy(), offset)


def _unseen(tuning: str, metric: str, moved: np.ndarray, wanted: float) -> Iterator[Finding]:
    """Yield a note where less than a quarter of a declared offset is seen, over all games."""
    if not len(moved) or np.median(moved) / wanted >= _SEEN_SHARE:
        return
    unit, found = METRICS[metric].unit, float(np.median(moved))
    message = (
        f"Tuning {shown(tuning)}: {change_text(wanted, unit)} is declared, but the {METRICS[metric].label} "
        f"of its runs does not follow ({change_text(found, unit)} against the reference, median of "
        f"{count_text(len(moved), 'game')})."
    )
    yield Finding("note", "tuning_not_as_declared", message, "", found, wanted, unit, _AS_DECLARED)


def _not_held(tuning: str, metric: str, held: np.ndarray, rule: tuple[float, float]) -> Iterator[Finding]:
    """Yield a note where runs are farther from a declared held point than the plan allows; rule = (point, %)."""
    wanted, limit_pct = rule
    if abs(np.median(held) / wanted - 1) <= limit_pct / 100:
        return
    unit, found = METRICS[metric].unit, float(np.median(held))
    message = (
        f"Tuning {shown(tuning)}: a {METRICS[metric].label} held at {value_text(wanted, metric)} is declared, but "
        f"its runs have another ({value_text(found, metric)}, median of {count_text(len(held), 'game')})."
    )
    yield Finding("note", "tuning_not_as_declared", message, "", found, wanted, unit, _AS_DECLARED)


_AS_DECLARED = (
    "Look whether the tuning was applied, and whether the sensor shows what was set; correct the plan if not."
)


#: Equal values that chance makes this rarely are told.
RARE = 0.01
#: Runs that are compared with each other, whatever their card and tuning.
_PLACE = ["metric", "game", "setting", "purpose"]
_OF_FRAMES = [name for name, row in METRICS.items() if row.needs == "frames"]


def check_repeated_values(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note where one side's typed values are all equal while the other runs of the game vary.

    Parameters
    ----------
    evidence : what there is to check; metrics of frames only, since a limit may hold watts and clocks still
    """
    for _, same in _where_a_side_is_equal(_typed(evidence)).groupby(_PLACE, sort=False):
        yield from _repeated(same)


def check_coarse_values(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note where values are typed to a step wider than half of the margin: one decimal more costs nothing.

    Parameters
    ----------
    evidence : what there is to check; metrics on the ratio scale
    """
    values = evidence.values
    ratio = [name for name in values["metric"].unique() if name in METRICS and METRICS[name].scale == "ratio"]
    typed = values[values["metric"].isin(ratio) & (values["value"] > 0) & (values["step"] > 0)]
    typed = typed[typed["source"] == "typed"].assign(share=100 * typed["step"] / typed["value"])
    for metric, part in typed.groupby("metric", sort=False):
        coarse = part[part["share"] > COARSE_SHARE * (evidence.plan.margin_of(metric) or np.inf)]
        if len(coarse):
            widest = coarse.loc[coarse["share"].idxmax()]
            step = value_text(widest["step"], metric)
            message = (
                f"{METRICS[metric].label}: typed to {step}, which is {widest['share']:.1f} % of a value, in "
                f"{count_text(coarse['game'].nunique(), 'game')}; that hides differences near the margin."
            )
            yield Finding("note", "typed_coarsely", message, action="Type one decimal more.")


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


def _typed(evidence: Evidence) -> pd.DataFrame:
    """Return values of frame metrics above zero in games that have no declared limit, and their steps."""
    values, runs = evidence.values, evidence.runs
    limited = set(runs.loc[runs["frame_limit_fps"].fillna(0).astype(float) > 0, "run"])
    kept = values[values["metric"].isin(_OF_FRAMES) & (values["value"] > 0) & ~values["run"].isin(limited)]
    return kept.assign(step=kept["step"].fillna(0.0))


def _where_a_side_is_equal(values: pd.DataFrame) -> pd.DataFrame:
    """Return the few places in which all typed values of a side are equal; only these are looked at one by one."""
    sides = values.groupby([*_PLACE, "cell"], sort=False)
    is_equal = (sides["value"].transform("nunique") == 1) & (sides["step"].transform("first") > 0)
    has_equal = is_equal.astype(int).groupby([values[name] for name in _PLACE], sort=False).transform("max") > 0
    return values[has_equal]


def _spread_of_others(others: pd.DataFrame) -> float:
    """Return the pooled standard deviation of the natural log within the other sides; nan for none."""
    logs = np.log(others["value"].to_numpy(dtype=float))
    squares = (pd.Series(logs) - pd.Series(logs).groupby(others["cell"].to_numpy()).transform("mean")) ** 2
    df = len(others) - others["cell"].nunique()
    return float(np.sqrt(squares.sum() / df)) if df > 0 else float("nan")


def _repeated(same: pd.DataFrame) -> Iterator[Finding]:
    """Yield a note for each side whose values in one game and metric are typed, and equal where chance is not."""
    for cell, side in same.groupby("cell", sort=False):
        row, sd = side.iloc[0], _spread_of_others(same[same["cell"] != cell])
        is_equal = row.step > 0 and side["value"].nunique() == 1
        if is_equal and chance_of_equal(len(side), row.step / row.value, sd=sd) < RARE:
            yield _finding(row, len(side))


def _finding(row: pd.Series, n: int) -> Finding:
    """Return the note on one side of n equal values."""
    metric = METRICS[row.metric]
    message = (
        f"{place_text(row)}: {count_text(n, 'typed run')} of {shown(row.tuning)} on {shown(row.card)} have the "
        f"same {metric.label} to the last digit while the other runs of the game vary, which points at a frame cap "
        f"or at one number copied ({value_text(float(row.value), row.metric)})."
    )
    action = (
        "Lift the cap and repeat, or declare it as frame_limit_fps of the game's setting; if a number was copied, "
        "type each run's own."
    )
    return Finding("note", "typed_values_equal", message, "", float(row.value), None, metric.unit, action)
