"""Looks at verdicts: the level of each, so that all together err no more often than one; what earlier ones gave.

What one look gave keeps its level at the next. Where a result is judged twice, with and without a flagged run or
as a number was before it changed, the weaker verdict stands.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.sheet.looks import Looks, keys_of, runs_behind
from gpubench_kit.statistics.runs import CodedRuns
from gpubench_kit.statistics.testing import CLAIMS_OF, NO_VERDICT, weaker_verdict
from gpubench_kit.statistics.variance import direction_of
from gpubench_kit.wording.terms import SEPARATOR

#: What is asked of every difference, as in the names of the columns.
QUESTIONS: tuple[str, ...] = ("difference", "equivalence", "non_inferiority")

#: Levels of the first, second, third and fourth look at a confidence of 0.95; see `level_of_look`.
LEVELS = (0.04, 0.015, 0.01, 0.01)
#: Level of a single look, and looks planned in so many equal steps (Pocock 1977, for t tests, by simulation).
ONE_LOOK = 0.05
EQUAL_LEVELS = {3: 0.020, 4: 0.0175, 5: 0.012, 6: 0.012, 7: 0.012, 8: 0.012}


def level_of_look(plan: ReviewPlan, look: int) -> float:
    """Return the level of all tests at one look.

    Parameters
    ----------
    plan : ReviewPlan, gives ``analysis.looks`` and ``analysis.confidence``
    look : number of the look, from 1

    Returns
    -------
    float; nan for a look at which there is no verdict any more

    Notes
    -----
    With two looks planned .04 and .015, and .01 for a third and fourth that were not. With one planned .05, and a
    second is then at .015. Three to eight planned: the same level at each, and none beyond. Another
    confidence c scales all levels by ``(1 - c) / .05``.

    References
    ----------
    Pocock, S. J. (1977). Group sequential methods in the design and analysis of clinical trials.
    doi:10.1093/biomet/64.2.191
    """
    planned = plan.analysis.looks
    scale = round(1 - plan.analysis.confidence, 12) / ONE_LOOK
    if planned in EQUAL_LEVELS:
        return EQUAL_LEVELS[planned] * scale if look <= planned else float("nan")
    if planned == 1 and look <= 1:
        return ONE_LOOK * scale
    return LEVELS[max(look, 1) - 1] * scale if look <= len(LEVELS) else float("nan")


def level_of_looks(plan: ReviewPlan, *, looks_made: int = 0) -> tuple[float, bool]:
    """Return the level at the present look, and whether there were too many looks for any verdict.

    Parameters
    ----------
    plan : ReviewPlan
    looks_made : looks at verdicts so far, this one included; 0: before the first

    Returns
    -------
    tuple of float and bool; after too many looks the level is that of the last with verdicts
    """
    level = level_of_look(plan, max(looks_made, 1))
    if level == level:
        return level, False
    last = plan.analysis.looks if plan.analysis.looks in EQUAL_LEVELS else len(LEVELS)
    return level_of_look(plan, last), True


@dataclass(frozen=True)
class Levels:
    """Levels of a set of rows, and what earlier looks gave them; arrays (rows,).

    Attributes
    ----------
    present : level of the present look, number or array; nan for what is no member of the page
    first : level of the first look
    of : level that a verdict is given at, by each of `QUESTIONS`
    share : most of the page's level that the row may have; inf without a limit
    kept, no_loss : verdict and no loss that an earlier look gave on the same runs; empty where it is judged now
    """

    present: float | np.ndarray
    first: float
    of: tuple[np.ndarray, ...]
    share: np.ndarray
    kept: np.ndarray
    no_loss: np.ndarray

    @classmethod
    def at(cls, level: float, count: int, *, first: float) -> Levels:
        """Return those of rows of which nothing was said before."""
        limit, none = np.full(count, np.inf), np.full(count, "", dtype=object)
        return cls(level, first, tuple(np.full(count, level) for _ in QUESTIONS), limit, none, none.copy())

    @property
    def is_kept(self) -> np.ndarray:
        """Rows whose verdict stands as an earlier look gave it."""
        return self.kept != ""

    def stand(self, verdict: np.ndarray, no_loss: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return verdicts and no loss, those of earlier looks where these stand."""
        if not np.any(self.is_kept):
            return verdict, no_loss
        return np.where(self.is_kept, self.kept, verdict), np.where(self.is_kept, self.no_loss == "True", no_loss)

    def of_page(self, own: np.ndarray, *, confidence: float) -> Levels:
        """Return those of results over games, of which each has a part of the page's level.

        Parameters
        ----------
        own : array (rows,), the part of each; nan for what is no member of the page and stands alone
        confidence : of what stands alone
        """
        share = np.fmin(own, self.share)
        alone = np.isnan(own)
        of = tuple(np.where(alone, 1 - confidence, share * level) for level in self.of)
        kept, no_loss = (np.where(alone, "", one).astype(object) for one in (self.kept, self.no_loss))
        present, share = (np.where(alone, np.nan, one) for one in (self.present, share))
        return Levels(present, self.first, of, share, kept, no_loss)


