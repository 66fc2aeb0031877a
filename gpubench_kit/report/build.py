"""The whole report of one review: made beside its place, and moved there only when it is whole."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import quote

import nbformat
import pandas as pd
from markupsafe import Markup
from nbformat import NotebookNode

from gpubench_kit import page as sections_of_pages
from gpubench_kit.logs.review import Review, open_review
from gpubench_kit.model.errors import ReportError
from gpubench_kit.model.formats import current_manifest
from gpubench_kit.model.plan import ReviewPlan, load_plan
from gpubench_kit.model.tables import CLAIMS, COMPARISONS, OVERALL, RUN_METRICS, RUNS, Table
from gpubench_kit.page.elements import render
from gpubench_kit.page.section import Section
from gpubench_kit.page.stylesheet import look
from gpubench_kit.report.changes import CHANGES, check_same_review, corrections_of
from gpubench_kit.report.earlier_report import MANIFEST, PREVIOUS, EarlierReport, read_earlier
from gpubench_kit.report.html import ICON, check_page, page_of
from gpubench_kit.report.manifest import check_unchanged, input_hashes, json_rows, make_manifest
from gpubench_kit.report.package import add_table, json_text, read_table, write_parquet
from gpubench_kit.report.page_build import (
    Making,
    Progress,
    bundled_notebook,
    output_of,
    plan_file_of,
    run_bundled,
    tell_nobody,
)
from gpubench_kit.report.place import ReportPlace
from gpubench_kit.sheet import load_run_sheet
from gpubench_kit.sheet.look_files import GIVEN_FILE, LOOKS_FILE
from gpubench_kit.sheet.looks import open_looks, run_ids
from gpubench_kit.sheet.text import SHEET_FILES
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.names import metric_label
from gpubench_kit.wording.numbers import change_text, interval_text
from gpubench_kit.wording.terms import metric_of
from gpubench_kit.wording.verdicts import mark_of

NOTEBOOK = "card_review.ipynb"
#: Reports in a folder of this name are listed on a page of their own.
_SITE = "reports"

_RAN, _LAID_OUT = 0.94, 0.98


def build_report(
    folder: str | Path,
    output: str | Path | None = None,
    *,
    previous: str | Path | None = None,
    progress: Progress | None = None,
    record_look: bool = True,
    pictures: str = "film",
) -> Path:
    """Make the report of a review: page, tables, pictures, executed notebook, manifest.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``
    output : folder of the report; default ``reports/<name of the review folder>`` in the working directory
    previous : folder of an earlier report of this review: the page then says what changed since. It may be the
        folder that the report goes to
    progress : called with the share done and what is being done
    record_look : whether a new look at verdicts is written to ``looks.csv`` of the review
    pictures : ``film``, ``all`` or ``none``; see `gpubench_kit.page.film.write.write_film`

    Returns
    -------
    Path of ``index.html``

    Raises
    ------
    GpubenchError : the plan, the run sheet or a log cannot be used, the earlier report is none or of another
        review, or the report cannot be written; a report that stood there is then as it was
    """
    making = Making(pictures=pictures)
    page = make_report(folder, output, previous=previous, progress=progress, record_look=record_look, making=making)
    list_reports(page.parent.parent)
    return page


def list_reports(folder: Path) -> None:
    """Make the list of all reports in a folder anew, where it is one for reports.

    Parameters
    ----------
    folder : folder around the folder of a report

    Raises
    ------
    ReportError : the list cannot be written
    """
    if folder.name == _SITE:
        write_site_index(folder)


def make_report(
    folder: str | Path,
    output: str | Path | None = None,
    *,
    previous: str | Path | None = None,
    progress: Progress | None = None,
    record_look: bool = True,
    making: Making | None = None,
) -> Path:
    """Make the report of a review as `build_report` does, but leave the list of reports as it is.

    Parameters
    ----------
    folder, output, previous, progress, record_look : as in `build_report`
    making : cores and pictures; see `gpubench_kit.report.page_build.Making`

    Returns
    -------
    Path of ``index.html``

    Raises
    ------
    GpubenchError : as `build_report`
    """
    tell = progress or tell_nobody
    tell(0.0, "checking plan and run sheet")
    making = making or Making()
    made_of = MadeOf.of(folder, making.pictures)
    # Before anything is made: the earlier report may stand where this one goes.
    earlier = read_earlier(previous) if previous is not None else None
    if earlier is not None:
        check_same_review(earlier, made_of.plan.review.title, {card.name for card in made_of.plan.cards})
    before = made_of.hashes()
    place = ReportPlace(output_of(made_of.plan, output), made_of.plan.folder)
    with place as staging:
        executed = run_bundled(NOTEBOOK, made_of.plan_file, staging, tell=tell, until=_RAN, making=making)
        tell(_RAN, "laying out the page")
        runs = _table_of(staging, RUNS)
        check_unchanged(before, made_of.hashes(), runs)
        looks = count_look(staging, made_of.plan, is_recorded=record_look)
        manifest = made_of.manifest(staging, looks=looks)
        # Looks were written down just now.
        check_unchanged(before, {name: manifest["inputs"].get(name, "") for name in before}, runs)
        sections = [] if earlier is None else [_told_changes(earlier, manifest, staging, made_of.plan)]
        _write(staging / "index.html", page_of(executed, after_head=sections))
        tell(_LAID_OUT, "writing the manifest")
        _write(staging / "notebooks" / NOTEBOOK, nbformat.writes(published(executed)) + "\n")
        _write(staging / MANIFEST, json_text(manifest))
        if making.parquet:
            write_parquet(staging)
        place.finish()
    tell(1.0, "done")
    return place.target / "index.html"


def is_up_to_date(
    folder: str | Path, report: Path, *, previous: str | Path | None = None, pictures: str = "film"
) -> bool:
    """Return whether a report is whole and made of what there is now: inputs, decisions, versions.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``
    report : folder of the report
    previous : the earlier report that it has to be told against; none: whether it lists corrections is not asked
    pictures : the pictures that it has to have

    Raises
    ------
    GpubenchError : the plan, the run sheet or the earlier report cannot be used, or a log is missing
    """
    wanted = read_earlier(previous).fingerprint if previous is not None else None
    now = MadeOf.of(folder, pictures).without_results()
    try:
        there = read_earlier(report)
    except ReportError:
        return False
    told = (there.manifest.get(PREVIOUS) or {}).get("fingerprint")
    is_told = wanted is None or told == wanted
    return is_told and all(there.manifest.get(name) == value for name, value in now.items())


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
    """Return the looks made so far, this one included, and write a new one down with what it gives.

    It is written before the report is in its place: should the run be killed in between, the next one
    shows the same runs, which is no new look.
    """
    runs, values = (_table_of(staging, declared) for declared in (RUNS, RUN_METRICS))
    used = runs.assign(run_id=run_ids(runs))[runs["used"]]
    looks = open_looks(plan, values[values["value"].notna()].merge(used, on="run"))
    if is_recorded:
        given = (
            _table_of(staging, one) if (staging / "tables" / f"{one.name}.csv").exists() else None
            for one in (COMPARISONS, OVERALL)
        )
        looks.record(*given)
    return looks.made


@dataclass(frozen=True)
class MadeOf:
    """What a report is made of: plan, run sheet and logs, all checked."""

    plan_file: Path
    plan: ReviewPlan
    sheet: str
    review: Review
    pictures: str

    @classmethod
    def of(cls, folder: str | Path, pictures: str) -> MadeOf:
        """Return what the report of a review is made of, or raise what is wrong with it."""
        plan_file = plan_file_of(folder)
        plan = load_plan(plan_file)
        sheet = load_run_sheet(plan, for_report=True)
        return cls(plan_file, plan, sheet.file, open_review(plan), pictures)

    def manifest(self, staging: Path, *, looks: int) -> dict[str, Any]:
        """Return what made the report and what it says, from the tables that the notebook wrote."""
        overall, comparisons, claims = (_table_of(staging, one) for one in (OVERALL, COMPARISONS, CLAIMS))
        results = {"overall": overall, "comparisons": comparisons, "claims": claims}
        manifest = make_manifest(self.plan, self._inputs(), **results, looks_made=looks)
        return manifest | {"pictures": self.pictures}

    def without_results(self) -> dict[str, Any]:
        """Return the manifest's part that is known before anything is made, as JSON gives it back."""
        none = {"overall": OVERALL.frame(), "comparisons": COMPARISONS.frame(), "claims": CLAIMS.frame()}
        manifest = make_manifest(self.plan, self._inputs(), **none, looks_made=0) | {"pictures": self.pictures}
        known = {name: value for name, value in manifest.items() if name not in ("verdicts", "looks_made")}
        return json.loads(json_text(known))

    def hashes(self) -> dict[str, str]:
        """Return the hash of every file that is read, by its name; looks are written down meanwhile."""
        return hashes_of(self.plan, self.plan_file, self.review)

    def _inputs(self) -> list[str]:
        """Return every file that a report is made of, relative to the review's folder."""
        files = [self.plan_file.name, self.sheet]
        files += [name for name in (LOOKS_FILE, GIVEN_FILE) if (self.plan.folder / name).exists()]
        return [*files, *_logs(self.review)]


