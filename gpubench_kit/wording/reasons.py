"""Why there is no verdict, or what to know about the one given: one word each, and the sentence for the page.

A row without a verdict has exactly one reason. A row with a verdict may have several, separated by
``"; "``; words with a detail carry it after a colon (``flagged_run:better/undecided``).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.wording.catalogue import has, say
from gpubench_kit.wording.numbers import is_missing, significant_text

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
    unit = "%" if row.scale == "ratio" else row.unit
    margin = f"{significant_text(row.margin_of_twelve, digits=2)} {unit}"
    key = "more_runs.far" if plan is None else "more_runs.far_stands"
    return say(key, units=units_text(12, row, plan, is_further=False), margin=margin)
