"""Words for sentences about results: the two sides, the place, the metric, the amounts, the assumption."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from gpubench_kit.claims.targets import Amounts, scene_text
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.wording.numbers import change_text, count_text, interval_text, percent_text
from gpubench_kit.wording.reasons import reason_words, sentences_of

#: Last words of metrics' labels that want an article in running text.
_WITH_ARTICLE = ("low", "rate", "time", "level", "clock", "temperature", "speed", "voltage", "load")


def sides(row: Any, plan) -> tuple[str, str]:
    """Return what is compared and what it is compared with, in running text.

    Parameters
    ----------
    row : row of ``comparisons`` or ``overall``
    plan : ReviewPlan, gives the number of samples of each card

    Returns
    -------
    tuple of str : tunings in quotes; cards where they differ, so that nobody takes ours for every one
    """
    return _side(row, "of", plan), _side(row, "against", plan)


def place(row: Any) -> str:
    """Return where a result holds: the scene, or the games and their group."""
    if hasattr(row, "game"):
        return f"in {scene_text(row.game, row.setting)}"
    group = "" if row.group == "all" else f" at {row.group}"
    games = count_text(row.n_games, "game")
    if row.scope == "games_like_these":
        return f"in games like these{group} (judged by {games})"
    return f"over {games}{group}"


def whose(row: Any, plan) -> str:
    """Return whose card, and which of several benches, a sentence speaks of; nothing where it names two."""
    card = "" if row.of_card != row.against_card else f", on {_our(row.of_card, plan)}"
    has_bench = len(plan.benches) > 1 and row.of_bench and row.of_bench == row.against_bench
    return f"{card}, bench “{row.of_bench}”" if has_bench else card


def label_words(metric: str) -> str:
    """Return a metric's label in running text, with its article where it wants one."""
    label = METRICS[metric].label
    return f"the {label}" if label.endswith(_WITH_ARTICLE) else label


def way_words(metric: str, *, is_up: bool) -> str:
    """Return which way a metric goes: ``faster`` for the frame rate, else ``higher``, and their opposites."""
    up, down = ("faster", "slower") if metric == "avg_fps" else ("higher", "lower")
    return up if is_up else down


def change_words(amounts: Amounts, *, confidence: float) -> str:
    """Return a change with its interval and level: ``−0.9 %, 95 % interval −1.4 to −0.4 %``."""
    change = change_text(amounts.change, amounts.unit)
    level = percent_text(100 * confidence)
    return f"{change}, {level} interval {interval_text(amounts.ci_low, amounts.ci_high, amounts.unit)}"


def reasons_text(row: Any) -> str:
    """Return what must be known about a result, as sentences."""
    return " ".join(sentences_of(row))


def _side(row: Any, side: str, plan) -> str:
    """Return one side of a comparison."""
    card, tuning, bench = (getattr(row, f"{side}_{part}") for part in ("card", "tuning", "bench"))
    on_bench = f" on bench “{bench}”" if row.of_bench != row.against_bench else ""
    if row.of_card == row.against_card:
        return f"“{tuning}”{on_bench}"
    if row.of_tuning == row.against_tuning == plan.reference_tuning:
        return f"{_our(card, plan)}{on_bench}"
    return f"{_our(card, plan)} with “{tuning}”{on_bench}"


def _our(card: str, plan) -> str:
    """Return a card as ours: one sample, or so many."""
    samples = len(plan.cards_named(card))
    return f"our {card}" if samples <= 1 else f"our {samples} samples of the {card}"


def margin_words(row: Any) -> str:
    """Return a row's margin as an amount."""
    return percent_text(row.margin) if row.scale == "ratio" else change_text(row.margin, row.unit).lstrip("+")


def assumption(row: Any, plan) -> str:
    """Return the assumption that a result rests on, with its size; nothing where it rests on none.

    Between cards it speaks of installations, and says so where a card was installed only once.
    """
    spread, words = plan.restart_spread_of(row.metric), reason_words(row.reason)
    if spread is None or "assumed_restart_spread" not in words:
        return ""
    amount = percent_text(spread[0]) if row.scale == "ratio" else change_text(spread[0], row.unit).lstrip("+")
    once = "; installed once" if "installed_once" in words else ""
    return f", assuming that {starts_words(row)} vary by {amount}{once}"


#: What makes a verdict unsafe to repeat: the order of the runs may have made the difference.
_UNSAFE_ORDER = {
    "not_stated": "with the order of the runs not stated",
    "order_same_every_time": "with one side run first every time",
}


def unsafe_order(rows: Iterable[Any]) -> str:
    """Return what any of several results leaves open about the order of its runs, for the end of a sentence.

    Parameters
    ----------
    rows : rows of ``comparisons`` or ``overall``
    """
    found = {word for row in rows for word in reason_words(row.reason)}
    return "".join(f", {text}" for word, text in _UNSAFE_ORDER.items() if word in found)


def known_text(row: Any, plan) -> str:
    """Return what must be known about a result, an assumption with its size.

    Parameters
    ----------
    row : row of ``comparisons`` or ``overall``
    plan : ReviewPlan, gives the spread between restarts that is assumed, where one is
    """
    known = dict(zip(reason_words(row.reason), sentences_of(row), strict=True))
    assumed = assumption(row, plan).removeprefix(", ")
    if assumed:
        known["assumed_restart_spread"] = f"{assumed[:1].upper()}{assumed[1:]}."
        known.pop("installed_once", None)
    return " ".join(known.values())


def starts_words(row: Any) -> str:
    """Return what starts anew between the two sides of a row: restarts, or installations of two cards."""
    return "installations" if row.of_card != row.against_card else "restarts"
