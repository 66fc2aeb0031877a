"""What is left to do: runs not recorded yet, and runs to repeat."""

from __future__ import annotations

import pandas as pd

from gpubench_kit.checks import REDO
from gpubench_kit.checks.evidence import CHECKED_PURPOSES
from gpubench_kit.checks.review import MIN_DURATION, used_mask
from gpubench_kit.logs.review import Review
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

_SLOT_OF_ROUND = [*ROUND_KEY, "tuning"]


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
    slots = (
        rows.groupby([*_SLOT_OF_ROUND, "place"], sort=False, dropna=False)[["is_done", "to_record"]]
        .any()
        .reset_index()
    )
    slots["to_record"] &= ~slots["is_done"]
    rounds = slots.groupby(list(ROUND_KEY), sort=False, dropna=False).agg(
        n_planned=("is_done", "size"), n_done=("is_done", "sum"), n_to_record=("to_record", "sum")
    )
    return PROGRESS.frame(rounds.reset_index())


def _is_used_pilot(rows: pd.DataFrame) -> pd.Series:
    """Return which rows are pilot runs left out of verdicts for nothing but their purpose."""
    return (rows["purpose"] == "pilot") & (rows["excluded_for"] == "pilot")


#: Notes that ask for a cause before the run is repeated.
ASKS_FOR_A_CAUSE = (
    "gap", "missing_frames", "too_short", "too_long", "load_low", "outlier", "warm_up", "samples_missing",
    "samples_cover_part", "sample_gap", "sensor_log_of_another_run", "not_lined_up", "temperature_not_settled",
    "power_moves", "clock_moves", "time_goes_back", "frames_against_time", "power_drops_out", "clocks_against_load",
)  # fmt: skip

#: One run each: a slot that a repeat fills again.
_SLOT = ["card", "bench", "tuning", "game", "setting", "purpose", "session", "round"]
_BENCH_ORDER = ["card", "bench", "game", "setting", "round", "order"]


def redo_list(review: Review, findings: pd.DataFrame) -> pd.DataFrame:
    """List the runs that are to be redone, those that verdicts need first, sorted for the bench.

    Parameters
    ----------
    review : the runs, after their logs were read
    findings : see ``tables.FINDINGS``

    Returns
    -------
    DataFrame, one row per run; see `REDO`. Needed are runs that were excluded for a cause, or as too
    short, and not repeated yet, and runs that a ``stop`` concerns. Then come runs with a note that asks
    for a cause. Games are kept together, so that each is started once.
    """
    runs = review.runs
    used = used_mask(runs, findings)
    lost = _lost(runs, used, findings)
    named = findings[(findings["run"] != "") & findings["run"].isin(runs.loc[used, "run"])]
    stops = named[named["severity"] == "stop"]
    asked = named[named["check"].isin(ASKS_FOR_A_CAUSE) & (named["severity"] == "note")]
    reasons = pd.concat([lost.assign(is_needed=True), stops.assign(is_needed=True), asked.assign(is_needed=False)])
    grouped = reasons.groupby("run", sort=False)
    why = pd.DataFrame({
        "is_needed": grouped["is_needed"].any(),
        "why": grouped["check"].agg(lambda checks: "; ".join(dict.fromkeys(checks))),
        "message": grouped["message"].agg(" ".join),
    })  # fmt: skip
    listed = runs.merge(why, left_on="run", right_index=True)
    return REDO.frame(
        listed.sort_values(["is_needed", *_BENCH_ORDER], ascending=[False] + [True] * len(_BENCH_ORDER))
    )


def _lost(runs: pd.DataFrame, used: pd.Series, findings: pd.DataFrame) -> pd.DataFrame:
    """Return ``run, check, message`` of runs left out for a cause whose place no used run fills."""
    short = findings[findings["check"] == MIN_DURATION].drop_duplicates("run").set_index("run")["message"]
    by_cause = (runs["excluded"] != "") & runs["purpose"].isin(["measure", "soak", "pilot"])
    left_out = runs[by_cause | runs["run"].isin(short.index)]
    filled = set(map(tuple, runs.loc[used, _SLOT].fillna(-1).to_numpy()))
    replaced = set(runs.loc[used, "replaces"]) - {""}
    slots = map(tuple, left_out[_SLOT].fillna(-1).to_numpy())
    is_open = [slot not in filled and run not in replaced for slot, run in zip(slots, left_out["run"], strict=True)]
    rows = [
        (row.run, row.excluded or MIN_DURATION, short.get(row.run, f"Excluded in the run sheet: {row.excluded}."))
        for row in left_out[is_open].itertuples()
    ]
    return pd.DataFrame(rows, columns=["run", "check", "message"])
