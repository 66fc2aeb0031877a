"""Words that all parts share: names of metrics, games and pairs, marks of verdicts, reasons in sentences.

A row without a verdict has exactly one reason. A row with a verdict may have several, separated by
``"; "``; words with a detail carry it after a colon (``flagged_run:better/undecided``).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import astuple
from datetime import date
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from gpubench_kit.model.errors import listed
from gpubench_kit.model.metrics import METRICS, Metric
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.comparisons import Pair
from gpubench_kit.model.tables import PAIR_KEY
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.wording.catalogue import has, say
from gpubench_kit.wording.numbers import change_text, is_missing, percent_text, significant_text, unit_text

_NAMES_LISTED = 4


def metric_of(name: str) -> Metric:
    """Return the registry's row of a metric; a metric that is not in it is neither good nor bad."""
    label = name.replace("_", " ")
    return METRICS.get(name) or Metric(name, label, "", "neither", "difference", "sheet", "measure", "")


def capital(text: str) -> str:
    """Return text with a capital first letter."""
    return text[:1].upper() + text[1:]


def check_words(check: str) -> str:
    """Return the name of a check as a heading: its key in words."""
    return capital(check.replace("_", " "))


def day_text(day: date) -> str:
    """Return a day in words: ``'2 Nov 2026'``."""
    return f"{day.day} {say(f'month.{day.month}')} {day.year}"


def of_pair(table: pd.DataFrame, pair: Sequence[str]) -> pd.DataFrame:
    """Return the rows of one pair."""
    chosen = np.logical_and.reduce([table[name] == value for name, value in zip(PAIR_KEY, pair, strict=True)])
    return table[chosen]


def pair_text(pair: Sequence[str], plan: ReviewPlan) -> str:
    """Return a pair in words: what is compared against what, with card and bench only where they differ."""
    of, against = pair[:3], pair[3:]
    with_card = len(plan.cards) > 1 or of[0] != against[0]
    with_bench = of[2] != against[2]
    texts = [subject_text(one, with_card=with_card, with_bench=with_bench) for one in (of, against)]
    pair = say("answer.pair", of=texts[0], against=texts[1])
    return say("names.on", pair=pair, bench=of[2]) if len(plan.benches) > 1 and not with_bench else pair


def not_compared_words(pairs: Sequence[Pair], plan: ReviewPlan) -> dict[str, str]:
    """Return pairs in words, ``names``, and the sides of the first as a plan has them, ``of`` and ``against``."""
    names = listed([pair_text((*astuple(one.of), *astuple(one.against)), plan) for one in pairs])
    return {"names": names, "of": pairs[0].of.line, "against": pairs[0].against.line}


def subject_text(subject: Sequence[str], *, with_card: bool = False, with_bench: bool = False) -> str:
    """Return a (card, tuning, bench) in words."""
    card, tuning, bench = subject
    parts = [card] * with_card + [tuning] + [bench] * with_bench
    return ", ".join(part for part in parts if part)


def scene_text(game: str, setting: str) -> str:
    """Return a game and its setting in words."""
    return f"{game}, {setting}" if setting else game


def scene_names(data: pd.DataFrame) -> dict[tuple[str, str], str]:
    """Return the name of each (game, setting) of a table; without settings where no game has two."""
    scenes = list(data[["game", "setting"]].drop_duplicates().itertuples(index=False, name=None))
    with_setting = len({game for game, _ in scenes}) < len(scenes)
    return {(game, setting): scene_text(game, setting * with_setting) for game, setting in scenes}


def of_group(text: str, group: str) -> str:
    """Return text with the group of settings added, unless it is the only one."""
    return text if group in ("", "all") else f"{text} ({group})"


def margin_band(margin: float, scale: str) -> tuple[float, float] | None:
    """Return the ends of the margin band: as far up as down on the log scale of a ratio."""
    if not np.isfinite(margin) or margin <= 0:
        return None
    return (-margin, 100 * (1 / (1 - margin / 100) - 1)) if scale == "ratio" and margin < 100 else (-margin, margin)


def unit_of_change(row: Any) -> str:
    """Return the unit in which a change is written, of a row or a metric: percent on the ratio scale."""
    return "%" if row.scale == "ratio" else row.unit


def margin_amount(row: Any) -> str:
    """Return the margin of a row with its unit."""
    return percent_text(row.margin) if row.scale == "ratio" else unit_text(row.margin, row.unit)


def margin_text(margin: float, unit: str) -> str:
    """Return the margin in words."""
    amount = percent_text(margin) if unit == "%" else change_text(margin, unit).lstrip("+")
    return say("names.margin", amount=amount)


def reason_text(reason: str) -> str:
    """Return the most telling reason of a row in words."""
    return (reason_words(reason) or ("",))[0].replace("_", " ")


def names_text(names: Iterable[str]) -> str:
    """Return names in a row: all where there are few, else the first and how many more."""
    listed = list(names)
    if len(listed) > _NAMES_LISTED + 1:
        return say("list.others", first=", ".join(listed[:_NAMES_LISTED]), n=len(listed) - _NAMES_LISTED)
    return say("list.last", first=", ".join(listed[:-1]), last=listed[-1]) if len(listed) > 1 else listed[-1]


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


