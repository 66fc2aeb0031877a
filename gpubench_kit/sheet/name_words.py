"""Words that stand in names of files and folders: for tunings, the reference, tries, resolutions; single words."""

from __future__ import annotations

import re

from gpubench_kit.model.words import fold


def word_set(text: str) -> frozenset[str]:
    """Return the folded words of a list.

    Parameters
    ----------
    text : words with blanks between them
    """
    return frozenset(fold(word) for word in text.split())


#: Words for the state that a card is sold in.
REFERENCE = word_set("factory stock default standard serie original werk")
#: Words for states of the card's limits.
TUNING = REFERENCE | word_set(
    "uv undervolt undervolting oc overclock quiet silent leise eco limit limited pl tuned optimiert fast schnell "
    "boost sparsam economy turbo balanced performance"
)
#: Words for a recording that may not count.
TRY = word_set(
    "bad retry abort aborted abbruch crash crashed wrong failed fail falsch fehler kaputt nochmal again redo "
    "rejected scrap verworfen ungültig invalid test warmup aufwärmen"
)
#: Those for a recording that repeats another one.
AGAIN = word_set("retry again redo nochmal")
#: Words that say nothing about a run.
GENERIC = word_set(
    "log logs capture captures recording aufnahme frames frame frametimes sensors sensor sensoren data daten csv "
    "txt bench results run runs copy kopie"
)

#: A resolution: not a tuning, and not a game.
RESOLUTION = re.compile(r"\d{3,4}p|[248]k|uhd|qhd|wqhd|fhd|\d{3,4}x\d{3,4}")
#: A limit written as a number with a unit: 300w, 950mv, uv950.
_VALUE = re.compile(r"[a-z]{0,6}\d+(?:mv|w|mhz|%|m|v)?|%|mv|v|w")


def names_tuning(phrase: str) -> bool:
    """Return whether every word of a phrase is a word for a tuning, or a limit's value.

    Parameters
    ----------
    phrase : folded words
    """
    words = phrase.split()
    return bool(words) and all(word in TUNING or _VALUE.fullmatch(word) for word in words)


def names_reference(phrase: str) -> bool:
    """Return whether a phrase holds a word for the state that a card is sold in.

    Parameters
    ----------
    phrase : words
    """
    return bool(set(fold(phrase).split()) & REFERENCE)