def recall(rows: pd.DataFrame, looks: Looks | None, plan: ReviewPlan, *, level: float) -> Levels:
    """Return the levels of rows that were judged at earlier looks, and the verdicts that stand.

    Parameters
    ----------
    rows : columns of a pair, ``metric, group, change, margin`` and ``game, setting`` or ``scope``
    looks : looks at the review; None: no look was made before
    plan : ReviewPlan
    level : of the present look

    Returns
    -------
    Levels

    Notes
    -----
    A verdict that look j gave (differs this way, the same, no loss) is judged at the level of the earliest such j
    for ever, as long as all runs that it rested on are used; anything else at the level of the present look. Where
    the runs are those of look j, that look's verdict stands. What was given by another margin is judged anew. Once
    the plan's list of results has changed, each keeps the smallest share of the page's level that it had.
    """
    count = len(rows)
    memory = Levels.at(level, count, first=level_of_look(plan, 1))
    kind = "overall" if "scope" in rows else "game"
    given = _given(looks, kind, before=None if looks is None else looks.made)
    if looks is None or not count or not len(given):
        return memory
    moved = set(zip(looks.moved["run_id"], looks.moved["metric"], strict=True))
    by_key = {key: list(part.itertuples())[::-1] for key, part in given.groupby("key")}
    facts = zip(keys_of(rows, kind), runs_behind(looks.usable, rows), rows.itertuples(), strict=True)
    for place, (key, runs, row) in enumerate(facts):
        is_moved = any((run, row.metric) in moved for run in _ids(runs))
        for one in by_key.get(key, ()):
            _recall_one(memory, place, one, now=row._asdict() | {"runs": runs, "is_moved": is_moved}, plan=plan)
    return memory


def without_flagged(coded: CodedRuns) -> CodedRuns:
    """Return the runs that are not flagged."""
    return coded.take(np.flatnonzero(coded.numbers["flagged"] == 0))


def weaker_without(rows: pd.DataFrame, without: pd.DataFrame) -> pd.DataFrame:
    """Return the rows, with the weaker verdict where it changes without the flagged runs.

    Parameters
    ----------
    rows : judged rows with every run; ``flagged`` marks those with a flagged run
    without : the same without flagged runs

    Returns
    -------
    DataFrame: numbers as with every run; the verdict is what both claim, ``no_loss`` holds only in
    both, and the reason names both verdicts
    """
    keys = [name for name in ("place", "metric", "group", "game", "setting", "scope") if name in rows]
    others: dict[tuple, tuple] = {}
    if len(without):
        found = without[[*keys, "verdict", "no_loss"]].itertuples(index=False, name=None)
        others = {one[:-2]: one[-2:] for one in found}
    mine, flagged = list(rows[keys].itertuples(index=False, name=None)), rows["flagged"].to_numpy(dtype=bool)
    of_flagged = {n: others.get(mine[n], (NO_VERDICT, False)) for n in np.flatnonzero(flagged).tolist()}
    return _weaker(rows, of_flagged, "flagged_run")


