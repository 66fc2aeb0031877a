"""Further pages, one command each: logs checked, the tuning found, a bench session planned, an archive."""

from __future__ import annotations

import platform
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pandas as pd

from gpubench_kit.archive.gather import RESTART_SPREAD, REVIEWS, RUN_NOISE, check_any
from gpubench_kit.archive.noise import little_known, plan_line
from gpubench_kit.archive.reports import ARCHIVE, KIND, MANIFEST, find_reports, stamps_of
from gpubench_kit.checks import POSSIBLE, REDO
from gpubench_kit.files import swap_file
from gpubench_kit.model.errors import Fault, PlanError, check_folder
from gpubench_kit.model.formats import FORMAT_VERSION
from gpubench_kit.model.plan import ReviewPlan, load_plan, plan_file_of
from gpubench_kit.model.plan.comparisons import ladder_of
from gpubench_kit.model.tables import FINDINGS, RUNS
from gpubench_kit.page.checking import head_sentences, is_read, state_of_runs
from gpubench_kit.report.build import count_look
from gpubench_kit.report.manifest import Inputs, check_unchanged, json_rows
from gpubench_kit.report.package import PRINTED_FILE, ROWS_FILE, TOLD_FILE, json_text, read_table
from gpubench_kit.report.page_build import (
    PageKind,
    Progress,
    StagedPage,
    staged,
    staged_for_review,
    tell_nobody,
    write_text,
)
from gpubench_kit.report.place import ReportPlace, check_target
from gpubench_kit.schedule.design import PLANNED_RUNS
from gpubench_kit.schedule.noise import PREVIOUS, noise_file_of
from gpubench_kit.schedule.run_sheet import check_extendable, extended_run_sheet
from gpubench_kit.sheet import load_run_sheet
from gpubench_kit.sheet.text import SHEET_FILES
from gpubench_kit.sweep.answers import ANSWERS, SWEEP
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import count_text, is_missing, number_text
from gpubench_kit.wording.terms import metric_label

