"""The section on what the measurements mean in energy, heat and money: estimates, and called so."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from gpubench_kit.costs.estimates import price_of
from gpubench_kit.costs.formulas import DAYS_PER_YEAR, plain_text
from gpubench_kit.costs.sensitivity import cost_sensitivity
from gpubench_kit.figures.costs import draw_cost_sensitivity
from gpubench_kit.page.elements import Column, Markup, bullets, details, heading, join, note, paragraph, table
from gpubench_kit.page.pairs import groups_in, subject_names
from gpubench_kit.page.places import chart_grid, pictures_of
from gpubench_kit.page.section import Section, left_out
from gpubench_kit.wording.numbers import (
    change_and_interval_text,
    is_missing,
    money_text,
    number_text,
    unit_text,
)
from gpubench_kit.wording.terms import metric_of, of_group, of_pair, pair_text, pairs_in

_LABELS = {
    "power": "Power while playing",
    "energy": "Energy over the years",
    "running_cost": "Running cost over the years",
    "heat": "Heat into the room, each day",
    "total_cost": "Price and running cost over the years",
    "break_even_time": "Time until the price difference is made up",
    "break_even_price": "Price difference that running makes up for",
    "value_for_money": "Performance for the price",
}
_NEVER = "never"


def costs(estimates: pd.DataFrame, plan) -> Section:
    """Return the section on energy, heat and cost.

    Parameters
    ----------
    estimates : DataFrame, one row per (pair, group, quantity); see `gpubench_kit.costs.COSTS`
    plan : ReviewPlan

    Returns
    -------
    Section; left out where the plan gives no price of energy, or no power was compared
    """
    name, title = "costs", "Energy, heat and cost: estimates"
    if not len(estimates):
        has_price = plan.costs.price_per_kwh is not None
        why = "no power was compared" if has_price else "the plan gives no price of a kilowatt-hour"
        return left_out(name, title, why)
    sensitivity = cost_sensitivity(estimates, plan)
    blocks, charts = [], []
    for group in groups_in(estimates, plan):
        of_group_rows = estimates[estimates["group"] == group]
        for pair in sorted(pairs_in(of_group_rows), key=lambda one: one[0] == one[3]):
            rows = of_pair(of_group_rows, pair)
            extra = _extra_price(next(rows.itertuples()), plan)
            chart = draw_cost_sensitivity(sensitivity, plan, pair=pair, group=group, extra_price=extra)
            charts.append(chart)
            blocks.append(_block(rows, chart, heading_text=of_group(pair_text(pair, plan), group), plan=plan))
    return Section(name, title, join([_method(estimates, plan), *blocks]), pictures=pictures_of(charts))


def cost_sentences(rows: pd.DataFrame, plan) -> list[str]:
    """Return the estimates of one pair and group as sentences.

    Parameters
    ----------
    rows : rows of `gpubench_kit.costs.COSTS`
    plan : ReviewPlan
    """
    known = {row.quantity: row for row in rows.itertuples() if not is_missing(row.value)}
    made = (_SENTENCES[quantity](known[quantity], plan) for quantity in _SENTENCES if quantity in known)
    return [one for one in made if one]


def _block(rows: pd.DataFrame, chart, *, heading_text: str, plan) -> Markup:
    """Return the sentences of one pair and group, with table and chart folded."""
    missing = dict.fromkeys(row.reason for row in rows.itertuples() if is_missing(row.value) and row.reason)
    cautions = dict.fromkeys(row.reason for row in rows.itertuples() if not is_missing(row.value) and row.reason)
    columns = [Column("Estimate"), Column("Difference"), Column("Compared"), Column("Against")]
    lines = [_line(row) for row in rows.itertuples() if not is_missing(row.value)]
    listed = table(columns, lines, caption=f"Estimates, {heading_text}")
    notes = [note(one) for one in (*cautions, *(f"Not estimated: {one}" for one in missing))]
    numbers = details(f"Numbers and chart: {heading_text}", join([listed, chart_grid([chart])]))
    return join([heading(heading_text), bullets(cost_sentences(rows, plan)), *notes, numbers])


def _method(estimates: pd.DataFrame, plan) -> Markup:
    """Return how the estimates were made, and what they leave out."""
    costs, metric = plan.costs, next(iter(estimates.loc[estimates["quantity"] == "power", "metric"]))
    hours, years = (plain_text(one) for one in (costs.hours_per_day, costs.years))
    what = (
        "It is that of the whole machine." if metric == "wall_w"
        else "It is that of the card alone: what the power supply loses on the way comes on top."
    )  # fmt: skip
    return join([
        paragraph(
            f"Estimates for {hours} hours a day, {DAYS_PER_YEAR} days a year, {years} years and "
            f"{money_text(costs.price_per_kwh, costs.currency)} per kWh. The power is the mean "
            f"{metric_of(metric).label} over the games measured, each counting once, for equal hours. {what}"
        ),
        paragraph(
            "Intervals are those of the measured power, carried through (delta method; the break-even time is the "
            "exact transform, after Fieller 1954): hours and prices are taken as known. Idle hours, changes of "
            "price and resale are left out."
        ),
    ])  # fmt: skip


def _extra_price(row: Any, plan) -> float:
    """Return what one card costs more than the other; 0 for one card, or where a price is missing."""
    prices = [price_of(card, plan) for card in (row.of_card, row.against_card)]
    return 0.0 if row.of_card == row.against_card or None in prices else prices[0] - prices[1]


def _line(row: Any) -> list[str]:
    """Return the cells of one estimate."""
    return [
        _LABELS[row.quantity],
        _difference(row),
        *(_level(row, value) for value in (row.of_value, row.against_value)),
    ]


def _difference(row: Any) -> str:
    """Return an estimate with its interval."""
    if row.quantity == "break_even_time":
        return (
            _NEVER
            if math.isinf(row.ci_low)
            else f"{_years(row.value)} ({_years(row.ci_low)} to {_years(row.ci_high)})"
        )
    return _signed(row)


def _signed(row: Any) -> str:
    """Return a difference with its interval."""
    return change_and_interval_text(row.value, row.ci_low, row.ci_high, unit=row.unit)


def _level(row: Any, value: float) -> str:
    """Return the level of one side; nothing where there is none."""
    return "" if is_missing(value) else unit_text(value, row.unit)


def _years(value: float) -> str:
    """Return years, or that it never comes."""
    return _NEVER if math.isinf(value) else f"{number_text(value, decimals=1)} years"


def _power_sentence(row: Any, plan) -> str:
    """Return the sentence on power and heat: all of it ends as heat in the room."""
    of, against = subject_names(row, plan)
    more = "more" if row.value > 0 else "less"
    size = unit_text(abs(row.value), "W")
    levels = f"{unit_text(row.of_value, 'W')} against {unit_text(row.against_value, 'W')}"
    return f"Estimate: {of} puts about {size} {more} heat into the room than {against} while playing ({levels})."


def _cost_sentence(row: Any, plan) -> str:
    """Return the sentence on the running cost, or that there is no telling which side costs more."""
    of, against = subject_names(row, plan)
    years = plain_text(plan.costs.years)
    span = f"{money_text(row.ci_low, row.unit)} to {money_text(row.ci_high, row.unit)}"
    if row.ci_low <= 0 <= row.ci_high:
        return f"Estimate: over {years} years the running cost of {of} and {against} cannot be told apart ({span})."
    more = "more" if row.value > 0 else "less"
    size = money_text(abs(row.value), row.unit)
    span = " to ".join(money_text(end, row.unit) for end in sorted((abs(row.ci_low), abs(row.ci_high))))
    return f"Estimate: over {years} years {of} costs about {size} {more} to run than {against} ({span})."


def _time_sentence(row: Any, plan) -> str:
    """Return the sentence on the break-even time, or that it never comes."""
    extra = _extra_price(row, plan)
    of, against = subject_names(row, plan)
    dearer, other = (of, against) if extra > 0 else (against, of)
    if extra == 0:
        return f"Estimate: {of} and {against} cost the same to buy."
    if math.isinf(row.value):
        return (
            f"Estimate: the break-even never comes: {dearer} costs more to buy and does not save energy against "
            f"{other}."
        )
    span = f"{_years(row.ci_low)} to {_years(row.ci_high)}"
    return f"Estimate: {dearer} makes up for its higher price after about {_years(row.value)} ({span})."


def _price_sentence(row: Any, plan) -> str:
    """Return the sentence on the price difference that running makes up for."""
    of, against = subject_names(row, plan)
    saver, other, sign = (of, against, 1) if row.value > 0 else (against, of, -1)
    low, high = sorted((sign * row.ci_low, sign * row.ci_high))
    span = f"{money_text(low, row.unit)} to {money_text(high, row.unit)}"
    years = plain_text(plan.costs.years)
    size = money_text(abs(row.value), row.unit)
    return (
        f"Estimate: over {years} years {saver} may cost about {size} more to buy than {other} before it is the "
        f"dearer one ({span})."
    )


def _total_sentence(row: Any, plan) -> str:
    """Return the sentence on price and running cost together."""
    of, against = subject_names(row, plan)
    years = plain_text(plan.costs.years)
    span = f"{money_text(row.ci_low, row.unit)} to {money_text(row.ci_high, row.unit)}"
    lead = f"Estimate: price and running cost over {years} years together"
    if row.ci_low <= 0 <= row.ci_high:
        return f"{lead} cannot be told apart ({of} against {against}, {span})."
    more, size = "more" if row.value > 0 else "less", money_text(abs(row.value), row.unit)
    span = " to ".join(money_text(end, row.unit) for end in sorted((abs(row.ci_low), abs(row.ci_high))))
    return f"{lead}, {of} costs about {size} {more} than {against} ({span})."


def _value_sentence(row: Any, plan) -> str:
    """Return the sentence on performance for the price."""
    of, against = subject_names(row, plan)
    label = metric_of(row.metric).label
    return f"Estimate: {label} for each unit of price, {of} against {against}: {_signed(row)}."


_SENTENCES = {
    "power": _power_sentence,
    "running_cost": _cost_sentence,
    "break_even_time": _time_sentence,
    "break_even_price": _price_sentence,
    "total_cost": _total_sentence,
    "value_for_money": _value_sentence,
}
