"""A sweep in words: the answers, and no more than the tests allow."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from gpubench_kit.page.charts.sweep_part import SweptPart, is_true, outcome_of
from gpubench_kit.statistics.sweep_ladder import offset_text
from gpubench_kit.sweep.find import Sweep
from gpubench_kit.sweep.measured import GAMES_MISSING
from gpubench_kit.wording.numbers import (
    bound_text,
    change_and_interval_text,
    change_text,
    count_text,
    number_text,
    percent_text,
    unit_text,
)
from gpubench_kit.wording.reasons import reason_sentences
from gpubench_kit.wording.terms import names_text, of_group

_GAMES_MISSING = "It lacks a game that other settings have, so it cannot pass by what it lacks."
_STOPS = {
    "settled": "Stop: no setting is undecided, and no gap around the answer is much wider than the ladder's "
    "narrowest step. More runs would hardly change the answer.",
    "not_worth": "Stop: no further rounds at any setting are expected to narrow the range around the answer by a "
    "tenth.",
    "failures": "Stop: what could narrow the range failed, or lies beyond what did; do not go further.",
    "end": "Stop: every setting keeps the frame rate. Beyond the last one power and voltage would not fall, so "
    "nothing is proposed there.",
    "too_many_looks": "Stop: these results were looked at too often for any verdict. A new set of runs is needed.",
}


def setting_name(part: SweptPart, at: float) -> str:
    """Return a place of the ladder in words: the stepped change and its offset, or the factory state."""
    if at == 0 and not part.answer.line:
        return "the factory state"
    step = f"{part.ladder.label} {offset_text(part.ladder.change, at)}"
    return f"{part.answer.line}, {step}" if part.answer.line else step


def reason_told(reason: str) -> str:
    """Return in words why a setting cannot be judged."""
    return _GAMES_MISSING if reason == GAMES_MISSING else " ".join(reason_sentences(reason))


def lowest_sentences(parts: list[SweptPart], sweep: Sweep) -> list[str]:
    """Return the lowest power at which the loss stays inside the margin, the lowest line of settings first."""
    ranked = sorted(parts, key=_answer_power)
    return [_lowest_sentence(part, sweep, is_first=part is ranked[0]) for part in ranked]


def _answer_power(part: SweptPart) -> float:
    """Return the power of a line's answer [W]; infinite where none is shown."""
    row = _row_of(part, part.answer.lowest_tuning)
    return float("inf") if row is None or row.is_factory or not np.isfinite(row.board_w) else float(row.board_w)


def _lowest_sentence(part: SweptPart, sweep: Sweep, *, is_first: bool) -> str:
    """Return the answer of one line of settings."""
    answer = part.answer
    lead = f"Lowest power with a loss inside {percent_text(answer.margin)} on our {answer.card}"
    if not is_first:
        lead = f"With {answer.line}" if answer.line else "With the stepped change alone"
    lead = of_group(lead, answer.group)
    row = _row_of(part, answer.lowest_tuning)
    if row is None or row.is_factory:
        return f"{lead}: none shown below the factory state. {_why_none(part)}".strip()
    lost = "nothing lost" if row.loss_at_most <= 0 else f"less than {bound_text(row.loss_at_most, up=True)} lost"
    text = f"{lead}: “{row.tuning}” ({setting_name(part, row.at)}), {lost}"
    if np.isfinite(row.power_change):
        power = change_and_interval_text(row.power_change, row.power_ci_low, row.power_ci_high)
        text += f", board power {power}, {unit_text(row.board_w, 'W')}"
    beyond = f"{_beyond_answer(part, row, sweep)}{_failed_beyond(part, sweep)}".strip()
    return f"{text}. {_stability(part, row, sweep)} {beyond} {_safer_step(part, row)}"


def _stability(part: SweptPart, row, sweep: Sweep) -> str:
    """Return what is known of a setting's stability, or that nothing is."""
    sentences = sweep.failures[part.answer.card, row.tuning].sentences
    return " ".join(sentences) or "No stability test of it is stated."


def _safer_step(part: SweptPart, row) -> str:
    """Return the setting one step nearer to the factory state, and the most that it loses."""
    steps = part.measured[part.measured["place"].notna()]
    before = next((one for one in steps.itertuples() if one.place == row.place - 1), None)
    if before is None:
        return "One step safer is the factory state."
    return f"One step safer: “{before.tuning}” loses at most {bound_text(max(before.loss_at_most, 0.0), up=True)}."


def most_efficient_sentence(part: SweptPart, sweep: Sweep) -> str:
    """Return the most efficient setting in energy per frame, and which cannot be told from it."""
    row = _row_of(part, part.answer.most_efficient_tuning)
    if row is None or not np.isfinite(row.energy_per_frame_j):
        return ""
    lead = of_group(f"Most efficient on our {part.title}" if part.title else "Most efficient", part.answer.group)
    energy = unit_text(row.energy_per_frame_j, "J")
    if row.is_factory:
        text = f"{lead}: the factory state, {energy} per frame"
    else:
        change = change_and_interval_text(row.energy_change, row.energy_ci_low, row.energy_ci_high)
        text = f"{lead}: “{row.tuning}”, {energy} per frame, {change} against the factory state"
        text += f", at {change_text(row.fps_change)} frame rate"
    others = part.settings[part.settings["may_be_most_efficient"].fillna(False).astype(bool)]["tuning"]
    others = [one for one in others if one != row.tuning]
    if not others:
        failed = any(outcome_of(one) == "failed" for one in part.settings.itertuples())
        text = f"{text}; every other setting{' without failures' if failed else ''} spends more."
    else:
        text = f"{text}; cannot be told from {names_text(f'“{one}”' for one in others)}."
    return text if row.is_factory else f"{text} {_stability(part, row, sweep)}"


