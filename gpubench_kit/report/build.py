"""The whole report of one review: made beside its place, and moved there only when it is whole."""

from __future__ import annotations

import json
import os
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import quote

from markupsafe import Markup

from gpubench_kit.model.errors import ReportError, check_folder, check_given
from gpubench_kit.model.formats import current_manifest
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import CLAIMS, COMPARISONS, OVERALL, RUN_METRICS, RUNS
from gpubench_kit.page.caveats import changes
from gpubench_kit.page.elements import look, render
from gpubench_kit.page.film import check_pictures
from gpubench_kit.report.earlier_report import (
    CHANGES,
    MANIFEST,
    PREVIOUS,
    check_same_review,
    corrections_of,
    read_earlier,
)
from gpubench_kit.report.manifest import Inputs, check_unchanged, json_rows
from gpubench_kit.report.notebook_run import ICON, check_page
from gpubench_kit.report.package import add_table, json_text, write_parquet
from gpubench_kit.report.page_build import (
    Making,
    PageKind,
    Progress,
    StagedPage,
    staged_for_review,
    tell_nobody,
    write_text,
)
from gpubench_kit.sheet.looks import open_looks, run_ids
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import change_text, interval_text
from gpubench_kit.wording.terms import day_text, mark_of, metric_label, metric_of, subject_text, unit_of_change

