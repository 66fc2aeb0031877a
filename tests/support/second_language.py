"""A made-up second language: every letter of the catalogue is written wide; any other letter was not in it."""

from __future__ import annotations

import re
from collections.abc import Iterable

from bs4 import BeautifulSoup, NavigableString

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.wording.catalogue import Catalogue, load_catalogue

_WIDE = {code: chr(code + 0xFEE0) for code in range(0x21, 0x7F) if chr(code).isalpha()}
_PLACES = re.compile(r"(\{\w+(?::[^{}]+)?\})")
_LETTERS = re.compile(r"[A-Za-z]{2,}")
#: Numbers with their units, ends of intervals, names of runs and files, hashes: the same in every language.
_UNITS = "%|W|J|FPS|fps|ms|mV|MHz|rpm|dBA|min|h|s"
_NUMBERS = re.compile(rf"(?<=[\d.]) ?(?:{_UNITS})\b|, (?:{_UNITS})$|\b(?:FPS|fps)\b|\d to (?=[+−\d])")
_DATA = re.compile(r"\b[rp]\d+\b|\b[\w./]+\.(?:csv|html|zip|json)\b|\b[0-9a-f]{16,}\b|gpubench_kit \S+")


def wide_catalogue() -> Catalogue:
    """Return the catalogue of the made-up language: places stay, letters are wide."""
    english = load_catalogue()
    entries = {
        key: _wide(entry) if isinstance(entry, str) else {form: _wide(text) for form, text in entry.items()}
        for key, entry in english.entries.items()
    }
    return Catalogue("x-wide", entries)


def _wide(text: str) -> str:
    """Return a text with wide letters, its places as they are."""
    return "".join(part if _PLACES.fullmatch(part) else part.translate(_WIDE) for part in _PLACES.split(text))


def said_in_english(html: str, *, names: Iterable[str]) -> list[str]:
    """Return the texts of a page, those of drawings and for screen readers too, that are not in the catalogue.

    Names, numbers and data are passed over.

    Parameters
    ----------
    html : the page, or a part of it, made while the made-up language was spoken
    names : what the user or a check calls things; the registries of metrics and verdicts are known
    """
    soup = BeautifulSoup(html, "html.parser")
    for style in soup("style"):
        style.decompose()
    words = [word for row in METRICS.values() for word in (row.label, row.head, row.short) if word]
    words += [row.word for row in VERDICTS.values()]
    known = re.compile("|".join(sorted(map(re.escape, [*names, *words]), key=len, reverse=True)), re.IGNORECASE)
    found = []
    texts = soup.find_all(string=lambda one: type(one) is NavigableString)
    for text in [*texts, *(one["aria-label"] for one in soup.select("[aria-label]"))]:
        shown = " ".join(text.replace("\u00a0", " ").split())
        rest = _DATA.sub("", _NUMBERS.sub("", known.sub("", shown)))
        if _LETTERS.search(rest):
            found.append(shown)
    return found
