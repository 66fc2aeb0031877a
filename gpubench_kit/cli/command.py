"""The command ``gpubench-kit``: arguments in, one function called, an exit code out.

Exit codes: 0 done; 1 done, but something is open (nothing could be compared, cells are open, nothing is recorded);
2 bad input; 3 an internal error; 130 stopped by the user; 141 whoever reads the output has left. What a command
does, and what that needs, is imported when it runs, so that ``--help`` answers at once.
"""

from __future__ import annotations

import argparse
import logging
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import Any

from gpubench_kit import __version__
from gpubench_kit.cli.terminal import TRACEBACK, tell_faults
from gpubench_kit.model.errors import GpubenchError
from gpubench_kit.wording.catalogue import say

_DONE, _BAD_INPUT, _FAULT, _STOPPED, _UNREAD = 0, 2, 3, 130, 141

Option = tuple[str, dict[str, Any]]


def _switch(name: str, what: str) -> Option:
    return name, {"action": "store_true", "help": what}


def _output(what: str) -> Option:
    return "-o --output", {"metavar": "FOLDER", "help": what}


_JSON, _PRINT_JSON = _switch("--json", "print the result as JSON"), _switch("--json", "print JSON")
_DIALOG = (
    _switch("--no-input", "ask nothing: print questions with their lines"),
    ("--answers", {"metavar": "FILE", "help": "answers.toml that a dialog kept, or your own"}),
)
_PICTURES = ("--pictures", {
    "choices": ("film", "all", "none"), "default": "film",
    "help": "those that a film uses (default), all charts and upright ones, or none",
})  # fmt: skip
#: How the runs of `compare` were done; the last is what Enter answers.
ORDERS = ("alternated", "rounds", "back_to_back", "not_known")

_ABOUT_NEW = """\
With --from, plan and run sheet are drafted from what is there: a folder of logs, or a table of results (.xlsx,
.csv). What was found is shown as a table game x tuning x round; what nothing tells is asked. Logs are copied,
originals stay untouched. Without a terminal nothing is asked: open cells hold a ?, and each question is printed
with the line that answers it.

Exit codes: 0 done; 1 done, but cells of runs.csv are still open; 2 bad input.

Example: gpubench-kit new my-review --from logs"""

