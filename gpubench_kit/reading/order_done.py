"""The order in which runs were done: from clocks, else as planned."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gpubench_kit.reading.clock import clock_of_texts


def started_at_s(texts: pd.Series) -> np.ndarray:
    """Return typed start times in seconds; nan where a row has none or it cannot be read.

    Parameters
    ----------
    texts : one text per run, such as 2026-11-02 21:04:05
    """
    clock = clock_of_texts(texts.to_numpy(dtype=object))
    return np.full(len(texts), np.nan) if clock is None or not clock.has_date else clock.start_s + clock.time_s


def order_done(runs: pd.DataFrame, facts: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Return the place of each run in the order done, and whether clocks give it.

    Parameters
    ----------
    runs : one row per run, with ``order`` as planned, ``started_at`` and ``is_recorded``
    facts : one row per run that was read, with ``clock_start_s``, ``clock_kind`` and ``clock_from``

    Returns
    -------
    order_done : Int64, by the clock of the frame logs where every run has one, else of the sensor logs, else
        ``started_at``; as planned where no clock covers all runs
    order_known : bool, whether clocks give it

    Notes
    -----
    Rows not recorded count for nothing. Clocks of one kind only are compared with each other.
    """
    planned = runs["order"].astype("Int64")
    is_recorded = runs["is_recorded"].to_numpy(dtype=bool)
    for clock in _clocks(runs, facts):
        if is_recorded.any() and np.isfinite(clock[is_recorded]).all():
            ranks = pd.Series(clock).where(is_recorded).rank(method="first").astype("Int64")
            ranks.index = runs.index
            return ranks.where(is_recorded, planned), pd.Series(is_recorded, index=runs.index)
    return planned, pd.Series(False, index=runs.index)


def _clocks(runs: pd.DataFrame, facts: pd.DataFrame) -> list[np.ndarray]:
    """Return the clocks that there are, one array each, the surest first."""
    by_run = facts.set_index("run").reindex(runs["run"])
    start_s, kinds = by_run["clock_start_s"].to_numpy(dtype=float), by_run["clock_kind"].to_numpy(dtype=object)
    sources = by_run["clock_from"].to_numpy(dtype=object)
    clocks = [
        np.where((kinds == kind) & (sources == source), start_s, np.nan)
        for source in ("frame_log", "sensor_log")
        for kind in ("zoned", "dated")
    ]
    return [*clocks, started_at_s(runs["started_at"])]
