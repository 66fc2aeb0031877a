"""The archive in one command: page, tables, Parquet files and pictures of all reports below some folders."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import nbformat
import pandas as pd

from gpubench_kit.archive.gather import check_any
from gpubench_kit.archive.noise import plan_line
from gpubench_kit.archive.reports import ARCHIVE, KIND, MANIFEST, find_reports, stamps_of
from gpubench_kit.archive.tables import RESTART_SPREAD, REVIEWS, RUN_NOISE
from gpubench_kit.model.formats import FORMAT_VERSION
from gpubench_kit.model.tables import FINDINGS
from gpubench_kit.report.build import published
from gpubench_kit.report.html import page_of
from gpubench_kit.report.manifest import check_unchanged
from gpubench_kit.report.notebook_run import run_notebook
from gpubench_kit.report.package import json_text, read_table
from gpubench_kit.report.page_build import Progress, page_notebook, tell_nobody
from gpubench_kit.report.place import ReportPlace, check_target
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import count_text

NOTEBOOK, PAGE_FILE = "archive.ipynb", "index.html"

_LOOKED, _RAN = 0.04, 0.96
_PACKAGES = ("duckdb", "numpy", "pandas", "scipy", "matplotlib")


@dataclass(frozen=True)
class MadeArchive:
    """What the command made.

    Attributes
    ----------
    page : the page
    is_noise_known : whether any game was run twice, so that the archive says something of the bench
    summary : what it says, in lines
    """

    page: Path
    is_noise_known: bool
    summary: tuple[str, ...]


def build_archive(
    folders: Sequence[str | Path], output: str | Path | None = None, *, progress: Progress | None = None
) -> MadeArchive:
    """Gather all reports below folders into an archive with its page.

    Parameters
    ----------
    folders : folders that hold reports, at any depth
    output : folder of the archive; default ``reports/archive`` in the working directory
    progress : called with the share done and what is being done

    Returns
    -------
    MadeArchive

    Raises
    ------
    GpubenchError : there is no report that can be read, or the archive cannot be written; an earlier archive is
        then as it was
    """
    tell = progress or tell_nobody
    tell(0.0, "looking for reports")
    found = find_reports(folders)
    check_any(found.candidates, found.findings, found, folders=folders)
    target = Path(output) if output else Path.cwd() / "reports" / "archive"
    for folder in folders:
        check_target(target.absolute(), Path(folder).resolve(), is_archive=True)
    before = stamps_of(found.candidates)
    place = ReportPlace(target, folders[0], is_archive=True)
    with place as staging:
        executed = _run(folders, staging, tell=tell)
        tell(_RAN, "laying out the page")
        _write(staging / PAGE_FILE, page_of(executed))
        _write(staging / "notebooks" / NOTEBOOK, nbformat.writes(published(executed)) + "\n")
        _write(staging / MANIFEST, json_text(_manifest(_table(staging, REVIEWS))))
        check_unchanged(before, stamps_of(find_reports(folders).candidates))
        made = MadeArchive(place.target / PAGE_FILE, bool(len(_table(staging, RUN_NOISE))), tuple(_told(staging)))
        place.finish()
    tell(1.0, "done")
    return made


def _run(folders: Sequence[str | Path], staging: Path, *, tell: Progress) -> nbformat.NotebookNode:
    """Run the notebook into the staging folder."""
    notebook = page_notebook(NOTEBOOK)
    count = len(notebook.cells) + 1
    parameters = {
        "report_folders": [str(Path(one).absolute()) for one in folders],
        "output_folder": str(staging.absolute()),
    }
    tell(_LOOKED, "reading the tables of all reports")
    return run_notebook(
        notebook,
        parameters,
        name=NOTEBOOK,
        on_cell=lambda done: tell(_LOOKED + (_RAN - _LOOKED) * min(done / count, 1.0), "asking the archive"),
    )


def _manifest(reviews: pd.DataFrame) -> dict[str, Any]:
    """Return what made the archive: its reports by the hash of their content, and versions."""
    reports = {
        row.review: {
            "place": row.place,
            "title": row.title,
            "date": row.date,
            "format_version": int(row.format_version),
        }
        for row in reviews.itertuples()
    }
    versions = {"python": platform.python_version(), "gpubench_kit": version("gpubench_kit")}
    return {
        "format_version": FORMAT_VERSION,
        KIND: ARCHIVE,
        "reports": reports,
        "versions": versions | {name: version(name) for name in _PACKAGES},
    }


def _told(staging: Path) -> list[str]:
    """Return what the archive says, in lines for the terminal."""
    reviews, findings = _table(staging, REVIEWS), _table(staging, FINDINGS)
    refused = int((findings["severity"] == "exclude").sum())
    lines = [f"{count_text(len(reviews), 'review')}, {count_text(int(reviews['n_counted'].sum()), 'run')}"]
    lines += [say("archive.told.not_counted", n=refused)] if refused else []
    line = plan_line(_table(staging, RESTART_SPREAD))
    return [*lines, say("archive.told.line"), line] if line else [*lines, say("archive.told.no_line")]


def _table(staging: Path, declared) -> pd.DataFrame:
    """Return a table that the notebook wrote."""
    return read_table(staging / "tables" / f"{declared.name}.csv", declared)


def _write(path: Path, text: str) -> None:
    """Write a file of the archive; its folder is made."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="\n")
