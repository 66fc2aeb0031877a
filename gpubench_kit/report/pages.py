"""Pages beside a report: logs checked, the tuning found, the bench session planned; one command each."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import nbformat
import pandas as pd

from gpubench_kit.checks import POSSIBLE, REDO
from gpubench_kit.file_names import swap_file
from gpubench_kit.logs.review import open_review
from gpubench_kit.model.errors import Fault, PlanError
from gpubench_kit.model.plan import ReviewPlan, load_plan
from gpubench_kit.model.plan.ladder import ladder_of
from gpubench_kit.model.tables import FINDINGS, RUNS
from gpubench_kit.page.checking_words import head_sentences, is_anything_recorded, state_of_runs
from gpubench_kit.report.build import MadeOf, count_look, hashes_of, published
from gpubench_kit.report.html import page_of
from gpubench_kit.report.manifest import check_unchanged
from gpubench_kit.report.package import PRINTED_FILE, ROWS_FILE, TOLD_FILE, read_table
from gpubench_kit.report.page_build import Progress, output_of, plan_file_of, run_bundled, tell_nobody
from gpubench_kit.report.place import ReportPlace
from gpubench_kit.schedule.noise import PREVIOUS, noise_file_of
from gpubench_kit.schedule.sheet import check_extendable, extended_run_sheet
from gpubench_kit.schedule.tables import PLANNED_RUNS
from gpubench_kit.sheet import load_run_sheet
from gpubench_kit.sheet.text import SHEET_FILES
from gpubench_kit.sweep.tables import ANSWERS, SWEEP
from gpubench_kit.wording.catalogue import say

CHECK_NOTEBOOK = "check_logs.ipynb"
CHECK_PAGE, CHECK_TABLES = "check.html", "check"

_CHECK_RAN = 0.95


@dataclass(frozen=True)
class BuiltCheck:
    """What `build_check` made.

    Attributes
    ----------
    page : path of ``check.html``
    is_anything_recorded : whether there was anything to check
    summary : what the head of the page says: verdicts that the runs can give, runs to redo, the state of the runs
    row_faults : what is wrong with rows of the run sheet that were left out, each fault once
    can : metric, game and setting of each verdict of the plan that the runs can give
    cannot : those that they cannot give, with the reason and what to do
    """

    page: Path
    is_anything_recorded: bool
    summary: str
    row_faults: tuple[Fault, ...] = ()
    can: tuple[dict[str, str], ...] = ()
    cannot: tuple[dict[str, str], ...] = ()


def build_check(
    folder: str | Path, output: str | Path | None = None, *, progress: Progress | None = None
) -> BuiltCheck:
    """Check all logs recorded so far, and make the page with its tables beside the report.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``
    output : folder of the page; default ``reports/<name of the review folder>`` in the working directory. A
        report that stands there stays as it is
    progress : called with the share done and what is being done

    Returns
    -------
    BuiltCheck

    Raises
    ------
    GpubenchError : the plan or the whole run sheet cannot be used, or the page cannot be written; an earlier
        page is then as it was. Single rows and logs that cannot be used are findings
    """
    tell = progress or tell_nobody
    tell(0.0, "checking plan and run sheet")
    plan_file = plan_file_of(folder)
    plan = load_plan(plan_file)
    review = open_review(plan, keep_going=True)
    before = hashes_of(plan, plan_file, review)
    place = ReportPlace(output_of(plan, output), plan.folder, names=(CHECK_PAGE, CHECK_TABLES))
    with place as staging:
        executed = run_bundled(CHECK_NOTEBOOK, plan_file, staging / CHECK_TABLES, tell=tell, until=_CHECK_RAN)
        tell(_CHECK_RAN, "laying out the page")
        (staging / CHECK_PAGE).write_text(page_of(executed), encoding="utf-8", newline="\n")
        tables = staging / CHECK_TABLES / "tables"
        possible, runs, redo, findings = (
            read_table(tables / f"{one.name}.csv", one) for one in (POSSIBLE, RUNS, REDO, FINDINGS)
        )
        check_unchanged(before, hashes_of(plan, plan_file, review), runs)
        place.finish()
    tell(1.0, "done")
    summary = [" ".join(head_sentences(possible, runs, redo=redo)), *state_of_runs(runs, findings)]
    able = possible["can"].astype(bool)
    can = possible.loc[able, ["metric", "game", "setting"]].to_dict("records")
    cannot = possible.loc[~able, ["metric", "game", "setting", "reason", "fix"]].to_dict("records")
    page, is_any = place.target / CHECK_PAGE, is_anything_recorded(runs)
    return BuiltCheck(page, is_any, "\n".join(summary), review.row_faults, tuple(can), tuple(cannot))


TUNING_NOTEBOOK, TUNING_PAGE, TUNING_FILES = "find_tuning.ipynb", "tuning.html", "tuning"

_TUNING_RAN = 0.96


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
    place = ReportPlace(output_of(plan, output), plan.folder, names=(TUNING_PAGE, TUNING_FILES))
    with place as staging:
        files = staging / TUNING_FILES
        files.mkdir()
        executed = run_bundled(TUNING_NOTEBOOK, made_of.plan_file, files, tell=tell, until=_TUNING_RAN)
        tell(_TUNING_RAN, "laying out the page")
        (staging / TUNING_PAGE).write_text(page_of(executed), encoding="utf-8", newline="\n")
        notebook = nbformat.writes(published(executed)) + "\n"
        (files / TUNING_NOTEBOOK).write_text(notebook, encoding="utf-8", newline="\n")
        check_unchanged(before, made_of.hashes(), read_table(files / "tables" / f"{RUNS.name}.csv", RUNS))
        count_look(files, plan, is_recorded=record_look)
        found = _found_tuning(files, place.target / TUNING_PAGE)
        place.finish()
    tell(1.0, "done")
    return found


def _found_tuning(files: Path, page: Path) -> FoundTuning:
    """Return what was found, from the tables that the notebook wrote."""
    settings, answers = (read_table(files / "tables" / f"{one.name}.csv", one) for one in (SWEEP, ANSWERS))
    told = []
    for row in answers.itertuples():
        place = ", ".join(filter(None, (row.card, row.bench, "" if row.group == "all" else row.group, row.line)))
        key = "tuning_and_efficient" if row.most_efficient_tuning and not row.line else "tuning"
        names = {"lowest": row.lowest_tuning, "efficient": row.most_efficient_tuning}
        told.append(say(f"told.{key}", place=place, **names))
    return FoundTuning(page, bool(settings["p_non_inferiority"].notna().any()), tuple(told))


def read_new_rows(folder: Path) -> pd.DataFrame:
    """Return the rows that the notebook wrote."""
    return read_table(folder / ROWS_FILE, PLANNED_RUNS)


PLAN_NOTEBOOK, PLAN_PAGE = "plan_runs.ipynb", "plan.html"

_PLAN_RAN = 0.92


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
    progress: Progress | None = None,
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
    tell = progress or tell_nobody
    tell(0.0, "checking plan and run sheet")
    plan_file = plan_file_of(folder)
    plan = load_plan(plan_file)
    review = None
    if any((plan.folder / name).exists() for name in SHEET_FILES):
        check_extendable(plan)
        load_run_sheet(plan)
        review = open_review(plan, keep_going=True)
    before = hashes_of(plan, plan_file, review)
    place = ReportPlace(output_of(plan, output), plan.folder, names=(PLAN_PAGE, PRINTED_FILE))
    with place as staging, _previous_kept(previous, plan):
        executed = run_bundled(PLAN_NOTEBOOK, plan_file, staging, tell=tell, until=_PLAN_RAN)
        tell(_PLAN_RAN, "laying out the page")
        (staging / PLAN_PAGE).write_text(page_of(executed), encoding="utf-8", newline="\n")
        rows = read_new_rows(staging)
        told = tuple((staging / TOLD_FILE).read_text(encoding="utf-8").splitlines())
        check_unchanged(before, hashes_of(plan, plan_file, review))
        with extended_run_sheet(rows, plan) as sheet:
            place.finish()
    tell(1.0, "done")
    return PlannedEvening(place.target / PLAN_PAGE, place.target / PRINTED_FILE, sheet, len(rows), told)


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
