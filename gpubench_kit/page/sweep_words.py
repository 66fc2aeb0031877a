"""A sweep in words: the answers, and no more than the tests allow."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.ladder import offset_text
from gpubench_kit.page.charts.sweeps import SweptPart, is_true, outcome_of
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
from gpubench_kit.wording.reasons import reason_sentences
from gpubench_kit.wording.terms import names_text, of_group


def parts_of(sweep: Sweep, plan: ReviewPlan) -> Iterator[SweptPart]:
    """Yield each line of settings of each card, bench and group, in order."""
    names = ["card", "bench", "group"]
    for answer in sweep.answers.itertuples():
        settings, curves = (
            table[(table[names] == [answer.card, answer.bench, answer.group]).all(axis=1)]
            for table in (sweep.settings, sweep.curves)
        )
        subject = [answer.card] * (len(plan.cards) > 1) + [answer.bench] * (len(plan.benches) > 1)
        yield SweptPart(settings, curves, answer, sweep.ladders[answer.card], ", ".join(filter(None, subject)))


def together(parts: list[SweptPart]) -> Iterator[list[SweptPart]]:
    """Yield the lines of one card, bench and group together."""
    groups: dict[tuple, list[SweptPart]] = {}
    for part in parts:
        groups.setdefault((part.answer.card, part.answer.bench, part.answer.group), []).append(part)
    yield from groups.values()


def answer_sentences(sweep: Sweep, plan: ReviewPlan) -> list[str]:
    """Return the lowest power without a loss that matters, and the most efficient setting, of everything swept."""
    found = []
    for parts in together(list(parts_of(sweep, plan))):
        # The line with the lowest power comes first.
        ranked = sorted(parts, key=_answer_power)
        found += [_lowest_sentence(part, sweep, is_first=part is ranked[0]) for part in ranked]
        found.append(_most_efficient_sentence(parts[0], sweep))
    return [one for one in found if one]


def setting_name(part: SweptPart, at: float) -> str:
    """Return a place of the ladder in words: the stepped change and its offset, or the factory state."""
    if at == 0 and not part.answer.line:
        return say("sweep.factory")
    step = f"{part.ladder.label} {offset_text(part.ladder.change, at)}"
    return f"{part.answer.line}, {step}" if part.answer.line else step


def reason_of(reason: str) -> str:
    """Return in words why a setting cannot be judged."""
    return say("sweep.games_missing") if reason == GAMES_MISSING else " ".join(reason_sentences(reason))


def _answer_power(part: SweptPart) -> float:
    """Return the power of a line's answer [W]; infinite where none is shown."""
    row = row_of(part, part.answer.lowest_tuning)
    return float("inf") if row is None or row.is_factory or not np.isfinite(row.board_w) else float(row.board_w)


def _lowest_sentence(part: SweptPart, sweep: Sweep, *, is_first: bool) -> str:
    """Return the answer of one line of settings."""
    answer = part.answer
    if is_first:
        lead = say("sweep.lowest.lead", margin=percent_text(answer.margin), card=answer.card)
    else:
        lead = say("sweep.lowest.with", line=answer.line) if answer.line else say("sweep.lowest.alone")
    lead = of_group(lead, answer.group)
    row = row_of(part, answer.lowest_tuning)
    if row is None or row.is_factory:
        return say("sweep.lowest.none", lead=lead, why=_why_none(part)).strip()
    lost = say("sweep.lowest.lost", loss=bound_text(row.loss_at_most, up=True))
    power = ""
    if np.isfinite(row.power_change):
        change = change_and_interval_text(row.power_change, row.power_ci_low, row.power_ci_high)
        power = say("sweep.lowest.power", change=change, power=unit_text(row.board_w, "W"))
    failed = [
        f"“{one.tuning}”" for one in part.measured.itertuples()
        if is_true(one.is_inside) and sweep.failures[part.answer.card, one.tuning].any
    ]  # fmt: skip
    failed_beyond = say("sweep.beyond.failed", settings=names_text(failed)) if failed else ""
    more = (_stability(part, row, sweep), _beyond_answer(part, row, sweep), failed_beyond)
    return say(
        "sweep.lowest.found",
        lead=lead,
        setting=row.tuning,
        place=setting_name(part, row.at),
        lost=say("sweep.lowest.nothing_lost") if row.loss_at_most <= 0 else lost,
        power=power,
        more=" ".join(filter(None, (*more, _safer_step(part, row)))),
    )


def _stability(part: SweptPart, row, sweep: Sweep) -> str:
    """Return what is known of a setting's stability, or that nothing is."""
    sentences = sweep.failures[part.answer.card, row.tuning].sentences
    return " ".join(sentences) or say("sweep.no_stability")


def _safer_step(part: SweptPart, row) -> str:
    """Return the setting one step nearer to the factory state, and the most that it loses."""
    steps = part.measured[part.measured["place"].notna()]
    before = next((one for one in steps.itertuples() if one.place == row.place - 1), None)
    if before is None:
        return say("sweep.safer_is_factory")
    return say("sweep.safer", setting=before.tuning, loss=bound_text(max(before.loss_at_most, 0.0), up=True))


