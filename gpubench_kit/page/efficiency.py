"""Watts against FPS, with what else a viewer pays or saves: heat and noise, running cost, break-even."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

import pandas as pd

from gpubench_kit.costs import DAYS_PER_YEAR, cost_sensitivity, plain_text, price_of
from gpubench_kit.model.metrics import METRICS, section_metrics
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import PAIR_KEY
from gpubench_kit.page.answer_card import unit_of_change
from gpubench_kit.page.charts import Plot
from gpubench_kit.page.charts.chances import cost_curves
from gpubench_kit.page.charts.games import sensors_of_game
from gpubench_kit.page.charts.over_games import watts_against_fps
from gpubench_kit.page.elements import (
    Field,
    Markup,
    bullets,
    figure,
    figures,
    heading,
    join,
    listing,
    note,
    paragraph,
    render,
    stacked,
    verdict_markup,
)
from gpubench_kit.page.film.names import picture_links
from gpubench_kit.page.headline import is_real, watts_title
from gpubench_kit.page.results import Pair, Results, Scene
from gpubench_kit.page.section import Section, left_out
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.names import metric_label, starting
from gpubench_kit.wording.numbers import (
    change_and_interval_text,
    change_text,
    interval_text,
    is_missing,
    money_text,
    number_text,
    unit_text,
)
from gpubench_kit.wording.terms import metric_of, scene_text


def watts(results: Results) -> Section:
    """Return the section on watts against FPS; left out where no power was compared.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    has_power = any(METRICS[one].unit in ("W", "J") for one in results.metrics)
    charts = scatters(results) if has_power else []
    heat = _heat(results)
    costs = cost_table(results)
    if not charts and not heat and not costs:
        return left_out("watts", say("watts.heading"), say("watts.left_out"))
    values = {
        "charts": charts,
        "picture": picture_links(results, "watts-fps", setting=results.groups[0]) if charts else [],
        "text": " ".join(_sentences(results)),
        "measured_at": _measured_at(results) if has_power else "",
        "heat": heat,
        "costs": costs,
        "folds": [(say("watts.fold.sensors"), _sensors(results)), (say("watts.fold.cost"), cost_lines(results))],
    }
    return Section("watts", watts_title(results), render("efficiency.html.j2", values))


