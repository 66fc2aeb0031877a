"""Results in words: what may be said of a row of ``comparisons`` or ``overall``, and no more.

"No difference" is said only where a difference as large as the margin is ruled out; "no performance
lost" only where a loss that large is ruled out and no real loss was found. What has no verdict says why.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from gpubench_kit.claims.words import assumption, starts_words
from gpubench_kit.page.elements import Markup
from gpubench_kit.statistics.widening import explaining_restart_sd
from gpubench_kit.wording.numbers import (
    change_and_interval_text,
    change_text,
    interval_text,
    is_missing,
    percent_text,
)
from gpubench_kit.wording.reasons import reason_words, sentences_of
from gpubench_kit.wording.terms import VERDICT_WORDS, metric_of

#: One line per verdict, for the place where it is used.
VERDICT_HELP = {
    "better": "A real difference for the better: chance alone would hardly make one this clear.",
    "worse": "A real difference for the worse: chance alone would hardly make one this clear.",
    "higher": "Really higher: chance alone would hardly make a difference this clear.",
    "lower": "Really lower: chance alone would hardly make a difference this clear.",
    "better_but_small": "Really better, yet by less than the margin: too little to matter.",
    "worse_but_small": "Really worse, yet by less than the margin: too little to matter.",
    "higher_but_small": "Really higher, yet by less than the margin.",
    "lower_but_small": "Really lower, yet by less than the margin.",
    "same_within_margin": "A difference as large as the margin is ruled out, either way.",
    "undecided": "Too noisy to tell: neither a difference nor its absence is shown. It is not a draw.",
    "no_verdict": "The measurements cannot answer this; the reason stands beside it.",
}

_MARKS = {
    "better": ("▲", "up"),
    "worse": ("▼", "down"),
    "higher": ("▲", "even"),
    "lower": ("▼", "even"),
    "better_but_small": ("△", "up"),
    "worse_but_small": ("▽", "down"),
    "higher_but_small": ("△", "even"),
    "lower_but_small": ("▽", "even"),
    "same_within_margin": ("=", "even"),
    "undecided": ("?", "open"),
    "no_verdict": ("×", "open"),
}

_GOES = {"avg_fps": ("faster", "slower")}


def verdict_mark(verdict: str) -> Markup:
    """Return a verdict as a word with its sign; the sign repeats the word for the eye alone."""
    sign, way = _MARKS[verdict]
    mark = '<span class="verdict {}"><span aria-hidden="true">{}</span>{}</span>'
    return Markup(mark).format(way, sign, VERDICT_WORDS[verdict])


def unit_of_change(row: Any) -> str:
    """Return the unit of a row's change: percent on the ratio scale."""
    return "%" if row.scale == "ratio" else row.unit


def change_with_interval(row: Any) -> str:
    """Return a row's change with its interval against zero."""
    return change_and_interval_text(row.change, row.ci_low, row.ci_high, unit=unit_of_change(row))


def margin_words(row: Any) -> str:
    """Return a row's margin as an amount; an en dash where none is set."""
    if is_missing(row.margin):
        return "–"
    return percent_text(row.margin) if row.scale == "ratio" else change_text(row.margin, row.unit).lstrip("+")


def result_clause(
    rows: Sequence[Any], *, of: str, against: str, plan, with_level: bool = False, is_first: bool = True
) -> str:
    """Return one result, or several of one verdict, as a clause that is true of it.

    Parameters
    ----------
    rows : one row of ``comparisons`` or ``overall``, or several that `are_alike`
    of, against : names of what is compared; an empty ``against`` is left out
    plan : ReviewPlan, gives the spread between restarts that is assumed, where one is
    with_level : whether to say which level the interval has
    is_first : whether metric and margin are named; else they were named just before

    Returns
    -------
    str, without a full stop; it begins with what is compared, or with the metric
    """
    row = rows[0]
    if row.verdict == "no_verdict":
        return _no_verdict_clause(row, of=of, against=against, plan=plan)
    name = _with_article(metric_of(row.metric).label) if is_first else "it"
    margin = f"our margin of {margin_words(row)}" if is_first else "the margin"
    names = _Names(of, against, name, "were" if len(rows) > 1 else "was", margin)
    measured = _range_of(rows) if len(rows) > 1 else _measured(row, with_level)
    body = _VERDICT_CLAUSES.get(row.verdict, _difference_clause)(row, names, measured)
    return body + _assumed_and_known(row, plan, is_first=is_first)


