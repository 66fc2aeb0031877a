"""Whether each run had the tuning that the sheet says, by its log; and values typed twice.

A driver reset puts a card back to its factory state without a word. A run that looks like another
tuning, and unlike its own, is withheld until that is explained.
"""

from __future__ import annotations

from collections.abc import Iterator
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
    runs, checks = evidence.runs, evidence.plan.checks
    signs = evidence.values[evidence.values["metric"].isin(SIGNS)]
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
    yield from _unseen_changes(evidence)


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


def _lost(row: pd.Series, other: str, centres: np.ndarray, logs: np.ndarray) -> Finding:
    """Return the stop for a run that looks like another tuning, by the sign that tells them apart most clearly."""
    apart = np.abs(centres[0] - centres[1])
    clearest = int(np.nanargmax(np.where(np.isfinite(logs), apart, np.nan)))
    metric = SIGNS[clearest]
    value, own, others = (float(np.exp(one[clearest])) for one in (logs, *centres))
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
        label, unit = METRICS[metric].label, METRICS[metric].unit
        if own is not None and held > 0 and not abs(np.median(own) / held - 1) <= limit_pct / 100:
            told = (
                f"a {label} held at {value_text(held, metric)} is declared, but its runs have another "
                f"({value_text(float(np.median(own)), metric)}, median of {count_text(len(own), 'game')})."
            )
            yield _not_as_declared(tuning.name, told, float(np.median(own)), held, unit=unit)
        moved = (own - usual).dropna() if own is not None and usual is not None and offset else []
        # Of a declared offset less than a quarter is seen, over all games.
        if len(moved) and not np.median(moved) / offset >= _SEEN_SHARE:
            told = (
                f"{change_text(offset, unit)} is declared, but the {label} of its runs does not follow "
                f"({change_text(float(np.median(moved)), unit)} against the reference, median of "
                f"{count_text(len(moved), 'game')})."
            )
            yield _not_as_declared(tuning.name, told, float(np.median(moved)), offset, unit=unit)


def _not_as_declared(tuning: str, told: str, found: float, wanted: float, *, unit: str) -> Finding:
    """Return the note on a tuning whose runs are not as its declaration says."""
    action = (
        "Look whether the tuning was applied, and whether the sensor shows what was set; correct the plan if not."
    )
    return Finding(
        "note", "tuning_not_as_declared", f"Tuning {shown(tuning)}: {told}", "", found, wanted, unit, action
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
    values, runs = evidence.values, evidence.runs
    limited = set(runs.loc[runs["frame_limit_fps"].fillna(0).astype(float) > 0, "run"])
    kept = values[values["metric"].isin(_OF_FRAMES) & (values["value"] > 0) & ~values["run"].isin(limited)]
    typed = kept.assign(step=kept["step"].fillna(0.0))
    sides = typed.groupby([*_PLACE, "cell"], sort=False)
    is_equal = (sides["value"].transform("nunique") == 1) & (sides["step"].transform("first") > 0)
    # Only the few places in which all typed values of a side are equal are looked at one by one.
    has_equal = is_equal.astype(int).groupby([typed[name] for name in _PLACE], sort=False).transform("max") > 0
    for _, same in typed[has_equal].groupby(_PLACE, sort=False):
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


def _repeated(same: pd.DataFrame) -> Iterator[Finding]:
    """Yield a note for each side whose values in one game and metric are typed, and equal where chance is not."""
    for cell, side in same.groupby("cell", sort=False):
        others, row = same[same["cell"] != cell], side.iloc[0]
        # Pooled standard deviation of the natural log within the other sides.
        logs = pd.Series(np.log(others["value"].to_numpy(dtype=float)))
        squares = (logs - logs.groupby(others["cell"].to_numpy()).transform("mean")) ** 2
        df = len(others) - others["cell"].nunique()
        sd = float(np.sqrt(squares.sum() / df)) if df > 0 else float("nan")
        is_equal = row.step > 0 and side["value"].nunique() == 1
        if is_equal and chance_of_equal(len(side), row.step / row.value, sd=sd) < RARE:
            metric = METRICS[row.metric]
            message = (
                f"{place_text(row)}: {count_text(len(side), 'typed run')} of {shown(row.tuning)} on "
                f"{shown(row.card)} have the same {metric.label} to the last digit while the other runs of the "
                "game vary, which points at a frame cap or at one number copied "
                f"({value_text(float(row.value), row.metric)})."
            )
            action = (
                "Lift the cap and repeat, or declare it as frame_limit_fps of the game's setting; if a number was "
                "copied, type each run's own."
            )
            yield Finding("note", "typed_values_equal", message, "", float(row.value), None, metric.unit, action)


TUNING_CHECKS = (check_tunings_applied, check_repeated_values, check_coarse_values)