def scatters(results: Results) -> list[Any]:
    """Return watts against FPS of the main group, wide and narrow; nothing where power was measured apart.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    points = {card.power_measured_at for card in results.plan.cards}
    if not len(results.levels) or len(points) > 1:
        return []
    return list(watts_against_fps(results.levels, group=results.groups[0], states=results.states()) or ())


def _sentences(results: Results) -> Iterator[str]:
    """Yield what each tuning does to FPS per watt, as far as it is decided."""
    for pair in results.main.pairs if results.main else ():
        row = results.over_games(pair, results.groups[0], "energy_per_frame_j")
        if row is None or is_missing(row.change) or row.verdict == "no_verdict" or row.carried_by:
            continue
        name = pair.of.card if pair.is_between else starting(results.short(pair.of))
        if is_real(row):
            more = 100 * (1 / (1 + row.change / 100) - 1)
            amount = change_text(abs(more), "%").lstrip("+")
            yield say(f"watts.{'more' if more > 0 else 'fewer'}", tuning=name, amount=amount)
        elif row.verdict == "same_within_margin":
            yield say("watts.same", tuning=name)
        else:
            yield say("watts.undecided", tuning=name)


def _measured_at(results: Results) -> str:
    """Return where power was measured, card by card where they differ."""
    points = {card.name: say(f"watts.point.{card.power_measured_at or 'none'}") for card in results.plan.cards}
    if len(set(points.values())) == 1:
        return say("watts.measured", point=next(iter(points.values())))
    listed = "; ".join(f"{name}: {point}" for name, point in points.items())
    return say("watts.measured_apart", listed=listed)


def _heat(results: Results) -> Markup:
    """Return heat and noise after soak runs: the reference, and the change of each tuning with its verdict."""
    reference = results.main.common
    if reference is None:
        return Markup("")
    group, pairs = results.groups[0], results.main.pairs
    heat = section_metrics("heat")
    metrics = [metric for metric in heat if any(_is_known(results, pair, metric, group) for pair in pairs)]
    if not metrics:
        return Markup("")

    def cell(metric: str, pair: Pair) -> Markup:
        return _heat_cell(results.over_games(pair, group, metric))

    columns = [
        Field(say("heat.corner"), metric_label),
        Field(reference.tuning, lambda one: _level(results, one)),
    ]
    columns += [Field(results.short(pair.of), partial(cell, pair=pair)) for pair in pairs]
    games = max(
        results.over_games(pair, group, one).n_games
        for pair in pairs
        for one in metrics
        if _is_known(results, pair, one, group)
    )
    return listing(columns, metrics, caption=say("heat.caption", games=say("answer.games", n=int(games))))


def _is_known(results: Results, pair: Pair, metric: str, group: str) -> bool:
    """Return whether a change is known."""
    row = results.over_games(pair, group, metric)
    return row is not None and not is_missing(row.change)


def _level(results: Results, metric: str) -> str:
    """Return the level of the reference."""
    values = [results.mean_of(pair, results.groups[0], metric)[1] for pair in results.main.pairs]
    known = [value for value in values if not is_missing(value)]
    unit = METRICS[metric].unit
    return unit_text(known[0], unit) if known else ""


def _heat_cell(row: Any) -> Markup:
    """Return the change and the verdict of one tuning."""
    if row is None or is_missing(row.change):
        return Markup("") + say("answer.not_measured")
    return join([change_text(row.change, unit_of_change(row)), verdict_markup(row)], " ")


def sensor_charts(results: Results) -> list[tuple[Scene, tuple[Plot, ...]]]:
    """Return temperature, clock and power over soak runs, or over measured runs of the first scene without any.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    runs = results.runs
    is_soak = (runs["purpose"] == "soak") & runs["used"].fillna(False).astype(bool)
    scenes = [scene for group in results.groups[:1] for scene in results.scenes(group)]
    soaked = [scene for scene in scenes if scene.game in set(runs.loc[is_soak, "game"])]
    states, edge_s = results.states(), results.plan.analysis.sensor_edge_s
    out = []
    for scene in soaked or scenes[:1]:
        own = runs[(runs["game"] == scene.game) & (runs["setting"] == scene.setting)]
        purpose = "soak" if soaked else "measure"
        facts = results.facts(own["run"])
        charts = sensors_of_game(facts, own, scene=scene, states=states, purpose=purpose, edge_s=edge_s)
        out.append((scene, charts))
    return [(scene, charts) for scene, charts in out if charts]


def _sensors(results: Results) -> Markup:
    """Return the charts of sensors, a heading for each scene."""
    return join(
        part
        for scene, charts in sensor_charts(results)
        for part in (heading(scene_text(*scene)), figures(map(figure, charts), css="trio"))
    )


def cost_table(results: Results) -> Markup:
    """Return energy and running cost over the years of every pair in the main group; nothing without estimates."""
    costs = results.costs
    if costs is None or not len(costs):
        return Markup("")
    group, plan = costs["group"].iloc[0], results.plan
    chosen = costs[
        (costs["group"] == group) & costs["quantity"].isin(["energy", "running_cost"]) & costs["value"].notna()
    ]
    by_pair = {
        tuple(pair): dict(zip(rows["quantity"], rows.itertuples(), strict=True))
        for pair, rows in chosen.groupby(list(PAIR_KEY), sort=False)
    }
    if not by_pair:
        return Markup("")
    years = plain_text(plan.costs.years)
    columns = [
        Field(say("cost.corner", years=years), lambda pair: _names(next(iter(by_pair[pair].values())), plan)),
        Field(say("cost.energy"), lambda pair: _stacked(by_pair[pair].get("energy"))),
        Field(say("cost.money"), lambda pair: _stacked(by_pair[pair].get("running_cost"))),
    ]
    assumed = say(
        "cost.assumed",
        hours=plain_text(plan.costs.hours_per_day),
        price=money_text(plan.costs.price_per_kwh, plan.costs.currency),
    )
    return join([listing(columns, by_pair, caption=say("cost.caption")), paragraph(assumed, css="small")])