def _assumed_and_known(row: Any, plan, *, is_first: bool) -> str:
    """Return the assumption that a result rests on, and in brackets what else must be known about it."""
    assumed, known = assumption(row, plan), caution_sentences(row, plan)
    if assumed:
        known = [_explaining(row)] * is_first + known[1:]
    told = " ".join(known).rstrip(".")
    return f"{assumed} ({told[:1].lower()}{told[1:]})" if told else assumed


def are_alike(one: Any, other: Any) -> bool:
    """Return whether two results can be told in one clause: both the same or both undecided, with no caution.

    Parameters
    ----------
    one, other : rows of ``overall`` on one metric
    """
    is_plain = one.verdict in _VERDICT_CLAUSES and not (one.reason or other.reason)
    return is_plain and (one.verdict, one.margin) == (other.verdict, other.margin)


def caution_sentences(row: Any, plan) -> list[str]:
    """Return what must be known about a result, one sentence each; the assumed spread with its number.

    Parameters
    ----------
    row : row of ``comparisons`` or ``overall``
    plan : ReviewPlan, gives the spread between restarts that is assumed, where one is
    """
    known = dict(zip(reason_words(row.reason), sentences_of(row), strict=True))
    assumed = assumption(row, plan).removeprefix(", ")
    if assumed and not is_missing(row.change):
        known.pop("installed_once", None)
        text = f"{assumed[:1].upper()}{assumed[1:]}. {_explaining(row)}"
        known = {"assumed_restart_spread": text} | known | {"assumed_restart_spread": text}
    if row.verdict == "no_verdict" and "confounded" in known and not is_missing(row.change):
        known["confounded"] += f" {_explaining(row)}"
    return list(known.values())


def no_loss_sentence(row: Any) -> str:
    """Return what may be said about loss: empty unless a loss as large as the margin is ruled out."""
    if is_missing(row.no_loss) or not row.no_loss:
        return ""
    is_gain = metric_of(row.metric).better == "lower"
    loss, lost = ("increase", "more") if is_gain else ("loss", "lost")
    if row.verdict == "worse_but_small":
        return f"About {_size(row)} {lost}, less than {margin_words(row)}."
    if row.verdict == "same_within_margin" and _most_lost(row) > 0:
        return f"Any {loss} is smaller than {_amount(_most_lost(row), row)}."
    return f"A{'n' * is_gain} {loss} as large as the margin is ruled out." if row.verdict == "undecided" else ""


def _no_verdict_clause(row: Any, *, of: str, against: str, plan) -> str:
    """Return the clause of a result without a verdict: the reason, and the change measured."""
    measured = "" if is_missing(row.change) else f" (measured {change_text(row.change, unit_of_change(row))})"
    why = " ".join(caution_sentences(row, plan)).rstrip(".")
    name = metric_of(row.metric).label
    beside = f" against {against}" if against else ""
    return f"{of}{beside} has no verdict on {name}{measured}: {why[:1].lower()}{why[1:]}"


@dataclass(frozen=True)
class _Names:
    """What a clause calls the two sides, the metric and the margin, and the verb for the first side."""

    of: str
    against: str
    metric: str
    was: str
    margin: str


def _same_clause(row: Any, names: _Names, measured: str) -> str:
    """Return the clause of a difference that is ruled out."""
    within = f"within {names.margin}"
    if row.metric == "avg_fps":
        return f"{names.of} {names.was} as fast{_than(' as ', names.against)}, {within} ({measured})"
    beside = _than(" as with ", names.against)
    return f"{names.metric} was the same with {names.of}{beside}, {within} ({measured})"


