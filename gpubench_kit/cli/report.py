"""Commands that make pages: ``report``, ``demo``, ``check``, ``sweep`` and ``archive``; what each prints."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gpubench_kit.cli.desk import tell_waiting
from gpubench_kit.cli.new import add_dialog_options
from gpubench_kit.cli.terminal import (
    add_command,
    add_json,
    add_output,
    ask,
    is_terminal,
    progress_bar,
    tell_faults,
    tell_result,
    wrapped,
)
from gpubench_kit.wording.catalogue import say

if TYPE_CHECKING:
    from gpubench_kit.report.many_reviews import Engine, Outcome

_DONE, _NOTHING_COMPARED, _BAD_INPUT, _FAULT = 0, 1, 2, 3

#: A file of such a name is a table of results, from which the review is drafted first.
_TABLES = (".xlsx", ".csv", ".tsv")

_ABOUT = """\
FOLDER may also be a table of results (.xlsx, .csv): plan and run sheet are then drafted beside it, after the same
questions as in `new --from`, and the report is made of them. The table itself is never changed.

A single FOLDER is always made anew. Several are made at the same time, one process each on as many cores as there
are; what is up to date (same inputs, decisions, versions and --previous, all files whole) is kept, so that the same
command goes on where an earlier one stopped. One review that fails does not stop the rest.

--cluster ADDRESS hands each review to a worker of a running Dask cluster. Reviews and reports must lie in a folder
that all its machines see under the same name, and every worker needs this version of the kit. Start workers with
one thread each (dask worker ADDRESS --nthreads 1). Any code can be run through such an address: use it in a network
that you trust.

Exit codes: 0 done; 1 done, but in no review could anything be compared; 2 bad input in at least one review, or its
report did not come back; 3 an internal error.

