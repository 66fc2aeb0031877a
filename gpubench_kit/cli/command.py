"""The command ``gpubench-kit``: arguments in, one public function called, an exit code out.

Exit codes: 0 done; 1 done, but nothing could be compared; 2 bad input; 3 an internal error;
130 stopped by the user. What a command needs is imported when it runs, so that ``--help`` answers at once.
"""

from __future__ import annotations

import argparse
import logging
import os
import sys
from collections.abc import Sequence
from typing import Any

from gpubench_kit import __version__
from gpubench_kit.cli.compare import add_compare
from gpubench_kit.cli.desk import add_desk
from gpubench_kit.cli.new import add_new
from gpubench_kit.cli.report import add_archive, add_check, add_demo, add_report, add_sweep
from gpubench_kit.cli.terminal import TRACEBACK, check_file, result_json, tell_faults
from gpubench_kit.model.errors import GpubenchError

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
    _speak_plainly()
    asked = make_parser().parse_args(arguments)
    try:
        code = asked.run(asked)
        sys.stdout.flush()
        return code
    except GpubenchError as error:
        tell_faults(error)
        return _FAULT if getattr(error, "__notes__", None) else _BAD_INPUT
    except KeyboardInterrupt:
        # What was under way ends with the process; nobody waits for what it would say of that.
        logging.disable()
        print("Stopped. An earlier report is as it was.", file=sys.stderr)
        return _STOPPED
    except BrokenPipeError:
        # Whoever reads the output has seen enough; nothing is left to flush at the end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _UNREAD
    except Exception as error:
        if os.environ.get(TRACEBACK):
            raise
        told = f"{type(error).__name__}: {error}".splitlines()[0]
        print(f"Unexpected error: {told}", file=sys.stderr)
        print(f"This is an internal error. Please report it, with what {TRACEBACK}=1 shows.", file=sys.stderr)
        return _FAULT


def _schedule(asked: argparse.Namespace) -> int:
    """Plan the next bench session, add its runs to the run sheet, tell what it can say."""
    from gpubench_kit.report.pages import build_schedule

    with _Bar(asked) as bar:
        made = build_schedule(asked.folder, asked.output, previous=asked.previous, progress=bar.show)
    if asked.json:
        print(result_json(made))
        return _DONE
    added = f"{made.added} rows added to {made.sheet}" if made.added else "No rows were added to the run sheet"
    _say(asked, "\n".join([*made.summary, f"{added}.", str(made.page), str(made.printed)]))
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
    told = inspect_log(asked.log, asked.sensors, sensor_edge_s=asked.sensor_edge_s)
    print(as_json(told) if asked.json else inspection_text(told))
    return _DONE


class _Bar:
    """A progress bar; none when nobody watches a terminal."""

    def __init__(self, asked: argparse.Namespace):
        self._is_off = asked.quiet or not sys.stderr.isatty()
        self._bar: Any = None

    def __enter__(self) -> _Bar:
        from tqdm import tqdm

        shape = "{desc}: {percentage:3.0f}%|{bar}| {elapsed}"
        self._bar = tqdm(total=100, disable=self._is_off, bar_format=shape, leave=False, file=sys.stderr)
        return self

    def __exit__(self, *_about: object) -> None:
        self._bar.close()

    def show(self, share: float, what: str) -> None:
        """Show the share done and what is being done."""
        self._bar.set_description_str(what, refresh=False)
        self._bar.update(max(0.0, 100 * share - self._bar.n))


def make_parser() -> argparse.ArgumentParser:
    """Return the parser of the command line."""
    parser = argparse.ArgumentParser(
        prog="gpubench-kit",
        description="From a folder of benchmark logs to a published page with honest verdicts.",
        epilog="Exit codes: 0 done; 1 done, but nothing could be compared; 2 bad input; 3 an internal error. "
        "Call the kit as gpubench-kit or bootstrap.py run: started as `python -m gpubench_kit`, Python itself "
        "executes modules that lie in the folder you are in.",
    )
    parser.add_argument("--version", action="version", version=f"gpubench_kit {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    add_new(commands, make=_command, bar=_Bar)
    _add_schedule(commands)
    add_desk(commands, make=_command)
    add_check(commands, make=_command, bar=_Bar)
    add_report(commands, make=_command, bar=_Bar)
    add_sweep(commands, make=_command, bar=_Bar)
    add_archive(commands, make=_command, bar=_Bar)
    _add_inspect(commands)
    add_compare(commands, make=_command)
    add_demo(commands, make=_command, bar=_Bar)
    _add_completion(commands, parser)
    return parser


def _add_schedule(commands) -> None:
    """Add the command ``schedule``."""
    does = "plan the bench session: rounds needed, time, random order, run sheet"
    command = _command(commands, "schedule", does, "gpubench-kit schedule my-review")
    command.add_argument("folder", metavar="FOLDER", help="review folder; planned runs are added to its run sheet")
    command.add_argument("--previous", metavar="REPORT", help="earlier report whose noise is counted with")
    _add_output(command, "reports/<name of the review folder>")
    command.add_argument("--json", action="store_true", help="print the result as JSON")
    command.set_defaults(run=_schedule)


def _add_inspect(commands) -> None:
    """Add the command ``inspect``."""
    example = "gpubench-kit inspect logs/r014.frames.csv --sensors logs/r014.sensors.csv"
    command = _command(commands, "inspect", "tell how a log is read, and every metric of it", example)
    command.add_argument("log", metavar="LOG", help="frame log, or a sensor log alone")
    command.add_argument("--sensors", metavar="LOG", help="sensor log of the same run")
    command.add_argument("--sensor-edge-s", metavar="SECONDS", type=float, default=1.0,
                         help="left out of sensor means at each end (default: 1)")  # fmt: skip
    command.add_argument("--confirm", metavar="FOLDER",
                         help="confirm the log's format in the plan of this review folder")  # fmt: skip
    command.add_argument("--json", action="store_true", help="print JSON")
    command.set_defaults(run=_inspect)


def _add_completion(commands, parser: argparse.ArgumentParser) -> None:
    """Add the command ``completion``."""
    does = "print a script that lets a shell complete commands and options"
    command = _command(commands, "completion", does, 'eval "$(gpubench-kit completion bash)"')
    command.add_argument("shell", metavar="SHELL", choices=("bash", "zsh", "tcsh"), help="bash, zsh or tcsh")
    command.set_defaults(run=lambda asked: _completion(asked, parser))


def _completion(asked: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Print the completion script of a shell."""
    import shtab

    print(shtab.complete(parser, shell=asked.shell))
    return _DONE


def _command(commands, name: str, does: str, example: str) -> argparse.ArgumentParser:
    """Return the parser of one command, with what all commands share."""
    said = f"{does[0].upper()}{does[1:]}."
    command = commands.add_parser(name, help=does, description=said, epilog=f"Example: {example}")
    command.add_argument("--quiet", action="store_true", help="print errors only")
    return command


def _add_output(command: argparse.ArgumentParser, default: str) -> None:
    """Add the option for the output folder."""
    command.add_argument("-o", "--output", metavar="FOLDER", help=f"where the report goes (default: {default})")


def _say(asked: argparse.Namespace, text: str) -> None:
    """Print a result unless told to be quiet."""
    if not asked.quiet:
        print(text)


def _speak_plainly() -> None:
    """Let a terminal that lacks a letter show a stand-in rather than fail."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
