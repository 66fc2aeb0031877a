"""What the order of the runs shows: drift over the evening, and what the layout means for verdicts, as findings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from gpubench_kit.model.findings import Finding
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan.rules import LEAST_RESTARTS
from gpubench_kit.statistics.adapters import t_tail
from gpubench_kit.statistics.coded_runs import CodedRuns, code_runs
from gpubench_kit.statistics.design import CLASSES, Design, classify
from gpubench_kit.statistics.pair_runs import PairRuns, select_pair

LEVEL = 0.05


@dataclass(frozen=True)
class Drift:
    """Slope per run of each family, beside a mean of its own for every cell.

    Attributes
    ----------
    slope, se : per run, of ln y on the ratio scale; nan where order or runs are lacking
    df, p : degrees of freedom and two-sided p-value
    """

    slope: np.ndarray
    se: np.ndarray
    df: np.ndarray
    p: np.ndarray

    def is_visible(self, limit: float) -> np.ndarray:
        """Return which slopes are above a limit (per run) and not chance."""
        return (np.abs(self.slope) > limit) & (self.p < LEVEL)


def estimate_drift(values: np.ndarray, order: np.ndarray, *, cell: np.ndarray, family: np.ndarray) -> Drift:
    """Estimate the slope of the values on the order done.

    Parameters
    ----------
    values : array (runs,), natural log on the ratio scale; nan is left out
    order : array (runs,), place in the order done; nan is left out
    cell : array (runs,), whole numbers from 0: runs that share a mean (a game under one tuning)
    family : array (runs,), whole numbers from 0: runs that share a slope

    Returns
    -------
    Drift, arrays (families,)

    Notes
    -----
    Least squares of ``y ~ cell + order``: both sides centred within their cells.
    """
    n_families = int(family.max(initial=-1)) + 1
    rows = ~(np.isnan(values) | np.isnan(order))
    values, order, cell, family = values[rows], order[rows], cell[rows], family[rows]
    y, x = _centred(values, cell), _centred(order, cell)
    sxx, sxy, syy = (np.bincount(family, weights=w, minlength=n_families) for w in (x * x, x * y, y * y))
    home = np.full(int(cell.max(initial=-1)) + 1, -1)
    home[cell] = family
    cells = np.bincount(home[home >= 0], minlength=n_families)
    df = np.bincount(family, minlength=n_families) - cells - 1.0
    fine = (sxx > 0) & (df > 0)
    safe_xx, safe_df = np.where(fine, sxx, 1.0), np.where(fine, df, 1.0)
    slope = np.where(fine, sxy / safe_xx, np.nan)
    se = np.sqrt(np.maximum(syy - sxy**2 / safe_xx, 0.0) / safe_df / safe_xx)
    t = np.divide(np.abs(slope), se, out=np.full(n_families, np.inf), where=se > 0)
    p = np.where(slope == 0, 1.0, 2 * t_tail(t, safe_df))
    return Drift(slope, np.where(fine, se, np.nan), np.where(fine, df, np.nan), np.where(fine, p, np.nan))


def _centred(values: np.ndarray, cell: np.ndarray) -> np.ndarray:
    """Return the values less the mean of their cell."""
    n = np.maximum(np.bincount(cell), 1)
    return values - (np.bincount(cell, weights=values) / n)[cell]


_SOURCES = {
    "declared": "as declared in the run sheet",
    "derived": "as the order done tells: every change of card, tuning, session, game or round is one",
    "each_run": "before each run, as the plan states",
    "each_block": "before each block of runs, as the plan states",
    "installation": "as cards or benches were exchanged",
}


def find_layouts(usable: pd.DataFrame, plan) -> tuple[Finding, ...]:
    """Return notes on how the runs of each pair were laid out and which tuning changes were counted.

    Parameters
    ----------
    usable : DataFrame, one row per usable run and metric; see ``tables.USABLE``
    plan : ReviewPlan

    Returns
    -------
    tuple of Finding, all notes: one for each pair and group, judged by the primary metric's runs; one
    where no session is given; one where a restart spread was measured on too few restarts, or
        taken from the archive
    """
    coded = code_runs(usable)
    return (*_few_restarts(plan), *_from_archive(plan), *_no_session(coded), *_layouts(coded, plan))


def _few_restarts(plan) -> Iterator[Finding]:
    """Yield a note where the spread between restarts rests on too few of them to be used."""
    restarts = int(plan.analysis.restart_spread.get("restarts", 0))
    if 0 < restarts < LEAST_RESTARTS:
        message = "plan.toml: the restart spread was measured on a single restart; it widens no interval."
        action = "Measure three restarts of one tuning (two at least), or assume a spread with restarts = 0."
        limit = float(LEAST_RESTARTS)
        yield Finding("note", "few_restarts", message, "", float(restarts), limit, "restarts", action)


def _from_archive(plan) -> Iterator[Finding]:
    """Yield a note on the spread between restarts that was taken from the archive."""
    if not plan.restart_spread_source:
        return
    stated = dict(plan.analysis.restart_spread)
    restarts = int(stated.pop("restarts", 0))
    units = {name: "%" if METRICS[name].scale == "ratio" else METRICS[name].unit for name in stated}
    spreads = ", ".join(f"{name} {value:.3g} {units[name]}" for name, value in stated.items())
    message = f"The spread between restarts is that of {plan.restart_spread_source}: {spreads}."
    yield Finding("note", "restart_spread_from_archive", message, found=float(restarts), unit="restarts")


def _no_session(coded: CodedRuns) -> Iterator[Finding]:
    """Yield a note where no run says to which session it belongs."""
    if len(coded.change) and not coded.is_given("session").any():
        message = "No session is given: all runs count as one, without a restart in between."
        yield Finding("note", "session_not_given", message, action="Fill in the column session of the run sheet.")


def _layouts(coded: CodedRuns, plan) -> Iterator[Finding]:
    """Yield a note for each pair and group."""
    for pair in plan.pairs():
        runs = select_pair(coded, pair, metric=plan.analysis.primary)
        if runs is None:
            continue
        design = classify(runs, applied=plan.analysis.applied, typed_order=plan.analysis.typed_order)
        names = f"{_name(pair.of)} vs {_name(pair.against)}"
        for family in range(len(design.shared)):
            message = f"{names}{_group(runs, family)}: {_sentence(runs, design, family)}"
            yield Finding("note", "layout", message)


def _name(subject) -> str:
    """Return a subject as text."""
    return ", ".join(f"'{part}'" for part in (subject.card, subject.tuning, subject.bench) if part)


def _group(runs: PairRuns, family: int) -> str:
    """Return the group of a family, where there are several."""
    if runs.family.max() == 0:
        return ""
    return f", group '{runs.cell_text('group')[runs.family == family][0]}'"


def _sentence(runs: PairRuns, design: Design, family: int) -> str:
    """Return what the layout of a family is."""
    classes = design.classes[runs.family == family]
    counts = [f"{CLASSES[one].replace('_', ' ')} in {np.sum(classes == one)}" for one in np.unique(classes)]
    text = f"{' and '.join(counts)} of {len(classes)} games"
    if design.unstated[runs.family == family].all():
        return f"{text}; the order of the runs is not stated."
    text += f"; tuning changes {_SOURCES[design.changes.source[family]]}"
    return f"{text}; rounds or blocks serve several games." if design.shared[family] else f"{text}."