Example: gpubench-kit report my-review"""


def add_report(commands: Any) -> None:
    """Add the command ``report`` to the commands of the parser."""
    does = "make the page, tables and pictures of a review"
    command = add_command(commands, "report", does, example="gpubench-kit report my-review", run=_report)
    command.add_argument(
        "folders", metavar="FOLDER", nargs="+", help="review folder, with plan.toml, runs.csv and logs/; or a table"
    )
    add_dialog_options(command)
    where = "reports/<name of the review folder>; with several FOLDERs the folder around those"
    add_output(command, f"where the report goes (default: {where})")
    command.add_argument("--previous", metavar="REPORT",
                         help="earlier report of the review: the page says what changed since; with several "
                              "FOLDERs the folder around their earlier reports, each under its name")  # fmt: skip
    command.add_argument("--cluster", metavar="ADDRESS",
                         help="scheduler of a running Dask cluster, such as tcp://desk:8786")  # fmt: skip
    _add_pictures(command)
    command.add_argument("--parquet", action="store_true", help="write each table as a Parquet file, too")
    add_json(command)
    command.formatter_class = argparse.RawDescriptionHelpFormatter
    command.epilog = _ABOUT


def add_demo(commands: Any) -> None:
    """Add the command ``demo`` to the commands of the parser."""
    does = "make the report of the bundled review of ten games"
    command = add_command(commands, "demo", does, example="gpubench-kit demo", run=_demo)
    add_output(command, "where the report goes (default: reports/demo)")
    _add_pictures(command)
    add_json(command)


def _add_pictures(command: argparse.ArgumentParser) -> None:
    """Add the option for the pictures."""
    command.add_argument("--pictures", choices=("film", "all", "none"), default="film",
                         help="those that a film uses (default), all charts and upright ones, or none")  # fmt: skip


def _report(asked: argparse.Namespace) -> int:
    """Make one report here, or many at once."""
    if len(asked.folders) > 1 or asked.cluster:
        return _report_many(asked)
    from gpubench_kit.report.build import list_reports, make_report
    from gpubench_kit.report.page_build import Making

    folder = Path(asked.folders[0])
    if folder.is_file() and folder.suffix.casefold() in _TABLES:
        asked.folders = _folders_of_table(asked, folder)
        if len(asked.folders) != 1:
            return _report_many(asked) if asked.folders else _BAD_INPUT
        folder = Path(asked.folders[0])
    tell_waiting(folder)
    with progress_bar(asked) as show:
        making = Making(pictures=asked.pictures, parquet=asked.parquet)
        page = make_report(folder, asked.output, previous=asked.previous, progress=show, making=making)
    list_reports(page.parent.parent)
    return _tell_page(asked, page)


def _folders_of_table(asked: argparse.Namespace, file: Path) -> list[str]:
    """Return the review folders made of a table after its questions; none where cells are still open."""
    from gpubench_kit.cli.dialogs import make_review
    from gpubench_kit.cli.new import draft_of_table
    from gpubench_kit.sheet.new_review import is_review

    if file.name.casefold().startswith("runs.") and is_review(file.parent):
        return [str(file.parent)]
    folder = file.with_suffix("")
    if is_review(folder):
        print(say("told.not_read_again", file=file.name, sheet=folder / "runs.csv"), file=sys.stderr)
        return [str(folder)]
    asked_here = argparse.Namespace(**vars(asked))
    # One JSON text is printed, that of the report: questions are then left open and stop it.
    asked_here.quiet, asked_here.json = asked.quiet or asked.json, False
    made = make_review(asked_here, draft_of_table(file), folder, says_next=False)
    if made.code != _DONE and asked.json:
        tell_faults([say("told.open_cells", n=made.n_open, file=file.name, folder=folder)])
    if made.code == _DONE and not asked_here.quiet:
        sheets = ", ".join(str(one / "runs.csv") for one in made.folders)
        print(say("told.not_changed", file=file.name, sheets=sheets))
    return list(map(str, made.folders)) if made.code == _DONE else []


def _demo(asked: argparse.Namespace) -> int:
    """Make the report of the bundled ten-game review."""
    from gpubench_kit.files import bundled_path
    from gpubench_kit.report.build import build_report

    output = asked.output or Path("reports", "demo")
    with progress_bar(asked) as show:
        page = build_report(
            bundled_path("data", "ten_games"), output, progress=show, record_look=False, pictures=asked.pictures
        )
    return _tell_page(asked, page)


def _tell_page(asked: argparse.Namespace, page: Path) -> int:
    """Tell where a report is, and whether anything could be compared."""
    from gpubench_kit.report.manifest import compared_anything, verdicts_of

    is_compared = compared_anything(page.parent)
    _tell_missing_png(asked)
    found = {"page": page, "tables": page.parent / "tables", "is_compared": is_compared}
    if asked.json:
        found["verdicts"] = verdicts_of(page.parent)
    tell_result(asked, found, [page] if is_compared else [page, say("told.nothing_compared")])
    return _DONE if is_compared else _NOTHING_COMPARED


def _tell_missing_png(asked: argparse.Namespace) -> None:
    """Tell that there are no PNG files where what draws them is not installed."""
    if asked.json or asked.quiet or asked.pictures == "none":
        return
    from gpubench_kit.page.pictures import can_draw_png

    if not can_draw_png():
        print(say("told.no_png"))


def _report_many(asked: argparse.Namespace) -> int:
    """Make many reports at once, tell what became of each."""
    from gpubench_kit.report.many_reviews import ThisMachine, make_reports, tasks_of

    tasks = tasks_of(
        asked.folders, asked.output, previous=asked.previous, pictures=asked.pictures, parquet=asked.parquet
    )
    engines: AbstractContextManager[Engine]
    if asked.cluster:
        from gpubench_kit.report.cluster import Cluster

        engines = Cluster(asked.cluster)
    else:
        engines = nullcontext(ThisMachine(len(tasks)))
    with engines as engine, progress_bar(asked) as show:
        outcomes = make_reports(tasks, engine, progress=show)
    for one in outcomes:
        if one.faults:
            print(f"{one.review}:", file=sys.stderr)
            tell_faults(one.faults, notes=one.notes)
    tell_result(asked, [asdict(one) for one in outcomes], outcome_lines(outcomes))
    _tell_missing_png(asked)
    return exit_code(outcomes)


def exit_code(outcomes: Iterable[Outcome]) -> int:
    """Return the exit code for many reports: that of the gravest, and 1 only where nothing at all was compared.

    Parameters
    ----------
    outcomes : what became of each report
    """
    made = list(outcomes)
    if any(one.outcome == "internal error" for one in made):
        return _FAULT
    if any(one.faults for one in made):
        return _BAD_INPUT
    return _DONE if any(one.is_compared for one in made) else _NOTHING_COMPARED


def outcome_lines(outcomes: Iterable[Outcome]) -> list[str]:
    """Return a table of all outcomes, one line a review.

    Parameters
    ----------
    outcomes : what became of each report
    """
    rows = [tuple(say(f"told.many.{name}") for name in ("review", "outcome", "seconds", "page"))]
    for one in outcomes:
        page = str(one.faults[0]) if one.faults else str(one.page)
        outcome = say(f"told.outcome.{one.outcome.replace(' ', '_')}")
        outcome = outcome if one.faults or one.is_compared else say("told.many.nothing_compared", outcome=outcome)
        rows.append((one.review, outcome, f"{one.seconds:.1f}", page))
    widths = [max(len(row[place]) for row in rows) for place in range(3)]
    return [f"{a:<{widths[0]}}  {b:<{widths[1]}}  {c:>{widths[2]}}  {d}" for a, b, c, d in rows]


def add_check(commands: Any) -> None:
    """Add the command ``check`` to the commands of the parser."""
    does = "check all logs so far: runs to redo, findings with pictures, noise, runs needed; no differences shown"
    example = "gpubench-kit check my-review"
    command = add_command(commands, "check", does, example=example, run=_check)
    command.add_argument("folder", metavar="FOLDER", help="review folder, with plan.toml, runs.csv and logs/")
    add_output(command, "where check.html goes (default: reports/<name of the review folder>)")
    add_json(command)
    command.epilog = None
    plain_help = command.format_help

    def format_help() -> str:
        """Return the help with every limit; the plan's models are loaded for a reader of it alone."""
        from gpubench_kit.model.plan.rules import limits_text

        return f"{plain_help()}\n{limits_text()}\n\n{_EXITS}\n\nExample: {example}\n"

    command.format_help = format_help  # type: ignore[method-assign]


