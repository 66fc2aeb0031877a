"""What is known of a log before it is read whole, and what is asked: facts, questions with their answers."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class LogFacts:
    """Facts of one file.

    Attributes
    ----------
    path : of the file
    kind : ``frames``, ``sensors``, ``sampled`` (rates or frame times once in a while), ``unclear`` (it asks) or
        ``none``
    sha256 : hash of its bytes; empty where it could not be read
    file_time_s : when it was last written, seconds since 1970; nan where unknown
    started_at_s : stamp of its first row, or start that a line above states, seconds since 1970, or of the day; nan
        without
    clock_kind : ``zoned``, ``dated`` or ``time_of_day``; empty without a stamp
    length_s : from the first frame or sample to the last [s]; nan where unknown
    mean_fps : frames over time; nan where unknown
    preamble : keys and values of lines above the heading, as written
    format_id : short name of its format, which logs of one recorder share
    seen : its heading cells, joined
    first_rows : its heading and first rows, as they stand
    certainty : of its frame times, or the least of its sensors: ``proven``, ``stated``, ``likely`` or ``open``
    columns : role or metric, heading, unit and certainty of each column that is used
    questions : what it asks, in sentences
    paste : lines for the plan that answer, without the card; empty where nothing is asked
    fault : why it cannot be used; empty where it can
    sources : where it holds frames of several programs: the heading that tells them apart, then their names
    """

    path: Path
    kind: str
    sha256: str = ""
    file_time_s: float = float("nan")
    started_at_s: float = float("nan")
    clock_kind: str = ""
    length_s: float = float("nan")
    mean_fps: float = float("nan")
    preamble: tuple[tuple[str, str], ...] = ()
    format_id: str = ""
    seen: str = ""
    first_rows: tuple[str, ...] = ()
    certainty: str = ""
    columns: tuple[tuple[str, str, str, str], ...] = ()
    questions: tuple[str, ...] = ()
    paste: str = ""
    fault: str = ""
    sources: tuple[str, ...] = ()

    def entry(self, card: str) -> str:
        """Return the entry of ``[[logs.format]]`` that confirms what is likely of this log, as lines.

        Parameters
        ----------
        card : name of the card whose log it is
        """
        about = {"card": card, "id": self.format_id, "seen": self.seen}
        head = [f"{key} = {quoted(text)}" for key, text in about.items()]
        return "\n".join(["[[logs.format]]", *head, *self.paste.splitlines()]) + "\n"


def quoted(text: str) -> str:
    """Return a text as a TOML string, as it stands in a plan.

    Parameters
    ----------
    text : any text
    """
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


#: The value of a choice that shows the evidence and asks again.
SHOW = "\0show"

#: Stands for a name that waits for an answer, and beside a proposal.
ASKED = "?"

#: Letters that are written from right to left; the text is kept apart from what stands around it.
_RIGHT_TO_LEFT = {"R", "AL"}
_ISOLATE, _END = "\u2068", "\u2069"


@dataclass(frozen=True)
class Choice:
    """One answer that a digit gives: the text beside the digit, the value that is kept, and what it writes."""

    text: str
    value: str
    writes: str = ""


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
    files : files that it concerns, by their paths from the folder; empty where it is about the whole review
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
    files: tuple[str, ...] = ()

    def written(self, answer: str) -> str:
        """Return what an answer writes, empty where it is nothing."""
        own = next((one.writes for one in self.choices if one.value == answer), "")
        return own or (self.writes.replace("{}", answer) if answer else "")


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