def hashes_of(plan: ReviewPlan, plan_file: Path, review: Review | None) -> dict[str, str]:
    """Return the hash of every file that a page of a review is made of, by its name.

    Parameters
    ----------
    plan : the review's plan
    plan_file : where it stands
    review : the review's logs; None where there is no run sheet yet

    Raises
    ------
    ReportError : a file cannot be read any more
    """
    sheets = [name for name in SHEET_FILES if (plan.folder / name).is_file()]
    return input_hashes(plan, [plan_file.name, *sheets, *(_logs(review) if review else ())])


def _told_changes(earlier: EarlierReport, manifest: dict[str, Any], staging: Path, plan: ReviewPlan) -> Section:
    """Return the section on what changed since the earlier report; its rows go to the tables and the manifest."""
    corrections, is_new = corrections_of(earlier, manifest)
    add_table(CHANGES.name, corrections, staging, plan=plan)
    rows = json_rows(corrections, CHANGES.names)
    filled = [{name: value for name, value in row.items() if value not in (None, "")} for row in rows]
    manifest[PREVIOUS] = {"fingerprint": earlier.fingerprint, "corrections": filled}
    return sections_of_pages.changes(corrections, is_new=is_new, fingerprint=earlier.fingerprint)


def _table_of(staging: Path, declared: Table) -> pd.DataFrame:
    """Return a table that the notebook wrote."""
    return read_table(staging / "tables" / f"{declared.name}.csv", declared)


