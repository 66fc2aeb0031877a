"""How a verdict is shown on a metric: one place for page, pictures, notebooks and terminal."""

from __future__ import annotations

from typing import Any, NamedTuple

from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import is_missing
from gpubench_kit.wording.terms import metric_of


class Mark(NamedTuple):
    """How a verdict is shown."""

    word: str
    sign: str
    css: str
    #: What a screen reader hears besides the word: whether a change is for the better.
    heard: str


def sign_of(verdict: str, change: float | None) -> str:
    """Return the sign of a verdict: its arrow follows the change."""
    signs = VERDICTS[verdict].signs
    return signs and signs[is_missing(change) or change <= 0]


def mark_of(row: Any) -> Mark:
    """Return how the verdict of a row of ``comparisons`` or ``overall`` is shown."""
    word = verdict_word(row.verdict, row.metric, row.change)
    good = row.verdict.removesuffix("_but_small")
    heard = VERDICTS[good].word if good in ("better", "worse") else ""
    return Mark(word, sign_of(row.verdict, row.change), VERDICTS[row.verdict].css, "" if heard == word else heard)


def verdict_word(verdict: str, metric: str, change: float | None = None) -> str:
    """Return a verdict in a word or two: ``faster``, ``slightly less power``, ``same``, ``undecided``.

    Parameters
    ----------
    verdict : as in ``model.verdicts.VERDICTS``
    metric : what it is about
    change : tells up from down where the word follows the number; without it the plain word is given
    """
    section = metric_of(metric).section
    kind = section if section in ("rate", "power") else ""
    if not VERDICTS[verdict].is_difference or not kind or is_missing(change):
        return VERDICTS[verdict].word
    small = "slightly_" if VERDICTS[verdict].is_small else ""
    return say(f"verdict.{kind}.{small}{'up' if change > 0 else 'down'}")
