"""The order in which runs were done: from clocks, else as planned."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gpubench_kit.reading.clock import clock_of_texts


def started_at_s(texts: pd.Series, *, date_order: str = "") -> np.ndarray:
    """Return typed start times in seconds; nan where a row has none or it cannot be read.

    Parameters
    ----------
    texts : one text per run, such as 2026-11-02 21:04:05
    date_order : as declared; see `clock_of_texts`
    """
    clock = clock_of_texts(texts.to_numpy(dtype=object), date_order=date_order)
    return np.full(len(texts), np.nan) if clock is None or not clock.has_date else clock.start_s + clock.time_s


def is_in_doubt(texts: pd.Series) -> bool:
    """Return whether day and month of typed start times could be exchanged.

    Parameters
    ----------
    texts : one text per run
    """
    clock = clock_of_texts(texts.to_numpy(dtype=object))
    return clock is not None and clock.in_doubt


def order_done(runs: pd.DataFrame, facts: pd.DataFrame, *, date_order: str = "") -> tuple[pd.Series, pd.Series]:
    """Return the place of each run in the order done, and whether clocks give it.

    Parameters
    ----------
    runs : one row per run, with ``order`` as planned, ``started_at`` and ``is_recorded``
    facts : one row per run that was read, with ``clock_start_s``, ``other_clock_start_s``, ``clock_kind`` and
        ``clock_from``
    date_order : as the plan declares it, for ``started_at``

    Returns
    -------
    order_done : Int64, by the clock of the frame logs where every run has one, else of the sensor logs, else
        ``started_at``; as planned where no clock covers all runs
    order_known : bool, whether clocks give it

    Notes
    -----
    Rows not recorded count for nothing. Clocks of one kind only are compared with each other. Where the order
    depends on whether dates begin with the day or the month, and nothing tells, it is not known.
    """
    planned = runs["order"].astype("Int64")
    is_recorded = runs["is_recorded"].to_numpy(dtype=bool)
    for clock, other in _clocks(runs, facts, date_order):
        if not is_recorded.any() or not np.isfinite(clock[is_recorded]).all():
            continue
        ranks = _ranks(clock, is_recorded)
        if not ranks.equals(_ranks(other, is_recorded)):
            break
        return ranks.set_axis(runs.index).where(is_recorded, planned), pd.Series(is_recorded, index=runs.index)
    return planned, pd.Series(False, index=runs.index)


def _ranks(clock: np.ndarray, is_recorded: np.ndarray) -> pd.Series:
    """Return the place of each recorded run by a clock."""
    return pd.Series(clock).where(is_recorded).rank(method="first").astype("Int64")


def _clocks(runs: pd.DataFrame, facts: pd.DataFrame, date_order: str) -> list[tuple[np.ndarray, np.ndarray]]:
    """Return the clocks that there are, the surest first, each with its dates read the other way round."""
    by_run = facts.set_index("run").reindex(runs["run"])
    start_s, other_s = (by_run[name].to_numpy(dtype=float) for name in ("clock_start_s", "other_clock_start_s"))
    other_s = np.where(np.isfinite(other_s), other_s, start_s)
    kinds, sources = (by_run[name].to_numpy(dtype=object) for name in ("clock_kind", "clock_from"))
    clocks = []
    for source in ("frame_log", "sensor_log"):
        for kind in ("zoned", "dated"):
            is_this = (kinds == kind) & (sources == source)
            clocks.append(tuple(np.where(is_this, one, np.nan) for one in (start_s, other_s)))
    typed, doubt = runs["started_at"], not date_order and is_in_doubt(runs["started_at"])
    other = started_at_s(typed, date_order="month_first") if doubt else started_at_s(typed, date_order=date_order)
    return [*clocks, (started_at_s(typed, date_order=date_order), other)]
