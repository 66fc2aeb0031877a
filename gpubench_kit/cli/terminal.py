"""What a terminal shows: faults, one a line; questions, each with a default, a way back and a way out."""

from __future__ import annotations

import json
import os
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from gpubench_kit.model.errors import Fault, GpubenchError, LogError
from gpubench_kit.model.questions import SHOW, Question

#: Set to anything, it shows where in the kit an unexpected error arose.
TRACEBACK = "GPUBENCH_KIT_TRACEBACK"


def tell_faults(error: GpubenchError) -> None:
    """Print every fault of an error, and where in the kit it arose if that is asked for.

    Parameters
    ----------
    error : what was raised
    """
    tell_fault_lines(error.faults, notes=getattr(error, "__notes__", ()))


def tell_fault_lines(faults: Iterable[Fault], *, notes: Iterable[str] = ()) -> None:
    """Print faults, one a line.

    Parameters
    ----------
    faults : what is wrong
    notes : where in the kit a fault of its own arose; printed only if that is asked for
    """
    for fault in faults:
        print(f"Fault: {fault}", file=sys.stderr)
    if os.environ.get(TRACEBACK):
        print("\n".join(notes), file=sys.stderr)


def result_json(made: Any) -> str:
    """Return what a command made as JSON: its fields by name, paths as text.

    Parameters
    ----------
    made : a result of the kit, a dataclass; or a mapping or list of plain values
    """
    content = made if isinstance(made, (dict, list)) else asdict(made)
    return json.dumps(content, indent=2, ensure_ascii=False, default=str)


def check_file(word: str, problem: str = "there is no such file") -> None:
    """Raise where a word of the command line names no file.

    Parameters
    ----------
    word : as it was typed
    problem : what is wrong then
    """
    if not Path(word).is_file():
        raise LogError(Fault(word, f"{problem}.", "Correct the name, or the folder you are in."))


Answers = dict[str, str]

_INDENT = 9
_ESCAPE = "\x1b"
_BACK, _EVIDENCE = "0", "?"


def is_terminal() -> bool:
    """Return whether somebody can read questions and answer them."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def ask(
    questions_of: Callable[[Mapping[str, str]], Sequence[Question]],
    answers: Mapping[str, str] | None = None,
    *,
    keep: Callable[[Mapping[str, str]], None] | None = None,
) -> Answers:
    """Ask until every question has an answer.

    Parameters
    ----------
    questions_of : gives all questions in order for the answers so far, those answered too; an answer may open
        further questions, or close some
    answers : answers known before, by key; these are not asked again
    keep : called with all answers after each one, so that a stop loses none

    Returns
    -------
    dict of answers by key, empty where a question was left for later

    Raises
    ------
    KeyboardInterrupt : stopped with Esc, Ctrl+C or the end of the input

    Notes
    -----
    Enter takes the default, a digit chooses, ``0`` goes one question back, ``?`` shows the evidence.
    """
    given = dict(answers or {})
    while True:
        every = questions_of(given)
        place = next((place for place, one in enumerate(every) if one.key not in given), None)
        if place is None:
            return {one.key: given[one.key] for one in every}
        answer = _answered(every[place], _number(every, place))
        if answer is None:
            given = {one.key: given[one.key] for one in every[: max(0, place - 1)]}
            continue
        given[every[place].key] = answer
        if keep:
            keep(given)
        if answer and every[place].writes:
            _say(f"written: {every[place].writes.replace('{}', answer)}")


def _number(every: Sequence[Question], place: int) -> str:
    """Return a question's number: ``2 of 5``, or ``2a`` where it belongs to the question before."""
    mains = [index for index, one in enumerate(every) if not one.is_detail]
    before = [index for index in mains if index <= place]
    if not every[place].is_detail:
        return f"{len(before)} of {len(mains)}"
    nth = place - (before[-1] if before else -1) - 1
    return f"{len(before) or 1}{chr(ord('a') + nth % 26)}"


def _answered(one: Question, number: str) -> str | None:
    """Return the answer to one question; None to go back."""
    _say(one.text, first=number)
    _say_all(one.about)
    while (typed := _typed(one)) != _BACK:
        chosen = _chosen(one, typed)
        if typed == _EVIDENCE or chosen == SHOW:
            _say_all(one.evidence or ("There is nothing more to show.",))
        elif chosen is None:
            _say(_wrong(one, typed))
        else:
            return chosen
    return None


def _typed(one: Question) -> str:
    """Return what was typed, blanks at its ends left out; raise where it stops the dialog."""
    offered = [f"[Enter: {one.default_text}]"]
    offered += [f"{digit} {choice.text}" for digit, choice in enumerate(one.choices, start=1)]
    width = max(20, _width() - _INDENT)
    lines = textwrap.wrap("   ".join(offered), width=width, break_on_hyphens=False)
    print("\n".join(" " * _INDENT + line for line in lines), end="  > ", flush=True)
    try:
        typed = input().strip()
    except EOFError:
        print()
        raise KeyboardInterrupt from None
    if typed.startswith(_ESCAPE):
        raise KeyboardInterrupt
    return typed


def _chosen(one: Question, typed: str) -> str | None:
    """Return the answer that was typed; None where it is none."""
    if not typed:
        return one.default
    if typed.isdecimal() and 1 <= int(typed) <= len(one.choices):
        return one.choices[int(typed) - 1].value
    return typed if one.is_typed and not (one.check and one.check(typed)) else None


def _wrong(one: Question, typed: str) -> str:
    """Return what is wrong with an answer."""
    if one.is_typed and one.check:
        return one.check(typed)
    digits = f"1 to {len(one.choices)}, " if one.choices else ""
    return f"This is no answer here: {digits}Enter, 0 (back) or ? (why)."


def _say(text: str, *, first: str = "") -> None:
    """Print a text beside a number, wrapped to the width of the terminal."""
    width = max(_INDENT + 20, _width())
    begin = f"{first:<{_INDENT}}"
    if len(begin) + len(text) <= width:
        print(begin + text)
        return
    print(textwrap.fill(text, width=width, initial_indent=begin, subsequent_indent=" " * _INDENT,
                        break_on_hyphens=False))  # fmt: skip


def _say_all(lines: Sequence[str]) -> None:
    """Print lines below a question."""
    for line in lines:
        _say(line)


def _width() -> int:
    """Return the width of the terminal."""
    return shutil.get_terminal_size((100, 24)).columns
