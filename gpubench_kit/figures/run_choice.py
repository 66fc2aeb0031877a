"""Which runs a chart of single runs shows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import pandas as pd

from gpubench_kit.figures.subjects import SUBJECT, places_of, subject_names
from gpubench_kit.logs.run_facts import RunFacts


@dataclass(frozen=True)
class ChosenRun:
    """A run to draw: name of its tuning (with card and bench where there are several), series, facts."""

    name: str
    place: int
    facts: RunFacts


def chosen_runs(facts: Iterable[RunFacts], plan, *, runs: pd.DataFrame, scene: tuple[str, str],
                purpose: str = "measure") -> list[ChosenRun]:  # fmt: skip
    """Return the used runs of a game and setting that have facts, in the plan's order of tunings, then run order.

    Parameters
    ----------
    facts : facts of any number of runs
    plan : ReviewPlan
    runs : DataFrame, one row per run; see ``tables.RUNS``
    scene : game and setting
    purpose : purpose of the runs wanted
    """
    by_run = {one.run: one for one in facts}
    wanted = (runs["game"] == scene[0]) & (runs["setting"] == scene[1]) & (runs["purpose"] == purpose)
    is_used = runs["used"].fillna(True).astype(bool) if "used" in runs else True
    rows = runs[wanted & is_used & runs["run"].isin(by_run)]
    if not len(rows):
        return []
    names, places = subject_names(rows, plan), places_of(rows, plan)
    rows = rows.assign(_place=[list(names).index(key) for key in rows[SUBJECT].itertuples(index=False, name=None)])
    rows = rows.sort_values(["_place", "order"], kind="stable")
    keys = rows[SUBJECT].itertuples(index=False, name=None)
    return [ChosenRun(names[key], places[key], by_run[run]) for key, run in zip(keys, rows["run"], strict=True)]


def middle_runs(chosen: Sequence[ChosenRun]) -> list[ChosenRun]:
    """Return the run of each tuning with the middle average frame rate, the slower one of two."""
    out = []
    for name in dict.fromkeys(one.name for one in chosen):
        own = sorted(
            (one for one in chosen if one.name == name), key=lambda one: one.facts.n_frames / one.facts.duration_s
        )
        out.append(own[(len(own) - 1) // 2])
    return out
