"""The command ``sweep``: find the tuning."""

from __future__ import annotations

import argparse
from collections.abc import Callable

from gpubench_kit.cli.fault_lines import result_json

_DONE, _NOTHING_COMPARED = 0, 1


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
    from gpubench_kit.report.build_tuning import build_tuning
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
