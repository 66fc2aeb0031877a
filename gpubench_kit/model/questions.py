"""Questions to the reviewer as values: what is asked, which answers there are, what stands for no answer."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import dataclass

#: The value of a choice that shows the evidence and asks again.
SHOW = "\0show"

#: Letters that are written from right to left; the text is kept apart from what stands around it.
_RIGHT_TO_LEFT = {"R", "AL"}
_ISOLATE, _END = "\u2068", "\u2069"


@dataclass(frozen=True)
class Choice:
    """One answer that a digit gives: the text beside the digit, and the value that is kept."""

    text: str
    value: str


@dataclass(frozen=True)
class Question:
    """One question.

    Attributes
    ----------
    key : where the answer is kept: a word, or ``table.name``
    text : the question, one line
    choices : answers that the digits from 1 give
    default : the answer of Enter alone; empty: the question stays open
    default_text : what Enter does, in words
    is_typed : whether any text is an answer
    about : lines that stand below the question
    evidence : lines that ``?`` shows
    paste : where a file is edited in place of an answer, and the line
    writes : what an answer writes, for the line that says so; ``{}`` stands for the answer
    is_detail : whether it belongs to the question before it, and is numbered ``1a``
    check : what is wrong with a typed answer; empty for nothing
    """

    key: str
    text: str
    choices: tuple[Choice, ...] = ()
    default: str = ""
    default_text: str = "later"
    is_typed: bool = False
    about: tuple[str, ...] = ()
    evidence: tuple[str, ...] = ()
    paste: str = ""
    writes: str = ""
    is_detail: bool = False
    check: Callable[[str], str] | None = None


def paste_lines(questions: Iterable[Question]) -> list[str]:
    """Return questions as lines for where nobody can answer: each with the line that answers it.

    Parameters
    ----------
    questions : what is still open
    """
    lines = []
    for one in questions:
        choices = "; ".join(choice.text for choice in one.choices if choice.value != SHOW)
        lines.append(one.text + (f" ({choices})" if choices else ""))
        lines += [f"  {line}" for line in (*one.about, *one.paste.splitlines()) if line]
    return lines


def isolated(text: str) -> str:
    """Return a text such that letters written from right to left do not turn what stands around it.

    Parameters
    ----------
    text : a name from a file

    Notes
    -----
    Unicode Standard Annex 9, isolates (FSI and PDI).
    """
    if any(unicodedata.bidirectional(letter) in _RIGHT_TO_LEFT for letter in text):
        return f"{_ISOLATE}{text}{_END}"
    return text
