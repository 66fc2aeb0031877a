"""The search for the tuning in one command: page, tables and pictures beside the report."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import nbformat

from gpubench_kit.model.plan import load_plan
from gpubench_kit.model.tables import RUNS
from gpubench_kit.report.build import MadeOf, count_look, published
from gpubench_kit.report.html import page_of
from gpubench_kit.report.package import read_table
from gpubench_kit.report.page_build import Progress, output_of, plan_file_of, run_bundled, tell_nobody
from gpubench_kit.report.place import ReportPlace
from gpubench_kit.report.unchanged import check_unchanged
from gpubench_kit.statistics.sweep_ladder import ladder_of
from gpubench_kit.sweep.tables import ANSWERS, SWEEP

NOTEBOOK, PAGE_FILE, FILES_FOLDER = "find_tuning.ipynb", "tuning.html", "tuning"

_RAN = 0.96


@dataclass(frozen=True)
class FoundTuning:
    """What the command made.

    Attributes
    ----------
    page : the page
    is_judged : whether the loss of any setting could be compared with the margin
    summary : the answers, one line each
    """

    page: Path
    is_judged: bool
    summary: tuple[str, ...]


def build_tuning(
    folder: str | Path,
    output: str | Path | None = None,
    *,
    progress: Progress | None = None,
    record_look: bool = True,
) -> FoundTuning:
    """Search the ladder of a review and make the page ``tuning.html`` with its files in ``tuning/``.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``
    output : folder of the page; default ``reports/<name of the review folder>`` in the working directory
    progress : called with the share done and what is being done
    record_look : whether a new look at verdicts is written to ``looks.csv`` of the review

    Returns
    -------
    FoundTuning

    Raises
    ------
    GpubenchError : the plan, the run sheet or a log cannot be used, the plan has no ladder, or the page cannot be
        written; an earlier page is then as it was
    """
    tell = progress or tell_nobody
    tell(0.0, "checking plan and run sheet")
    plan = load_plan(plan_file_of(folder))
    ladder_of(plan, card=plan.card_units[0].name)
    # The page draws its charts itself: no picture lies beside it.
    made_of = MadeOf.of(folder, "none")
    before = made_of.hashes()
    place = ReportPlace(output_of(plan, output), plan.folder, names=(PAGE_FILE, FILES_FOLDER))
    with place as staging:
        files = staging / FILES_FOLDER
        files.mkdir()
        executed = run_bundled(NOTEBOOK, made_of.plan_file, files, tell=tell, until=_RAN)
        tell(_RAN, "laying out the page")
        (staging / PAGE_FILE).write_text(page_of(executed), encoding="utf-8", newline="\n")
        notebook = nbformat.writes(published(executed)) + "\n"
        (files / NOTEBOOK).write_text(notebook, encoding="utf-8", newline="\n")
        check_unchanged(before, made_of.hashes(), read_table(files / "tables" / f"{RUNS.name}.csv", RUNS))
        count_look(files, plan, is_recorded=record_look)
        found = _found(files, place.target / PAGE_FILE)
        place.finish()
    tell(1.0, "done")
    return found


def _found(files: Path, page: Path) -> FoundTuning:
    """Return what was found, from the tables that the notebook wrote."""
    settings, answers = (read_table(files / "tables" / f"{one.name}.csv", one) for one in (SWEEP, ANSWERS))
    told = []
    for row in answers.itertuples():
        place = ", ".join(filter(None, (row.card, row.bench, "" if row.group == "all" else row.group, row.line)))
        told.append(f"{place}: lowest power without a loss that matters '{row.lowest_tuning}'")
        if row.most_efficient_tuning and not row.line:
            told[-1] += f", most efficient '{row.most_efficient_tuning}'"
    return FoundTuning(page, bool(settings["p_non_inferiority"].notna().any()), tuple(told))
