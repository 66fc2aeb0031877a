"""What the checks look at: one row per run with its facts, and one row per run and metric.

Peers of a run are the other runs of the same card, bench, tuning, game, setting and purpose.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.model.errors import shown
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.rules import Checks
from gpubench_kit.sheet.looks import Looks
from gpubench_kit.statistics.runs import CodedRuns, encode_runs
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import duration_text, number_text, percent_text

GAME_KEY = ("card", "bench", "game", "setting", "purpose")
CELL_KEY = (*GAME_KEY, "tuning")
_OF_VALUES = (*CELL_KEY, "launch", "session")

#: Purposes of runs whose logs are checked; a gap in a warm-up run concerns nobody.
CHECKED_PURPOSES = ("measure", "soak", "pilot")

_EMPTY_FACTS = RunFacts("")


@dataclass(frozen=True)
class Evidence:
    """What there is to check; made by `gather_evidence`.

    Attributes
    ----------
    runs : one row per recorded run that is not left out: the columns of the run sheet, the facts of
        its logs, ``ends`` (from the plan), ``cell`` and ``of_game`` (whole numbers, alike for peers
        and for runs of one game)
    values : one row per run and metric: ``run, metric, value, step, source, certainty`` and the columns of
        ``runs`` that say what was measured
    all_runs : every recorded run, those left out included
    plan : with the limits, in ``plan.checks``
    usable : one value of each run that may enter verdicts; empty before it is known which do
    looks : looks at verdicts; None where there was none
    """

    runs: pd.DataFrame
    values: pd.DataFrame
    all_runs: pd.DataFrame
    plan: ReviewPlan
    usable: pd.DataFrame = field(default_factory=pd.DataFrame)
    looks: Looks | None = None

    @property
    def limits(self) -> Checks:
        """The plan's limits."""
        return self.plan.checks

    @cached_property
    def sure_values(self) -> pd.DataFrame:
        """The values that may be held against those of other runs; what is only likely is shown and no more."""
        return self.values[self.values["certainty"] != "likely"]

    @cached_property
    def coded(self) -> CodedRuns:
        """The usable runs as arrays."""
        return encode_runs(self.usable)

    def without(self, runs: Iterable[str]) -> Evidence:
        """Return the evidence less some runs, which stay in ``all_runs``."""
        names = set(runs)
        kept, values = (frame[~frame["run"].isin(names)] for frame in (self.runs, self.values))
        return replace(self, runs=kept.reset_index(drop=True), values=values.reset_index(drop=True))


@dataclass(frozen=True)
class Found:
    """What a check found in one place.

    Attributes
    ----------
    row : the run that it concerns, as a named tuple; None where it concerns several
    found, limit : the value found and the limit it was held against, in ``unit``
    values : for the places of the sentences
    unit : where it is not that of the check
    kind : which of several sentences of the check it is
    """

    row: Any
    found: float | None
    limit: float | None
    values: Mapping[str, Any]
    unit: str = ""
    kind: str = ""


def gather_evidence(
    runs: pd.DataFrame, facts: pd.DataFrame, *, run_metrics: pd.DataFrame, plan: ReviewPlan
) -> Evidence:
    """Bring together what the checks look at.

    Parameters
    ----------
    runs : one row per row of the run sheet, see `Review.runs`
    facts : one row per run that has a log, see `Review.facts`
    run_metrics : see ``tables.RUN_METRICS``
    plan : the review's plan

    Returns
    -------
    Evidence, without rows not recorded, excluded in the sheet, or of a purpose that is not checked
    """
    joined = _with_facts(runs, facts)
    ends = {game.name: game.ends for game in plan.games}
    joined["ends"] = joined["game"].map(ends).fillna("time")
    joined["cell"] = joined.groupby(list(CELL_KEY), sort=False).ngroup()
    joined["of_game"] = joined.groupby(list(GAME_KEY), sort=False).ngroup()
    recorded = joined[joined["is_recorded"].astype(bool)].reset_index(drop=True)
    judged = recorded["purpose"].isin(CHECKED_PURPOSES) & (recorded["excluded"] == "")
    # Texts as categories: each run has a row for every metric.
    named = recorded.loc[judged, ["run", *_OF_VALUES, "order_done", "order_known", "cell", "of_game"]]
    named = named.astype(dict.fromkeys(_OF_VALUES, "category"))
    columns = ["run", "metric", "value", "step", "source", "certainty"]
    values = run_metrics.reindex(columns=columns).merge(named, on="run")
    kept = recorded if judged.all() else recorded[judged].reset_index(drop=True)
    return Evidence(kept, values, recorded, plan)