CHECK_NOTEBOOK = "check_logs.ipynb"
CHECK = PageKind(CHECK_NOTEBOOK, "check.html", files="check", names=("check.html", "check"))
TUNING = PageKind("find_tuning.ipynb", "tuning.html", files="tuning", names=("tuning.html", "tuning"))
SESSION = PageKind("plan_runs.ipynb", "plan.html", names=("plan.html", PRINTED_FILE))
GATHERED = PageKind("archive.ipynb", doing="archive")


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
    findings : rows of the findings table; what is not known is None
    """

    page: Path
    is_anything_recorded: bool
    summary: str
    row_faults: tuple[Fault, ...] = ()
    can: tuple[dict[str, str], ...] = ()
    cannot: tuple[dict[str, str], ...] = ()
    findings: tuple[dict[str, Any], ...] = ()


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
    tell(0.0, say("told.progress.checking"))
    inputs = Inputs.of(folder)
    before = inputs.hashes()
    with staged_for_review(CHECK, inputs, output, tell=tell) as made:
        made.lay_out()
        possible, runs, redo, findings = map(made.table, (POSSIBLE, RUNS, REDO, FINDINGS))
        check_unchanged(before, inputs.hashes(), runs)
        made.place.finish()
    summary = [" ".join(head_sentences(possible, runs, redo=redo)), *state_of_runs(runs, findings)]
    able, place = possible["can"].astype(bool), ["metric", "game", "setting"]
    can = possible.loc[able, place].to_dict("records")
    cannot = possible.loc[~able, [*place, "reason", "fix"]].to_dict("records")
    faults = inputs.review.row_faults if inputs.review else ()
    told, is_any = tuple(json_rows(findings, FINDINGS.names)), bool(is_read(runs).any())
    return BuiltCheck(made.page, is_any, "\n".join(summary), faults, tuple(can), tuple(cannot), told)


@dataclass(frozen=True)
class FoundTuning:
    """What the command made.

    Attributes
    ----------
    page : the page
    is_judged : whether the loss of any setting could be compared with the margin
    summary : the answers, one line each
    settings, answers : rows of the tables of the steps and of what was chosen; what is not known is None
    """

    page: Path
    is_judged: bool
    summary: tuple[str, ...]
    settings: tuple[dict[str, Any], ...] = ()
    answers: tuple[dict[str, Any], ...] = ()


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
    tell(0.0, say("told.progress.checking"))
    plan = load_plan(plan_file_of(folder))
    ladder_of(plan, card=plan.card_units[0].name)
    inputs = Inputs.of(folder, for_report=True)
    before = inputs.hashes()
    with staged_for_review(TUNING, inputs, output, tell=tell) as made:
        made.lay_out()
        made.keep_notebook(TUNING.files)
        check_unchanged(before, inputs.hashes(), made.table(RUNS))
        count_look(made, plan, is_recorded=record_look)
        settings, answers = made.table(SWEEP), made.table(ANSWERS)
        made.place.finish()
    is_judged, lines = bool(settings["p_non_inferiority"].notna().any()), []
    for row in answers.itertuples():
        place = ", ".join(filter(None, (row.card, row.bench, "" if row.group == "all" else row.group, row.line)))
        key = "tuning_and_efficient" if row.most_efficient_tuning and not row.line else "tuning"
        told = {"lowest": row.lowest_tuning, "efficient": row.most_efficient_tuning}
        lines.append(say(f"told.{key}", place=place, **told))
    rows = (tuple(json_rows(settings, SWEEP.names)), tuple(json_rows(answers, ANSWERS.names)))
    return FoundTuning(made.page, is_judged, tuple(lines), *rows)


@dataclass(frozen=True)
class MadeSchedule:
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
) -> MadeSchedule:
    """Plan the next bench session of a review: page, printed run sheet, new rows at the end of ``runs.csv``.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``
    output : folder for the pages; default ``reports/<name of the review folder>`` in the working directory
    previous : earlier report whose noise is counted with; its table is kept as ``noise.csv`` in the folder
    progress : called with the share done and what is being done

    Returns
    -------
    MadeSchedule

    Raises
    ------
    GpubenchError : plan, run sheet or noise cannot be used, or nothing can be written; all files are then
        as they were
    """
    tell = progress or tell_nobody
    tell(0.0, say("told.progress.checking"))
    plan_file = plan_file_of(folder)
    plan = load_plan(plan_file)
    # A review without a run sheet has no logs yet.
    inputs = Inputs(plan_file, plan)
    if any((plan.folder / name).exists() for name in SHEET_FILES):
        check_extendable(plan)
        load_run_sheet(plan)
        inputs = Inputs.of(folder)
    before = inputs.hashes()
    with previous_kept(previous, inputs.plan), staged_for_review(SESSION, inputs, output, tell=tell) as made:
        made.lay_out()
        rows = read_table(made.files / ROWS_FILE, PLANNED_RUNS)
        lines = (made.files / TOLD_FILE).read_text(encoding="utf-8").splitlines()
        check_unchanged(before, inputs.hashes())
        with extended_run_sheet(rows, inputs.plan) as sheet:
            made.place.finish()
    return MadeSchedule(made.page, made.page.with_name(PRINTED_FILE), sheet, len(rows), tuple(lines))


@contextmanager
def previous_kept(previous: str | Path | None, plan: ReviewPlan) -> Iterator[None]:
    """Keep the noise of an earlier report in the review folder; take it back if the plan comes to nothing.

    Parameters
    ----------
    previous : folder of the earlier report, or its table of noise; None for none
    plan : of the review

    Raises
    ------
    GpubenchError : the plan asks for other noise, or the report has none
    """
    if previous is None:
        yield
        return
    if plan.session_plan.noise_from in ("pilot", "typical"):
        where, action = "plan.toml, session_plan.noise_from", 'Write "archive", or leave out --previous.'
        problem = f"'{plan.session_plan.noise_from}' was found, so the earlier report would not be looked at."
        raise PlanError(Fault(where, problem, action))
    check_folder(previous, wanted="the folder of an earlier report")
    found, kept = noise_file_of(previous), plan.folder / PREVIOUS
    before = kept.read_bytes() if kept.exists() else None
    content = found.read_bytes()
    swap_file(kept, content)
    try:
        yield
    except BaseException:
        swap_file(kept, before)
        raise


#: Packages whose version can change what an archive says.
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
    tell(0.0, say("told.progress.reports"))
    found = find_reports(folders)
    check_any(found.candidates, found.findings, found, folders=folders)
    target = Path(output) if output else Path.cwd() / "reports" / "archive"
    for folder in folders:
        check_target(target.absolute(), Path(folder).resolve(), is_archive=True)
    before = stamps_of(found.candidates)
    place = ReportPlace(target, folders[0], is_archive=True)
    parameters = {"report_folders": [str(Path(one).absolute()) for one in folders]}
    with staged(GATHERED, place, parameters, tell=tell) as made:
        made.lay_out()
        made.keep_notebook()
        write_text(made.folder / MANIFEST, json_text(_manifest(made.table(REVIEWS))))
        check_unchanged(before, stamps_of(find_reports(folders).candidates))
        is_noise_known, lines = bool(len(made.table(RUN_NOISE))), _archive_lines(made)
        place.finish()
    return MadeArchive(made.page, is_noise_known, tuple(lines))


def _manifest(reviews: pd.DataFrame) -> dict[str, Any]:
    """Return what made the archive: its reports by the hash of their content, and versions."""
    told = reviews.astype({"format_version": int}).set_index("review")
    versions = {"python": platform.python_version(), "gpubench_kit": version("gpubench_kit")}
    return {
        "format_version": FORMAT_VERSION,
        KIND: ARCHIVE,
        "reports": told[["place", "title", "date", "format_version"]].to_dict("index"),
        "versions": versions | {name: version(name) for name in _PACKAGES},
    }


def _archive_lines(made: StagedPage) -> list[str]:
    """Return what the archive says, in lines for the terminal."""
    reviews, findings, spread = made.table(REVIEWS), made.table(FINDINGS), made.table(RESTART_SPREAD)
    refused = int((findings["severity"] == "exclude").sum())
    lines = [f"{count_text(len(reviews), 'review')}, {count_text(int(reviews['n_counted'].sum()), 'run')}"]
    lines += [say("archive.told.not_counted", n=refused)] if refused else []
    line = plan_line(spread)
    if not line:
        return [*lines, say("archive.told.no_line")]
    for row in little_known(spread).itertuples():
        # So far may a spread seen over few restarts be from the true one.
        ends = {name: number_text(getattr(row, f"ci_{name}"), decimals=1) for name in ("low", "high")}
        restarts = count_text(row.restarts, "restart")
        key = f"archive.told.few.{'open' if is_missing(row.ci_high) else 'span'}"
        lines.append(say(key, metric=metric_label(row.metric), restarts=restarts, unit=row.unit, **ends))
    return [*lines, say("archive.told.line"), line]
