"""What a sweep answers, in words and tables, and no more than the tests allow: settings, failures, readings."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page import elements as html
from gpubench_kit.page.charts.sweeps import (
    READINGS,
    SweptPart,
    between_cards,
    is_true,
    outcome_of,
    parts_of,
    together,
)
from gpubench_kit.page.elements import Column, Field, Markup
from gpubench_kit.sweep.find import Sweep
from gpubench_kit.sweep.measured import GAMES_MISSING
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import (
    MISSING,
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

    def power(part: SweptPart) -> float:
        row = part.row(part.answer.lowest_tuning)
        is_shown = row is not None and not row.is_factory and np.isfinite(row.board_w)
        return float(row.board_w) if is_shown else float("inf")

    found = []
    for parts in together(parts_of(sweep, plan)):
        # The line with the lowest power comes first.
        ranked = sorted(parts, key=power)
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
    # One step nearer to the factory state is safer.
    safer = next((one for one in part.steps if one.place == row.place - 1), None)
    more = (
        _stability(part, row),
        _beyond_answer(part, row),
        say("sweep.beyond.failed", settings=quoted(failed)) if failed else "",
        say("sweep.safer_is_factory") if safer is None
        else say("sweep.safer", setting=safer.tuning, loss=loss_text(safer)),
    )  # fmt: skip
    lost = (
        say("sweep.lowest.nothing_lost") if row.loss_at_most <= 0 else say("sweep.lowest.lost", loss=loss_text(row))
    )
    told = {"lead": lead, "setting": row.tuning, "place": part.place_name(row.at), "lost": lost, "power": power}
    return say("sweep.lowest.found", **told, more=" ".join(filter(None, more)))


def _stability(part: SweptPart, row: Any) -> str:
    """Return what is known of a setting's stability, or that nothing is."""
    return " ".join(part.failures[row.tuning].sentences) or say("sweep.no_stability")


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


#: Outcome of a setting -> its sign and class.
_MARKS = {"inside": ("=", "ve"), "beyond": ("▼", "vb"), "open": ("?", "vu"), "failed": ("×", "vb")}


def setting_tables(part: SweptPart, *, is_open: bool) -> Markup:
    """Return every setting of one line, from the factory state outward: the tests, then power and energy."""
    rows = sorted(part.measured, key=lambda row: (not row.is_factory, abs(row.at), row.at))
    line = ", ".join(filter(None, [part.answer.line, part.title]))
    end = of_group(f", {line}" if line else "", part.answer.group)
    is_alone = sum(is_true(row.may_be_most_efficient) for row in rows) == 1

    def named(row: Any) -> Markup:
        step = "" if row.is_factory else Markup('<span class="unit">{}</span>').format(part.offset(row.at))
        return html.join([row.tuning, step], " ")

    def change(kind: str) -> Column:
        return "sweep.table.change", partial(changed, kind=kind), ""

    def changed(row: Any, kind: str) -> str | Markup:
        ends = (getattr(row, f"{kind}_{name}") for name in ("change", "ci_low", "ci_high"))
        return MISSING if row.is_factory else html.stacked(change_and_interval_text(*ends))

    def at_most(row: Any) -> str:
        return MISSING if row.is_factory or not np.isfinite(row.loss_at_most) else loss_text(row)

    def most_efficient(row: Any) -> str:
        if row.may_be_most_efficient is pd.NA:
            return MISSING
        may_be = "plan.says.yes" if is_alone else "sweep.table.may_be"
        return say(may_be if row.may_be_most_efficient else "plan.says.no")

    name: Column = ("sweep.table.setting", named)
    tests = [
        name, ("sweep.table.test", _outcome), ("sweep.table.at_most", at_most, ""), change("fps"),
        ("sweep.table.rate", lambda row: number_text(row.avg_fps), "fps"), ("plan.needs.rounds", "n", ""),
    ]  # fmt: skip
    spent = [
        name, ("sweep.table.power", lambda row: unit_text(row.board_w, "W"), ""), change("power"),
        ("sweep.table.energy", lambda row: unit_text(row.energy_per_frame_j, "J"), ""), change("energy"),
        ("sweep.table.efficient", most_efficient),
    ]  # fmt: skip
    told, power = say("sweep.table.tests", of=end), say("sweep.table.spent", of=end)
    first = html.listing(tests, rows, caption=told)
    more = html.listing(spent, [row for row in rows if np.isfinite(row.board_w)], caption=power)
    return html.join([first if is_open else html.details(told, first), html.details(power, more)])


def _outcome(row: Any) -> str | Markup:
    """Return the outcome of a setting's test with its sign, and why nothing could be judged."""
    if row.is_factory:
        return MISSING
    outcome = outcome_of(row)
    word = say(f"sweep.outcome.{'not_tested' if outcome == 'open' and not is_true(row.is_tested) else outcome}")
    sign, css = _MARKS[outcome]
    mark = Markup('<span class="v {}"><i aria-hidden="true">{}</i> {}</span>').format(css, sign, word)
    return html.join([mark, reason_of(row.reason)], Markup("<br>")) if row.reason else mark


