"""Commands that make pages: ``report``, ``demo``, ``check``, ``sweep`` and ``archive``; what each prints."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from gpubench_kit.cli.desk import tell_waiting
from gpubench_kit.cli.new import add_dialog_options
from gpubench_kit.cli.terminal import result_json, tell_fault_lines

if TYPE_CHECKING:
    from gpubench_kit.report.many_reviews import Outcome

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


def add_report(commands, *, make: Callable[..., argparse.ArgumentParser], bar: Callable) -> None:
    """Add the command ``report``.

    Parameters
    ----------
    commands : where commands are added
    make : makes the parser of one command, with what all commands share
    bar : progress bar, a context with ``show``
    """
    does = "make the page, tables and pictures of a review"
    command = make(commands, "report", does, "gpubench-kit report my-review")
    command.add_argument(
        "folders", metavar="FOLDER", nargs="+", help="review folder, with plan.toml, runs.csv and logs/; or a table"
    )
    add_dialog_options(command)
    _add_output(command, "reports/<name of the review folder>; with several FOLDERs the folder around those")
    command.add_argument("--previous", metavar="REPORT",
                         help="earlier report of the review: the page says what changed since; with several "
                              "FOLDERs the folder around their earlier reports, each under its name")  # fmt: skip
    command.add_argument("--cluster", metavar="ADDRESS",
                         help="scheduler of a running Dask cluster, such as tcp://desk:8786")  # fmt: skip
    _add_pictures(command)
    command.add_argument("--parquet", action="store_true", help="write each table as a Parquet file, too")
    command.add_argument("--json", action="store_true", help="print the result as JSON")
    command.formatter_class = argparse.RawDescriptionHelpFormatter
    command.epilog = _ABOUT
    command.set_defaults(run=lambda asked: _report(asked, bar))


def add_demo(commands, *, make: Callable[..., argparse.ArgumentParser], bar: Callable) -> None:
    """Add the command ``demo``.

    Parameters
    ----------
    commands, make, bar : as in `add_report`
    """
    does = "make the report of the bundled review of ten games"
    command = make(commands, "demo", does, "gpubench-kit demo")
    _add_output(command, "reports/demo")
    _add_pictures(command)
    command.add_argument("--json", action="store_true", help="print the result as JSON")
    command.set_defaults(run=lambda asked: _demo(asked, bar))


def _add_output(command: argparse.ArgumentParser, default: str) -> None:
    """Add the option for the output folder."""
    command.add_argument("-o", "--output", metavar="FOLDER", help=f"where the report goes (default: {default})")


def _add_pictures(command: argparse.ArgumentParser) -> None:
    """Add the option for the pictures."""
    command.add_argument("--pictures", choices=("film", "all", "none"), default="film",
                         help="those that a film uses (default), all charts and upright ones, or none")  # fmt: skip


def _report(asked: argparse.Namespace, bar: Callable) -> int:
    """Make one report here, or many at once."""
    if len(asked.folders) > 1 or asked.cluster:
        return _report_many(asked, bar)
    from gpubench_kit.report.build import build_report
    from gpubench_kit.report.package import write_parquet

    folder = Path(asked.folders[0])
    if folder.is_file() and folder.suffix.casefold() in _TABLES:
        asked.folders = _folders_of_table(asked, folder)
        if len(asked.folders) != 1:
            return _report_many(asked, bar) if asked.folders else _BAD_INPUT
        folder = Path(asked.folders[0])
    tell_waiting(folder)
    with bar(asked) as shown:
        options = {"progress": shown.show, "pictures": asked.pictures}
        page = build_report(folder, asked.output, previous=asked.previous, **options)
    if asked.parquet:
        write_parquet(page.parent)
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
        print(f"{file.name} is not read again: {folder / 'runs.csv'} counts, edit that.", file=sys.stderr)
        return [str(folder)]
    asked_here = argparse.Namespace(**vars(asked))
    # One JSON text is printed, that of the report: questions are then left open and stop it.
    asked_here.quiet, asked_here.json = asked.quiet or asked.json, False
    made = make_review(asked_here, draft_of_table(file), folder, says_next=False)
    if made.code != _DONE and asked.json:
        print(f"Fault: {file.name}: {made.n_open} cells are open in runs.csv of {folder}. Fill them in, or answer "
              f"the questions: gpubench-kit new FOLDER --from {file.name}", file=sys.stderr)  # fmt: skip
    if made.code == _DONE and not asked_here.quiet:
        sheets = ", ".join(str(one / "runs.csv") for one in made.folders)
        print(f"{file.name} is not changed, and not read again: edit {sheets}.")
    return list(map(str, made.folders)) if made.code == _DONE else []


def _demo(asked: argparse.Namespace, bar: Callable) -> int:
    """Make the report of the bundled ten-game review."""
    from gpubench_kit.bundled import bundled_path
    from gpubench_kit.report.build import build_report

    output = asked.output or Path("reports", "demo")
    with bar(asked) as shown:
        options = {"progress": shown.show, "record_look": False, "pictures": asked.pictures}
        page = build_report(bundled_path("data", "ten_games"), output, **options)
    return _tell_page(asked, page)


def _tell_page(asked: argparse.Namespace, page: Path) -> int:
    """Tell where a report is, and whether anything could be compared."""
    from gpubench_kit.report.manifest import compared_anything, verdicts_of

    is_compared = compared_anything(page.parent)
    if asked.json:
        found = {"page": page, "tables": page.parent / "tables", "is_compared": is_compared}
        print(result_json(found | {"verdicts": verdicts_of(page.parent)}))
    elif not asked.quiet:
        _tell_missing_png(asked)
        print(page if is_compared else f"{page}\nNothing could be compared; the page says why.")
    return _DONE if is_compared else _NOTHING_COMPARED


def _tell_missing_png(asked: argparse.Namespace) -> None:
    """Tell that there are no PNG files where what draws them is not installed."""
    from gpubench_kit.page.film.frame import can_draw_png

    if asked.pictures != "none" and not can_draw_png():
        print("Pictures are SVG files only: 'resvg-py', which draws PNG files, is not installed.")


def _report_many(asked: argparse.Namespace, bar: Callable) -> int:
    """Make many reports at once, tell what became of each."""
    from gpubench_kit.report.many_reviews import make_reports, tasks_of

    options = {"previous": asked.previous, "pictures": asked.pictures, "parquet": asked.parquet}
    tasks = tasks_of(asked.folders, asked.output, **options)
    with _engine(asked, len(tasks)) as engine, bar(asked) as shown:
        outcomes = make_reports(tasks, engine, progress=shown.show)
    _tell_outcomes(outcomes, is_quiet=asked.quiet or asked.json)
    if asked.json:
        print(result_json([asdict(one) for one in outcomes]))
    elif not asked.quiet:
        _tell_missing_png(asked)
    return exit_code(outcomes)


def _engine(asked: argparse.Namespace, count: int) -> AbstractContextManager:
    """Return where reports are made: on a cluster where one is named, else on this machine."""
    if asked.cluster:
        from gpubench_kit.report.cluster import Cluster

        return Cluster(asked.cluster)
    from gpubench_kit.report.many_reviews import ThisMachine

    return nullcontext(ThisMachine(count))


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


def _tell_outcomes(outcomes: list[Outcome], *, is_quiet: bool) -> None:
    """Tell every fault under the name of its review, then all outcomes in a table."""
    for one in outcomes:
        if one.faults:
            print(f"{one.review}:", file=sys.stderr)
            tell_fault_lines(one.faults, notes=one.notes)
    if not is_quiet:
        print("\n".join(outcome_lines(outcomes)))


def outcome_lines(outcomes: Iterable[Outcome]) -> list[str]:
    """Return a table of all outcomes, one line a review.

    Parameters
    ----------
    outcomes : what became of each report
    """
    rows = [("review", "outcome", "seconds", "page or first fault")]
    for one in outcomes:
        told = str(one.faults[0]) if one.faults else str(one.page)
        outcome = one.outcome if one.faults or one.is_compared else f"{one.outcome}, nothing compared"
        rows.append((one.review, outcome, f"{one.seconds:.1f}", told))
    widths = [max(len(row[place]) for row in rows) for place in range(3)]
    return [f"{a:<{widths[0]}}  {b:<{widths[1]}}  {c:>{widths[2]}}  {d}" for a, b, c, d in rows]


def add_check(commands, *, make: Callable[..., argparse.ArgumentParser], bar: Callable) -> None:
    """Add the command ``check``.

    Parameters
    ----------
    commands : where commands are added
    make : makes the parser of one command, with what all commands share
    bar : progress bar, a context with ``show``
    """
    does = "check all logs so far: runs to redo, findings with pictures, noise, runs needed; no differences shown"
    example = "gpubench-kit check my-review"
    command = make(commands, "check", does, example)
    command.add_argument("folder", metavar="FOLDER", help="review folder, with plan.toml, runs.csv and logs/")
    command.add_argument("-o", "--output", metavar="FOLDER",
                         help="where check.html goes (default: reports/<name of the review folder>)")  # fmt: skip
    command.add_argument("--json", action="store_true", help="print the result as JSON")
    command.set_defaults(run=lambda asked: _check(asked, bar))
    # The limits come from the plan's models, which only a reader of this help needs to have loaded.
    command.epilog = None
    plain_help = command.format_help
    command.format_help = lambda: f"{plain_help()}\n{_limits()}\n\n{_EXITS}\n\nExample: {example}\n"  # type: ignore[method-assign]


_EXITS = "Exit codes: 0 done; 1 done, but nothing is recorded yet; 2 bad input. It does not count as a look."


def _limits() -> str:
    """Return every limit with its default and meaning."""
    from gpubench_kit.model.plan.rules import limits_text

    return limits_text()


def _check(asked: argparse.Namespace, bar: Callable) -> int:
    """Check a review, tell where the page is and what was found."""
    from gpubench_kit.cli.dialogs import confirm_formats_of
    from gpubench_kit.report.pages import build_check

    tell_waiting(asked.folder)
    with bar(asked) as shown:
        made = build_check(asked.folder, asked.output, progress=shown.show)
    tell_fault_lines(made.row_faults)
    if asked.json:
        print(result_json(made))
    elif not asked.quiet:
        print(f"{made.page}\n{made.summary}")
        confirm_formats_of(asked.folder)
        _ask_about_claims(asked.folder)
    return _DONE if made.is_anything_recorded else _NOTHING_COMPARED


def _ask_about_claims(folder: str) -> None:
    """Ask what is meant where a claim's words go the other way than its key; tell the line to paste."""
    from gpubench_kit.claims.rules import sign_question
    from gpubench_kit.cli.terminal import ask, is_terminal
    from gpubench_kit.model.plan import PLAN_FILE, load_plan
    from gpubench_kit.model.questions import paste_lines

    place = Path(folder)
    claims = load_plan(place if place.is_file() else place / PLAN_FILE).claims
    questions = [one for one in map(sign_question, claims) if one is not None]
    if not is_terminal():
        print("\n".join(paste_lines(questions)), end="\n" if questions else "")
        return
    answers = ask(lambda _: questions)
    for key, line in answers.items():
        if line not in ("", "keep"):
            print(f"{key}: write {line} into plan.toml in place of its key, before the first report.")


