"""The command ``gpubench-kit``: arguments in, one function called, an exit code out.

Exit codes: 0 done; 1 done, but something is open (nothing could be compared, cells are open, nothing is recorded);
2 bad input; 3 an internal error; 130 stopped by the user; 141 whoever reads the output has left. What a command
needs is imported when it runs, so that ``--help`` answers at once.
"""

from __future__ import annotations

import argparse
import logging
import os
import sys
from collections.abc import Sequence

from gpubench_kit import __version__
from gpubench_kit.cli.compare import add_compare
from gpubench_kit.cli.desk import add_desk
from gpubench_kit.cli.new import add_new
from gpubench_kit.cli.report import add_archive, add_check, add_demo, add_report, add_sweep
from gpubench_kit.cli.terminal import (
    TRACEBACK,
    add_command,
    add_json,
    add_output,
    check_file,
    progress_bar,
    tell_faults,
    tell_result,
)
from gpubench_kit.model.errors import GpubenchError
from gpubench_kit.wording.catalogue import say

_DONE, _BAD_INPUT, _FAULT, _STOPPED, _UNREAD = 0, 2, 3, 130, 141


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
        code = asked.run(asked)
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


def _schedule(asked: argparse.Namespace) -> int:
    """Plan the next bench session, add its runs to the run sheet, tell what it can say."""
    from gpubench_kit.report.pages import build_schedule

    with progress_bar(asked) as show:
        made = build_schedule(asked.folder, asked.output, previous=asked.previous, progress=show)
    added = say("told.rows", n=made.added, sheet=made.sheet) if made.added else say("told.no_rows")
    tell_result(asked, made, [*made.summary, added, made.page, made.printed])
    return _DONE


def _inspect(asked: argparse.Namespace) -> int:
    """Tell how a log is read, and every metric of it."""
    from gpubench_kit.cli.dialogs import confirm_log
    from gpubench_kit.cli.text import as_json, inspection_text
    from gpubench_kit.metrics.inspect_log import inspect_log

    for word in filter(None, (asked.log, asked.sensors)):
        check_file(word)
    if asked.confirm:
        confirm_log(asked.log, asked.confirm)
        return _DONE
    found = inspect_log(asked.log, asked.sensors, sensor_edge_s=asked.sensor_edge_s)
    print(as_json(found) if asked.json else inspection_text(found))
    return _DONE


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
    add_new(commands)
    does = "plan the bench session: rounds needed, time, random order, run sheet"
    command = add_command(commands, "schedule", does, example="gpubench-kit schedule my-review", run=_schedule)
    command.add_argument("folder", metavar="FOLDER", help="review folder; planned runs are added to its run sheet")
    command.add_argument("--previous", metavar="REPORT", help="earlier report whose noise is counted with")
    add_output(command, "where the report goes (default: reports/<name of the review folder>)")
    add_json(command)
    add_desk(commands)
    add_check(commands)
    add_report(commands)
    add_sweep(commands)
    add_archive(commands)
    example = "gpubench-kit inspect logs/r014.frames.csv --sensors logs/r014.sensors.csv"
    does = "tell how a log is read, and every metric of it"
    command = add_command(commands, "inspect", does, example=example, run=_inspect)
    command.add_argument("log", metavar="LOG", help="frame log, or a sensor log alone")
    command.add_argument("--sensors", metavar="LOG", help="sensor log of the same run")
    command.add_argument("--sensor-edge-s", metavar="SECONDS", type=float, default=1.0,
                         help="left out of sensor means at each end (default: 1)")  # fmt: skip
    command.add_argument("--confirm", metavar="FOLDER",
                         help="confirm the log's format in the plan of this review folder")  # fmt: skip
    add_json(command, "print JSON")
    add_compare(commands)
    add_demo(commands)
    does = "print a script that lets a shell complete commands and options"
    example = 'eval "$(gpubench-kit completion bash)"'
    command = add_command(commands, "completion", does, example=example, run=_completion)
    command.add_argument("shell", metavar="SHELL", choices=("bash", "zsh", "tcsh"), help="bash, zsh or tcsh")
    return parser


def _completion(asked: argparse.Namespace) -> int:
    """Print the completion script of a shell."""
    import shtab

    print(shtab.complete(make_parser(), shell=asked.shell))
    return _DONE