_ABOUT_REPORT = """\
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


@dataclass(frozen=True)
class Command:
    """One command.

    Attributes
    ----------
    name : what is typed
    run : function that is called with what was asked, and returns the exit code, by its whole name
    does : what it does, from a small letter on
    example : one call of it, behind the name of the command
    options : names of each, separated by a space, and what `argparse` is told of it
    about : what stands below the options; default the example
    """

    name: str
    run: str
    does: str
    example: str
    options: tuple[Option, ...]
    about: str = ""


COMMANDS = (
    Command("new", "gpubench_kit.cli.new.new",
            "make a review folder, empty or from your logs", "my-review --from logs", (
        ("folder", {"metavar": "FOLDER", "help": "folder to make; an existing one is never overwritten"}),
        ("--from", {"dest": "source", "metavar": "LOGS", "help": "folder of logs, or table of results"}), *_DIALOG,
        _switch("--json", "print table and questions as JSON; asks nothing"),
    ), _ABOUT_NEW),
    Command("schedule", "gpubench_kit.cli.report.schedule",
            "plan the bench session: rounds needed, time, random order, run sheet",
            "my-review", (
        ("folder", {"metavar": "FOLDER", "help": "review folder; planned runs are added to its run sheet"}),
        ("--previous", {"metavar": "REPORT", "help": "earlier report whose noise is counted with"}),
        _output("where the report goes (default: reports/<name of the review folder>)"), _JSON,
    )),
    Command("desk", "gpubench_kit.cli.report.desk",
            "the recording hours: shows the run that is due, and the next recording fills "
            "its row; never a result", "my-review --watch captures --watch sensors", (
        ("folder", {"metavar": "FOLDER", "nargs": "?", "default": "",
                    "help": "review folder, with plan.toml and runs.csv"}),
        ("--watch", {"action": "append", "default": [], "metavar": "FOLDER",
                     "help": "folder that the recorder writes to; a second for sensor logs"}),
        _switch("--page", "write the same view as desk.html, for a second screen"),
        _switch("--demo", "play a session of 90 seconds in its own folder; it ends by itself"),
        _switch("--plain", "one line an event, for a screen reader; by itself where there is no terminal"),
        _switch("--ascii", "no signs beyond ASCII"),
        _switch("--bell", "ring once when a run is fine, twice when the desk needs you"),
        _switch("--settle", "write what waits in the desk's journal into runs.csv, and end"),
    )),
    Command("check", "gpubench_kit.cli.report.check",
            "check all logs so far: runs to redo, findings with pictures, noise, runs "
            "needed; no differences shown", "my-review", (
        ("folder", {"metavar": "FOLDER", "help": "review folder, with plan.toml, runs.csv and logs/"}),
        _output("where check.html goes (default: reports/<name of the review folder>)"), _JSON,
    )),
    Command("report", "gpubench_kit.cli.report.report",
            "make the page, tables and pictures of a review", "my-review", (
        ("folders", {"metavar": "FOLDER", "nargs": "+",
                     "help": "review folder, with plan.toml, runs.csv and logs/; or a table"}), *_DIALOG,
        _output("where the report goes (default: reports/<name of the review folder>; with several FOLDERs the "
                "folder around those)"),
        ("--previous", {"metavar": "REPORT",
                        "help": "earlier report of the review: the page says what changed since; with several "
                                "FOLDERs the folder around their earlier reports, each under its name"}),
        ("--cluster", {"metavar": "ADDRESS",
                       "help": "scheduler of a running Dask cluster, such as tcp://desk:8786"}),
        _PICTURES, _switch("--parquet", "write each table as a Parquet file, too"), _JSON,
    ), _ABOUT_REPORT),
    Command("sweep", "gpubench_kit.cli.report.sweep",
            "find the tuning: lowest power without a loss, most efficient setting, what "
            "to measure next", "my-review", (
        ("folder", {"metavar": "FOLDER", "help": "review folder whose tunings are steps of one change"}),
        _output("where tuning.html goes (default: reports/<name of the review folder>)"), _JSON,
    )),
    Command("archive", "gpubench_kit.cli.report.archive",
            "gather many reports: noise of the bench, restarts, drivers, cards over "
            "time, games worth keeping", "reports", (
        ("folders", {"metavar": "FOLDER", "nargs": "+", "help": "folder that holds reports, at any depth"}),
        _output("where the archive goes (default: reports/archive)"), _JSON,
    )),
    Command("inspect", "gpubench_kit.cli.inspection.inspect",
            "tell how a log is read, and every metric of it",
            "logs/r014.frames.csv --sensors logs/r014.sensors.csv", (
        ("log", {"metavar": "LOG", "help": "frame log, or a sensor log alone"}),
        ("--sensors", {"metavar": "LOG", "help": "sensor log of the same run"}),
        ("--sensor-edge-s", {"metavar": "SECONDS", "type": float, "default": 1.0,
                             "help": "left out of sensor means at each end (default: 1)"}),
        ("--confirm", {"metavar": "FOLDER", "help": "confirm the log's format in the plan of this review folder"}),
        _PRINT_JSON,
    )),
    Command("compare", "gpubench_kit.cli.inspection.compare",
            "compare runs with runs at once, from numbers or frame logs",
            "102.1 102.6 101.9 --against 100.0 101.0 99.5 --order alternated", (
        ("of", {"metavar": "RUN", "nargs": "+", "help": "numbers, or frame logs"}),
        ("--against", {"metavar": "RUN", "nargs": "+", "required": True, "help": "the runs to compare with"}),
        ("--metric", {"default": "avg_fps", "help": "what the numbers are (default: avg_fps)"}),
        ("--margin", {"type": float, "help": "smallest difference that matters: percent, or the metric's unit "
                      "where it is not compared by ratio (default: 2 %%, or none)"}),
        ("--order", {"choices": ORDERS, "help": "how the runs were done: alternated (A B B A ...), rounds (run k "
                     "of both in round k), back_to_back, not_known (default: asked)"}), _PRINT_JSON,
    )),
    Command("demo", "gpubench_kit.cli.report.demo",
            "make the report of the bundled review of ten games", "", (
        _output("where the report goes (default: reports/demo)"), _PICTURES, _JSON,
    )),
    Command("completion", "gpubench_kit.cli.inspection.completion",
            "print a script that lets a shell complete commands and options", "", (
        ("shell", {"metavar": "SHELL", "choices": ("bash", "zsh", "tcsh"), "help": "bash, zsh or tcsh"}),
    ), 'Example: eval "$(gpubench-kit completion bash)"'),
)  # fmt: skip


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command.

    Parameters
    ----------
    arguments : words after the command's name; default those it was called with

    Returns
    -------
    int, exit code
    """
    for stream in (sys.stdout, sys.stderr):
        # A terminal that lacks a letter shows a stand-in rather than fail.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    asked = make_parser().parse_args(arguments)
    try:
        module, _, name = asked.run.rpartition(".")
        code = getattr(import_module(module), name)(asked)
        sys.stdout.flush()
        return code
    except GpubenchError as error:
        notes = getattr(error, "__notes__", ())
        tell_faults(error.faults, notes=notes)
        return _FAULT if notes else _BAD_INPUT
    except KeyboardInterrupt:
        # What was under way ends with the process; nobody waits for what it would say of that.
        logging.disable()
        print(say("told.stopped"), file=sys.stderr)
        return _STOPPED
    except BrokenPipeError:
        # Whoever reads the output has seen enough; nothing is left to flush at the end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _UNREAD
    except Exception as error:
        if os.environ.get(TRACEBACK):
            raise
        message = f"{type(error).__name__}: {error}".splitlines()[0]
        print(say("told.unexpected", message=message, variable=TRACEBACK), file=sys.stderr)
        return _FAULT


