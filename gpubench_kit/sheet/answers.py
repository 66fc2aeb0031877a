"""Answers to the questions of a draft, kept as a short TOML file that a person can read and write."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from gpubench_kit.model.errors import Fault, TableError, listed, shown
from gpubench_kit.model.log_facts import quoted
from gpubench_kit.model.questions import SHOW, Question

ANSWERS_FILE = "answers.toml"

#: Answers that are written as numbers.
_NUMBERS = ("margin_pct",)
_BARE = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-")


def answers_text(answers: Mapping[str, str]) -> str:
    """Return answers as TOML; what was left for later is not written.

    Parameters
    ----------
    answers : by key; ``table.name`` goes into a table
    """
    lines, tables = [], {}
    for key, value in answers.items():
        table, dot, name = key.partition(".")
        if value and dot:
            tables.setdefault(table, {})[name] = value
        elif value:
            lines.append(f"{_key(key)} = {value if key in _NUMBERS else quoted(value)}")
    for table, entries in tables.items():
        inner = ", ".join(f"{_key(name)} = {_value(table, value)}" for name, value in entries.items())
        lines.append(f"{_key(table)} = {{ {inner} }}")
    return "".join(f"{line}\n" for line in lines)


def _key(name: str) -> str:
    """Return a key of TOML, quoted where it has to be."""
    return name if name and set(name) <= _BARE else quoted(name)


def _value(table: str, value: str) -> str:
    """Return a value inside a table; what a tuning sets becomes a table of numbers."""
    if table != "tunings":
        return quoted(value)
    pairs = (part.split() for part in value.replace(":", " ").replace("=", " ").split(","))
    return "{ " + ", ".join(f"{pair[0]} = {pair[1].lstrip('+')}" for pair in pairs if len(pair) > 1) + " }"


def load_answers(file: Path) -> dict[str, str]:
    """Read answers.

    Parameters
    ----------
    file : TOML as `answers_text` writes it

    Raises
    ------
    TableError : the file cannot be read, or is no such TOML
    """
    try:
        data = tomllib.loads(file.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        problem = f"the answers cannot be read ({error})."
        raise TableError(Fault(file.name, problem, 'Write lines such as: card = "Larkmoor 4"')) from error
    answers: dict[str, str] = {}
    for key, value in data.items():
        if isinstance(value, dict):
            answers |= {f"{key}.{name}": _plain(one) for name, one in value.items()}
        elif isinstance(value, list):
            answers |= {f"{key}.{place}": _plain(one) for place, one in enumerate(value, start=1)}
        else:
            answers[key] = _plain(value)
    return answers


def _plain(value: Any) -> str:
    """Return a value as it would be typed."""
    if isinstance(value, dict):
        return ", ".join(f"{name} {_plain(one)}" for name, one in value.items())
    return str(value)


def check_answers(answers: Mapping[str, str], questions: Iterable[Question], *, file: str) -> None:
    """Raise where an answer belongs to no question, or is none of its choices.

    Parameters
    ----------
    answers : by key
    questions : all that are asked for these answers
    file : name of the file with the answers, for messages

    Raises
    ------
    TableError : with every fault
    """
    by_key = {one.key: one for one in questions}
    faults = []
    for key, value in answers.items():
        one = by_key.get(key)
        if one is None:
            problem = f"nobody asked for {shown(key)} (asked: {listed(by_key, most=20)})."
            faults.append(Fault(file, problem, "Take it out, or correct the key."))
        elif value and (problem := _fault(one, value)):
            faults.append(Fault(f"{file}, {key}", problem, "Correct it, or take it out to leave it for later."))
    if faults:
        raise TableError(faults)


def _fault(one: Question, value: str) -> str:
    """Return what is wrong with an answer; empty for nothing."""
    values = [choice.value for choice in one.choices if choice.value != SHOW]
    if value in values or value == one.default:
        return ""
    if one.is_typed:
        return one.check(value) if one.check else ""
    return f"{shown(value)} was found; one of {listed(values)} is expected."
