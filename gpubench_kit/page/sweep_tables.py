"""The tables on a sweep's page: settings with their tests, failures, readings of the curves."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gpubench_kit.page.charts.sweep_part import SweptPart, is_true, outcome_of
from gpubench_kit.page.elements import Column, Markup, bullets, join, note, stacked, table
from gpubench_kit.page.sweep_words import reason_told
from gpubench_kit.statistics.sweep_ladder import offset_text
from gpubench_kit.sweep.find import Sweep
from gpubench_kit.wording.numbers import (
    MISSING,
    bound_text,
    change_and_interval_text,
    count_text,
    number_text,
    percent_text,
    unit_text,
)
from gpubench_kit.wording.reasons import reason_sentences
from gpubench_kit.wording.terms import of_group

_MARKS = {
    "inside": ("=", "even", "inside the margin"),
    "beyond": ("▼", "down", "loses more"),
    "open": ("?", "open", "not shown"),
    "failed": ("×", "open", "failed"),
}

#: Readings between two cards: what is given, its unit, and what is told.
_BETWEEN = (
    ("rate_at_power", "W", "Frame rate at equal power"),
    ("power_at_rate", "fps", "Power at equal frame rate"),
)


def setting_tables(part: SweptPart) -> Markup:
    """Return every setting of one line, from the factory state outward: the tests, then power and energy."""
    rows = sorted(part.measured.itertuples(), key=lambda row: (not row.is_factory, abs(row.at), row.at))
    line = f", {part.answer.line}" if part.answer.line else ""
    end = of_group(f"{line}{f' of {part.title}' if part.title else ''}", part.answer.group)
    tests = [
        Column("Setting"), Column("Test"), Column("Loss at most", is_number=True), Column("Change", is_number=True),
        Column("Frame rate", "fps", is_number=True), Column("Rounds", is_number=True),
    ]  # fmt: skip
    spent = [
        Column("Setting"), Column("Power", is_number=True), Column("Energy per frame", is_number=True),
        Column("Most efficient?"),
    ]  # fmt: skip
    power = [_spent_cells(part, row) for row in rows if np.isfinite(row.board_w)]
    return join([
        table(tests, [_test_cells(part, row) for row in rows], caption=f"Frame rate of the settings{end}"),
        table(spent, power, caption=f"Power and energy of the settings{end}"),
    ])  # fmt: skip


def failure_table(parts: list[SweptPart], sweep: Sweep) -> Markup:
    """Return what failed, and what hours without failures show; each setting once."""
    seen: dict[tuple[str, str], None] = {}
    for part in parts:
        seen.update({(part.answer.card, row.tuning): None for row in part.measured.itertuples()})
    with_card = len({card for card, _ in seen}) > 1
    told = [(key, sweep.failures[key]) for key in seen]
    lines = [
        f"“{tuning}”{f' on {card}' if with_card else ''}: {' '.join(failed.sentences)}"
        for (card, tuning), failed in told
        if failed.sentences
    ]
    tried = sum(failed.tried for _, failed in told if not failed.sentences)
    silent = sum(1 for _, failed in told if not failed.sentences)
    if silent:
        runs = f"no crash in {count_text(tried, 'run')}" if tried else "no run"
        lines.append(f"{count_text(silent, 'setting')} without a stability test: {runs}, which shows little.")
    return bullets(lines)


def reading_tables(parts: list[SweptPart], sweep: Sweep) -> Markup:
    """Return frame rate at equal power and power at equal frame rate, a column for each line."""
    answer = parts[0].answer
    rows = sweep.readings
    rows = rows[(rows["card"] == answer.card) & (rows["bench"] == answer.bench) & (rows["group"] == answer.group)]
    if not len(rows):
        return Markup("")
    names = [part.answer.line for part in parts]
    title = of_group(parts[0].title, answer.group) if parts[0].title else of_group("", answer.group)
    end = f", {title.strip()}" if title.strip() else ""
    return join([
        _reading_table(rows, names, reading="rate_at_power", caption=f"Frame rate at equal power{end}"),
        _reading_table(rows, names, reading="power_at_loss", caption=f"Power at equal frame rate{end}"),
    ])  # fmt: skip


def between_tables(sweep: Sweep) -> Markup:
    """Return two cards at equal power and at equal frame rate, or why they cannot be compared."""
    parts = []
    for names, rows in sweep.between.groupby(["of_card", "against_card", "bench", "group"], sort=False):
        of, against, bench, group = names
        end = of_group(f"{of} vs {against}{f' on {bench}' if bench else ''}", group)
        reasons = [
            " ".join(reason_sentences(row.reason, between_cards=True)) for row in rows.itertuples() if row.reason
        ]
        parts += [note(f"{end}: {why}") for why in reasons]
        for reading, unit, told in _BETWEEN:
            found = rows[(rows["reading"] == reading) & rows["given"].notna()]
            lines = [
                [f"{number_text(row.given, decimals=0)} {unit}",
                 stacked(change_and_interval_text(row.change, row.ci_low, row.ci_high))]
                for row in found.itertuples()
            ]  # fmt: skip
            columns = [Column("At"), Column(told, is_number=True)]
            parts.append(table(columns, lines, caption=f"{end}: {told[:1].lower()}{told[1:]}"))
    return join(parts)


def _reading_table(rows: pd.DataFrame, names: list[str], *, reading: str, caption: str) -> Markup:
    """Return one table of readings."""
    given_unit, unit = ("W", "fps") if reading == "rate_at_power" else ("%", "W")
    first = "Power" if reading == "rate_at_power" else "Frame rate given up"
    found = rows[rows["reading"] == reading]
    alone = "Frame rate" if unit == "fps" else "Power"
    heads = [name or (alone if len(names) == 1 else "no other change") for name in names]
    columns = [Column(first), *(Column(head, unit, is_number=True) for head in heads)]
    by_key = {(row.given, row.line): row for row in found.itertuples()}
    given = sorted({row.given for row in found.itertuples()})
    lines = [
        [_given_text(one, given_unit), *(_value_text(by_key.get((one, name)), unit) for name in names)]
        for one in given
    ]
    return table(columns, lines, caption=f"{caption}, with its range")


def _given_text(given: float, unit: str) -> str:
    """Return a power or a loss."""
    return percent_text(given) if unit == "%" else f"{number_text(given, decimals=0)} W"


def _value_text(row, unit: str) -> str | Markup:
    """Return a reading with its range; an en dash where the line has none."""
    if row is None:
        return MISSING
    value, low, high = (number_text(one, decimals=1) for one in (row.value, row.ci_low, row.ci_high))
    return stacked(f"{value} ({low} to {high})") if np.isfinite(row.ci_low) else value


def _test_cells(part: SweptPart, row) -> list[str | Markup]:
    """Return a setting's frame rate and its test."""
    measured = [number_text(row.avg_fps), count_text(row.n)]
    if row.is_factory:
        return [_named(part, row), *[MISSING] * 3, *measured]
    worst = bound_text(max(row.loss_at_most, 0.0), up=True) if np.isfinite(row.loss_at_most) else MISSING
    change = stacked(change_and_interval_text(row.fps_change, row.fps_ci_low, row.fps_ci_high))
    return [_named(part, row), _outcome_mark(row), worst, change, *measured]