def notes_on(sweep: Sweep, plan) -> Iterator[str]:
    """Yield what a reader must know before the numbers."""
    if sweep.too_many_looks:
        yield "These results were looked at too often: exploratory, nothing is tested."
    for card, ladder in sweep.ladders.items():
        if not ladder.is_stated:
            yield f"The plan names no ladder; “{ladder.change}” is taken, the only change of the tunings of {card}."
        if ladder.left_out:
            yield f"Not on the ladder and left out: {names_text(f'“{one}”' for one in ladder.left_out)}."
    for answer in sweep.answers.itertuples():
        if answer.fits is not pd.NA and not answer.fits:
            yield (
                "The frame rates do not follow a curve that only rises and flattens: no band and no knee "
                "are given, and nothing between settings is trusted. The tests of single settings stand without "
                "it. Look for a setting that was not applied, a drift, or a fault in between."
            )
    if len(sweep.answers) and int(sweep.answers["n_tested"].max()) < 2:
        yield "With one setting beside the factory state there is no curve to speak of, and no knee."


def advice_sentences(part: SweptPart, sweep: Sweep) -> tuple[str, list[str]]:
    """Return the range around the answer, and what to measure next."""
    answer = part.answer
    rows = sweep.proposals[
        (sweep.proposals["line"] == answer.line)
        & (sweep.proposals["group"] == answer.group)
        & (sweep.proposals["card"] == answer.card)
        & (sweep.proposals["bench"] == answer.bench)
    ]
    inner = setting_name(part, answer.inner) if answer.n_inside else "the factory state"
    if np.isfinite(answer.outer):
        lead = (
            f"The answer lies between {inner}, inside the margin, and {setting_name(part, answer.outer)}, which is "
            "shown to lose more."
        )
    else:
        lead = f"Shown inside the margin as far as {inner}; no setting is shown to lose more yet."
    lead = of_group(lead, answer.group)
    if answer.stop:
        return f"{lead} {_STOPS[answer.stop]}", []
    return lead, [_proposal(part, row) for row in rows.itertuples()]


def _proposal(part: SweptPart, row) -> str:
    """Return one proposal in words."""
    rounds = count_text(row.rounds, "round")
    if row.tuning:
        text = f"{rounds} more of “{row.tuning}” ({setting_name(part, row.at)})"
    else:
        text = f"{rounds} of a new setting, {setting_name(part, row.at)}"
    text += ", each with the factory state beside it"
    caution = _proposal_caution(row)
    if not np.isfinite(row.range_now):
        return f"{text}.{caution}"
    unit = part.ladder.unit
    now, then = (f"{number_text(one, decimals=1)} {unit}".strip() for one in (row.range_now, row.range_expected))
    return f"{text}: the range around the answer is expected to shrink from {now} to {then}.{caution}"


def _proposal_caution(row) -> str:
    """Return what to mind before going to a proposed setting, after a space; nothing where nothing is known."""
    parts = []
    if row.near_failures:
        names = [f"“{one}”" for one in row.near_failures.split("; ")]
        parts.append(f"Beside it {names_text(names)} failed: expect that this one may fail too.")
    if row.is_beyond_ladder:
        parts.append("It lies beyond what was measured: go one step at a time, inside the maker's limits.")
    if parts:
        parts.append("Save your work first, and watch temperatures.")
    return "".join(f" {one}" for one in parts)


def _row_of(part: SweptPart, tuning: str):
    """Return the row of a setting; None where it is not there."""
    return next((row for row in part.settings.itertuples() if row.tuning == tuning), None)


def _why_none(part: SweptPart) -> str:
    """Return why no setting is named."""
    rows = part.measured[part.measured["place"].notna()].sort_values("place")
    if not len(rows):
        return ""
    passed = rows[rows["is_inside"].fillna(False).astype(bool)]
    if len(passed):
        return "Every setting that keeps the frame rate failed, or lies beyond one that did."
    first = next(rows.itertuples())
    if first.reason:
        return f"“{first.tuning}”, the first step, cannot be judged: {reason_told(first.reason)}"
    at_most = bound_text(first.loss_at_most, up=True)
    return f"At “{first.tuning}”, the first step, a loss of up to {at_most} is not ruled out."


def _beyond_answer(part: SweptPart, row, sweep: Sweep) -> str:
    """Return what the next setting shows, so that the answer is not taken for a limit of the card."""
    steps = part.measured[part.measured["place"].notna()].sort_values("place")
    later = next((one for one in steps.itertuples() if one.place == part.answer.n_inside + 1), None)
    if later is None:
        return "It is the end of the ladder: lower settings were not measured. " if row.place == len(steps) else ""
    failed = sweep.failures[part.answer.card, later.tuning]
    if failed.any:
        return f"The next, “{later.tuning}”, {'crashed' if failed.crashed else 'failed its stability test'}. "
    if later.reason:
        return f"The next, “{later.tuning}”, cannot be judged. "
    if is_true(later.is_beyond):
        return f"The next, “{later.tuning}”, is shown to lose more. "
    at_most = bound_text(later.loss_at_most, up=True)
    return f"At the next, “{later.tuning}”, a loss of up to {at_most} is not ruled out. "


def _failed_beyond(part: SweptPart, sweep: Sweep) -> str:
    """Return which settings kept the frame rate but failed."""
    failed = [
        one.tuning for one in part.measured.itertuples()
        if is_true(one.is_inside) and sweep.failures[part.answer.card, one.tuning].any
    ]  # fmt: skip
    if not failed:
        return ""
    named = names_text(f"“{one}”" for one in failed)
    return f"{named} kept the frame rate too, but failed; nothing from there on is named."
