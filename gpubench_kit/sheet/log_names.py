"""Rows of a run sheet and names of logs: which game and tuning a name speaks of, and which number is the round."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from gpubench_kit.model.words import fold
from gpubench_kit.sheet.name_parts import NameParts, parts_of

#: Names as short as this have to be a word of their own: "oc" stands in "rocket" by chance.
_SHORT = 4


class NamedRow(NamedTuple):
    """A row without a log: its run, game, tuning, and round (0 where not given)."""

    run: str
    game: str
    tuning: str
    round: int


class ByNames(NamedTuple):
    """What names of logs tell.

    ``logs``: run -> log; ``said``: log -> (game, tuning) that its name speaks of, empty where it does not.
    """

    logs: Mapping[str, str]
    said: Mapping[str, tuple[str, str]]

    @property
    def speak(self) -> bool:
        """Whether any name speaks of a game or a tuning."""
        return any(game or tuning for game, tuning in self.said.values())

    def contradict(self, row: NamedRow, log: str) -> bool:
        """Return whether a log's name speaks of another game or tuning than a row."""
        game, tuning = self.said.get(log, ("", ""))
        return bool(game and game != row.game) or bool(tuning and tuning != row.tuning)


def logs_by_names(rows: Sequence[NamedRow], names: Sequence[str]) -> ByNames:
    """Match rows and logs by the words and numbers in the logs' names.

    Parameters
    ----------
    rows : rows that name no log
    names : of logs that no row names, with slashes

    Returns
    -------
    ByNames: a log belongs to a row if it is the only one whose name speaks of its game and tuning, or the only one
    of these whose number is the round. Names that do not tell are left out; the alphabet tells nothing
    """
    games, tunings = {row.game for row in rows}, {row.tuning for row in rows}
    parts = {name: parts_of(name) for name in names}
    said = {name: (said_of(name, games), said_of(name, tunings)) for name in names}
    if len(games) == 1:
        said = {name: (game or next(iter(games)) * bool(tuning), tuning) for name, (game, tuning) in said.items()}
    logs_of, rows_of = defaultdict(list), defaultdict(list)
    for name, key in said.items():
        logs_of[key].append(name)
    for row in rows:
        rows_of[row.game, row.tuning].append(row)
    found: dict[str, str] = {}
    for key, same in rows_of.items():
        found |= _by_number(same, logs_of.get(key, []), parts)
    return ByNames(found, said)


def _by_number(rows: Sequence[NamedRow], logs: Sequence[str], parts: Mapping[str, NameParts]) -> dict[str, str]:
    """Return the log of each row of one game and tuning, by the number in the names that gives all their rounds."""
    if len(rows) == len(logs) == 1:
        return {rows[0].run: logs[0]}
    rounds = [row.round for row in rows]
    if 0 in rounds or len(set(rounds)) < len(rounds):
        return {}
    for label in sorted({label for name in logs for label in parts[name].numbers} - {"time", "long"}):
        numbers = [parts[name].numbers.get(label, 1 if label == "(n)" else 0) for name in logs]
        if len(set(numbers)) == len(numbers) and set(rounds) == set(numbers):
            of_round = dict(zip(numbers, logs, strict=True))
            return {row.run: of_round[row.round] for row in rows}
    return {}


def said_of(name: str, known: Iterable[str]) -> str:
    """Return the one of some names that a log's name speaks of; empty for none, and where two are meant.

    Parameters
    ----------
    name : of the log, with its folders
    known : names of games, or of tunings
    """
    words, whole = {word for word, _ in parts_of(name).words}, _squeezed(name)
    forms = {one: _squeezed(one) for one in known if one}
    held = [one for one, form in forms.items() if form and form in (words if len(form) < _SHORT else whole)]
    inner = {one for one in held for other in held if one != other and forms[one] in forms[other]}
    longest = [one for one in held if one not in inner]
    return longest[0] if len(longest) == 1 else ""


def _squeezed(text: str) -> str:
    """Return a text folded, without anything but letters and digits."""
    return re.sub(r"[\W_]+", "", fold(text))
