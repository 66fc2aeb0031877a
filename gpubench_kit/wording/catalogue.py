"""Every sentence by its key; a language is one file.

A file is TOML: nested tables, joined by dots, are the keys. An entry is a text with places in braces (``{name}``,
or ``{found:.1f}`` where a number is written with one decimal), or a table of two texts, ``one`` and ``many``, of
which the value of ``n`` picks one.
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Any

#: Language that the kit comes with.
ENGLISH = "en"

#: A place: the name of its value and, behind a colon, how a number is written, as in format strings of Python.
_PLACE = re.compile(r"\{(\w+)(?::([^{}]+))?\}")
_FORMS = {"one", "many"}


@dataclass(frozen=True)
class Catalogue:
    """The sentences of one language.

    Attributes
    ----------
    language : as in the ``lang`` attribute of a page
    entries : key -> text, or its two forms ``one`` and ``many``
    """

    language: str
    entries: Mapping[str, str | Mapping[str, str]]

    def text(self, key: str, values: Mapping[str, Any]) -> str:
        """Return a sentence with its places filled.

        Parameters
        ----------
        key : key of the sentence
        values : a value for each place; ``n`` also picks the form

        Raises
        ------
        KeyError : there is no such sentence, or a place has no value
        """
        entry = self.entries[key]
        if not isinstance(entry, str):
            entry = entry["one" if values["n"] == 1 else "many"]
        return _PLACE.sub(lambda place: isolated(_filled(values[place[1]], place[2])), entry)

    def places(self, key: str) -> set[str]:
        """Return the names of the places of a sentence."""
        entry = self.entries[key]
        texts = [entry] if isinstance(entry, str) else entry.values()
        return {name for text in texts for name, _ in _PLACE.findall(text)}


def _filled(value: Any, form: str | None) -> str:
    """Return a value as its place asks; a number that the sentence writes has a minus sign, not a hyphen."""
    return format(value, form).replace("-", "\u2212") if form else str(value)


def isolated(text: str) -> str:
    """Return text so that a script written from right to left does not turn what stands beside it around.

    Parameters
    ----------
    text : set between a first strong isolate and its end (Unicode Standard Annex 9) where it needs that
    """
    is_turned = any(unicodedata.bidirectional(one) in ("R", "AL") for one in text)
    return f"\u2068{text}\u2069" if is_turned and not text.startswith("\u2068") else text


@lru_cache
def load_catalogue(language: str = ENGLISH) -> Catalogue:
    """Return the sentences of a language.

    Parameters
    ----------
    language : name of its file, without ending
    """
    file = resources.files("gpubench_kit.wording").joinpath(f"{language}.toml")
    return Catalogue(language, dict(_flat(tomllib.loads(file.read_text(encoding="utf-8")), "")))


def _flat(table: Mapping[str, Any], head: str) -> Iterator[tuple[str, str | Mapping[str, str]]]:
    """Yield nested tables as dotted keys."""
    for key, value in table.items():
        if isinstance(value, dict) and set(value) != _FORMS:
            yield from _flat(value, f"{head}{key}.")
        else:
            yield f"{head}{key}", value


_CURRENT: ContextVar[Catalogue | None] = ContextVar("catalogue", default=None)


def say(key: str, /, **values: Any) -> str:
    """Return a sentence in the language in use; see `Catalogue.text`."""
    return (_CURRENT.get() or load_catalogue()).text(key, values)


def has(key: str) -> bool:
    """Return whether there is a sentence with this key."""
    return key in (_CURRENT.get() or load_catalogue()).entries


@contextmanager
def spoken(catalogue: Catalogue) -> Iterator[None]:
    """Say everything from another catalogue while the block runs."""
    token = _CURRENT.set(catalogue)
    try:
        yield
    finally:
        _CURRENT.reset(token)
