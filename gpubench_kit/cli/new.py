"""The command ``new``: a review folder to fill in, or drafted from a table."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

_DONE = 0

_ABOUT = """\
With --from, plan and run sheet are drafted from a table of results (.xlsx, .csv): what was found is shown as a
table game x tuning x round, and what nothing tells is asked. Without a terminal nothing is asked: open cells hold
a ?, and each question is printed with the line that answers it.

Exit codes: 0 done; 1 done, but cells of runs.csv are still open; 2 bad input.

Example: gpubench-kit new my-review"""


def add_new(commands, *, make: Callable[..., argparse.ArgumentParser]) -> None:
    """Add the command ``new``.

    Parameters
    ----------
    commands : where commands are added
    make : makes the parser of one command, with what all commands share
    """
    command = make(
        commands, "new", "make a review folder, empty or from what is there", "gpubench-kit new my-review"
    )
    command.add_argument("folder", metavar="FOLDER", help="folder to make; an existing one is never overwritten")
    command.add_argument(
        "--from", dest="source", metavar="TABLE", help="table of results (.xlsx, .csv) to start from"
    )
    add_dialog_options(command)
    command.add_argument(
        "--json", action="store_true", help="print table, questions and files as JSON; asks nothing"
    )
    command.formatter_class = argparse.RawDescriptionHelpFormatter
    command.epilog = _ABOUT
    command.set_defaults(run=_new)


def add_dialog_options(command: argparse.ArgumentParser) -> None:
    """Add the options of a command that asks.

    Parameters
    ----------
    command : parser of the command
    """
    command.add_argument(
        "--no-input", action="store_true", help="ask nothing: print the questions with their lines"
    )
    command.add_argument("--answers", metavar="FILE", help="answers.toml that a dialog kept, or your own")


def _new(asked: argparse.Namespace) -> int:
    """Make a review folder."""
    if asked.source is None:
        return _empty(asked)
    from gpubench_kit.cli.draft_dialog import make_review
    from gpubench_kit.model.errors import Fault, TableError
    from gpubench_kit.sheet.from_table import draft_from_grids
    from gpubench_kit.sheet.grid import read_grids

    source = Path(asked.source)
    if not source.is_file():
        raise TableError(
            Fault(asked.source, "there is no such file.", "Correct the name, or the folder you are in.")
        )
    grids = read_grids(source)
    return make_review(
        asked, lambda answers: draft_from_grids(grids, source.name, answers), Path(asked.folder)
    ).code


def _empty(asked: argparse.Namespace) -> int:
    """Make a review folder to fill in."""
    from gpubench_kit.sheet.new_review import new_review

    made = new_review(asked.folder)
    if not asked.quiet:
        print(f"{made} is ready: fill in plan.toml, then runs.csv, and put the logs into logs/.")
    return _DONE
