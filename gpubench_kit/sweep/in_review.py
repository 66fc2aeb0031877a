"""The sweep as a part of a review: there where the plan names a ladder and settings of it were measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from gpubench_kit.model.errors import GpubenchError
from gpubench_kit.sweep.find import Sweep, find_tuning


@dataclass(frozen=True)
class SweepInReview:
    """A sweep, or why the review has none.

    Attributes
    ----------
    found : what the sweep shows; None where there is none
    why : why there is none; empty where there is one
    """

    found: Sweep | None
    why: str = ""

    @property
    def tables(self) -> Mapping[str, pd.DataFrame]:
        """Tables of the sweep by name; none without one."""
        return self.found.tables if self.found else {}


def sweep_in_review(usable: pd.DataFrame, runs: pd.DataFrame, plan, *, looks_made: int = 0) -> SweepInReview:
    """Search the ladder of a review, where its plan names one.

    Parameters
    ----------
    usable : DataFrame, one row per usable run and metric; see ``tables.USABLE``
    runs : DataFrame, one row per run, those left out too; see ``tables.RUNS``
    plan : ReviewPlan
    looks_made : looks at verdicts so far, this one included

    Returns
    -------
    SweepInReview; a review without a sweep, or with one that cannot be searched, is a review all the same
    """
    if not plan.sweep.ladder:
        return SweepInReview(None, "the plan names no ladder of settings")
    try:
        found = find_tuning(usable, runs, plan, looks_made=looks_made)
    except GpubenchError as error:
        return SweepInReview(None, f"the ladder cannot be searched: {error.faults[0].problem.rstrip('.')}")
    return SweepInReview(found) if len(found.answers) else SweepInReview(None, "no setting of it was measured")
