"""The order in which runs were done: from clocks, else as planned."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gpubench_kit.logs.clock import clock_of_texts

_HOUR_S = 3600.0

#: Runs that share more time than this by their clocks were not done one after the other [s].
_SURELY_S = 2.0

_LOGGED = {
    "clock_start_s": "logged_start_s",
    "clock_kind": "logged_kind",
    "clock_from": "logged_from",
    "duration_s": "logged_s",
}


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
    depends on whether dates begin with the day or the month, and nothing tells, it is not known. Where the logs'
    clock was set back by an hour in between (see `clock_set_back`), that hour is added to the runs behind.
    """
    behind = clock_set_back(runs, facts)
    if behind:
        set_back_s = _HOUR_S * facts["run"].isin(behind)
        facts = facts.assign(
            **{name: facts[name].astype(float) + set_back_s for name in ("clock_start_s", "other_clock_start_s")}
        )
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


def clock_set_back(runs: pd.DataFrame, facts: pd.DataFrame) -> tuple[str, ...]:
    """Return the runs done after the logs' clock was set back by an hour, as when daylight saving ends, in order.

    Parameters
    ----------
    runs : as in `order_done`, with ``card`` and ``bench``
    facts : as in `order_done`, with ``duration_s`` [s]

    Returns
    -------
    tuple of names; empty where nothing proves it

    Notes
    -----
    It is proved where the clock, in the order planned, goes back once and by less than an hour, so that runs of one
    card on one bench would have been done at the same time, and an hour more puts all of them one after the other.
    """
    facts = facts[["run", "clock_start_s", "clock_kind", "clock_from", "duration_s"]].rename(columns=_LOGGED)
    timed = runs.loc[runs["is_recorded"].astype(bool), ["run", "card", "bench", "order"]].merge(facts, how="left")
    has_clock = (timed["logged_kind"] == "dated").all() and timed["logged_from"].nunique() == 1
    if not has_clock or len(timed[["card", "bench"]].drop_duplicates()) > 1 or timed["order"].isna().any():
        return ()
    timed = timed.sort_values("order")
    start_s = timed["logged_start_s"].to_numpy(dtype=float)
    end_s = start_s + timed["logged_s"].to_numpy(dtype=float)
    back = np.flatnonzero(np.diff(start_s) < 0) + 1
    if back.size != 1:
        return ()
    before, behind = slice(0, back[0]), slice(back[0], None)
    shared_s = np.minimum(end_s[before, None], end_s[behind]) - np.maximum(start_s[before, None], start_s[behind])
    is_in_turn = start_s[back[0]] + _HOUR_S >= end_s[before].max()
    return tuple(timed["run"].iloc[behind]) if shared_s.max() > _SURELY_S and is_in_turn else ()


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
