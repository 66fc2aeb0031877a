"""The whole report of one review: made beside its place, and moved there only when it is whole."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import nbformat
import pandas as pd
from nbformat import NotebookNode

from gpubench_kit.looks import LOOKS_FILE, looks_made, used_runs_fingerprint
from gpubench_kit.looks import record_look as record
from gpubench_kit.plan import ReviewPlan, load_plan
from gpubench_kit.reading.review import Review, open_review
from gpubench_kit.report.html import page_of
from gpubench_kit.report.manifest import make_manifest
from gpubench_kit.report.package import json_text, read_table
from gpubench_kit.report.page_build import (
    Progress,
    bundled_notebook,
    output_of,
    plan_file_of,
    run_bundled,
    tell_nobody,
)
from gpubench_kit.report.place import ReportPlace
from gpubench_kit.report.site_index import write_site_index
from gpubench_kit.run_sheet import load_run_sheet
from gpubench_kit.table_declaration import Table
from gpubench_kit.tables import COMPARISONS, OVERALL, RUN_METRICS, RUNS

NOTEBOOK = "card_review.ipynb"
#: Reports in a folder of this name are listed on a page of their own.
_SITE = "reports"

_RAN, _LAID_OUT = 0.94, 0.98


def build_report(
    folder: str | Path,
    output: str | Path | None = None,
    *,
    progress: Progress | None = None,
    record_look: bool = True,
) -> Path:
    """Make the report of a review: page, tables, pictures, executed notebook, manifest.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``
    output : folder of the report; default ``reports/<name of the review folder>`` in the working directory
    progress : called with the share done and what is being done
    record_look : whether a new look at verdicts is written to ``looks.csv`` of the review

    Returns
    -------
    Path of ``index.html``

    Raises
    ------
    GpubenchError : the plan, the run sheet or a log cannot be used, or the report cannot be written; an earlier
        report is then as it was
    """
    tell = progress or tell_nobody
    tell(0.0, "checking plan and run sheet")
    plan_file = plan_file_of(folder)
    plan = load_plan(plan_file)
    sheet = load_run_sheet(plan, for_report=True)
    review = open_review(plan)
    place = ReportPlace(output_of(plan, output), plan.folder)
    with place as staging:
        executed = run_bundled(NOTEBOOK, plan_file, staging, tell=tell, until=_RAN)
        tell(_RAN, "laying out the page")
        _write(staging / "index.html", page_of(executed))
        tell(_LAID_OUT, "writing the manifest")
        _write(staging / "notebooks" / NOTEBOOK, nbformat.writes(published(executed)) + "\n")
        looks = count_look(staging, plan, is_recorded=record_look)
        made_by = _manifest(review, [plan_file.name, sheet.file], staging=staging, looks=looks)
        _write(staging / "manifest.json", json_text(made_by))
        place.finish()
    if place.target.parent.name == _SITE:
        write_site_index(place.target.parent)
    tell(1.0, "done")
    return place.target / "index.html"


def review_notebook() -> NotebookNode:
    """Return the notebook that makes the page, as it comes with the kit."""
    return bundled_notebook(NOTEBOOK)


def published(executed: NotebookNode) -> NotebookNode:
    """Return an executed notebook without paths and times of the machine it ran on.

    Parameters
    ----------
    executed : notebook as it was run
    """
    cells = [cell for cell in executed.cells if "injected-parameters" not in cell.metadata.get("tags", [])]
    for cell in cells:
        cell.metadata = NotebookNode({"tags": cell.metadata["tags"]} if cell.metadata.get("tags") else {})
    metadata = {name: value for name, value in executed.metadata.items() if name != "papermill"}
    return NotebookNode({**executed, "cells": cells, "metadata": NotebookNode(metadata)})


def count_look(staging: Path, plan: ReviewPlan, *, is_recorded: bool) -> int:
    """Return the looks made so far, this one included, and write a new one down.

    It is written before the report is in its place: should the run be killed in between, the next one
    shows the same runs, which is no new look.
    """
    runs, values = (_table_of(staging, declared) for declared in (RUNS, RUN_METRICS))
    usable = values[values["value"].notna()].merge(runs[runs["used"]], on="run")
    fingerprint = used_runs_fingerprint(usable)
    if is_recorded:
        return record(plan.folder, fingerprint, plan=plan)
    return looks_made(plan.folder, fingerprint)


def _table_of(staging: Path, declared: Table) -> pd.DataFrame:
    """Return a table that the notebook wrote."""
    return read_table(staging / "tables" / f"{declared.name}.csv", declared)


def _manifest(review: Review, files: list[str], *, staging: Path, looks: int) -> dict[str, Any]:
    """Return what made the report, plan and run sheet included."""
    overall, comparisons = (_table_of(staging, declared) for declared in (OVERALL, COMPARISONS))
    if (review.plan.folder / LOOKS_FILE).exists():
        files = [*files, LOOKS_FILE]
    inputs = [*files, *_logs(review)]
    return make_manifest(review.plan, inputs, overall=overall, comparisons=comparisons, looks_made=looks)


def _logs(review: Review) -> list[str]:
    """Return the logs that were read, relative to the review's folder."""
    folder = review.plan.folder.resolve()
    paths = [path for task in review.tasks for path in (task.frame_path, task.sensor_path) if path is not None]
    return [path.resolve().relative_to(folder).as_posix() for path in paths if path.exists()]


def _write(path: Path, text: str) -> None:
    """Write a file of the report; its folder is made."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="\n")