NOTEBOOK = "card_review.ipynb"
REPORT = PageKind(NOTEBOOK)
#: Reports in a folder of this name are listed on a page of their own.
_SITE = "reports"


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
    pictures : ``film``, ``all`` or ``none``; see `gpubench_kit.page.film.write_film`

    Returns
    -------
    Path of ``index.html``

    Raises
    ------
    GpubenchError : the plan, the run sheet or a log cannot be used, the earlier report is none or of another
        review, or the report cannot be written; a report that stood there is then as it was
    """
    check_folder(folder)
    for one in filter(lambda given: given is not None, (output, previous)):
        check_folder(one, wanted="the folder of a report", error=ReportError)
    check_given(record_look, bool, where="record_look", wanted="True or False", error=ReportError)
    check_pictures(pictures)
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
    tell, making = progress or tell_nobody, making or Making()
    tell(0.0, say("told.progress.checking"))
    inputs = Inputs.of(folder, for_report=True)
    plan = inputs.plan
    # Before anything is made: the earlier report may stand where this one goes.
    earlier = read_earlier(previous) if previous is not None else None
    if earlier is not None:
        check_same_review(earlier, plan.review.title, {card.name for card in plan.cards})
    before = inputs.hashes()
    with staged_for_review(REPORT, inputs, output, tell=tell, making=making) as made:
        runs, after_head = made.table(RUNS), []
        check_unchanged(before, inputs.hashes(), runs)
        looks = count_look(made, plan, is_recorded=record_look)
        results = {one.name: made.table(one) for one in (OVERALL, COMPARISONS, CLAIMS)}
        manifest = inputs.manifest(making.pictures, looks, results)
        # Looks were written down just now.
        check_unchanged(before, {name: manifest["inputs"].get(name, "") for name in before}, runs)
        if earlier is not None:
            corrections, is_new = corrections_of(earlier, manifest)
            add_table(CHANGES.name, corrections, made.folder, plan=plan)
            rows = json_rows(corrections, CHANGES.names)
            filled = [{name: value for name, value in row.items() if value not in (None, "")} for row in rows]
            manifest[PREVIOUS] = {"fingerprint": earlier.fingerprint, "corrections": filled}
            after_head = [changes(corrections, is_new=is_new, fingerprint=earlier.fingerprint)]
        made.lay_out(after_head)
        made.keep_notebook()
        write_text(made.folder / MANIFEST, json_text(manifest))
        if making.parquet:
            write_parquet(made.folder)
        made.place.finish()
    return made.page


def is_up_to_date(
    folder: str | Path, report: Path, *, previous: str | Path | None = None, pictures: str = "film"
) -> bool:
    """Return whether a report is whole and made of what there is now: inputs, decisions, versions.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``
    report : folder of the report
    previous : the earlier report that it has to be held against; none: whether it lists corrections is not asked
    pictures : the pictures that it has to have

    Raises
    ------
    GpubenchError : the plan, the run sheet or the earlier report cannot be used, or a log is missing
    """
    wanted = read_earlier(previous).fingerprint if previous is not None else None
    now = Inputs.of(folder, for_report=True).without_results(pictures)
    try:
        manifest = read_earlier(report).manifest
    except ReportError:
        return False
    is_held_against_it = wanted in (None, (manifest.get(PREVIOUS) or {}).get("fingerprint"))
    return is_held_against_it and all(manifest.get(name) == value for name, value in now.items())


def count_look(made: StagedPage, plan: ReviewPlan, *, is_recorded: bool) -> int:
    """Return the looks made so far, this one included, and write a new one down with what it gives.

    It is written before the report is in its place: should the run be killed in between, the next one
    shows the same runs, which is no new look.

    Parameters
    ----------
    made : the page
    plan : of the review
    is_recorded : whether the look is written down
    """
    runs, values = made.table(RUNS), made.table(RUN_METRICS)
    used = runs.assign(run_id=run_ids(runs))[runs["used"]]
    looks = open_looks(plan, values[values["value"].notna()].merge(used, on="run"))
    if is_recorded:
        given = (one for one in (COMPARISONS, OVERALL) if (made.files / "tables" / f"{one.name}.csv").exists())
        looks.record(*map(made.table, given))
    return looks.made


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
    titles = [manifest["title"] for _, manifest in reports]
    entries = [_entry(*one, is_alone=titles.count(one[1]["title"]) == 1) for one in reports]
    html = str(render("site_index.html.j2", {"style": Markup(look().css), "entries": entries, "icon": ICON}))
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


def _entry(name: str, manifest: dict[str, Any], *, is_alone: bool) -> dict[str, Any]:
    """Return one report: its title and address, what was measured, its first results over all games as tiles.

    One of several with the same title, such as a corrected one, is told apart by its folder.
    """
    measured = manifest.get("measured") or {}
    cards = ", ".join(one["name"] for one in measured.get("cards", ()) if one.get("role") == "reviewed")
    drivers = ", ".join(dict.fromkeys(one["driver"] for one in measured.get("benches", ()) if one.get("driver")))
    day = day_text(date.fromisoformat(measured["date"])) if measured.get("date") else ""
    about = " · ".join(filter(None, (cards, day, drivers, "" if is_alone else name)))
    rows = [row for row in manifest["verdicts"]["overall"] if row["scope"] == "these_games"]
    tiles = [_tile(row) for row in rows[:_RESULTS_SHOWN]]
    return {"address": f"{quote(name)}/{_PAGE}", "title": manifest["title"], "about": about, "tiles": tiles}


def _tile(row: dict[str, Any]) -> dict[str, Any]:
    """Return one result: what was compared in which metric, the change, the verdict, its interval."""
    unit = unit_of_change(metric_of(row["metric"]))
    sides = [[row.get(f"{side}_{one}") or "" for one in ("card", "tuning", "bench")] for side in ("of", "against")]
    told = {"with_card": sides[0][0] != sides[1][0], "with_bench": sides[0][2] != sides[1][2]}
    of, against = (subject_text(one, **told) for one in sides)
    group = "" if row["group"] == "all" else f" ({row['group']})"
    pair = say("answer.pair", of=of, against=against)
    return {
        "label": f"{pair}{group}: {metric_label(row['metric'])}",
        "figure": change_text(row["change"], unit),
        "mark": mark_of(SimpleNamespace(**row)),
        "interval": interval_text(row.get("ci_low"), row.get("ci_high"), unit) if "ci_low" in row else "",
    }
