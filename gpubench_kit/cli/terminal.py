"""What commands share: their options, and what a terminal shows.

That are results; faults, one a line; a bar of progress; questions, each with a default, a way back and a way out.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from typing import Any

from gpubench_kit.model.questions import SHOW, Question
from gpubench_kit.wording.catalogue import say

#: Set to anything, it shows where in the kit an unexpected error arose.
TRACEBACK = "GPUBENCH_KIT_TRACEBACK"


@contextmanager
def progress_bar(asked: argparse.Namespace) -> Iterator[Callable[[float, str], None]]:
    """Show a bar while a block runs; none when nobody watches a terminal.

    Parameters
    ----------
    asked : the command's options

    Yields
    ------
    function that is called with the share done and what is being done
    """
    from tqdm import tqdm

    is_off = asked.quiet or not sys.stderr.isatty()
    shape = "{desc}: {percentage:3.0f}%|{bar}| {elapsed}"
    with tqdm(total=100, disable=is_off, bar_format=shape, leave=False, file=sys.stderr) as bar:

        def show(share: float, what: str) -> None:
            """Show the share done and what is being done."""
            bar.set_description_str(what, refresh=False)
            bar.update(max(0.0, 100 * share - bar.n))

        yield show


def tell_faults(faults: Iterable[object], *, notes: Iterable[str] = ()) -> None:
    """Print faults, one a line.

    Parameters
    ----------
    faults : what is wrong
    notes : where in the kit a fault of its own arose; printed only if that is asked for
    """
    for fault in faults:
        print(say("told.fault", fault=fault), file=sys.stderr)
    if os.environ.get(TRACEBACK):
        print("\n".join(notes), file=sys.stderr)


def tell_result(asked: argparse.Namespace, made: Any, lines: Iterable[object]) -> None:
    """Print what a command made, as JSON if that is asked for, else as lines, or nothing.

    Parameters
    ----------
    asked : the command's options
    made : a result of the kit, a dataclass; or a mapping or list of plain values
    lines : the same in words
    """
    if asked.json:
        content = made if isinstance(made, (dict, list)) else asdict(made)
        print(json.dumps(content, indent=2, ensure_ascii=False, default=str))
    elif not asked.quiet:
        print("\n".join(map(str, lines)))


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
    every = questions_of(given)
    while (place := next((place for place, one in enumerate(every) if one.key not in given), None)) is not None:
        one, before = every[place], every
        answer = _answered(one, _number(every, place))
        if answer is None:
            given = {one.key: given[one.key] for one in every[: max(0, place - 1)]}
            every = questions_of(given)
            continue
        given[one.key] = answer
        if keep:
            keep(given)
        if told := one.written(answer):
            _say(say("dialog.written", what=told))
        every = questions_of(given)
        # By so many questions did the count grow.
        grown = sum(not one.is_detail for one in every) - sum(not one.is_detail for one in before)
        held = {one.key for one in before}
        opened = [one for one in every if one.key not in held and not one.is_detail][: max(0, grown)]
        if len(opened) > 1:
            _say(say("dialog.opens", n=len(opened), first=opened[0].text, last=opened[-1].text))
    return {one.key: given[one.key] for one in every}


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
    for line in one.about:
        _say(line)
    while (typed := _typed(one)) != _BACK:
        is_digit = typed.isdecimal() and 1 <= int(typed) <= len(one.choices)
        wrong = one.check(typed) if one.is_typed and one.check and typed and not is_digit else ""
        chosen = one.default if not typed else typed if one.is_typed and not wrong else None
        chosen = one.choices[int(typed) - 1].value if is_digit else chosen
        if typed == _EVIDENCE or chosen == SHOW:
            for line in one.evidence or (say("dialog.no_more"),):
                _say(line)
        elif chosen is None:
            among = say("dialog.no_choice", n=len(one.choices)) if one.choices else say("dialog.no_answer")
            _say(wrong or among)
        else:
            return chosen
    return None


def _typed(one: Question) -> str:
    """Return what was typed, blanks at its ends left out; raise where it stops the dialog."""
    offered = [say("dialog.enter", text=one.default_text)]
    offered += [f"{digit} {choice.text}" for digit, choice in enumerate(one.choices, start=1)]
    width = max(20, terminal_width() - _INDENT)
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


def _say(text: str, *, first: str = "") -> None:
    """Print a text beside a number, wrapped to the width of the terminal."""
    width = max(_INDENT + 20, terminal_width())
    begin = f"{first:<{_INDENT}}"
    if len(begin) + len(text) <= width:
        print(begin + text)
        return
    print(textwrap.fill(text, width=width, initial_indent=begin, subsequent_indent=" " * _INDENT,
                        break_on_hyphens=False))  # fmt: skip


def wrapped(text: str) -> list[str]:
    """Return a text as lines of the terminal's width; on one line where nobody watches a terminal.

    Parameters
    ----------
    text : of words; a name of a file stays whole
    """
    if not sys.stdout.isatty():
        return [text]
    return textwrap.wrap(text, max(20, terminal_width()), break_on_hyphens=False, break_long_words=False)


def terminal_width() -> int:
    """Return the width of the terminal."""
    return shutil.get_terminal_size((100, 24)).columns
