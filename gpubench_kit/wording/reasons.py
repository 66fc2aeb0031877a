"""Why there is no verdict, or what to know about the one given: one word each, and the sentence for the page.

A row without a verdict has exactly one reason. A row with a verdict may have several, separated by
``"; "``; words with a detail carry it after a colon (``flagged_run:better/undecided``).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gpubench_kit.wording.numbers import count_text, is_missing, significant_text

SEPARATOR = "; "

#: Reasons that withhold a verdict, most telling first, and the sentences for the page.
WITHHELD_TEXT = {
    "not_measured": "One side has no usable run here.",
    "no_soak_runs": "Heat carries over between short alternating runs: this needs runs with the purpose 'soak'.",
    "different_power_points": "Power was measured at different points, or the point is not stated.",
    "different_frames_counted": "The runs count different frames, so they are not compared.",
    "different_bench": "The runs come from different benches, which the comparison does not name.",
    "different_game_version": "The runs come from different versions of the game.",
    "value_not_usable": "A value is not above zero or not finite, so no ratio can be formed.",
    "too_coarse": "The frame times are written too coarsely for this; the average counts.",
    "held_by_cap": "Frame-capped: the frame rate shows the cap, not the tuning.",
    "tuning_not_applied": "A run looks like another tuning; until that is explained there is no verdict.",
    "same_file_twice": "Two runs have the same log; until that is put right there is no verdict.",
    "same_samples_twice": "Two runs have the same sensor samples; until that is put right there is no verdict.",
    "log_unusable": "A log that this needs cannot be read.",
    "sensor_log_unusable": "A sensor log that this needs cannot be read.",
    "frame_limit_declared": "A frame limit is declared: the frame rate shows the limit, not the tuning.",
    "all_values_equal": "All runs of both sides are equal within the resolution of the record.",
    "one_card": "Several samples of one model are compared by card, and one side has fewer than two cards.",
    "confounded": "Layout confounded: difference between tunings and difference between two restarts "
    "cannot be told apart.",
    "drift_visible": "The values drift with time: the two sides cannot be told from the drift.",
    "one_run": "One run tells nothing about noise.",
    "no_spread": "The runs of each side do not differ at all, so there is no noise to compare the difference with.",
    "too_many_looks": "The results were looked at too often: exploratory, no verdict.",
    "not_stated": "The order of the runs is not stated: runs of one tuning back to back make false claims likely.",
    "order_same_every_time": "One side came first in every round: drift and difference cannot be told apart.",
    "no_common_games": "No game was run in all rounds (or blocks), so the games cannot be averaged within them.",
    "different_games": "The benches have different games, so their results are not averaged.",
    "typed_too_coarsely": "The values are typed to a step wider than what matters, and it hides all noise: "
    "type one decimal more.",
    "format_not_confirmed": "How the log was read is only likely; confirm its format.",
    "too_few_games": "Fewer than three games can enter.",
}  # fmt: skip

#: Reasons that stand beside a verdict, and the sentences for the page.
CAUTION_TEXT = {
    "flagged_run": "A run lies far from the other runs like it; the verdict changes without it, and the weaker one "
    "is given.",
    "changed_value": "A number changed after a look, and the run sheet does not say why (column corrected); the "
    "weaker verdict is given.",
    "given_at_earlier_look": "Given at an earlier look, on the same runs.",
    "assumed_restart_spread": "Rests on an assumed difference between restarts, which the plan states.",
    "measured_restart_spread": "Widened by the difference between restarts measured on this bench.",
    "installed_once": "At least one of the cards was installed only once.",
    "order_stated_alternated": "The reviewer states that the two sides were run alternately; no log shows it.",
    "not_stated": "The order of the runs is not stated.",
    "order_same_every_time": WITHHELD_TEXT["order_same_every_time"],
    "two_runs_only": "Two runs only.",
    "alone_it_would_count": "On its own this difference would count; among this many comparisons it does not.",
}  # fmt: skip

REASON_TEXT = {**CAUTION_TEXT, **WITHHELD_TEXT}

#: The same where two cards are compared: what starts anew between them is the installation.
_BETWEEN_CARDS = {
    "confounded": "Layout confounded: difference between cards and difference between two installations "
    "cannot be told apart.",
    "assumed_restart_spread": "Rests on an assumed difference between installations, which the plan states.",
    "measured_restart_spread": "Widened by the difference between installations measured on this bench.",
    "held_by_cap": "Frame-capped: the frame rate shows the cap, not the card.",
    "frame_limit_declared": "A frame limit is declared: the frame rate shows the limit, not the card.",
}

_VERDICT_WORDS = {
    "same_within_margin": "same within the margin",
    "no_verdict": "no verdict",
}


def reason_words(reason: str) -> tuple[str, ...]:
    """Return the words of a ``reason`` cell, details cut off.

    Parameters
    ----------
    reason : cell of ``comparisons`` or ``overall``; may be empty

    Returns
    -------
    tuple of str, as in ``REASON_TEXT``
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
    texts = REASON_TEXT | _BETWEEN_CARDS if between_cards else REASON_TEXT
    return tuple(_sentence(part, texts) for part in reason.split(SEPARATOR) if part)