def add_sweep(commands, *, make: Callable[..., argparse.ArgumentParser], bar: Callable) -> None:
    """Add the command ``sweep``.

    Parameters
    ----------
    commands : the parser's commands
    make : makes a command of its name, what it does and an example
    bar : makes a progress bar from the arguments
    """
    does = "find the tuning: lowest power without a loss, most efficient setting, what to measure next"
    command = make(commands, "sweep", does, "gpubench-kit sweep my-review")
    command.add_argument("folder", metavar="FOLDER", help="review folder whose tunings are steps of one change")
    command.add_argument("-o", "--output", metavar="FOLDER",
                         help="where tuning.html goes (default: reports/<name of the review folder>)")  # fmt: skip
    command.add_argument("--json", action="store_true", help="print the result as JSON")
    command.set_defaults(run=lambda asked: _sweep(asked, bar))


def _sweep(asked: argparse.Namespace, bar: Callable) -> int:
    """Make the page, tell where it is and what was found."""
    from gpubench_kit.report.pages import build_tuning
    from gpubench_kit.wording.catalogue import say

    with bar(asked) as shown:
        found = build_tuning(asked.folder, asked.output, progress=shown.show)
    lines = [str(found.page), *found.summary]
    if not found.is_judged:
        lines.append("Nothing could be compared; the page says why.")
    lines.append(say("caution.terminal"))
    if asked.json:
        print(result_json(found))
    elif not asked.quiet:
        print("\n".join(lines))
    return _DONE if found.is_judged else _NOTHING_COMPARED


