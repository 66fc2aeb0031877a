"""Results as columns of ``comparisons`` and ``overall``: back to percent and text, adjusted and judged."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.statistics.adjustment import adjust_in_families
from gpubench_kit.statistics.difference import Tests, run_tests
from gpubench_kit.statistics.layout import CLASSES, NOT_STATED, ROUNDS
from gpubench_kit.statistics.measure import Measured
from gpubench_kit.statistics.overall import OverallEstimate
from gpubench_kit.statistics.tuning_changes import installed_once
from gpubench_kit.statistics.units import in_percent, is_ratio
from gpubench_kit.statistics.verdict import NO_VERDICT, UNDECIDED, decide
from gpubench_kit.statistics.withheld import NEVER_COMPARED
from gpubench_kit.wording.reasons import SEPARATOR

_INTERVALS = ("ci_low", "ci_high", "equivalence_ci_low", "equivalence_ci_high")
_P_VALUES = ("p_difference", "p_equivalence", "p_non_inferiority")

#: Reasons with which intervals and p-values are still shown.
_EXPLORATORY = "too_many_looks"


def direction_of(metric: str) -> int:
    """Return 1 where higher is better, -1 where lower is, 0 where neither."""
    return {"higher": 1, "lower": -1, "neither": 0}[METRICS[metric].better]


def scaled_margin(plan, metric: str) -> float:
    """Return the margin of the plan on the scale of the metric; nan for none.

    On the ratio scale it is ``-ln(1 - margin/100)`` on both sides, so that swapping the two sides
    gives the same verdict.
    """
    margin = plan.margin_of(metric)
    if margin is None:
        return float("nan")
    return float(-np.log1p(-margin / 100)) if is_ratio(metric) else float(margin)


def pair_columns(pair, count: int) -> dict[str, np.ndarray]:
    """Return the columns that name a pair, repeated."""
    names = {}
    for side, subject in (("of", pair.of), ("against", pair.against)):
        for part in ("card", "tuning", "bench"):
            names[f"{side}_{part}"] = np.full(count, getattr(subject, part) or "", dtype=object)
    return names


def comparison_columns(measured: Measured, *, level: float, plan) -> dict[str, np.ndarray]:
    """Return all columns of ``comparisons`` that need no other row.

    Parameters
    ----------
    measured : one pair in one metric
    level : of each test
    plan : ReviewPlan, gives the margin

    Returns
    -------
    dict of arrays (cells,)
    """
    pair, metric = measured.pair, measured.pair.metric
    margin, direction = scaled_margin(plan, metric), direction_of(metric)
    used, own = (
        run_tests(one.change, one.error, one.df, margin=margin, level=level, direction=direction)
        for one in (measured.used, measured.own)
    )
    shown = np.isin(measured.withheld, ("", _EXPLORATORY))
    strict = decide(
        measured.own.change, own.p_difference, own.p_equivalence, level=level, direction=np.asarray(direction)
    )
    values = np.exp(measured.units.side_means) if is_ratio(metric) else measured.units.side_means
    return {
        "game": pair.cell_text("game"),
        "setting": pair.cell_text("setting"),
        "group": pair.cell_text("group"),
        "metric": np.full(pair.n_cells, metric, dtype=object),
        "layout": np.array(CLASSES, dtype=object)[measured.layout.classes],
        "n": measured.units.n_runs[:, 0],
        "n_against": measured.units.n_runs[:, 1],
        "n_blocks": measured.used.n_units,
        "of_value": values[:, 0],
        "against_value": values[:, 1],
        "change": _readable(np.where(_has_change(measured), measured.used.change, np.nan), metric),
        **_test_columns(used, shown, metric),
        **{f"own_{name}": _readable(np.where(shown, getattr(own, name), np.nan), metric) for name in _INTERVALS},
        "own_verdict": strict,
        "se": np.where(shown, np.sqrt(measured.used.error), np.nan),
        "df": np.where(shown, measured.used.df, np.nan),
        "borrowed": measured.borrowed,
        "withheld": measured.withheld,
        "cautions": _cautions(measured),
        **_constants(metric, pair.n_cells, level=level, plan=plan),
    }


def overall_columns(
    measured: Measured, result: OverallEstimate, *, scope: str, level: float, plan
) -> dict[str, np.ndarray]:
    """Return all columns of ``overall`` that need no other row, for one scope.

    Parameters
    ----------
    measured, result : one pair in one metric, and its overall result
    scope : ``these_games`` or ``games_like_these``
    level, plan : as in `comparison_columns`

    Returns
    -------
    dict of arrays (families that the scope exists for,)
    """
    metric, rows = measured.pair.metric, np.flatnonzero(result.exists)
    change, error, df, withheld = (getattr(result, name)[rows] for name in ("change", "error", "df", "withheld"))
    direction, margin = direction_of(metric), scaled_margin(plan, metric)
    tests = run_tests(change, error, df, margin=margin, level=level, direction=direction)
    shown = np.isin(withheld, ("", _EXPLORATORY))
    spread = in_percent(result.spread[rows]) if is_ratio(metric) else result.spread[rows]
    groups = np.full(len(result.exists), "", dtype=object)
    groups[measured.pair.family] = measured.pair.cell_text("group")
    return {
        "group": groups[rows],
        "scope": np.full(len(rows), scope, dtype=object),
        "metric": np.full(len(rows), metric, dtype=object),
        "layout": _family_layout(measured, result)[rows],
        "n_games": result.n_games[rows],
        "games_left_out": _left_out(measured, result)[rows],
        "change": _readable(change, metric),
        **_test_columns(tests, shown, metric),
        "se": np.where(shown, np.sqrt(error), np.nan),
        "df": np.where(shown, df, np.nan),
        "withheld": withheld,
        "cautions": _family_cautions(measured, result)[rows],
        "spread_of_games": spread,
        **_constants(metric, len(rows), level=level, plan=plan),
    }


def judge(rows: pd.DataFrame, *, family: np.ndarray, level: float, plan) -> pd.DataFrame:
    """Add adjusted p-values, verdicts and reasons to rows of one or more pairs and metrics.

    Parameters
    ----------
    rows : columns as made by `comparison_columns` or `overall_columns`
    family : array (rows,), comparisons that are adjusted together
    level : of each test
    plan : ReviewPlan, gives ``analysis.adjust``

    Returns
    -------
    DataFrame, the rows with further columns
    """
    rows = rows.copy()
    counts = rows["withheld"].isin(("", _EXPLORATORY)).to_numpy()
    for name in _P_VALUES:
        p = np.where(counts, rows[name], np.nan)
        rows[f"{name}_adjusted"] = adjust_in_families(p, family, method=plan.analysis.adjust)
    direction = rows["metric"].map(direction_of).to_numpy()
    adjusted = [rows[f"{name}_adjusted"].to_numpy() for name in _P_VALUES]
    verdict = decide(rows["change"].to_numpy(), *adjusted[:2], level=level, direction=direction)
    verdict[rows["withheld"].to_numpy() != ""] = NO_VERDICT
    rows["verdict"] = verdict
    if "own_verdict" in rows:
        rows.loc[verdict == NO_VERDICT, "own_verdict"] = NO_VERDICT
    defined = np.isfinite(adjusted[2]) & (verdict != NO_VERDICT)
    rows["no_loss"] = pd.array(np.where(defined, adjusted[2] <= level, False), dtype="boolean")
    rows.loc[~defined, "no_loss"] = pd.NA
    alone = (verdict == UNDECIDED) & (rows["p_difference"].to_numpy() <= level)
    cautions = _joined(rows["cautions"].to_numpy(), "alone_it_would_count", alone)
    rows["reason"] = np.where(verdict == NO_VERDICT, rows["withheld"], cautions)
    return rows


def _constants(metric: str, count: int, *, level: float, plan) -> dict[str, np.ndarray]:
    """Return the columns that are the same in every row of a metric."""
    margin = plan.margin_of(metric)
    return {
        "unit": np.full(count, METRICS[metric].unit, dtype=object),
        "scale": np.full(count, METRICS[metric].scale, dtype=object),
        "confidence": np.full(count, 1 - level),
        "margin": np.full(count, np.nan if margin is None else float(margin)),
    }


def _test_columns(tests: Tests, shown: np.ndarray, metric: str) -> dict[str, np.ndarray]:
    """Return intervals and p-values as columns, empty where they are not shown."""
    intervals = {name: _readable(np.where(shown, getattr(tests, name), np.nan), metric) for name in _INTERVALS}
    return intervals | {name: np.where(shown, getattr(tests, name), np.nan) for name in _P_VALUES}


def _readable(values: np.ndarray, metric: str) -> np.ndarray:
    """Return differences in percent on the ratio scale, else in the unit."""
    return in_percent(values) if is_ratio(metric) else values


def _has_change(measured: Measured) -> np.ndarray:
    """Return where even a difference may be shown."""
    return ~np.isin(measured.withheld, NEVER_COMPARED)


def _joined(texts: np.ndarray, word: str, where: np.ndarray) -> np.ndarray:
    """Return the texts with a word added where a condition holds."""
    longer = np.where(texts == "", word, texts + (SEPARATOR + word))
    return np.where(where, longer, texts)


def _cautions(measured: Measured) -> np.ndarray:
    """Return what to know about a verdict, beside what other rows tell."""
    layout, family = measured.layout, measured.pair.family
    in_rounds = layout.classes == ROUNDS
    texts = np.full(measured.pair.n_cells, "", dtype=object)
    if measured.spread is not None:
        texts = _joined(texts, measured.spread.reason, measured.is_widened)
    texts = _joined(texts, "installed_once", measured.is_widened & installed_once(measured.pair, layout.changes))
    texts = _joined(texts, "order_stated_alternated", in_rounds & layout.by_statement)
    texts = _joined(texts, "not_stated", layout.classes == NOT_STATED)
    texts = _joined(texts, "order_same_every_time", in_rounds & layout.same_order[family])
    return _joined(texts, "two_runs_only", measured.units.n_runs.min(axis=1) == 2)


def _family_cautions(measured: Measured, result: OverallEstimate) -> np.ndarray:
    """Return what to know about an overall verdict."""
    texts = np.full(len(result.exists), "", dtype=object)
    family = measured.pair.family
    some = {
        "spread": measured.is_widened & result.entered,
        "installed_once": measured.is_widened
        & result.entered
        & installed_once(measured.pair, measured.layout.changes),
        "order_stated_alternated": measured.layout.by_statement & result.entered,
    }
    for word, cells in some.items():
        if word == "spread" and measured.spread is not None:
            word = measured.spread.reason
        texts = _joined(texts, word, np.bincount(family[cells], minlength=len(texts)) > 0)
    return texts


def _family_layout(measured: Measured, result: OverallEstimate) -> np.ndarray:
    """Return the class of each family: the worst of the games that entered, or of all where none did."""
    family, classes = measured.pair.family, measured.layout.classes
    worst = np.full(len(result.exists), -1)
    np.maximum.at(worst, family[result.entered], classes[result.entered])
    everywhere = np.full(len(worst), 0)
    np.maximum.at(everywhere, family, classes)
    words = np.array(CLASSES, dtype=object)[np.where(worst < 0, everywhere, worst)]
    words = np.where((words == "rounds") & measured.layout.shared, "shared-rounds", words)
    return np.where(measured.layout.same_order, "confounded", words)


def _left_out(measured: Measured, result: OverallEstimate) -> np.ndarray:
    """Return the games (with the setting where another setting of the game entered) that did not enter."""
    texts = np.full(len(result.exists), "", dtype=object)
    pair = measured.pair
    games, settings = pair.cell_text("game"), pair.cell_text("setting")
    inside = {(pair.family[cell], games[cell]) for cell in np.flatnonzero(result.entered)}
    names: dict[int, dict[str, None]] = {}
    for cell in np.flatnonzero(~result.entered):
        number, game = pair.family[cell], games[cell]
        name = f"{game} ({settings[cell]})" if (number, game) in inside else game
        names.setdefault(number, {})[name] = None
    for number, found in names.items():
        texts[number] = SEPARATOR.join(found)
    return texts