def failure_table(parts: list[SweptPart], sweep: Sweep) -> Markup:
    """Return what failed, and what hours without failures show; each setting once."""
    seen = dict.fromkeys((part.answer.card, row.tuning) for part in parts for row in part.measured)
    with_card = len({card for card, _ in seen}) > 1
    lines, silent = [], []
    for card, tuning in seen:
        failed = sweep.failures[card, tuning]
        if failed.sentences:
            setting = say("sweep.failures.on_card", tuning=tuning, card=card) if with_card else f"“{tuning}”"
            lines.append(say("sweep.failures.of", setting=setting, text=" ".join(failed.sentences)))
        else:
            silent.append(failed.tried)
    if silent:
        tried = sum(silent)
        runs = say("sweep.failures.runs", n=tried) if tried else say("sweep.failures.no_runs")
        lines.append(say("sweep.failures.silent", settings=count_text(len(silent), "setting"), runs=runs))
    return html.bullets(lines)


def reading_tables(parts: list[SweptPart], sweep: Sweep) -> Markup:
    """Return frame rate at equal power and power at equal frame rate, a column for each line."""
    answer, rows = parts[0].answer, sweep.readings
    rows = rows[(rows["card"] == answer.card) & (rows["bench"] == answer.bench) & (rows["group"] == answer.group)]
    title = of_group(parts[0].title, answer.group).strip()
    of = f", {title}" if title else ""
    names = [part.answer.line for part in parts]
    return html.join(_reading_table(rows, names, reading=one, of=of) for one in ("rate_at_power", "power_at_loss"))


def _reading_table(rows: pd.DataFrame, names: list[str], *, reading: str, of: str) -> Markup:
    """Return one table of readings; an en dash where a line has none."""
    by_key = {(row.given, row.line): row for row in rows[rows["reading"] == reading].itertuples()}
    power, rate = say("sweep.table.power"), say("sweep.table.rate")
    if reading == "rate_at_power":
        alone, unit = rate, "fps"
        given = Field(power, lambda given: f"{number_text(given, decimals=0)} W")
    else:
        alone, unit = power, "W"
        given = Field(say("sweep.equal.given_up"), percent_text)
    other = alone if len(names) == 1 else say("sweep.equal.no_other")

    def cell(given: float, name: str) -> str | Markup:
        row = by_key.get((given, name))
        if row is None:
            return MISSING
        value, low, high = (number_text(one, decimals=1) for one in (row.value, row.ci_low, row.ci_high))
        return (
            html.stacked(f"{value} ({say('number.span', low=low, high=high)})")
            if np.isfinite(row.ci_low)
            else value
        )

    values = (Field(name or other, partial(cell, name=name), unit, is_number=True) for name in names)
    caption = say(f"sweep.equal.{reading}", of=of)
    return html.listing([given, *values], sorted({one for one, _ in by_key}), caption=caption)


def between_cards_shown(sweep: Sweep) -> Iterator[Markup]:
    """Yield two cards at equal power, where both were swept, or why they cannot be compared.

    Parameters
    ----------
    sweep : see `gpubench_kit.sweep.find.find_tuning`
    """
    if not len(sweep.between):
        return
    confidence = float(sweep.answers["confidence"].max())
    yield html.heading(say("sweep.between.title"))
    yield html.paragraph(say("sweep.between.text", level=percent_text(100 * confidence)))
    groups = list(sweep.between.groupby(["of_card", "against_card", "bench", "group"], sort=False))
    yield html.figures(
        html.figure(between_cards(rows, reading=one, confidence=confidence))
        for _, rows in groups
        for one in READINGS
    )
    for (of, against, bench, group), rows in groups:
        pair = say("answer.pair", of=of, against=against)
        pair = of_group(say("sweep.between.on", pair=pair, bench=bench) if bench else pair, group)
        reasons = [reason for reason in rows["reason"] if reason]
        yield html.join(
            html.note(f"{pair}: {' '.join(reason_sentences(one, between_cards=True))}") for one in reasons
        )
        for reading, (unit, _) in READINGS.items():
            told = rows[(rows["reading"] == reading) & rows["given"].notna()]
            yield _between_table(told, reading, unit, pair=pair)


def _between_table(rows: pd.DataFrame, reading: str, unit: str, *, pair: str) -> Markup:
    """Return one reading between two cards."""
    columns = [
        ("sweep.between.at", lambda row: f"{number_text(row.given, decimals=0)} {unit}"),
        (f"sweep.between.{reading}.head",
         lambda row: html.stacked(change_and_interval_text(row.change, row.ci_low, row.ci_high)), ""),
    ]  # fmt: skip
    return html.listing(columns, rows.itertuples(), caption=say(f"sweep.between.{reading}.caption", pair=pair))
