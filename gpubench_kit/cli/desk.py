"""The command ``desk``: the recording hours, without typing."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

_DONE = 0


def add_desk(commands, *, make: Callable[..., argparse.ArgumentParser]) -> None:
    """Add the command ``desk``.

    Parameters
    ----------
    commands : the parser's commands
    make : makes a command of its name, what it does and an example
    """
    does = "the recording hours: shows the run that is due, and the next recording fills its row; never a result"
    command = make(commands, "desk", does, "gpubench-kit desk my-review --watch captures --watch sensors")
    command.add_argument("folder", metavar="FOLDER", help="review folder, with plan.toml and runs.csv")
    command.add_argument(
        "--watch",
        action="append",
        default=[],
        metavar="FOLDER",
        help="folder that the recorder writes to; a second one for sensor logs",
    )
    command.add_argument(
        "--plain",
        action="store_true",
        help="one line an event, for a screen reader; by itself where there is no terminal",
    )
    command.add_argument("--ascii", action="store_true", help="no signs beyond ASCII")
    command.add_argument("--bell", action="store_true",
                         help="ring once when a run is fine, twice when the desk needs you")  # fmt: skip
    command.add_argument("--settle", action="store_true",
                         help="write what waits in the desk's journal into runs.csv, and end")  # fmt: skip
    command.set_defaults(run=_desk)


def _desk(asked: argparse.Namespace) -> int:
    """Sit at the desk until the evening ends."""
    from gpubench_kit.desk.open import opened_desk, settle
    from gpubench_kit.desk.says import view_of
    from gpubench_kit.desk.terminal import Keys, PipedKeys, PlainScreen, Screen, is_terminal, run_desk
    from gpubench_kit.model.errors import Fault, ReportError

    folder = Path(asked.folder)
    if asked.settle:
        print(f"{settle(folder)} rows of runs.csv written from the desk's journal.")
        return _DONE
    if not asked.watch:
        raise ReportError(Fault("desk", "no folder to watch is given.", "Add --watch and the recorder's folder."))
    is_plain = asked.plain or not is_terminal()
    screen = PlainScreen(quiet=asked.quiet, ascii_only=asked.ascii) if is_plain else Screen(ascii_only=asked.ascii)
    with opened_desk(folder, [Path(one) for one in asked.watch]) as desk:
        if asked.bell:
            desk.news = lambda word: _ring(word, desk, screen)
        run_desk(desk, screen, Keys() if is_terminal() else PipedKeys(), view=view_of)
    return _DONE


def _ring(word: str, desk, screen) -> None:
    """Ring where a run is fine, or the desk needs somebody; never while a file grows or sound is measured."""
    times = {"fine": 1, "needs you": 2}.get(word, 0)
    due = desk.due
    if times and not (due and desk.evening.rows[due[0]].get("sound_dba")):
        screen.bell(times)
