"""A sweep in words: the answers, and no more than the tests allow."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page.charts.sweeps import SweptPart, is_true, outcome_of, parts_of, together
from gpubench_kit.sweep.find import Sweep
from gpubench_kit.sweep.measured import GAMES_MISSING
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import (
    bound_text,
    change_and_interval_text,
    change_text,
    count_text,
    number_text,
    percent_text,
    unit_text,
)
from gpubench_kit.wording.terms import names_text, of_group, reason_sentences


def answer_sentences(sweep: Sweep, plan: ReviewPlan) -> list[str]:
    """Return the lowest power without a loss that matters, and the most efficient setting, of everything swept."""
    found = []
    for parts in together(parts_of(sweep, plan)):
        # The line with the lowest power comes first.
        ranked = sorted(parts, key=_answer_power)
        found += [_lowest_sentence(part, is_first=part is ranked[0]) for part in ranked]
        found.append(_most_efficient_sentence(parts[0]))
    return [one for one in found if one]


def reason_of(reason: str) -> str:
    """Return in words why a setting cannot be judged."""
    return say("sweep.games_missing") if reason == GAMES_MISSING else " ".join(reason_sentences(reason))


def loss_text(row: Any) -> str:
    """Return the largest loss that the runs do not rule out; none below zero."""
    return bound_text(max(row.loss_at_most, 0.0), up=True)


def quoted(names: Any) -> str:
    """Return names of settings in a row."""
    return names_text(f"“{one}”" for one in names)


def _answer_power(part: SweptPart) -> float:
    """Return the power of a line's answer [W]; infinite where none is shown."""
    row = part.row(part.answer.lowest_tuning)
    return float("inf") if row is None or row.is_factory or not np.isfinite(row.board_w) else float(row.board_w)


def _lowest_sentence(part: SweptPart, *, is_first: bool) -> str:
    """Return the answer of one line of settings."""
    answer, row = part.answer, part.row(part.answer.lowest_tuning)
    if is_first:
        lead = say("sweep.lowest.lead", margin=percent_text(answer.margin), card=answer.card)
    else:
        lead = say("sweep.lowest.with", line=answer.line) if answer.line else say("sweep.lowest.alone")
    lead = of_group(lead, answer.group)
    if row is None or row.is_factory:
        return say("sweep.lowest.none", lead=lead, why=_why_none(part)).strip()
    power = ""
    if np.isfinite(row.power_change):
        change = change_and_interval_text(row.power_change, row.power_ci_low, row.power_ci_high)
        power = say("sweep.lowest.power", change=change, power=unit_text(row.board_w, "W"))
    failed = [one.tuning for one in part.measured if is_true(one.is_inside) and part.failures[one.tuning].any]
    more = (
        _stability(part, row),
        _beyond_answer(part, row),
        say("sweep.beyond.failed", settings=quoted(failed)) if failed else "",
        _safer_step(part, row),
    )
    is_lossless = row.loss_at_most <= 0
    return say(
        "sweep.lowest.found",
        lead=lead,
        setting=row.tuning,
        place=part.place_name(row.at),
        lost=say("sweep.lowest.nothing_lost") if is_lossless else say("sweep.lowest.lost", loss=loss_text(row)),
        power=power,
        more=" ".join(filter(None, more)),
    )


def _stability(part: SweptPart, row: Any) -> str:
    """Return what is known of a setting's stability, or that nothing is."""
    return " ".join(part.failures[row.tuning].sentences) or say("sweep.no_stability")


def _safer_step(part: SweptPart, row: Any) -> str:
    """Return the setting one step nearer to the factory state, and the most that it loses."""
    before = next((one for one in part.steps if one.place == row.place - 1), None)
    if before is None:
        return say("sweep.safer_is_factory")
    return say("sweep.safer", setting=before.tuning, loss=loss_text(before))


def _beyond_answer(part: SweptPart, row: Any) -> str:
    """Return what the next setting shows, so that the answer is not taken for a limit of the card."""
    later = next((one for one in part.steps if one.place == part.answer.n_inside + 1), None)
    if later is None:
        return say("sweep.beyond.end") if row.place == len(part.steps) else ""
    failed = part.failures[later.tuning]
    if failed.any:
        kind = "crashed" if failed.crashed else "unstable"
    else:
        kind = "not_judged" if later.reason else "loses" if is_true(later.is_beyond) else "open"
    return say(f"sweep.beyond.{kind}", setting=later.tuning, loss=bound_text(later.loss_at_most, up=True))


