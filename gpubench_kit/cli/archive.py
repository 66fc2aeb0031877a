"""The command ``archive``: many reviews as one instrument."""

from __future__ import annotations

import argparse
from collections.abc import Callable

from gpubench_kit.cli.fault_lines import result_json

_DONE, _NOTHING = 0, 1


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
    return _DONE if made.is_noise_known else _NOTHING
