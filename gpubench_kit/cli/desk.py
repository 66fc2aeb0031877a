"""The command ``desk``: the recording hours, without typing."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from gpubench_kit.cli.terminal import add_command
from gpubench_kit.wording.catalogue import say

_DONE = 0


def add_desk(commands: Any) -> None:
    """Add the command ``desk`` to the commands of the parser."""
    does = "the recording hours: shows the run that is due, and the next recording fills its row; never a result"
    example = "gpubench-kit desk my-review --watch captures --watch sensors"
    command = add_command(commands, "desk", does, example=example, run=_desk)
    command.add_argument("folder", metavar="FOLDER", nargs="?", default="",
                         help="review folder, with plan.toml and runs.csv")  # fmt: skip
    command.add_argument("--watch", action="append", default=[], metavar="FOLDER",
                         help="folder that the recorder writes to; a second for sensor logs")  # fmt: skip
    command.add_argument("--page", action="store_true",
                         help="write the same view as desk.html, for a second screen")  # fmt: skip
    command.add_argument("--demo", action="store_true",
                         help="play a session of 90 seconds in its own folder; it ends by itself")  # fmt: skip
    plain = "one line an event, for a screen reader; by itself where there is no terminal"
    command.add_argument("--plain", action="store_true", help=plain)
    command.add_argument("--ascii", action="store_true", help="no signs beyond ASCII")
    command.add_argument("--bell", action="store_true",
                         help="ring once when a run is fine, twice when the desk needs you")  # fmt: skip
    command.add_argument("--settle", action="store_true",
                         help="write what waits in the desk's journal into runs.csv, and end")  # fmt: skip


def _desk(asked: argparse.Namespace) -> int:
    """Sit at the desk until the session ends."""
    from gpubench_kit.desk.demo import Player, make_demo
    from gpubench_kit.desk.desk import opened_desk, settle
    from gpubench_kit.desk.keeper import has_workbook, make_sheet
    from gpubench_kit.desk.terminal import Keys, PipedKeys, PlainScreen, Screen, is_terminal, run_desk
    from gpubench_kit.desk.view import write_page
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
    is_plain = asked.plain or not is_terminal()
    screen = PlainScreen(quiet=asked.quiet, ascii_only=asked.ascii) if is_plain else Screen(ascii_only=asked.ascii)
    keys = PipedKeys() if is_plain else Keys()
    with opened_desk(folder, watched) as desk:
        desk.news = lambda word: _tell(word, desk, asked=asked, write_page=write_page)
        desk.news("step")
        run_desk(desk, screen, Player(desk, watched, keys) if asked.demo else keys)
    if asked.demo and not asked.quiet:
        print(say("told.desk.demo", folder=folder))
    return _DONE


def _tell(word: str, desk, *, asked: argparse.Namespace, write_page: Callable) -> None:
    """Write the page at each step, and ring for news; never while sound is measured."""
    if asked.page and word in ("step", "needs you"):
        write_page(desk)
    from gpubench_kit.model.metrics import METRICS

    times = {"fine": 1, "needs you": 2}.get(word, 0)
    purposes = [desk.session.rows[run].get("purpose") for run in desk.due[:1]]
    is_listened = METRICS["sound_dba"].purpose in purposes and "sound_dba" in desk.keeper.plan.analysis.metrics
    if asked.bell and times and not is_listened:
        print("\a" * times, end="", flush=True)


def tell_waiting(folder: Path | str) -> None:
    """Say on the terminal that steps of a desk that died are not in the run sheet yet.

    Parameters
    ----------
    folder : the review folder, or its plan
    """
    folder = Path(folder).parent if Path(folder).is_file() else Path(folder)
    if not (folder / "desk").is_dir():
        return
    from gpubench_kit.desk.desk import rows_waiting
    from gpubench_kit.model.errors import GpubenchError

    with suppress(OSError, ValueError, GpubenchError):
        if n := rows_waiting(folder):
            print(say("told.desk.waiting", n=n, folder=folder), file=sys.stderr)