def _why_none(part: SweptPart) -> str:
    """Return why no setting is named."""
    if not part.steps:
        return ""
    if any(is_true(one.is_inside) for one in part.steps):
        return say("sweep.none.failed")
    first = part.steps[0]
    if first.reason:
        return say("sweep.none.not_judged", setting=first.tuning, why=reason_of(first.reason))
    return say("sweep.none.open", setting=first.tuning, loss=bound_text(first.loss_at_most, up=True))


def _most_efficient_sentence(part: SweptPart) -> str:
    """Return the most efficient setting in energy per frame, and which cannot be told from it."""
    row = part.row(part.answer.most_efficient_tuning)
    if row is None or not np.isfinite(row.energy_per_frame_j):
        return ""
    lead = say("sweep.efficient.on_card", card=part.title) if part.title else say("sweep.efficient.lead")
    told = {"lead": of_group(lead, part.answer.group), "energy": unit_text(row.energy_per_frame_j, "J")}
    change = change_and_interval_text(row.energy_change, row.energy_ci_low, row.energy_ci_high)
    told |= {"setting": row.tuning, "change": change, "rate": change_text(row.fps_change)}
    text = say("sweep.efficient.factory" if row.is_factory else "sweep.efficient.setting", **told)
    others = [
        one.tuning for one in part.settings if is_true(one.may_be_most_efficient) and one.tuning != row.tuning
    ]
    if others:
        text += say("sweep.efficient.others", settings=quoted(others))
    else:
        is_whole = not any(outcome_of(one) == "failed" for one in part.settings)
        text += say("sweep.efficient.alone" if is_whole else "sweep.efficient.alone_of_whole")
    return text if row.is_factory else f"{text} {_stability(part, row)}"


def notes_on(sweep: Sweep) -> Iterator[str]:
    """Yield what a reader must know before the numbers."""
    if sweep.too_many_looks:
        yield say("sweep.note.looks")
    for card, ladder in sweep.ladders.items():
        if not ladder.is_stated:
            yield say("sweep.note.ladder", change=ladder.change, card=card)
        if ladder.left_out:
            yield say("sweep.note.left_out", settings=quoted(ladder.left_out))
    for fits in sweep.answers["fits"].dropna():
        yield from [say("sweep.note.no_curve")] * (not fits)
    if len(sweep.answers) and int(sweep.answers["n_tested"].max()) < 2:
        yield say("sweep.note.one_setting")


def advice_sentences(part: SweptPart, sweep: Sweep) -> tuple[str, list[str]]:
    """Return the range around the answer, and what to measure next."""
    answer, names = part.answer, ["line", "group", "card", "bench"]
    inner = part.place_name(answer.inner) if answer.n_inside else say("sweep.factory")
    if np.isfinite(answer.outer):
        lead = say("sweep.range.between", inner=inner, outer=part.place_name(answer.outer))
    else:
        lead = say("sweep.range.open", inner=inner)
    lead = of_group(lead, answer.group)
    if answer.stop:
        return f"{lead} {say(f'sweep.stop.{answer.stop}')}", []
    own = (sweep.proposals[names] == [getattr(answer, name) for name in names]).all(axis=1)
    return lead, [_proposal(part, row) for row in sweep.proposals[own].itertuples()]


def _proposal(part: SweptPart, row: Any) -> str:
    """Return one proposal in words."""
    told = {"rounds": count_text(row.rounds, "round"), "place": part.place_name(row.at), "setting": row.tuning}
    text, gain = say(f"sweep.propose.{'more' if row.tuning else 'new'}", **told), ""
    if np.isfinite(row.range_now):
        unit = part.ladder.unit
        now, then = (number_text(one, decimals=1) for one in (row.range_now, row.range_expected))
        points = say("sweep.propose.points", change=part.ladder.label)
        gain = say("sweep.propose.gain", now=now, then=then, unit=points if unit == "%" else unit).rstrip()
    cautions = []
    if row.near_failures:
        cautions.append(say("sweep.propose.near", settings=quoted(row.near_failures.split("; "))))
    if row.is_beyond_ladder:
        cautions.append(say("sweep.propose.beyond"))
    cautions += [say("sweep.propose.save")] if cautions else []
    return " ".join([f"{text}{gain}.", *cautions])
