"""Planned runs added to a run sheet, for the tests of what comes next."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.schedule.run_sheet import extended_run_sheet


def extend_run_sheet(rows: pd.DataFrame, plan: ReviewPlan) -> Path | None:
    """Add planned runs to the run sheet for good; see `extended_run_sheet`."""
    with extended_run_sheet(rows, plan) as file:
        return file