def weaker_as_before(rows: pd.DataFrame, looks: Looks | None) -> pd.DataFrame:
    """Return the rows, with the weaker verdict where a number changed since a look and nobody says why.

    Parameters
    ----------
    rows : judged rows, see `recall`
    looks : looks at the review; None: no look was made before
    """
    if looks is None or looks.moved["is_explained"].all():
        return rows
    unexplained = looks.moved[~looks.moved["is_explained"].astype(bool)]
    moved, kind = (
        set(zip(unexplained["run_id"], unexplained["metric"], strict=True)),
        "overall" if "scope" in rows else "game",
    )
    given = _given(looks, kind, before=None).drop_duplicates("key", keep="last").set_index("key")
    facts = zip(keys_of(rows, kind), runs_behind(looks.usable, rows), rows["metric"], strict=True)
    others = {
        place: (given.at[key, "verdict"], given.at[key, "no_loss"] == "True")
        for place, (key, runs, metric) in enumerate(facts)
        if key in given.index and any((run, metric) in moved for run in _ids(runs))
    }
    return _weaker(rows, others, "changed_value")


def _given(looks: Looks | None, kind: str, *, before: int | None) -> pd.DataFrame:
    """Return what looks before one gave of one kind, in the order of the looks."""
    if looks is None or looks.usable is None:
        return pd.DataFrame()
    given = looks.kept[looks.kept["kind"] == kind]
    return (given if before is None else given[given["look"] < before]).sort_values("look", kind="stable")


def _recall_one(memory: Levels, place: int, given, *, now: dict, plan: ReviewPlan) -> None:
    """Give one row the level of a look that gave it what is asked now, or that saw the very same runs."""
    memory.share[place] = np.fmin(memory.share[place], given.share)
    sides = zip(given.runs.split("/"), now["runs"].split("/"), strict=True)
    if not all(set(before.split()) <= set(here.split()) for before, here in sides):
        return
    level = np.fmin(level_of_look(plan, given.look), given.level)
    claims, is_same_runs = CLAIMS_OF[given.verdict], given.runs == now["runs"]
    ways = {"up", "rise"} if now["change"] * (direction_of(now["metric"]) or 1) > 0 else {"down", "fall"}
    is_margin = given.margin == now["margin"] or (pd.isna(given.margin) and pd.isna(now["margin"]))
    held = (bool(claims & ways), "small" in claims, given.no_loss == "True")
    for levels, is_held, counts in zip(memory.of, held, (True, is_margin, is_margin), strict=True):
        levels[place] = level if counts and (is_held or is_same_runs) else levels[place]
    if is_same_runs and is_margin and not now["is_moved"]:
        memory.kept[place], memory.no_loss[place] = given.verdict, given.no_loss


def _weaker(rows: pd.DataFrame, others: dict[int, tuple[str, bool]], word: str) -> pd.DataFrame:
    """Return the rows, those with another verdict by the weaker of both; the word names the cause."""
    rows = rows.copy()
    for place, (second, is_no_loss) in others.items():
        first, reason, no_loss = rows.loc[place, ["verdict", "reason", "no_loss"]]
        if first == NO_VERDICT:
            continue
        no_loss = no_loss if pd.isna(no_loss) else bool(no_loss) and (pd.isna(is_no_loss) or bool(is_no_loss))
        verdict = weaker_verdict(first, second)
        if second != first:
            told = f"{word}:{first}/{second}"
            reason = told if verdict == NO_VERDICT else SEPARATOR.join(filter(None, (told, reason)))
            no_loss = pd.NA if verdict == NO_VERDICT else no_loss
        rows.loc[place, ["verdict", "reason", "no_loss"]] = [verdict, reason, no_loss]
    return rows


def _ids(runs: str) -> list[str]:
    """Return the runs of both sides."""
    return runs.replace("/", " ").split()
