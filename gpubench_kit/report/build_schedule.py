"""The plan of a bench session in one command: page and printed sheet beside the report, rows into the run sheet."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import nbformat
import pandas as pd

from gpubench_kit.bundled import bundled_path
from gpubench_kit.model.errors import Fault, PlanError, ReportError
from gpubench_kit.model.plan import PLAN_FILE, ReviewPlan, load_plan
from gpubench_kit.page.planning_words import in_lines
from gpubench_kit.page.printed_sheet import printed_sheet
from gpubench_kit.report.html import check_page, page_of
from gpubench_kit.report.notebook_run import run_notebook
from gpubench_kit.report.package import csv_text, read_table
from gpubench_kit.report.place import ReportPlace
from gpubench_kit.schedule.earlier_noise import PREVIOUS, noise_file_of
from gpubench_kit.schedule.make import Schedule
from gpubench_kit.schedule.sheet import check_extendable, extended_run_sheet, swap_file
from gpubench_kit.schedule.tables import PLANNED_RUNS
from gpubench_kit.sheet import load_run_sheet
from gpubench_kit.sheet.text import SHEET_FILES

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
        (folder / TOLD_FILE).write_text("\n".join(in_lines(schedule)) + "\n", encoding="utf-8")
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


NOTEBOOK, PAGE_FILE = "plan_runs.ipynb", "plan.html"

_RAN = 0.92


@dataclass(frozen=True)
class PlannedEvening:
    """What the command made.

    Attributes
    ----------
    page : the page
    printed : the run sheet for the printer
    sheet : the run sheet that rows were added to; None where there were none
    added : rows added
    summary : what the page says at its head, in lines
    """

    page: Path
    printed: Path
    sheet: Path | None
    added: int
    summary: tuple[str, ...]


def build_schedule(
    folder: str | Path,
    output: str | Path | None = None,
    *,
    previous: str | Path | None = None,
    progress: Callable[[float, str], None] | None = None,
) -> PlannedEvening:
    """Plan the next bench session of a review: page, printed run sheet, new rows at the end of ``runs.csv``.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``
    output : folder for the pages; default ``reports/<name of the review folder>`` in the working directory
    previous : earlier report whose noise is counted with; its table is kept as ``noise.csv`` in the folder
    progress : called with the share done and what is being done

    Returns
    -------
    PlannedEvening

    Raises
    ------
    GpubenchError : plan, run sheet or noise cannot be used, or nothing can be written; all files are then
        as they were
    """
    tell = progress or _tell_nobody
    tell(0.0, "checking plan and run sheet")
    plan_file = Path(folder) if Path(folder).is_file() else Path(folder) / PLAN_FILE
    plan = load_plan(plan_file)
    if any((plan.folder / name).exists() for name in SHEET_FILES):
        check_extendable(plan)
        load_run_sheet(plan)
    target = Path(output) if output else Path.cwd() / "reports" / plan.folder.resolve().name
    place = ReportPlace(target, plan.folder, names=(PAGE_FILE, PRINTED_FILE))
    with place as staging, _previous_kept(previous, plan):
        _make(plan_file, staging, tell=tell)
        rows = read_new_rows(staging)
        told = tuple((staging / TOLD_FILE).read_text(encoding="utf-8").splitlines())
        with extended_run_sheet(rows, plan) as sheet:
            place.finish()
    tell(1.0, "done")
    return PlannedEvening(place.target / PAGE_FILE, place.target / PRINTED_FILE, sheet, len(rows), told)


def _make(plan_file: Path, staging: Path, *, tell: Callable[[float, str], None]) -> None:
    """Run the notebook and lay out the page, both into the staging folder."""
    notebook = nbformat.read(bundled_path("notebooks", NOTEBOOK), as_version=4)
    count = len(notebook.cells) + 1
    parameters = {"plan_file": str(plan_file.absolute()), "output_folder": str(staging.absolute())}
    executed = run_notebook(
        notebook,
        parameters,
        name=NOTEBOOK,
        on_cell=lambda done: tell(_RAN * min(done / count, 1.0), "planning the bench session"),
    )
    tell(_RAN, "laying out the page")
    (staging / PAGE_FILE).write_text(page_of(executed), encoding="utf-8", newline="\n")


@contextmanager
def _previous_kept(previous: str | Path | None, plan: ReviewPlan) -> Iterator[None]:
    """Keep the noise of an earlier report in the review folder; take it back if the plan comes to nothing."""
    if previous is None:
        yield
        return
    if plan.session_plan.noise_from in ("pilot", "typical"):
        problem = f"'{plan.session_plan.noise_from}' was found, so the earlier report would not be looked at."
        raise PlanError(
            Fault("plan.toml, session_plan.noise_from", problem, 'Write "archive", or leave out --previous.')
        )
    found, kept = noise_file_of(previous), plan.folder / PREVIOUS
    before = kept.read_bytes() if kept.exists() else None
    content = found.read_bytes()
    swap_file(kept, content)
    try:
        yield
    except BaseException:
        swap_file(kept, before)
        raise


def _tell_nobody(share: float, what: str) -> None:
    """Take note of progress that nobody asked for."""