_EXITS = "Exit codes: 0 done; 1 done, but nothing is recorded yet; 2 bad input. It does not count as a look."


def _check(asked: argparse.Namespace) -> int:
    """Check a review, tell where the page is and what was found."""
    from gpubench_kit.cli.dialogs import confirm_formats_of
    from gpubench_kit.report.pages import build_check

    tell_waiting(asked.folder)
    with progress_bar(asked) as show:
        made = build_check(asked.folder, asked.output, progress=show)
    tell_faults(made.row_faults)
    tell_result(asked, made, [made.page, made.summary])
    if not asked.json and not asked.quiet:
        confirm_formats_of(asked.folder)
        _ask_about_claims(asked.folder)
    return _DONE if made.is_anything_recorded else _NOTHING_COMPARED


def _ask_about_claims(folder: str) -> None:
    """Ask what is meant where a claim's words go the other way than its key; tell the line to paste."""
    from gpubench_kit.claims.check import sign_question
    from gpubench_kit.model.plan import load_plan, plan_file_of
    from gpubench_kit.model.questions import paste_lines

    asked_of = map(sign_question, load_plan(plan_file_of(folder)).claims)
    questions = [one for one in asked_of if one is not None]
    if not is_terminal():
        print("\n".join(paste_lines(questions)), end="\n" if questions else "")
        return
    answers = ask(lambda _: questions)
    for key, line in answers.items():
        if line not in ("", "keep"):
            print(say("told.write_line", key=key, line=line))


def add_sweep(commands: Any) -> None:
    """Add the command ``sweep`` to the commands of the parser."""
    does = "find the tuning: lowest power without a loss, most efficient setting, what to measure next"
    command = add_command(commands, "sweep", does, example="gpubench-kit sweep my-review", run=_sweep)
    command.add_argument("folder", metavar="FOLDER", help="review folder whose tunings are steps of one change")
    add_output(command, "where tuning.html goes (default: reports/<name of the review folder>)")
    add_json(command)


def _sweep(asked: argparse.Namespace) -> int:
    """Make the page, tell where it is and what was found."""
    from gpubench_kit.report.pages import build_tuning

    with progress_bar(asked) as show:
        found = build_tuning(asked.folder, asked.output, progress=show)
    lines = [str(found.page), *found.summary]
    if not found.is_judged:
        lines.append(say("told.nothing_compared"))
    lines += wrapped(say("caution.terminal"))
    tell_result(asked, found, lines)
    return _DONE if found.is_judged else _NOTHING_COMPARED


def add_archive(commands: Any) -> None:
    """Add the command ``archive`` to the commands of the parser."""
    does = "gather many reports: noise of the bench, restarts, drivers, cards over time, games worth keeping"
    command = add_command(commands, "archive", does, example="gpubench-kit archive reports", run=_archive)
    command.add_argument("folders", metavar="FOLDER", nargs="+", help="folder that holds reports, at any depth")
    add_output(command, "where the archive goes (default: reports/archive)")
    add_json(command)


def _archive(asked: argparse.Namespace) -> int:
    """Make the archive, tell where it is and what it says of restarts."""
    from gpubench_kit.report.pages import build_archive

    with progress_bar(asked) as show:
        made = build_archive(asked.folders, asked.output, progress=show)
    tell_result(asked, made, [made.page, *made.summary])
    return _DONE if made.is_noise_known else _NOTHING_COMPARED