def add_archive(commands, *, make: Callable[..., argparse.ArgumentParser], bar: Callable) -> None:
    """Add the command ``archive``.

    Parameters
    ----------
    commands : the parser's commands
    make : makes a command of its name, what it does and an example
    bar : makes a progress bar from the arguments
    """
    does = "gather many reports: noise of the bench, restarts, drivers, cards over time, games worth keeping"
    command = make(commands, "archive", does, "gpubench-kit archive reports")
    command.add_argument("folders", metavar="FOLDER", nargs="+", help="folder that holds reports, at any depth")
    command.add_argument("-o", "--output", metavar="FOLDER",
                         help="where the archive goes (default: reports/archive)")  # fmt: skip
    command.add_argument("--json", action="store_true", help="print the result as JSON")
    command.set_defaults(run=lambda asked: _archive(asked, bar))


def _archive(asked: argparse.Namespace, bar: Callable) -> int:
    """Make the archive, tell where it is and what it says of restarts."""
    from gpubench_kit.report.build_archive import build_archive

    with bar(asked) as shown:
        made = build_archive(asked.folders, asked.output, progress=shown.show)
    if asked.json:
        print(result_json(made))
    elif not asked.quiet:
        print("\n".join([str(made.page), *made.summary]))
    return _DONE if made.is_noise_known else _NOTHING_COMPARED
