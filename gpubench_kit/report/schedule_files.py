"""Files of a planned evening: the run sheet for the printer, and the rows to be added to ``runs.csv``."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from gpubench_kit.model.errors import Fault, ReportError
from gpubench_kit.page.planning_words import told_in_lines
from gpubench_kit.page.printed_sheet import printed_sheet
from gpubench_kit.report.html import check_page
from gpubench_kit.report.package import csv_text, read_table
from gpubench_kit.schedule.make import Schedule
from gpubench_kit.schedule.tables import PLANNED_RUNS

ROWS_FILE, PRINTED_FILE, TOLD_FILE = "new_runs.csv", "run_sheet.html", "plan.txt"


def write_schedule(schedule: Schedule, folder: str | Path) -> Path:
    """Write the run sheet for the printer, and the rows that the command adds to ``runs.csv``.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make_schedule`
    folder : where; ``run_sheet.html``, ``new_runs.csv`` and, in a few lines, ``plan.txt`` are written

    Returns
    -------
    Path of the folder

    Raises
    ------
    ReportError : a file cannot be written
    """
    folder = Path(folder)
    page = printed_sheet(schedule)
    check_page(page)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / ROWS_FILE).write_text(csv_text(schedule.rows, PLANNED_RUNS), encoding="utf-8", newline="")
        (folder / TOLD_FILE).write_text("\n".join(told_in_lines(schedule)) + "\n", encoding="utf-8")
        (folder / PRINTED_FILE).write_text(page, encoding="utf-8", newline="\n")
    except OSError as error:
        problem = f"the plan cannot be written ({error.strerror or error})."
        raise ReportError(
            Fault(f"output folder '{folder.name}'", problem, "Name another with --output.")
        ) from error
    return folder


def read_new_rows(folder: Path) -> pd.DataFrame:
    """Return the rows that `write_schedule` wrote."""
    return read_table(folder / ROWS_FILE, PLANNED_RUNS)
