"""What each verdict is called, its sign and its class: one place for page, pictures, notebooks and terminal.

The sign follows the number: up or down, filled where the change matters, hollow where it is real but under the
margin. Whether that is good or bad is a word and a colour.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.wording.catalogue import has, say
from gpubench_kit.wording.numbers import is_missing

#: Verdict -> class of its colour.
CLASSES = {
    "better": "vg", "worse": "vb", "higher": "vh", "lower": "vh", "better_but_small": "vs", "worse_but_small": "vs",
    "higher_but_small": "vs", "lower_but_small": "vs", "same_within_margin": "ve", "undecided": "vu",
    "no_verdict": "vn",
}  # fmt: skip

_SIGNS = {"same_within_margin": "=", "undecided": "?", "no_verdict": ""}


class Mark(NamedTuple):
    """How a verdict is shown."""

    word: str
    sign: str
    css: str
    #: What a screen reader hears besides the word: whether a change is for the better.
    heard: str


def sign_of(verdict: str, change: float | None) -> str:
    """Return the sign of a verdict: its arrow follows the change."""
    if verdict in _SIGNS:
        return _SIGNS[verdict]
    is_up = not is_missing(change) and change > 0
    if verdict.endswith("_but_small"):
        return "△" if is_up else "▽"
    return "▲" if is_up else "▼"


def mark_of(row: Any) -> Mark:
    """Return how the verdict of a row of ``comparisons`` or ``overall`` is shown."""
    word = verdict_word(row.verdict, row.metric, row.change)
    good = row.verdict.removesuffix("_but_small")
    heard = say(f"verdict.heard.{good}") if good in ("better", "worse") else ""
    return Mark(word, sign_of(row.verdict, row.change), CLASSES[row.verdict], "" if heard == word else heard)


def verdict_word(verdict: str, metric: str, change: float | None = None) -> str:
    """Return a verdict in a word or two: ``faster``, ``slightly less power``, ``same``, ``undecided``.

    Parameters
    ----------
    verdict : as in ``model.tables.VERDICTS``
    metric : what it is about
    change : tells up from down where the word follows the number; without it the plain word is given
    """
    known = METRICS.get(metric)
    kind = "rate" if metric == "avg_fps" else "power" if known is not None and known.unit == "W" else ""
    is_real = verdict not in _SIGNS
    if not is_real or not kind or is_missing(change):
        return say(f"verdict.word.{verdict}")
    small = "slightly_" if verdict.endswith("_but_small") else ""
    return say(f"verdict.{kind}.{small}{'up' if change > 0 else 'down'}")


def verdict_help(verdict: str) -> str:
    """Return what a verdict means, in one line."""
    return say(f"verdict.help.{verdict}") if has(f"verdict.help.{verdict}") else ""
