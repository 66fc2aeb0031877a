"""Checks of typed numbers: values that repeat to the last digit where their peers vary."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from gpubench_kit.checks.evidence import Evidence, place_text
from gpubench_kit.model.errors import shown
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.wording.numbers import count_text, value_text

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