def make_parser() -> argparse.ArgumentParser:
    """Return the parser of the command line."""
    parser = argparse.ArgumentParser(
        prog="gpubench-kit",
        description="From a folder of benchmark logs to a published page with honest verdicts.",
        epilog="Exit codes: 0 done; 1 done, but nothing could be compared (new: cells are still open; check: "
        "nothing is recorded yet); 2 bad input; 3 an internal error; 130 stopped; 141 the output is read no more. "
        "Call the kit as gpubench-kit or bootstrap.py run: started as `python -m gpubench_kit`, Python itself "
        "executes modules that lie in the folder you are in.",
    )
    parser.add_argument("--version", action="version", version=f"gpubench_kit {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for one in COMMANDS:
        said = f"{one.does[0].upper()}{one.does[1:]}."
        epilog = one.about or f"Example: gpubench-kit {one.name} {one.example}".rstrip()
        command = commands.add_parser(one.name, help=one.does, description=said, epilog=epilog)
        if "\n" in one.about:
            command.formatter_class = argparse.RawDescriptionHelpFormatter
        command.set_defaults(run=one.run)
        command.add_argument("--quiet", action="store_true", help="print errors only")
        for names, told in one.options:
            command.add_argument(*names.split(), **told)
        if one.name == "check":
            _tell_limits(command)
    return parser


def _tell_limits(command: argparse.ArgumentParser) -> None:
    """Let the help of `check` list every limit; the plan's models are loaded for a reader of it alone."""
    example, command.epilog, plain_help = command.epilog, None, command.format_help
    exits = "Exit codes: 0 done; 1 done, but nothing is recorded yet; 2 bad input. It does not count as a look."

    def format_help() -> str:
        """Return the help with the limits."""
        from gpubench_kit.model.plan.rules import limits_text

        return f"{plain_help()}\n{limits_text()}\n\n{exits}\n\n{example}\n"

    command.format_help = format_help  # type: ignore[method-assign]
