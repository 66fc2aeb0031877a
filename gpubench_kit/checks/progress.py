"""How far the plan of the runs is done: round by round, what is recorded and what is still to record."""

from __future__ import annotations

import pandas as pd

from gpubench_kit.checks.evidence import CHECKED_PURPOSES
from gpubench_kit.model.tables import Column, Table

ROUND_KEY = ("card", "bench", "session", "game", "setting", "purpose", "round")

#: Inside the kit only.
PROGRESS = Table(
    "progress", "round of a game", ROUND_KEY,
    (
        Column("card", "text", "card that is measured"),
        Column("bench", "text", "rest of the machine"),
        Column("session", "text", "runs between two restarts"),
        Column("game", "text", "what is played"),
        Column("setting", "text", "resolution and quality"),
        Column("purpose", "text", "what the runs are for"),
        Column("round", "integer", "block of runs; empty where not given"),
        Column("n_planned", "integer", "runs of the round, repeats apart"),
        Column("n_done", "integer", "of these, recorded and used"),
        Column("n_to_record", "integer", "of these, not recorded yet"),
    ),
)  # fmt: skip

_SLOT = [*ROUND_KEY, "tuning"]


def progress_of(runs: pd.DataFrame) -> pd.DataFrame:
    """Return how far each round of each game is.

    Parameters
    ----------
    runs : DataFrame, one row per run of the sheet; see ``tables.RUNS``

    Returns
    -------
    DataFrame, one row per round, in sheet order; see `PROGRESS`. A repeat fills the place of the run that it
    replaces. What is neither done nor to record was left out, and waits for a repeat.

    Notes
    -----
    Rows without a round are one round, and each of them is a place of its own.
    """
    rows = runs[runs["purpose"].isin(CHECKED_PURPOSES)].copy()
    rows["is_done"] = rows["used"].fillna(False).astype(bool) | _is_used_pilot(rows)
    rows["to_record"] = rows["excluded_for"] == "not_recorded"
    rows["place"] = rows["run"].where(rows["round"].isna(), "")
    slots = rows.groupby([*_SLOT, "place"], sort=False, dropna=False)[["is_done", "to_record"]].any().reset_index()
    slots["to_record"] &= ~slots["is_done"]
    rounds = slots.groupby(list(ROUND_KEY), sort=False, dropna=False).agg(
        n_planned=("is_done", "size"), n_done=("is_done", "sum"), n_to_record=("to_record", "sum")
    )
    return PROGRESS.frame(rounds.reset_index())


def _is_used_pilot(rows: pd.DataFrame) -> pd.Series:
    """Return which rows are pilot runs left out of verdicts for nothing but their purpose."""
    return (rows["purpose"] == "pilot") & (rows["excluded_for"] == "pilot")