def _with_facts(runs: pd.DataFrame, facts: pd.DataFrame) -> pd.DataFrame:
    """Return the runs with the facts about their logs as further columns."""
    place = pd.Index(facts["run"]).get_indexer(runs["run"])
    columns = {name: runs[name] for name in runs.columns}
    for name in facts.columns.difference(runs.columns, sort=False):
        given, empty = facts[name].to_numpy(), getattr(_EMPTY_FACTS, name, None)
        filled = np.full(len(runs), empty if isinstance(empty, (str, int, float)) else None, dtype=given.dtype)
        filled[place >= 0] = given[place[place >= 0]]
        columns[name] = filled
    # Texts as objects lie in one piece; checks pick rows of all columns again and again.
    texts = {name: one.astype(object) for name, one in columns.items() if one.dtype == "str"}
    return pd.DataFrame(columns | texts).reset_index(drop=True)


#: Spreads from its peers beyond which a run makes the spread of its game no wider.
_FARTHEST = 4.0


def median_of_others(values: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Return for each value the median of the other values of its group.

    Parameters
    ----------
    values : array (n,); nan counts for nothing
    group : array (n,), whole numbers

    Returns
    -------
    array (n,); nan where there is no other value, or the value itself is nan
    """
    medians = np.full(len(values), np.nan)
    order = np.lexsort((values, group))
    order = order[~np.isnan(values[order])]
    starts = np.flatnonzero(np.diff(group[order], prepend=-1))
    for places in np.split(order, starts[1:]) if len(order) else ():
        ordered, others = values[places], len(places) - 1
        if others:
            rank, low, high = np.arange(others + 1), (others - 1) // 2, others // 2
            medians[places] = (ordered[low + (low >= rank)] + ordered[high + (high >= rank)]) / 2
    return medians


def usual_spread(values: np.ndarray, group: np.ndarray) -> float:
    """Return the usual distance of a value from its group, as a standard deviation that outliers hardly move.

    Parameters
    ----------
    values : array (n,)
    group : array (n,), whole numbers

    Returns
    -------
    float: 1.4826 times the median distance from the median of the others, less what that median
    itself moves; nan with fewer than two values in every group
    """
    distance = np.abs(values - median_of_others(values, group))
    known = np.isfinite(distance)
    return float(1.4826 * np.median(distance[known]) / np.sqrt(1.25)) if known.any() else float("nan")


def drawn_near(values: np.ndarray, cell: np.ndarray, game: np.ndarray, *, least: np.ndarray) -> np.ndarray:
    """Return values of which none is farther from its cell than four spreads that outliers hardly move.

    Two far runs of a game would hide each other in a plain standard deviation, as each makes it wide for the other.

    Parameters
    ----------
    values : array (n,)
    cell, game : arrays (n,), whole numbers from 0
    least : array (n,), the smallest spread that a value can have

    Returns
    -------
    array (n,): drawn to the median of the cell; the spread is that of the game, or of all games where it is larger
    """
    center = pd.Series(values).groupby(cell).transform("median").to_numpy()
    of_game = [usual_spread(values[game == one], cell[game == one]) for one in range(game.max(initial=-1) + 1)]
    spread = np.fmax(np.fmax(np.array(of_game)[game], usual_spread(values, cell)), least)
    return np.clip(values, center - _FARTHEST * spread, center + _FARTHEST * spread)


def spread_of_few(values: np.ndarray) -> float:
    """Return the usual spread of the runs of one game and tuning; of three the closest two tell it.

    Parameters
    ----------
    values : array (n,), of which one in three may be that of another tuning
    """
    ordered = np.sort(values)
    if len(ordered) == 3:
        ordered = ordered[:2] if ordered[1] - ordered[0] < ordered[2] - ordered[1] else ordered[1:]
    return usual_spread(ordered, np.zeros(len(ordered), dtype=int))


def chosen(
    runs: pd.DataFrame, mask: np.ndarray | pd.Series, *, beside: dict[str, np.ndarray] | None = None
) -> Iterator:
    """Yield the rows that a mask picks as named tuples, with further columns.

    Parameters
    ----------
    runs : rows of ``Evidence.runs`` or ``Evidence.values``
    mask : array (rows,) of truth values
    beside : arrays (rows,), by the name under which a row shall have them
    """
    picked = np.asarray(mask, dtype=bool)
    # Most checks find nothing, and a named tuple of seventy columns is not made for nothing.
    if not picked.any():
        return
    found = runs[picked].copy()
    for name, values in (beside or {}).items():
        found[name] = np.asarray(values)[picked]
    yield from found.itertuples()


def run_text(row: Any) -> str:
    """Return how a message names a run (a row of ``Evidence.runs`` or ``Evidence.values``, as a named tuple)."""
    return say("finding.run", run=shown(row.run), tuning=shown(row.tuning), place=place_text(row))


def place_text(row: Any) -> str:
    """Return how a message names a game at a setting: anything with ``game`` and ``setting``."""
    return f"{shown(row.game)}, {shown(row.setting)}" if row.setting else shown(row.game)


def seconds_text(value: float) -> str:
    """Return seconds as text, with one decimal below a minute."""
    return f"{number_text(value, decimals=1)} s" if value < 60 else duration_text(value)


def share_text(value: float) -> str:
    """Return a percentage as text, with at most one decimal (two below 1)."""
    return percent_text(round(float(value), 1 if abs(value) >= 1 else 2))
