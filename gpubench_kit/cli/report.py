"""Commands on review folders and reports, each calling one function of a lower layer; what each prints."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from contextlib import AbstractContextManager, nullcontext, suppress
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gpubench_kit.cli.terminal import progress_bar, tell_faults, tell_result, wrapped
from gpubench_kit.wording.catalogue import say

if TYPE_CHECKING:
    from gpubench_kit.report.many_reviews import Engine, Outcome

_DONE, _NOTHING_COMPARED, _BAD_INPUT, _FAULT = 0, 1, 2, 3

#: A file of another name is a table of results, from which the review is drafted first.
_PLANS = (".toml", "")


def report(asked: argparse.Namespace) -> int:
    """Make one report here, or many at once."""
    if len(asked.folders) > 1 or asked.cluster:
        return _report_many(asked)
    from gpubench_kit.report.build import list_reports, make_report
    from gpubench_kit.report.page_build import Making

    folder = Path(asked.folders[0])
    if folder.is_file() and folder.suffix.casefold() not in _PLANS:
        asked.folders = _folders_of_table(asked, folder)
        if len(asked.folders) != 1:
            return _report_many(asked) if asked.folders else _BAD_INPUT
        folder = Path(asked.folders[0])
    _tell_waiting(folder)
    with progress_bar(asked) as show:
        making = Making(pictures=asked.pictures, parquet=asked.parquet)
        page = make_report(folder, asked.output, previous=asked.previous, progress=show, making=making)
    list_reports(page.parent.parent)
    return _tell_page(asked, page)


def _folders_of_table(asked: argparse.Namespace, file: Path) -> list[str]:
    """Return the review folders made of a table after its questions; none where cells are still open."""
    from gpubench_kit.cli.new import draft_of_table, make_review
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


def demo(asked: argparse.Namespace) -> int:
    """Make the report of the bundled ten-game review."""
    from gpubench_kit.files import bundled_path
    from gpubench_kit.report.build import build_report

    folder, output = bundled_path("data", "ten_games"), asked.output or Path("reports", "demo")
    with progress_bar(asked) as show:
        page = build_report(folder, output, progress=show, record_look=False, pictures=asked.pictures)
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


def check(asked: argparse.Namespace) -> int:
    """Check a review, tell where the page is and what was found."""
    from gpubench_kit.cli.inspection import ask_about_claims, confirm_formats_of
    from gpubench_kit.report.pages import build_check

    _tell_waiting(asked.folder)
    with progress_bar(asked) as show:
        made = build_check(asked.folder, asked.output, progress=show)
    tell_faults(made.row_faults)
    tell_result(asked, made, [made.page, made.summary])
    if not asked.json and not asked.quiet:
        confirm_formats_of(asked.folder)
        ask_about_claims(asked.folder)
    return _DONE if made.is_anything_recorded else _NOTHING_COMPARED


def sweep(asked: argparse.Namespace) -> int:
    """Make the page, tell where it is and what was found."""
    from gpubench_kit.report.pages import build_tuning

    with progress_bar(asked) as show:
        found = build_tuning(asked.folder, asked.output, progress=show)
    lines = [found.page, *found.summary, *[say("told.nothing_compared")] * (not found.is_judged)]
    tell_result(asked, found, [*lines, *wrapped(say("caution.terminal"))])
    return _DONE if found.is_judged else _NOTHING_COMPARED


def archive(asked: argparse.Namespace) -> int:
    """Make the archive, tell where it is and what it says of restarts."""
    from gpubench_kit.report.pages import build_archive

    with progress_bar(asked) as show:
        made = build_archive(asked.folders, asked.output, progress=show)
    tell_result(asked, made, [made.page, *made.summary])
    return _DONE if made.is_noise_known else _NOTHING_COMPARED


def schedule(asked: argparse.Namespace) -> int:
    """Plan the next bench session, add its runs to the run sheet, tell what it can say."""
    from gpubench_kit.report.pages import build_schedule

    with progress_bar(asked) as show:
        made = build_schedule(asked.folder, asked.output, previous=asked.previous, progress=show)
    added = say("told.rows", n=made.added, sheet=made.sheet) if made.added else say("told.no_rows")
    tell_result(asked, made, [*made.summary, added, made.page, made.printed])
    return _DONE


def desk(asked: argparse.Namespace) -> int:
    """Sit at the desk until the session ends."""
    from gpubench_kit.desk.demo import Player, make_demo
    from gpubench_kit.desk.desk import opened_desk, settle
    from gpubench_kit.desk.keeper import has_workbook, make_sheet
    from gpubench_kit.desk.terminal import Keys, PipedKeys, PlainScreen, Screen, run_desk
    from gpubench_kit.desk.terminal import is_terminal as has_screen
    from gpubench_kit.model.errors import Fault, ReportError

    folder, watched = Path(asked.folder), [Path(one) for one in asked.watch]
    if asked.demo:
        folder, watched = make_demo(Path(asked.folder or "played_session"))
    elif not asked.folder:
        raise ReportError(Fault("desk", "no review folder is given.", "Name it, or try: gpubench-kit desk --demo"))
    if asked.settle:
        print(say("told.desk.settled", rows=settle(folder)))
        return _DONE
    if not watched:
        raise ReportError(Fault("desk", "no folder to watch is given.", "Add --watch and the recorder's folder."))
    if has_workbook(folder):
        print(say("told.desk.make_sheet"), flush=True)
        if sys.stdin is None or sys.stdin.readline() != "\n":
            problem = "the desk writes runs.csv, and the runs stand in a workbook; nothing was changed."
            raise ReportError(Fault("runs.xlsx", problem, "Save it as runs.csv, or start again and press Enter."))
        make_sheet(folder)
    is_plain = asked.plain or not has_screen()
    screen = PlainScreen(quiet=asked.quiet, ascii_only=asked.ascii) if is_plain else Screen(ascii_only=asked.ascii)
    keys = PipedKeys() if is_plain else Keys()
    with opened_desk(folder, watched) as opened:
        opened.news = lambda word: _tell_news(word, opened, asked)
        opened.news("step")
        run_desk(opened, screen, Player(opened, watched, keys) if asked.demo else keys)
    if asked.demo and not asked.quiet:
        print(say("told.desk.demo", folder=folder))
    return _DONE


def _tell_news(word: str, desk: Any, asked: argparse.Namespace) -> None:
    """Write the page at each step, and ring for news; never while sound is measured."""
    from gpubench_kit.desk.view import write_page
    from gpubench_kit.model.metrics import METRICS

    if asked.page and word in ("step", "needs you"):
        write_page(desk)
    times = {"fine": 1, "needs you": 2}.get(word, 0)
    purposes = [desk.session.rows[run].get("purpose") for run in desk.due[:1]]
    is_listened = METRICS["sound_dba"].purpose in purposes and "sound_dba" in desk.keeper.plan.analysis.metrics
    if asked.bell and times and not is_listened:
        print("\a" * times, end="", flush=True)


def _tell_waiting(folder: Path | str) -> None:
    """Say on the terminal that steps of a desk that died are not in the run sheet yet."""
    folder = Path(folder).parent if Path(folder).is_file() else Path(folder)
    if not (folder / "desk").is_dir():
        return
    from gpubench_kit.desk.desk import rows_waiting
    from gpubench_kit.model.errors import GpubenchError

    with suppress(OSError, ValueError, GpubenchError):
        if n := rows_waiting(folder):
            print(say("told.desk.waiting", n=n, folder=folder), file=sys.stderr)