def sentences_of(row: Any) -> tuple[str, ...]:
    """Return what must be known about a row of ``comparisons`` or ``overall``, one sentence for each word."""
    return reason_sentences(row.reason, between_cards=row.of_card != row.against_card)


def _sentence(part: str, texts: Mapping[str, str]) -> str:
    """Return the sentence of one word, with its detail."""
    word, _, detail = part.partition(":")
    text = texts.get(word, word.replace("_", " ").capitalize() + ".")
    if not detail:
        return text
    with_it, _, without = (_VERDICT_WORDS.get(one, one.replace("_", " ")) for one in detail.partition("/"))
    return f"{text} With it: {with_it}; without it: {without}."


def is_cards_once(row: Any) -> bool:
    """Return whether a result is open since two cards were not installed in turns, so that no runs would decide it.

    Parameters
    ----------
    row : row of ``comparisons`` or ``overall``
    """
    is_open = row.verdict == "undecided" or "confounded" in reason_words(row.reason)
    return is_open and row.layout == "confounded" and row.of_card != row.against_card


def is_conditional(row: Any) -> bool:
    """Return whether the direction of a result may be said with its condition, each side measured in one block.

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


def units_text(count: int, row: Any, plan, *, is_further: bool = True) -> str:
    """Return a number of units of a game's test in words: rounds, or what takes their place in blocks.

    Parameters
    ----------
    count : how many
    row : row of ``comparisons``
    plan : ReviewPlan, tells the samples of a model
    is_further : whether they come on top of those that there are
    """
    word = "further " * is_further
    if row.layout != "restarts":
        return count_text(count, f"{word}round")
    if any(len(plan.cards_named(card)) > 1 for card in (row.of_card, row.against_card) if card):
        return f"{count_text(count, f'{word}sample')} of each model"
    if row.of_card != row.against_card:
        return f"{count_text(count, f'{word}installation')} of each card in turns"
    return f"{count_text(count, f'{word}block')} of runs of each side"


def more_rounds_text(row: Any, plan) -> str:
    """Return what more rounds would do for an undecided game, in a sentence; empty where nothing can be promised.

    Parameters
    ----------
    row : row of ``comparisons``
    plan : ReviewPlan; None for two lists of runs, which have no result over games
    """
    if not is_missing(row.more_runs):
        verb = "settles" if row.more_runs == 1 else "settle"
        count = f"{units_text(row.more_runs, row, plan)} {verb} it (9 in 10)"
        if row.more_runs_for == "whatever":
            return f"{count}, whatever the difference is."
        return f"{count} if nothing or at least the margin is there; a difference between stays open."
    if is_missing(row.margin_of_twelve):
        return ""
    unit = "%" if row.scale == "ratio" else row.unit
    margin = f"{significant_text(row.margin_of_twelve, digits=2)} {unit}"
    rounds = units_text(12, row, plan, is_further=False)
    stands = "" if plan is None else "; the overall result stands"
    return f"Not with a feasible number: {rounds} would show a margin of {margin}{stands}."