def _undecided_clause(row: Any, names: _Names, measured: str) -> str:
    """Return the clause of what is open."""
    if row.metric == "avg_fps":
        beside = _than(" than ", names.against)
        return f"whether {names.of} {names.was} faster or slower{beside} is undecided ({measured})"
    beside = _than(" than with ", names.against)
    return f"whether {names.metric} was higher or lower with {names.of}{beside} is undecided ({measured})"


def _difference_clause(row: Any, names: _Names, measured: str) -> str:
    """Return the clause of a real difference."""
    up, down = _GOES.get(row.metric, ("higher", "lower"))
    size, way = _size(row), up if row.change > 0 else down
    inner = measured.partition(", ")[2]
    if row.metric == "avg_fps" and row.of_card != row.against_card:
        way, of = ("ahead", " of ") if row.change > 0 else ("behind", " ")
        text = f"{names.of} was {size} {way}{_than(of, names.against)} ({inner})"
    elif row.metric == "avg_fps":
        text = f"{names.of} was {size} {way}{_than(' than ', names.against)} ({inner})"
    else:
        beside = _than(" than with ", names.against)
        text = f"{names.metric} was {size} {way} with {names.of}{beside} ({inner})"
    return text + (f", real but less than {names.margin}" if _is_small(row) else "")


_VERDICT_CLAUSES = {"same_within_margin": _same_clause, "undecided": _undecided_clause}


def _is_small(row: Any) -> bool:
    """Return whether a real difference is shown to be smaller than the margin."""
    return row.verdict.endswith("_but_small")


def _with_article(label: str) -> str:
    """Return a metric's label with its article, where English wants one."""
    return f"the {label}" if label.endswith(("low", "rate", "time", "level")) else label


def _than(word: str, against: str) -> str:
    """Return what is compared with, after a word; nothing where it was said before."""
    return f"{word}{against}" if against else ""


def _measured(row: Any, with_level: bool) -> str:
    """Return the change and its interval, with its level where asked for."""
    level = f"{percent_text(100 * row.confidence)} interval " if with_level else ""
    unit = unit_of_change(row)
    return f"{change_text(row.change, unit)}, {level}{interval_text(row.ci_low, row.ci_high, unit)}"


def _range_of(rows: Sequence[Any]) -> str:
    """Return the range of several changes."""
    changes = [row.change for row in rows]
    return f"changes of {interval_text(min(changes), max(changes), unit_of_change(rows[0]))}"


def _size(row: Any) -> str:
    """Return the size of a change without its sign, with the decimals of its interval."""
    return change_with_interval(row).partition(" (")[0].lstrip("+−")


def _amount(value: float, row: Any) -> str:
    """Return an unsigned amount in the unit of a row's change."""
    return change_text(value, unit_of_change(row)).lstrip("+−")


def _most_lost(row: Any) -> float:
    """Return the largest loss that the interval against the margin leaves, as a positive amount."""
    return -row.equivalence_ci_low if metric_of(row.metric).better == "higher" else row.equivalence_ci_high


def _explaining(row: Any) -> str:
    """Return how much restarts would have to differ to explain the change alone."""
    spread = _amount(explaining_restart_sd(row.change, scale=row.scale), row)
    what = starts_words(row).capitalize()
    return f"{what} that differ by a standard deviation of {spread} would explain the difference alone."


def sentence_of(clauses: list[str], *, lead: str = "") -> str:
    """Return clauses as one sentence with a capital first letter and a full stop."""
    text = f"{lead}{'; '.join(clauses)}" if clauses else ""
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def verdict_key(verdicts: list[str]) -> list[tuple[Markup, str]]:
    """Return each verdict that occurs with its one-line explanation, in the order of the list of verdicts."""
    return [(verdict_mark(one), VERDICT_HELP[one]) for one in VERDICT_HELP if one in set(verdicts)]