def _most_efficient_sentence(part: SweptPart, sweep: Sweep) -> str:
    """Return the most efficient setting in energy per frame, and which cannot be told from it."""
    row = row_of(part, part.answer.most_efficient_tuning)
    if row is None or not np.isfinite(row.energy_per_frame_j):
        return ""
    lead = say("sweep.efficient.on_card", card=part.title) if part.title else say("sweep.efficient.lead")
    told = {"lead": of_group(lead, part.answer.group), "energy": unit_text(row.energy_per_frame_j, "J")}
    if row.is_factory:
        text = say("sweep.efficient.factory", **told)
    else:
        change = change_and_interval_text(row.energy_change, row.energy_ci_low, row.energy_ci_high)
        rate = change_text(row.fps_change)
        text = say("sweep.efficient.setting", setting=row.tuning, change=change, rate=rate, **told)
    may_be = part.settings[part.settings["may_be_most_efficient"].fillna(False).astype(bool)]["tuning"]
    others = [f"“{one}”" for one in may_be if one != row.tuning]
    if others:
        text += say("sweep.efficient.others", settings=names_text(others))
    else:
        failed = any(outcome_of(one) == "failed" for one in part.settings.itertuples())
        text += say("sweep.efficient.alone_of_whole") if failed else say("sweep.efficient.alone")
    return text if row.is_factory else f"{text} {_stability(part, row, sweep)}"


def notes_on(sweep: Sweep) -> Iterator[str]:
    """Yield what a reader must know before the numbers."""
    if sweep.too_many_looks:
        yield say("sweep.note.looks")
    for card, ladder in sweep.ladders.items():
        if not ladder.is_stated:
            yield say("sweep.note.ladder", change=ladder.change, card=card)
        if ladder.left_out:
            yield say("sweep.note.left_out", settings=names_text(f"“{one}”" for one in ladder.left_out))
    for answer in sweep.answers.itertuples():
        if answer.fits is not pd.NA and not answer.fits:
            yield say("sweep.note.no_curve")
    if len(sweep.answers) and int(sweep.answers["n_tested"].max()) < 2:
        yield say("sweep.note.one_setting")


def advice_sentences(part: SweptPart, sweep: Sweep) -> tuple[str, list[str]]:
    """Return the range around the answer, and what to measure next."""
    answer, names = part.answer, ["line", "group", "card", "bench"]
    own = [getattr(answer, name) for name in names]
    rows = sweep.proposals[(sweep.proposals[names] == own).all(axis=1)]
    inner = setting_name(part, answer.inner) if answer.n_inside else say("sweep.factory")
    if np.isfinite(answer.outer):
        lead = say("sweep.range.between", inner=inner, outer=setting_name(part, answer.outer))
    else:
        lead = say("sweep.range.open", inner=inner)
    lead = of_group(lead, answer.group)
    if answer.stop:
        return f"{lead} {say(f'sweep.stop.{answer.stop}')}", []
    return lead, [_proposal(part, row) for row in rows.itertuples()]


def _proposal(part: SweptPart, row) -> str:
    """Return one proposal in words."""
    told = {"rounds": count_text(row.rounds, "round"), "place": setting_name(part, row.at)}
    text = say("sweep.propose.more", setting=row.tuning, **told) if row.tuning else say("sweep.propose.new", **told)
    unit, gain = part.ladder.unit, ""
    if np.isfinite(row.range_now):
        ends = (f"{number_text(one, decimals=1)} {unit}".strip() for one in (row.range_now, row.range_expected))
        gain = say("sweep.propose.gain", **dict(zip(("now", "then"), ends, strict=True)))
    parts = []
    if row.near_failures:
        parts.append(
            say("sweep.propose.near", settings=names_text(f"“{one}”" for one in row.near_failures.split("; ")))
        )
    if row.is_beyond_ladder:
        parts.append(say("sweep.propose.beyond"))
    proposal_caution = "".join(f" {one}" for one in [*parts, say("sweep.propose.save")]) if parts else ""
    return f"{text}{gain}.{proposal_caution}"


def row_of(part: SweptPart, tuning: str):
    """Return the row of a setting; None where it is not there."""
    return next((row for row in part.settings.itertuples() if row.tuning == tuning), None)


def _why_none(part: SweptPart) -> str:
    """Return why no setting is named."""
    rows = part.measured[part.measured["place"].notna()].sort_values("place")
    if not len(rows):
        return ""
    if rows["is_inside"].fillna(False).astype(bool).any():
        return say("sweep.none.failed")
    first = next(rows.itertuples())
    if first.reason:
        return say("sweep.none.not_judged", setting=first.tuning, why=reason_of(first.reason))
    return say("sweep.none.open", setting=first.tuning, loss=bound_text(first.loss_at_most, up=True))


def _beyond_answer(part: SweptPart, row, sweep: Sweep) -> str:
    """Return what the next setting shows, so that the answer is not taken for a limit of the card."""
    steps = part.measured[part.measured["place"].notna()].sort_values("place")
    later = next((one for one in steps.itertuples() if one.place == part.answer.n_inside + 1), None)
    if later is None:
        return say("sweep.beyond.end") if row.place == len(steps) else ""
    failed = sweep.failures[part.answer.card, later.tuning]
    if failed.any:
        kind = "crashed" if failed.crashed else "unstable"
    else:
        kind = "not_judged" if later.reason else "loses" if is_true(later.is_beyond) else ""
    if kind:
        return say(f"sweep.beyond.{kind}", setting=later.tuning)
    return say("sweep.beyond.open", setting=later.tuning, loss=bound_text(later.loss_at_most, up=True))