def _logs(review: Review) -> list[str]:
    """Return the logs that were read, relative to the review's folder."""
    folder = review.plan.folder.resolve()
    paths = [Path(path) for task in review.tasks for path in (task.frame_path, task.sensor_path) if path]
    return [path.resolve().relative_to(folder).as_posix() for path in paths if path.exists()]


def _write(path: Path, text: str) -> None:
    """Write a file of the report; its folder is made."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="\n")


_PAGE = "index.html"
_MARK = '<main class="site">'
_RESULTS_SHOWN = 3


def write_site_index(folder: str | Path) -> Path:
    """Write the page that lists every report in a folder; links are relative, so the folder can be put anywhere.

    A page of that name which is not such a list is left alone.

    Parameters
    ----------
    folder : folder that holds report folders

    Returns
    -------
    Path of the page

    Raises
    ------
    ReportError : the page cannot be written
    """
    folder, page = Path(folder), Path(folder) / _PAGE
    if page.exists() and _MARK not in page.read_text(encoding="utf-8", errors="replace"):
        return page
    reports = sorted(_reports_in(folder), key=lambda one: one[0])
    entries = [_entry(name, manifest) for name, manifest in reports]
    html = str(
        render(
            "site_index.html.j2",
            {"style": Markup(look().css), "entries": entries, "icon": ICON},
        )
    )
    check_page(html)
    part = folder / f".{_PAGE}.part"
    try:
        part.write_text(html, encoding="utf-8", newline="\n")
        os.replace(part, page)
    except OSError as error:
        raise ReportError(f"{_PAGE}: the list of reports cannot be written ({error.strerror}).") from error
    return page


def _reports_in(folder: Path) -> list[tuple[str, dict[str, Any]]]:
    """Return the name and the manifest of every report in a folder; what is no report is skipped."""
    found = []
    for path in folder.glob("*/manifest.json"):
        try:
            manifest = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            continue
        is_report = isinstance(manifest, dict) and "format_version" in manifest and "verdicts" in manifest
        if is_report and (path.parent / _PAGE).exists():
            found.append((path.parent.name, current_manifest(manifest)))
    return found


def _entry(name: str, manifest: dict[str, Any]) -> dict[str, Any]:
    """Return one report: its title and address, what was measured, its first results over all games as tiles."""
    measured = manifest.get("measured") or {}
    cards = ", ".join(one["name"] for one in measured.get("cards", ()) if one.get("role") == "reviewed")
    drivers = ", ".join(dict.fromkeys(one["driver"] for one in measured.get("benches", ()) if one.get("driver")))
    about = (cards, measured.get("date", ""), say("method.driver", driver=drivers) if drivers else "")
    rows = [row for row in manifest["verdicts"]["overall"] if row["scope"] == "these_games"]
    return {
        "address": f"{quote(name)}/{_PAGE}",
        "title": manifest["title"],
        "about": " · ".join(filter(None, about)),
        "tiles": [_tile(row) for row in rows[:_RESULTS_SHOWN]],
    }


def _tile(row: dict[str, Any]) -> dict[str, Any]:
    """Return one result: what was compared in which metric, the change, the verdict, its interval."""
    unit = "%" if metric_of(row["metric"]).scale == "ratio" else metric_of(row["metric"]).unit
    of, against = row["of_tuning"], row["against_tuning"]
    if row["of_card"] != row["against_card"]:
        of, against = f"{row['of_card']}, {of}", f"{row['against_card']}, {against}"
    group = "" if row["group"] == "all" else f" ({row['group']})"
    pair = say("answer.pair", of=of, against=against)
    return {
        "label": f"{pair}{group}: {metric_label(row['metric'])}",
        "figure": change_text(row["change"], unit),
        "mark": mark_of(SimpleNamespace(**row)),
        "interval": interval_text(row.get("ci_low"), row.get("ci_high"), unit) if "ci_low" in row else "",
    }
