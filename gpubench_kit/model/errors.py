"""Every error the kit raises on purpose, and the words that messages share.

::

    GpubenchError
    |-- PlanError      plan.toml cannot be used
    |-- LogError       a frame or sensor log cannot be used
    |-- TableError     a table (run sheet included) breaks its declaration
    |-- DesignError    the measurements cannot answer the question asked
    `-- ReportError    a report cannot be made or written

Each message says what is wrong, where, what was found, what was expected and what to do.
Faults are collected first and raised together.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from os import PathLike


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong.

    Attributes
    ----------
    where : file and place in it, for example ``runs.csv, run 'r014'``
    problem : what was found and what was expected
    action : what the reader can do about it
    """

    where: str
    problem: str
    action: str = ""

    def __str__(self) -> str:
        sentence = f"{self.where}: {self.problem}" if self.where else self.problem
        return f"{sentence} {self.action}".rstrip()


class GpubenchError(Exception):
    """Base of all errors that the kit raises on purpose; ``faults`` lists every fault found."""

    def __init__(self, faults: str | Fault | Iterable[Fault | str]):
        self.faults: tuple[Fault, ...] = tuple(
            (one if isinstance(one, Fault) else Fault("", one))
            for one in ([faults] if isinstance(faults, (str, Fault)) else list(faults))
        )
        super().__init__("\n".join(str(fault) for fault in self.faults))

    def _render_traceback_(self) -> list[str]:
        """Return the faults alone: a notebook shows them in place of the kit's own lines of code."""
        return [f"{type(self).__name__}: {fault}" for fault in self.faults]

    def __reduce__(self):
        # Exceptions cross process borders when many runs are read in parallel.
        return (type(self), (list(self.faults),))


class PlanError(GpubenchError):
    """``plan.toml`` cannot be used."""


class LogError(GpubenchError):
    """A frame or sensor log cannot be used."""


class TableError(GpubenchError):
    """A table breaks its declaration; the run sheet is one."""


class DesignError(GpubenchError):
    """The measurements cannot answer the question asked."""


class ReportError(GpubenchError):
    """A report cannot be made or written."""


#: Longer texts are cut in messages; names of thousands of characters are legal.
_LONGEST_SHOWN = 80
_LONGEST_COMPARED = 200


def shown(value: object) -> str:
    """Return a value as the reader wrote it, in quotes where it is text, cut where it is long.

    Parameters
    ----------
    value : anything that a TOML file or a table can hold

    Returns
    -------
    str, one line without control characters
    """
    if isinstance(value, str):
        return f"'{_one_line(value)}'"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table { ... }"
    if isinstance(value, (list, tuple)):
        return "a list [ ... ]"
    if isinstance(value, int) and value.bit_length() > 200:
        return "a number of more than 60 digits"
    return _one_line(str(value))


def kind_of(value: object) -> str:
    """Return what a value is, in words: ``None``, ``the text 'x'``, ``the number 3``, ``a list``.

    Parameters
    ----------
    value : anything
    """
    if value is None or isinstance(value, bool):
        return str(value)
    if isinstance(value, str):
        return f"the text {shown(value)}"
    if isinstance(value, int | float):
        return f"the number {shown(value)}"
    name = type(value).__name__
    return f"{'an' if name[:1] in 'aeiouAEIOU' else 'a'} {name}"


def check_given(
    value: object,
    kinds: type | tuple[type, ...],
    *,
    where: str,
    wanted: str,
    action: str = "",
    error: type[GpubenchError] | None = None,
) -> None:
    """Refuse a value of another kind than a call takes, in one sentence.

    Parameters
    ----------
    value : what was given
    kinds : type or types that will do
    where : what it was given for, for example ``plan``
    wanted : what is expected, in words
    action : what to give in its place
    error : error to raise; default `TableError`

    Raises
    ------
    GpubenchError : of the kind ``error``
    """
    if not isinstance(value, kinds):
        problem = f"{kind_of(value)} was given; {wanted} is expected."
        raise (error or TableError)(Fault(where, problem, action))


def check_choice(
    value: object, choices: Iterable[str], *, where: str, error: type[GpubenchError] | None = None
) -> None:
    """Refuse what is none of some words.

    Parameters
    ----------
    value : what was given
    choices : words that will do
    where : what it was given for
    error : error to raise; default `TableError`

    Raises
    ------
    GpubenchError : of the kind ``error``
    """
    choices = tuple(choices)
    if value not in choices:
        problem = f"{kind_of(value)} was given; one of {listed(choices)} is expected."
        raise (error or TableError)(Fault(where, problem, suggestion(str(value), choices) or "Choose one of them."))


def check_folder(
    folder: object, *, wanted: str = "the folder of a review", error: type[GpubenchError] | None = None
) -> None:
    """Refuse what names no folder and no file.

    Parameters
    ----------
    folder : what was given
    wanted : what is expected, in words
    error : error to raise; default `PlanError`

    Raises
    ------
    GpubenchError : of the kind ``error``
    """
    action = 'Name it as text, for example "my_review".'
    check_given(folder, (str, PathLike), where="folder", wanted=wanted, action=action, error=error or PlanError)


def listed(names: Iterable[object], most: int = 12) -> str:
    """Return names in quotes, separated by commas; at most ``most`` of them, the rest counted."""
    every = [shown(name) for name in names]
    if len(every) > most:
        return ", ".join(every[:most]) + f" and {len(every) - most} more"
    return ", ".join(every) if every else "none"


def nearest(name: str, known: Iterable[str], *, cutoff: float = 0.6) -> str:
    """Return the known name that is written most like ``name``; empty where none is near.

    Parameters
    ----------
    name : name that was found
    known : names that would be right
    cutoff : least likeness, from 0 to 1 (`difflib.SequenceMatcher.ratio`), capitals aside
    """
    by_form = {one.casefold()[:_LONGEST_COMPARED]: one for one in known}
    close = difflib.get_close_matches(name.casefold()[:_LONGEST_COMPARED], list(by_form), n=1, cutoff=cutoff)
    return by_form[close[0]] if close else ""


def suggestion(name: str, known: Iterable[str]) -> str:
    """Return ``Did you mean '...'?`` with the nearest known name; empty where none is near."""
    near = nearest(name, known)
    if not near:
        return ""
    if name != near and _without_spaces(name) == _without_spaces(near):
        return f"Did you mean {shown(near)}? It differs in capitals or spaces only."
    return f"Did you mean {shown(near)}?"


def _without_spaces(text: str) -> str:
    """Return the text in small letters, its blanks (unusual ones too) made plain."""
    return " ".join(text.casefold().split())


def _one_line(text: str) -> str:
    """Return the text on one line, control characters written out, cut where it is long."""
    cut = text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 1] + "…"
    return "".join(one if one.isprintable() else one.encode("unicode_escape").decode("ascii") for one in cut)
