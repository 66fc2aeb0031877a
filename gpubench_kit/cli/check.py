"""The command ``check``: all logs recorded so far, runs to redo first, never a difference."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

from gpubench_kit.cli.confirm import confirm_formats_of
from gpubench_kit.cli.fault_lines import result_json, tell_fault_lines

_DONE, _NOTHING = 0, 1


def add_check(commands, *, make: Callable[..., argparse.ArgumentParser], bar: Callable) -> None:
    """Add the command ``check``.

    Parameters
    ----------
    commands : where commands are added
    make : makes the parser of one command, with what all commands share
    bar : progress bar, a context with ``show``
    """
    does = "check all logs so far: runs to redo, findings with pictures, noise, runs needed; no differences shown"
    example = "gpubench-kit check my-review"
    command = make(commands, "check", does, example)
    command.add_argument("folder", metavar="FOLDER", help="review folder, with plan.toml, runs.csv and logs/")
    command.add_argument("-o", "--output", metavar="FOLDER",
                         help="where check.html goes (default: reports/<name of the review folder>)")  # fmt: skip
    command.add_argument("--json", action="store_true", help="print the result as JSON")
    command.set_defaults(run=lambda asked: _check(asked, bar))
    # The limits come from the plan's models, which only a reader of this help needs to have loaded.
    command.epilog = None
    plain_help = command.format_help
    command.format_help = lambda: f"{plain_help()}\n{_limits()}\n\n{_EXITS}\n\nExample: {example}\n"


_EXITS = "Exit codes: 0 done; 1 done, but nothing is recorded yet; 2 bad input. It does not count as a look."


def _limits() -> str:
    """Return every limit with its default and meaning."""
    from gpubench_kit.model.plan.rules import limits_text

    return limits_text()


def _check(asked: argparse.Namespace, bar: Callable) -> int:
    """Check a review, tell where the page is and what was found."""
    from gpubench_kit.report.build_check import build_check

    with bar(asked) as shown:
        made = build_check(asked.folder, asked.output, progress=shown.show)
    tell_fault_lines(made.row_faults)
    if asked.json:
        print(result_json(made))
    elif not asked.quiet:
        print(f"{made.page}\n{made.summary}")
        confirm_formats_of(asked.folder)
        _ask_about_claims(asked.folder)
    return _DONE if made.is_anything_recorded else _NOTHING


def _ask_about_claims(folder: str) -> None:
    """Ask what is meant where a claim's words go the other way than its key; tell the line to paste."""
    from gpubench_kit.claims.signs import sign_question
    from gpubench_kit.cli.ask import ask, is_terminal
    from gpubench_kit.model.plan import PLAN_FILE, load_plan
    from gpubench_kit.model.questions import paste_lines

    place = Path(folder)
    claims = load_plan(place if place.is_file() else place / PLAN_FILE).claims
    questions = [one for one in map(sign_question, claims) if one is not None]
    if not is_terminal():
        print("\n".join(paste_lines(questions)), end="\n" if questions else "")
        return
    answers = ask(lambda _: questions)
    for key, line in answers.items():
        if line not in ("", "keep"):
            print(f"{key}: write {line} into plan.toml in place of its key, before the first report.")
