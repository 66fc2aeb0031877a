"""Results seen from the other side: what is compared and what it is compared with, exchanged."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from gpubench_kit.model.tables import PAIR_KEY
from gpubench_kit.statistics.equivalence import one_sided_p, uncertainty_of
from gpubench_kit.statistics.multiplicity import adjust_in_families
from gpubench_kit.statistics.units import direction_of, in_percent, scaled_margin
from gpubench_kit.wording.reasons import reason_words

_OTHER_WAY = {"better": "worse", "worse": "better", "higher": "lower", "lower": "higher"}
_WAYS = re.compile("|".join(_OTHER_WAY))

#: Columns that name one family of comparisons, as far as a table has them.
_FAMILY = ("of_card", "of_bench", "against_card", "against_bench", "metric", "group", "scope")


def scaled(table: pd.DataFrame, name: str) -> np.ndarray:
    """Return a column of changes on the scale of the tests: natural logs on the ratio scale.

    Parameters
    ----------
    table : ``comparisons`` or ``overall``
    name : ``change``, or an end of an interval
    """
    values = table[name].to_numpy(dtype=float)
    ratio = (table["scale"] == "ratio").to_numpy()
    return np.where(ratio, np.log1p(np.where(ratio, values, 0.0) / 100), values)


def families_of(table: pd.DataFrame) -> np.ndarray:
    """Return the number of the family, adjusted together, that each row belongs to."""
    return table.groupby([name for name in _FAMILY if name in table], sort=False).ngroup().to_numpy()


def mirrored(table: pd.DataFrame, plan) -> pd.DataFrame:
    """Return every row with its two sides exchanged.

    Parameters
    ----------
    table : ``comparisons`` or ``overall``
    plan : ReviewPlan, gives margins and ``analysis.adjust``

    Returns
    -------
    DataFrame with the same columns. The margin reaches as far up as down on the scale of the tests,
    so verdicts are the same ones seen from the other side; only the test against a loss is another.
    """
    out = table.copy()
    for name in PAIR_KEY:
        out[name] = table[_other(name)]
    for name in ("n", "of_value"):
        if name in table:
            out[name], out[_against(name)] = table[_against(name)], table[name]
    for name in ("change", "change_without"):
        if name in table:
            out[name] = _inverted(table, name)
    if "change_w" in table:
        low, high = "change_w_ci_low", "change_w_ci_high"
        out["change_w"], out[low], out[high] = -table["change_w"], -table[high], -table[low]
    for stem in ("", "equivalence_", "own_", "own_equivalence_"):
        if f"{stem}ci_low" in table:
            low, high = f"{stem}ci_low", f"{stem}ci_high"
            out[low], out[high] = _inverted(table, high), _inverted(table, low)
    for name in ("verdict", "own_verdict", "reason"):
        if name in table:
            out[name] = table[name].map(lambda text: _WAYS.sub(lambda way: _OTHER_WAY[way[0]], text))
    return _with_no_loss(out, plan)


def _inverted(table: pd.DataFrame, name: str) -> np.ndarray:
    """Return changes, or ends of intervals, seen from the other side."""
    values = -scaled(table, name)
    return np.where(table["scale"] == "ratio", in_percent(np.where(table["scale"] == "ratio", values, 0.0)), values)


def _with_no_loss(table: pd.DataFrame, plan) -> pd.DataFrame:
    """Return the table with its tests against a loss as large as the margin made anew."""
    out = table.copy()
    metrics = table["metric"]
    margin = metrics.map({one: scaled_margin(plan, one) for one in metrics.unique()}).to_numpy(dtype=float)
    way = metrics.map(direction_of).to_numpy() * scaled(table, "change")
    p = np.where(table["p_non_inferiority"].notna(), one_sided_p(way + margin, uncertainty_of(table)), np.nan)
    own_level, level = (1 - table["confidence"]).to_numpy(), table["level"].to_numpy(dtype=float)
    ratio = p / own_level
    if "scope" in table:
        # The interval over games is two-sided.
        ratio, level = 2 * ratio, np.where(np.isnan(level), 1.0, level)
        adjusted = np.minimum(ratio * level, 1.0)
    else:
        scaled_p = np.minimum(ratio * level, 1.0)
        adjusted = adjust_in_families(scaled_p, families_of(table), method=plan.analysis.adjust)
    out["p_non_inferiority"] = p
    out["p_non_inferiority_adjusted"] = np.where(np.isnan(table["level"]), np.nan, adjusted)
    # Whether it would hold without a flagged run is not known from the table.
    is_firm = ~table["reason"].map(lambda text: "flagged_run" in reason_words(text)).to_numpy(dtype=bool)
    out["no_loss"] = pd.array((adjusted <= level) & is_firm, dtype="boolean")
    out.loc[table["no_loss"].isna(), "no_loss"] = pd.NA
    return out


def _other(name: str) -> str:
    """Return the column of the other side."""
    side, _, part = name.partition("_")
    return f"against_{part}" if side == "of" else f"of_{part}"


def _against(name: str) -> str:
    """Return the column of the other side of a count or a value."""
    return "n_against" if name == "n" else "against_value"
