"""The plan's rules for leaving runs out: the only automatic reasons, stated before the data, all tunings alike."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from gpubench_kit.checks.evidence import Evidence, chosen, run_text
from gpubench_kit.model.errors import shown
from gpubench_kit.model.findings import Finding
from gpubench_kit.wording.numbers import number_text

MIN_DURATION = "min_duration_s"
RULES = (MIN_DURATION, "warm_up_runs_per_launch", "extra_runs_after_patch")

_ACTION = "Nothing to do: the plan's rule leaves it out. Repeat it if its round is needed."


def exclude_by_rules(evidence: Evidence) -> Iterator[Finding]:
    """Yield an ``exclude`` for each run that a rule of the plan leaves out.

    Parameters
    ----------
    evidence : what there is to check
    """
    yield from _short_runs(evidence)
    warm_up = _first_of_launch(evidence)
    yield from warm_up
    yield from _first_after_patch(evidence, {finding.run for finding in warm_up})


def _short_runs(evidence: Evidence) -> Iterator[Finding]:
    """Yield runs shorter than ``min_duration_s``, where the game ends after a time."""
    limit, runs = evidence.plan.exclude.min_duration_s, evidence.runs
    if not limit:
        return
    for row in chosen(runs, (runs["duration_s"] < limit) & (runs["ends"] == "time")):
        message = (
            f"{run_text(row)}: {number_text(row.duration_s, decimals=1)} s is shorter than the plan's "
            "shortest run, "
            f"{number_text(limit, decimals=1)} s; it is left out."
        )
        yield Finding("exclude", MIN_DURATION, message, row.run, float(row.duration_s), limit, "s", _ACTION)


def _first_of_launch(evidence: Evidence) -> list[Finding]:
    """Return the first measured runs after each start of a game.

    Runs excluded for a logged cause count too: they have warmed the game up all the same.
    """
    limit, runs = evidence.plan.exclude.warm_up_runs_per_launch, _measured(evidence)
    if not limit:
        return []
    launched = runs[runs["launch"] != ""]
    place = launched.groupby(["card", "bench", "session", "game", "launch"]).cumcount() + 1
    chosen = launched.assign(place=place)[(place <= limit) & launched["run"].isin(evidence.runs["run"])]
    return [
        _by_place(row, "warm_up_runs_per_launch", limit, f"in launch {shown(row.launch)}")
        for row in chosen.itertuples()
    ]


def _first_after_patch(evidence: Evidence, left_out: set[str]) -> Iterator[Finding]:
    """Yield the first measured runs of a game after its version changed, beyond those left out already."""
    limit, runs = evidence.plan.exclude.extra_runs_after_patch, _measured(evidence)
    if not limit:
        return
    versioned = runs[(runs["game_version"] != "") & ~runs["run"].isin(left_out)]
    for _, same in versioned.groupby(["card", "bench", "game"], sort=False):
        block = same["game_version"].ne(same["game_version"].shift()).cumsum()
        place = same.groupby(block).cumcount() + 1
        chosen = same.assign(place=place)[(block > 1) & (place <= limit) & same["run"].isin(evidence.runs["run"])]
        for row in chosen.itertuples():
            where = f"after the change to version {shown(row.game_version)}"
            yield _by_place(row, "extra_runs_after_patch", limit, where)


def _measured(evidence: Evidence) -> pd.DataFrame:
    """Return the measured runs, recorded or excluded for a cause, in the order done."""
    runs = evidence.all_runs
    order = runs["order_done"].to_numpy(dtype=float, na_value=np.nan)
    return runs.iloc[np.argsort(order, kind="stable")].loc[lambda frame: frame["purpose"] == "measure"]


def _by_place(row, rule: str, limit: int, where: str) -> Finding:
    """Return the finding for a run left out for its place."""
    message = f"{run_text(row)}: measured run {row.place} {where}; the plan leaves out the first {limit}."
    return Finding("exclude", rule, message, row.run, float(row.place), float(limit), "runs", _ACTION)
