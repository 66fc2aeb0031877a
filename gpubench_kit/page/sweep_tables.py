"""The tables on a sweep's page: settings with their tests, failures, readings of the curves, card against card."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.page.charts.sweeps import READINGS, SweptPart, between_cards, is_true, outcome_of
from gpubench_kit.page.elements import (
    Field,
    Markup,
    bullets,
    details,
    figure,
    figures,
    heading,
    join,
    listing,
    note,
    paragraph,
    stacked,
)
from gpubench_kit.page.sweep_words import loss_text, reason_of
from gpubench_kit.sweep.find import Sweep
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import (
    MISSING,
    change_and_interval_text,
    count_text,
    number_text,
    percent_text,
    unit_text,
)
from gpubench_kit.wording.terms import of_group, reason_sentences

#: Outcome of a setting -> its sign and class.
_MARKS = {"inside": ("=", "ve"), "beyond": ("▼", "vb"), "open": ("?", "vu"), "failed": ("×", "vb")}


def setting_tables(part: SweptPart, *, is_open: bool) -> Markup:
    """Return every setting of one line, from the factory state outward: the tests, then power and energy."""
    rows = sorted(part.measured, key=lambda row: (not row.is_factory, abs(row.at), row.at))
    line = ", ".join(filter(None, [part.answer.line, part.title]))
    end = of_group(f", {line}" if line else "", part.answer.group)
    named = Field(say("sweep.table.setting"), partial(_named, part))
    changes = {
        kind: Field(say("sweep.table.change"), partial(_change, kind), is_number=True)
        for kind in ("fps", "power", "energy")
    }
    alone = sum(is_true(row.may_be_most_efficient) for row in rows) == 1
    tests = [
        named,
        Field(say("sweep.table.test"), _outcome),
        Field(say("sweep.table.at_most"), _at_most, is_number=True),
        changes["fps"],
        Field(say("sweep.table.rate"), lambda row: number_text(row.avg_fps), "fps", is_number=True),
        Field(say("plan.needs.rounds"), lambda row: count_text(row.n), is_number=True),
    ]
    spent = [
        named,
        Field(say("sweep.table.power"), lambda row: unit_text(row.board_w, "W"), is_number=True),
        changes["power"],
        Field(say("sweep.table.energy"), lambda row: unit_text(row.energy_per_frame_j, "J"), is_number=True),
        changes["energy"],
        Field(say("sweep.table.efficient"), partial(_may_be_most_efficient, alone)),
    ]
    told, power = say("sweep.table.tests", of=end), say("sweep.table.spent", of=end)
    first = listing(tests, rows, caption=told)
    more = listing(spent, [row for row in rows if np.isfinite(row.board_w)], caption=power)
    return join([first if is_open else details(told, first), details(power, more)])


def _change(kind: str, row: Any) -> str | Markup:
    """Return a change from the factory state with its interval below it; an en dash for that state itself."""
    ends = (getattr(row, f"{kind}_{name}") for name in ("change", "ci_low", "ci_high"))
    return MISSING if row.is_factory else stacked(change_and_interval_text(*ends))


def _at_most(row: Any) -> str:
    """Return the largest loss that the runs do not rule out."""
    return MISSING if row.is_factory or not np.isfinite(row.loss_at_most) else loss_text(row)


def _may_be_most_efficient(is_alone: bool, row: Any) -> str:
    """Return whether a setting is the most efficient, where it alone may be, or may be it."""
    if row.may_be_most_efficient is pd.NA:
        return MISSING
    if not row.may_be_most_efficient:
        return say("plan.says.no")
    return say("plan.says.yes" if is_alone else "sweep.table.may_be")


def _named(part: SweptPart, row: Any) -> Markup:
    """Return a setting with its step beside its name."""
    step = "" if row.is_factory else Markup('<span class="unit">{}</span>').format(part.offset(row.at))
    return join([row.tuning, step], " ")


def _outcome(row: Any) -> str | Markup:
    """Return the outcome of a setting's test with its sign, and why nothing could be judged."""
    if row.is_factory:
        return MISSING
    outcome = outcome_of(row)
    word = say(f"sweep.outcome.{'not_tested' if outcome == 'open' and not is_true(row.is_tested) else outcome}")
    sign, css = _MARKS[outcome]
    mark = Markup('<span class="v {}"><i aria-hidden="true">{}</i> {}</span>').format(css, sign, word)
    return join([mark, reason_of(row.reason)], Markup("<br>")) if row.reason else mark


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
    return bullets(lines)


