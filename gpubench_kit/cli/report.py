"""The commands ``report`` and ``demo``: the whole review, from logs to the page."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

from gpubench_kit.cli.fault_lines import tell_faults
from gpubench_kit.errors import GpubenchError

_DONE, _NOTHING_COMPARED, _BAD_INPUT = 0, 1, 2


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
        "folders", metavar="FOLDER", nargs="+", help="review folder, with plan.toml, runs.csv and logs/"
    )
    _add_output(command, "reports/<name of the review folder>")
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
    command.set_defaults(run=lambda asked: _demo(asked, bar))


def _add_output(command: argparse.ArgumentParser, default: str) -> None:
    """Add the option for the output folder."""
    command.add_argument("-o", "--output", metavar="FOLDER", help=f"where the report goes (default: {default})")


def _report(asked: argparse.Namespace, bar: Callable) -> int:
    """Make the report of each folder; a folder with faults does not keep the others from theirs."""
    if len(asked.folders) == 1:
        return _report_one(asked, asked.folders[0], asked.output, bar=bar)
    return max(_report_one_of_many(asked, folder, bar) for folder in asked.folders)


def _report_one_of_many(asked: argparse.Namespace, folder: str, bar: Callable) -> int:
    """Make one of several reports into a folder of its own; tell its faults under its name."""
    output = Path(asked.output, Path(folder).resolve().name) if asked.output else None
    try:
        return _report_one(asked, folder, output, bar=bar)
    except GpubenchError as error:
        print(f"{folder}:", file=sys.stderr)
        tell_faults(error)
        return _BAD_INPUT


def _demo(asked: argparse.Namespace, bar: Callable) -> int:
    """Make the report of the bundled ten-game review."""
    from gpubench_kit.bundled import bundled_path

    output = asked.output or Path("reports", "demo")
    return _report_one(asked, bundled_path("data", "ten_games"), output, bar=bar, record_look=False)


def _report_one(
    asked: argparse.Namespace,
    folder: str | Path,
    output: str | Path | None,
    *,
    bar: Callable,
    record_look: bool = True,
) -> int:
    """Make one report, tell where it is, and whether anything could be compared."""
    from gpubench_kit.report.build import build_report
    from gpubench_kit.report.manifest import compared_anything

    with bar(asked) as shown:
        page = build_report(folder, output, progress=shown.show, record_look=record_look)
    is_compared = compared_anything(page.parent)
    if not asked.quiet:
        print(page if is_compared else f"{page}\nNothing could be compared; the page says why.")
    return _DONE if is_compared else _NOTHING_COMPARED