if TYPE_CHECKING:
    from gpubench_kit.model.plan import ReviewPlan

SEPARATOR = "; "

#: Reasons that withhold a verdict, most telling first; the catalogue has the sentence of each.
WITHHELD = (
    "not_measured", "no_soak_runs", "different_power_points", "different_frames_counted", "different_bench",
    "different_game_version", "value_not_usable", "too_coarse", "held_by_cap", "tuning_not_applied",
    "same_file_twice", "same_samples_twice", "log_unusable", "sensor_log_unusable", "frame_limit_declared",
    "all_values_equal", "one_card", "confounded", "drift_visible", "one_run", "no_spread", "too_many_looks",
    "not_stated", "order_same_every_time", "no_common_games", "different_games", "typed_too_coarsely",
    "format_not_confirmed", "too_few_games",
)  # fmt: skip


def reason_words(reason: str) -> tuple[str, ...]:
    """Return the words of a ``reason`` cell, details cut off.

    Parameters
    ----------
    reason : cell of ``comparisons`` or ``overall``; may be empty

    Returns
    -------
    tuple of str: one of `WITHHELD`, or what stands beside a verdict
    """
    return tuple(part.partition(":")[0] for part in reason.split(SEPARATOR) if part)


def reason_sentences(reason: str, *, between_cards: bool = False) -> tuple[str, ...]:
    """Return one plain sentence for each word of a ``reason`` cell.

    Parameters
    ----------
    reason : cell of ``comparisons`` or ``overall``; may be empty
    between_cards : whether two cards are compared, so that installations are spoken of

    Returns
    -------
    tuple of str; a word that is not known is shown as it stands
    """
    return tuple(_sentence(part, between_cards) for part in reason.split(SEPARATOR) if part)


def sentences_of(row: Any) -> tuple[str, ...]:
    """Return what must be known about a row of ``comparisons`` or ``overall``, one sentence for each word."""
    return reason_sentences(row.reason, between_cards=row.of_card != row.against_card)


def _sentence(part: str, between_cards: bool) -> str:
    """Return the sentence of one word, with its detail."""
    word, _, detail = part.partition(":")
    # Where two cards are compared, what starts anew between them is the installation.
    keys = [f"reason.between.{word}"] * between_cards + [f"reason.text.{word}"]
    text = next((say(key) for key in keys if has(key)), word.replace("_", " ").capitalize() + ".")
    if not detail:
        return text
    with_it, _, without = (
        VERDICTS[one].word if one in VERDICTS else one.replace("_", " ") for one in detail.partition("/")
    )
    return say("reason.flagged.text", text=text, with_it=with_it, without=without)


def is_cards_once(row: Any) -> bool:
    """Return whether a result is open since two cards were not installed in turns, so that no runs would decide it.

    Parameters
    ----------
    row : row of ``comparisons`` or ``overall``
    """
    is_open = row.verdict == "undecided" or "confounded" in reason_words(row.reason)
    return is_open and row.layout == "confounded" and row.of_card != row.against_card


def is_conditional(row: Any) -> bool:
    """Return whether the direction of a result can be said with its condition, each side measured in one block.

    Parameters
    ----------
    row : row of ``comparisons`` or ``overall``

    Notes
    -----
    Restarts must differ by more than half the margin, and by more than 1 % on the ratio scale, to explain it.
    """
    spread = getattr(row, "restart_spread_pct", None)
    if row.verdict != "no_verdict" or "confounded" not in reason_words(row.reason) or is_missing(spread):
        return False
    half = 0.0 if is_missing(row.margin) else row.margin / 2
    return bool(spread >= (max(half, 1.0) if row.scale == "ratio" else half)) and not is_missing(row.change)


def units_text(count: int, row: Any, plan: ReviewPlan | None, *, is_further: bool = True) -> str:
    """Return a number of units of a game's test in words: rounds, or what takes their place in blocks.

    Parameters
    ----------
    count : how many
    row : row of ``comparisons``
    plan : ReviewPlan, tells the samples of a model; None for two lists of runs, which have none
    is_further : whether they come on top of those that there are
    """
    kind = "round"
    if row.layout == "restarts":
        sides = {row.of_card, row.against_card} - {""}
        is_model = plan is not None and any(len(plan.cards_named(card)) > 1 for card in sides)
        kind = "sample" if is_model else "installation" if row.of_card != row.against_card else "block"
    return say(f"units.{'further_' * is_further}{kind}", n=count)


def more_rounds_text(row: Any, plan: ReviewPlan | None) -> str:
    """Return what more rounds would do for an undecided game, in a sentence; empty where nothing can be promised.

    Parameters
    ----------
    row : row of ``comparisons``
    plan : ReviewPlan; None for two lists of runs, which have no result over games
    """
    if not is_missing(row.more_runs):
        count = int(row.more_runs)
        return say(f"more_runs.{row.more_runs_for}", n=count, units=units_text(count, row, plan))
    if is_missing(row.margin_of_twelve):
        return ""
    margin = f"{significant_text(row.margin_of_twelve, digits=2)} {unit_of_change(row)}"
    key = "more_runs.far" if plan is None else "more_runs.far_stands"
    return say(key, units=units_text(12, row, plan, is_further=False), margin=margin)
