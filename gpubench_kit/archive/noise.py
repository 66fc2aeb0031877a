"""The noise of the bench: from run to run within a session, and between restarts, each with an interval."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gpubench_kit.archive.scale import in_unit, unit_of
from gpubench_kit.archive.tables import RUN_NOISE
from gpubench_kit.statistics.variance_components import sd_interval

SCENE = ["game", "setting", "metric"]


def run_noise(cells: pd.DataFrame) -> pd.DataFrame:
    """Return the run-to-run noise of each game and metric, over all benches and on each.

    Parameters
    ----------
    cells : see `archive.cells`

    Returns
    -------
    DataFrame; see ``archive.tables.RUN_NOISE``; games without two runs in any cell have no row

    Notes
    -----
    Squares are taken about the mean of one card, bench, tuning and session of one review, so neither a difference
    between these nor a restart enters. Variances are pooled by their degrees of freedom, as if all tunings and
    cards had the same noise; the interval is that of a chi-squared variance and takes that for granted.
    """
    parts = [
        _pooled(cells, ["bench", *SCENE]).assign(scope="bench"),
        _pooled(cells, SCENE).assign(scope="all", bench=""),
    ]
    rows = pd.concat(parts[::-1], ignore_index=True)
    rows = rows[rows["df"] > 0]
    rows = rows.assign(sd=np.sqrt(rows["squares"] / rows["df"]), unit=[unit_of(name) for name in rows["metric"]])
    low, high = sd_interval(rows["sd"].to_numpy(), df=rows["df"].to_numpy())
    shown = {"noise": rows["sd"].to_numpy(), "low": low, "high": high}
    return RUN_NOISE.frame(rows.assign(**{name: in_unit(values, rows["metric"]) for name, values in shown.items()}))


def _pooled(cells: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Return counts, squares and degrees of freedom by the columns given."""
    kept = cells.assign(df=cells["n"] - 1, in_session=_number(cells, ["review", "card", "bench", "session"]))
    groups = kept.groupby(keys, observed=True, sort=True)
    table = groups.agg(n=("n", "sum"), squares=("squares", "sum"), df=("df", "sum"),
                       n_reviews=("review", "nunique"), n_sessions=("in_session", "nunique"))  # fmt: skip
    out = table.reset_index()
    return out.astype(dict.fromkeys(keys, "str"))


def _number(cells: pd.DataFrame, keys: list[str]) -> np.ndarray:
    """Return a number for each row, equal where the columns given are."""
    return cells.groupby(keys, observed=True, sort=False).ngroup().to_numpy()
