"""What a review folder holds before it is planned on: rows of the run sheet, runs recorded, looks made."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from gpubench_kit.checks.review import check_review, exclude_runs
from gpubench_kit.logs.review import open_review
from gpubench_kit.metrics.per_run import compute_run_metrics
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import RUN_SHEET, USABLE
from gpubench_kit.sheet import load_run_sheet
from gpubench_kit.sheet.looks import Looks, open_looks
from gpubench_kit.sheet.text import SHEET_FILES

#: Runs from which the planner learns how noisy the bench is.
_PURPOSES = ("measure", "soak", "pilot")


@dataclass(frozen=True)
class SoFar:
    """What there is of a review.

    Attributes
    ----------
    has_sheet : whether there is a run sheet
    runs : its rows, see ``tables.RUN_SHEET``, with ``is_recorded``
    usable : values of recorded runs, pilots included; see ``tables.USABLE``
    seen : looks at verdicts made so far, and what they gave
    """

    has_sheet: bool
    runs: pd.DataFrame
    usable: pd.DataFrame
    seen: Looks

    @property
    def looks(self) -> int:
        """Looks at verdicts made so far."""
        return len(self.seen.rows)

    @property
    def is_shown(self) -> bool:
        """Whether a report has shown these very runs."""
        return self.seen.known > 0

    @property
    def pending(self) -> pd.DataFrame:
        """Rows of runs that are planned but not recorded yet."""
        return self.runs[~self.runs["is_recorded"] & (self.runs["excluded"] == "")]


def read_so_far(plan: ReviewPlan) -> SoFar:
    """Read what there is of a review: its run sheet, the logs so far, the looks made.

    Parameters
    ----------
    plan : the review's plan, with its folder

    Returns
    -------
    SoFar

    Raises
    ------
    TableError : the run sheet or the file of looks cannot be read, or has faults; all are listed

    Notes
    -----
    A log that is missing or broken leaves out its run; telling so is the business of ``check``.
    """
    looks = open_looks(plan)
    if not any((plan.folder / name).exists() for name in SHEET_FILES):
        empty = RUN_SHEET.frame().assign(is_recorded=pd.Series(dtype=bool))
        return SoFar(False, empty, USABLE.frame(), looks)
    # Faults of rows stop the planner: rows that cannot be read cannot be counted.
    sheet = load_run_sheet(plan)
    if not len(sheet.runs):
        return SoFar(True, sheet.runs.assign(is_recorded=pd.Series(dtype=bool)), USABLE.frame(), looks)
    review = open_review(plan, keep_going=True)
    run_metrics = compute_run_metrics(review, plan)
    findings = check_review(review, run_metrics, plan)
    usable = exclude_runs(review, run_metrics, findings, purposes=_PURPOSES)
    in_verdicts = usable[usable["purpose"] != "pilot"]
    runs = review.runs.assign(is_recorded=lambda rows: rows["is_recorded"].astype(bool))
    return SoFar(True, runs, usable, open_looks(plan, in_verdicts))