def reading_tables(parts: list[SweptPart], sweep: Sweep) -> Markup:
    """Return frame rate at equal power and power at equal frame rate, a column for each line."""
    answer, rows = parts[0].answer, sweep.readings
    rows = rows[(rows["card"] == answer.card) & (rows["bench"] == answer.bench) & (rows["group"] == answer.group)]
    title = of_group(parts[0].title, answer.group).strip()
    of = f", {title}" if title else ""
    names = [part.answer.line for part in parts]
    return join(_reading_table(rows, names, reading=one, of=of) for one in ("rate_at_power", "power_at_loss"))


def _reading_table(rows: pd.DataFrame, names: list[str], *, reading: str, of: str) -> Markup:
    """Return one table of readings."""
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
        return _reading(by_key.get((given, name)))

    values = (Field(name or other, partial(cell, name=name), unit, is_number=True) for name in names)
    caption = say(f"sweep.equal.{reading}", of=of)
    return listing([given, *values], sorted({one for one, _ in by_key}), caption=caption)


def _reading(row: Any) -> str | Markup:
    """Return a reading with its range; an en dash where the line has none."""
    if row is None:
        return MISSING
    value, low, high = (number_text(one, decimals=1) for one in (row.value, row.ci_low, row.ci_high))
    return stacked(f"{value} ({say('number.span', low=low, high=high)})") if np.isfinite(row.ci_low) else value


def between_cards_shown(sweep: Sweep) -> Iterator[Markup]:
    """Yield two cards at equal power, where both were swept, or why they cannot be compared.

    Parameters
    ----------
    sweep : see `gpubench_kit.sweep.find.find_tuning`
    """
    if not len(sweep.between):
        return
    confidence = float(sweep.answers["confidence"].max())
    yield heading(say("sweep.between.title"))
    yield paragraph(say("sweep.between.text", level=percent_text(100 * confidence)))
    groups = list(sweep.between.groupby(["of_card", "against_card", "bench", "group"], sort=False))
    yield figures(
        figure(between_cards(rows, reading=one, confidence=confidence)) for _, rows in groups for one in READINGS
    )
    for (of, against, bench, group), rows in groups:
        pair = say("answer.pair", of=of, against=against)
        pair = of_group(say("sweep.between.on", pair=pair, bench=bench) if bench else pair, group)
        reasons = [reason for reason in rows["reason"] if reason]
        yield join(note(f"{pair}: {' '.join(reason_sentences(one, between_cards=True))}") for one in reasons)
        for reading, (unit, _) in READINGS.items():
            told = rows[(rows["reading"] == reading) & rows["given"].notna()]
            yield _between_table(told, reading, unit, pair=pair)


def _between_table(rows: pd.DataFrame, reading: str, unit: str, *, pair: str) -> Markup:
    """Return one reading between two cards."""
    columns = [
        Field(say("sweep.between.at"), lambda row: f"{number_text(row.given, decimals=0)} {unit}"),
        Field(say(f"sweep.between.{reading}.head"),
              lambda row: stacked(change_and_interval_text(row.change, row.ci_low, row.ci_high)), is_number=True),
    ]  # fmt: skip
    return listing(columns, rows.itertuples(), caption=say(f"sweep.between.{reading}.caption", pair=pair))
