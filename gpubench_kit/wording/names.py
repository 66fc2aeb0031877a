"""Names from the plan, made short where there is little room, and lists of names."""

from __future__ import annotations

import re
from collections.abc import Sequence

from gpubench_kit.wording.terms import capital, metric_of

#: Most signs of a short name.
MOST_SIGNS = 22

#: Letters without which a word is an abbreviation, which stays as it is typed; and those of other alphabets.
_VOWELS = frozenset("aeiouyäöüåæøéèáíóú")

_FIRST_PART = re.compile(r", | with ")


def starting(name: str) -> str:
    """Return a name from the plan at the start of a sentence; an ordinary word gets a capital, numbered or not."""
    first = name.split(" ")[0].rstrip("0123456789")
    is_word = len(first) > 2 and first.isalpha() and first.islower() and any(one in _VOWELS for one in first)
    return capital(name) if is_word else name


def metric_label(metric: str) -> str:
    """Return what a metric is called at the head of a column or tile."""
    return metric_of(metric).head or capital(metric_of(metric).label)


def cut(text: str, most: int = MOST_SIGNS) -> str:
    """Return text of at most so many signs; an ellipsis stands for what is cut."""
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"


def shortened(names: Sequence[str]) -> list[str]:
    """Return short names: the part before the first comma or " with ", as many more words as tell them apart.

    Parameters
    ----------
    names : whole names, each once

    Returns
    -------
    list of str, in the same order, each once; of at most `MOST_SIGNS` signs unless that would make two equal
    """
    first = [cut(_FIRST_PART.split(name)[0]) for name in names]
    return [
        short if first.count(short) == 1 else _told_apart(name, names)
        for name, short in zip(names, first, strict=True)
    ]


def _told_apart(name: str, names: Sequence[str]) -> str:
    """Return the fewest words of a name that no other name begins with; the whole name where there are none."""
    words = name.split(" ")
    for count in range(1, len(words)):
        start = " ".join(words[:count])
        if sum(other.startswith(start) for other in names) == 1:
            return start.rstrip(",")
    return name