def _spent_cells(part: SweptPart, row) -> list[str | Markup]:
    """Return a setting's power and energy per frame, each with its change."""
    power, energy = [unit_text(row.board_w, "W")], [unit_text(row.energy_per_frame_j, "J")]
    if not row.is_factory:
        power.append(change_and_interval_text(row.power_change, row.power_ci_low, row.power_ci_high))
        energy.append(change_and_interval_text(row.energy_change, row.energy_ci_low, row.energy_ci_high))
    may_be = MISSING if row.may_be_most_efficient is pd.NA else "may be" if row.may_be_most_efficient else "no"
    return [_named(part, row), stacked(*power), stacked(*energy), may_be]


def _named(part: SweptPart, row) -> Markup:
    """Return a setting with its step below its name, unless the name says the step."""
    step = "" if row.is_factory else offset_text(part.ladder.change, row.at)
    return join([row.tuning, Markup('<span class="unit">{}</span>').format(step)] if step else [row.tuning], " ")


def _outcome_mark(row) -> Markup:
    """Return the outcome of a setting's test with its sign, and why nothing could be judged."""
    sign, way, word = _MARKS[outcome_of(row)]
    if not is_true(row.is_tested) and outcome_of(row) == "open":
        word = "not tested"
    mark = Markup('<span class="verdict {}"><span aria-hidden="true">{}</span>{}</span>').format(way, sign, word)
    if not row.reason:
        return mark
    return join([mark, reason_told(row.reason)], Markup("<br>"))