def cost_lines(results: Results) -> Markup:
    """Return the estimates as sentences with charts, for the fold; nothing without estimates."""
    costs = results.costs
    if costs is None or not len(costs):
        return Markup("")
    charts = iter(_curves(results))
    parts = [heading(say("cost.heading")), *map(paragraph, _method(costs, results.plan))]
    for (group, *_), rows in costs.groupby(["group", *PAIR_KEY], sort=False):
        first = next(rows.itertuples())
        name = _names(first, results.plan) + ("" if group == "all" else f", {group}")
        lacking = [(is_missing(row.value), row.reason) for row in rows.itertuples() if row.reason]
        notes = [note(say("cost.missing", why=why) if lacks else why) for lacks, why in dict.fromkeys(lacking)]
        said = bullets(cost_sentences(rows, results.plan))
        parts += [heading(name, level=4), said, *notes, figures([figure(next(charts)[1])])]
    return join(parts)


def cost_charts(results: Results) -> list[tuple[str, Plot]]:
    """Return the running cost by hours played and price of energy of each group and pair, with its group.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    return [(group, chart) for group, chart in _curves(results) if chart is not None]


def _curves(results: Results) -> Iterator[tuple[str, Plot | None]]:
    """Yield the chart of each group and pair with estimates."""
    if results.costs is None or not len(results.costs):
        return
    sensitivity = cost_sensitivity(results.costs, results.plan)
    for (group, *pair), rows in results.costs.groupby(["group", *PAIR_KEY], sort=False):
        extra = _extra_price(next(rows.itertuples()), results.plan)
        yield group, cost_curves(sensitivity, results.plan, pair=tuple(pair), group=group, extra_price=extra)


def cost_sentences(rows: pd.DataFrame, plan: ReviewPlan) -> list[str]:
    """Return the estimates of one pair and group as sentences.

    Parameters
    ----------
    rows : rows of `gpubench_kit.costs.COSTS`
    plan : ReviewPlan
    """
    known = {row.quantity: row for row in rows.itertuples() if not is_missing(row.value)}
    return [_SENTENCES[quantity](known[quantity], plan) for quantity in _SENTENCES if quantity in known]


def _names(row: Any, plan: ReviewPlan) -> str:
    """Return both sides of a pair; cards where there are several."""
    return say("answer.pair", of=_side(row, "of", plan), against=_side(row, "against", plan))


def _side(row: Any, side: str, plan: ReviewPlan) -> str:
    """Return one side of a pair: its tuning, with the card where the plan has several."""
    card, tuning, bench = (getattr(row, f"{side}_{name}") for name in ("card", "tuning", "bench"))
    parts = [card] * (len(plan.cards) > 1) + [tuning] + [bench] * (len(plan.benches) > 1)
    return ", ".join(parts)


def _stacked(row: Any) -> Markup:
    """Return a difference with its interval below it, the unit said once; nothing where there is none."""
    if row is None:
        return Markup("")
    whole = change_text(row.value, row.unit)
    between = interval_text(row.ci_low, row.ci_high, row.unit).removesuffix(row.unit).rstrip()
    return stacked(f"{whole}\n{between}")


def _method(costs: pd.DataFrame, plan: ReviewPlan) -> Iterator[str]:
    """Yield how the estimates were made, and what they leave out."""
    metric = next(iter(costs.loc[costs["quantity"] == "power", "metric"]))
    yield say(
        "cost.method",
        hours=plain_text(plan.costs.hours_per_day),
        days=DAYS_PER_YEAR,
        years=plain_text(plan.costs.years),
        price=money_text(plan.costs.price_per_kwh, plan.costs.currency),
        metric=metric_of(metric).label,
    )
    yield say("cost.of_machine" if metric == "wall_w" else "cost.of_card")
    yield say("cost.intervals")


def _extra_price(row: Any, plan: ReviewPlan) -> float:
    """Return what one card costs more than the other; 0 for one card, or where a price is missing."""
    of, against = (price_of(card, plan) for card in (row.of_card, row.against_card))
    return 0.0 if row.of_card == row.against_card or of is None or against is None else of - against


def _sides(row: Any, plan: ReviewPlan) -> dict[str, str]:
    """Return both sides for a sentence."""
    return {"of": _side(row, "of", plan), "against": _side(row, "against", plan)}


def _years(value: float) -> str:
    """Return years, or that it never comes."""
    return say("cost.never") if math.isinf(value) else say("cost.years", years=number_text(value, decimals=1))


def _power(row: Any, plan: ReviewPlan) -> str:
    """Return the sentence on power and heat: all of it ends as heat in the room."""
    levels = {"value": unit_text(row.of_value, "W"), "other": unit_text(row.against_value, "W")}
    return say(
        f"cost.heat_{'more' if row.value > 0 else 'less'}",
        size=unit_text(abs(row.value), "W"),
        **levels,
        **_sides(row, plan),
    )


def _running(row: Any, plan: ReviewPlan) -> str:
    """Return the sentence on the running cost, or that there is no telling which side costs more."""
    return _money(row, plan, "running")


def _total(row: Any, plan: ReviewPlan) -> str:
    """Return the sentence on price and running cost together."""
    return _money(row, plan, "total")


def _money(row: Any, plan: ReviewPlan, kind: str) -> str:
    """Return the sentence on an amount of money over the years."""
    values = {"years": plain_text(plan.costs.years), **_sides(row, plan)}
    if row.ci_low <= 0 <= row.ci_high:
        return say(f"cost.{kind}_open", span=interval_text(row.ci_low, row.ci_high, row.unit), **values)
    low, high = sorted((abs(row.ci_low), abs(row.ci_high)))
    span = say("number.span", low=money_text(low, row.unit), high=money_text(high, row.unit))
    way = "more" if row.value > 0 else "less"
    return say(f"cost.{kind}_{way}", size=money_text(abs(row.value), row.unit), span=span, **values)


def _time(row: Any, plan: ReviewPlan) -> str:
    """Return the sentence on the break-even time, or that it never comes."""
    extra, sides = _extra_price(row, plan), _sides(row, plan)
    if extra == 0:
        return say("cost.same_price", **sides)
    names = list(sides.values()) if extra > 0 else list(sides.values())[::-1]
    values = {"dear": names[0], "cheap": names[1]}
    if math.isinf(row.value):
        return say("cost.no_break_even", **values)
    span = say("number.span", low=_years(row.ci_low), high=_years(row.ci_high))
    return say("cost.break_even", years=_years(row.value), span=span, **values)


def _price(row: Any, plan: ReviewPlan) -> str:
    """Return the sentence on the price difference that running makes up for."""
    sides = list(_sides(row, plan).values())
    (saver, other), sign = (sides, 1) if row.value > 0 else (sides[::-1], -1)
    low, high = sorted((sign * row.ci_low, sign * row.ci_high))
    span = say("number.span", low=money_text(low, row.unit), high=money_text(high, row.unit))
    size = money_text(abs(row.value), row.unit)
    return say("cost.worth", years=plain_text(plan.costs.years), saver=saver, other=other, size=size, span=span)


def _value(row: Any, plan: ReviewPlan) -> str:
    """Return the sentence on performance for the price."""
    label = metric_of(row.metric).label
    return say(
        "cost.value",
        metric=label,
        change=("" if row is None else change_and_interval_text(row.value, row.ci_low, row.ci_high, unit=row.unit)),
        **_sides(row, plan),
    )


_SENTENCES: dict[str, Callable[[Any, Any], str]] = {
    "power": _power,
    "running_cost": _running,
    "break_even_time": _time,
    "break_even_price": _price,
    "total_cost": _total,
    "value_for_money": _value,
}
