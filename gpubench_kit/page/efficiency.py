"""Watts against FPS, with what else a viewer pays or saves: heat and noise, running cost, break-even."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial
from typing import Any

import pandas as pd

from gpubench_kit.costs import DAYS_PER_YEAR, cost_sensitivity, plain_text, price_of
from gpubench_kit.model.metrics import section_metrics
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import PAIR_KEY
from gpubench_kit.page import elements as html
from gpubench_kit.page.charts import Plot
from gpubench_kit.page.charts.curves import cost_curves
from gpubench_kit.page.charts.from_tables import middle_runs, of_scene, watts_against_fps
from gpubench_kit.page.charts.run_logs import sensors
from gpubench_kit.page.elements import Column, Field, Markup, Section
from gpubench_kit.page.headline import is_real, side_of, watts_title
from gpubench_kit.page.pictures import picture_links
from gpubench_kit.page.results import Pair, Results, Scene
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import (
    change_and_interval_text,
    change_text,
    interval_text,
    is_missing,
    money_text,
    number_text,
    unit_text,
)
from gpubench_kit.wording.terms import metric_label, metric_of, of_group, scene_text, subject_text, unit_of_change

#: Estimates that are told, in this order.
_QUANTITIES = (
    "power", "running_cost", "break_even_time", "break_even_price", "total_cost", "value_for_money",
)  # fmt: skip


def watts(results: Results) -> Section:
    """Return the section on watts against FPS; left out where no power was compared.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    has_power = any(metric_of(one).unit in ("W", "J") for one in results.metrics)
    charts = scatters(results) if has_power else []
    heat = _heat(results)
    costs = cost_table(results)
    if not charts and not heat and not costs:
        return html.left_out("watts", say("watts.heading"), say("watts.left_out"))
    sensors_shown = html.join(
        part
        for scene, plots in sensor_charts(results)
        for part in (html.heading(scene_text(*scene)), html.figures(map(html.figure, plots), css="trio"))
    )
    values = {
        "charts": charts,
        "picture": picture_links(results, "watts-fps", setting=results.groups[0]) if charts else [],
        "text": " ".join(_sentences(results)),
        "measured_at": _measured_at(results) if has_power else "",
        "heat": heat,
        "costs": costs,
        "folds": [(say("watts.fold.sensors"), sensors_shown), (say("watts.fold.cost"), cost_lines(results))],
    }
    return Section("watts", watts_title(results), html.render("efficiency.html.j2", values))


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
        name = side_of(results, pair)
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
    reference, pairs = results.main.common, results.main.pairs
    found = {
        (metric, pair): row
        for metric in section_metrics("heat")
        for pair in pairs
        if (row := results.over_games(pair, results.groups[0], metric)) is not None and not is_missing(row.change)
    }
    if reference is None or not found:
        return Markup("")

    def level(metric: str) -> str:
        values = (results.mean_of(pair, results.groups[0], metric)[1] for pair in pairs)
        value = next((one for one in values if not is_missing(one)), None)
        return "" if value is None else unit_text(value, metric_of(metric).unit)

    def cell(metric: str, pair: Pair) -> str | Markup:
        row = found.get((metric, pair))
        if row is None:
            return say("answer.not_measured")
        return html.join([change_text(row.change, unit_of_change(row)), html.verdict_markup(row)], " ")

    columns: list[Column] = [("heat.corner", metric_label), Field(reference.tuning, level)]
    columns += [Field(results.short(pair.of), partial(cell, pair=pair)) for pair in pairs]
    games = say("answer.games", n=int(max(row.n_games for row in found.values())))
    return html.listing(
        columns, dict.fromkeys(metric for metric, _ in found), caption=say("heat.caption", games=games)
    )


def sensor_charts(results: Results) -> list[tuple[Scene, tuple[Plot, ...]]]:
    """Return temperature, clock and power over soak runs, or over measured runs of the first scene without any.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    runs, out = results.runs, []
    is_soak = (runs["purpose"] == "soak") & runs["used"].fillna(False).astype(bool)
    scenes = [scene for group in results.groups[:1] for scene in results.scenes(group)]
    soaked = [scene for scene in scenes if scene.game in set(runs.loc[is_soak, "game"])]
    for scene in soaked or scenes[:1]:
        own = of_scene(runs, scene)
        purpose = "soak" if soaked else "measure"
        middle = middle_runs(results.facts(own["run"]), own, scene=scene, states=results.states(), purpose=purpose)
        charts = sensors(scene_text(*scene), middle, edge_s=results.plan.analysis.sensor_edge_s)
        out += [(scene, charts)] if charts else []
    return out


def cost_table(results: Results) -> Markup:
    """Return energy and running cost over the years of every pair in the main group; nothing without estimates."""
    costs, plan = results.costs, results.plan
    if costs is None or not len(costs):
        return Markup("")
    is_shown = costs["quantity"].isin(["energy", "running_cost"]) & costs["value"].notna()
    shown = costs[(costs["group"] == costs["group"].iloc[0]) & is_shown]
    by_pair = [
        dict(zip(rows["quantity"], rows.itertuples(), strict=True))
        for _, rows in shown.groupby(list(PAIR_KEY), sort=False)
    ]

    def difference(rows: dict[str, Any], quantity: str) -> Markup:
        # Its interval stands below it, the unit said once.
        if (row := rows.get(quantity)) is None:
            return Markup("")
        between = interval_text(row.ci_low, row.ci_high, row.unit).removesuffix(row.unit).rstrip()
        return html.stacked(f"{change_text(row.value, row.unit)}\n{between}")

    columns: list[Column] = [
        Field(say("cost.corner", years=plain_text(plan.costs.years)),
              lambda rows: _names(next(iter(rows.values())), plan)),
        ("cost.energy", partial(difference, quantity="energy")),
        ("cost.money", partial(difference, quantity="running_cost")),
    ]  # fmt: skip
    listed = html.listing(columns, by_pair, caption=say("cost.caption"))
    return (
        html.join([listed, html.paragraph(say("cost.assumed", **_assumed(plan)), css="small")])
        if listed
        else listed
    )


def _assumed(plan: ReviewPlan) -> dict[str, Any]:
    """Return what the estimates assume."""
    costs = plan.costs
    price = money_text(costs.price_per_kwh, costs.currency)
    return {"hours": plain_text(costs.hours_per_day), "years": plain_text(costs.years), "price": price}


def cost_lines(results: Results) -> Markup:
    """Return the estimates as sentences with charts, for the fold; nothing without estimates."""
    costs, plan, parts = results.costs, results.plan, []
    for rows, chart in _estimates(results):
        first = next(rows.itertuples())
        lacking = [(is_missing(row.value), row.reason) for row in rows.itertuples() if row.reason]
        notes = [html.note(say("cost.missing", why=why) if lacks else why) for lacks, why in dict.fromkeys(lacking)]
        name, said = of_group(_names(first, plan), first.group), html.bullets(cost_sentences(rows, plan))
        parts += [html.heading(name, level=4), said, *notes, html.figures([html.figure(chart)])]
    if costs is None or not parts:
        return Markup("")
    metric = next(iter(costs.loc[costs["quantity"] == "power", "metric"]))
    method = [
        say("cost.method", days=DAYS_PER_YEAR, metric=metric_of(metric).label, **_assumed(plan)),
        say("cost.of_machine" if metric == "wall_w" else "cost.of_card"), say("cost.intervals"),
    ]  # fmt: skip
    return html.join([html.heading(say("cost.heading")), *map(html.paragraph, method), *parts])


def cost_charts(results: Results) -> list[tuple[str, str, Plot]]:
    """Return group, finding and chart of each group and pair: the running cost by hours played and price of energy.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    plan, out = results.plan, []
    for rows, chart in _estimates(results):
        if chart is None:
            continue
        row = next(rows[rows["quantity"] == "running_cost"].itertuples())
        told = {"of": _side(row, "of", plan), "against": _side(row, "against", plan)}
        if is_missing(row.value) or is_missing(row.ci_low) or row.ci_low <= 0 <= row.ci_high:
            title = say("cost.title.open", **told)
        else:
            told |= {"size": money_text(abs(row.value), row.unit), "years": plain_text(plan.costs.years)}
            title = say(f"cost.title.{'more' if row.value > 0 else 'less'}", **told)
        out.append((str(row.group), of_group(title, row.group), chart))
    return out


def _estimates(results: Results) -> Iterator[tuple[pd.DataFrame, Plot | None]]:
    """Yield the estimates of each group and pair, with their chart."""
    if results.costs is None or not len(results.costs):
        return
    sensitivity = cost_sensitivity(results.costs, results.plan)
    for (group, *pair), rows in results.costs.groupby(["group", *PAIR_KEY], sort=False):
        extra = _extra_price(next(rows.itertuples()), results.plan)
        yield rows, cost_curves(sensitivity, results.plan, pair=tuple(pair), group=group, extra_price=extra)


def cost_sentences(rows: pd.DataFrame, plan: ReviewPlan) -> list[str]:
    """Return the estimates of one pair and group as sentences.

    Parameters
    ----------
    rows : rows of `gpubench_kit.costs.COSTS`
    plan : ReviewPlan
    """
    known = {row.quantity: row for row in rows.itertuples() if not is_missing(row.value)}
    return [_sentence(known[quantity], plan) for quantity in _QUANTITIES if quantity in known]


def _names(row: Any, plan: ReviewPlan) -> str:
    """Return both sides of a pair; cards where there are several."""
    return say("answer.pair", of=_side(row, "of", plan), against=_side(row, "against", plan))


def _side(row: Any, side: str, plan: ReviewPlan) -> str:
    """Return one side of a pair: its tuning, with the card and the machine where the plan has several."""
    subject = [getattr(row, f"{side}_{name}") for name in ("card", "tuning", "bench")]
    return subject_text(subject, with_card=len(plan.cards) > 1, with_bench=len(plan.benches) > 1)


def _extra_price(row: Any, plan: ReviewPlan) -> float:
    """Return what one card costs more than the other; 0 for one card, or where a price is missing."""
    of, against = (price_of(card, plan) for card in (row.of_card, row.against_card))
    return 0.0 if row.of_card == row.against_card or of is None or against is None else of - against


def _years(value: float) -> str:
    """Return years, or that it never comes."""
    return say("cost.never") if math.isinf(value) else say("cost.years", years=number_text(value, decimals=1))


def _sentence(row: Any, plan: ReviewPlan) -> str:
    """Return one estimate in a sentence, which says what cannot be told apart, or never comes, where that is so."""
    first, second = _side(row, "of", plan), _side(row, "against", plan)
    told = {"of": first, "against": second, "years": plain_text(plan.costs.years)}
    is_more = row.value > 0
    way = "more" if is_more else "less"
    if row.quantity == "power":
        watts = (unit_text(one, "W") for one in (abs(row.value), row.of_value, row.against_value))
        return say(f"cost.heat_{way}", **told, **dict(zip(("size", "value", "other"), watts, strict=True)))
    if row.quantity == "value_for_money":
        change = change_and_interval_text(row.value, row.ci_low, row.ci_high, unit=row.unit)
        return say("cost.value", metric=metric_of(row.metric).label, change=change, **told)
    if row.quantity == "break_even_time":
        extra = _extra_price(row, plan)
        kind = "same_price" if extra == 0 else "no_break_even" if math.isinf(row.value) else "break_even"
        dear, cheap = (first, second) if extra > 0 else (second, first)
        told |= {"dear": dear, "cheap": cheap, "years": _years(row.value)}
        return say(
            f"cost.{kind}", span=say("number.span", low=_years(row.ci_low), high=_years(row.ci_high)), **told
        )
    # Money: its size, with the ends the same way round.
    low, high = sorted(one if is_more else -one for one in (row.ci_low, row.ci_high))
    told["size"] = money_text(abs(row.value), row.unit)
    span = say("number.span", low=money_text(low, row.unit), high=money_text(high, row.unit))
    if row.quantity == "break_even_price":
        saver, other = (first, second) if is_more else (second, first)
        return say("cost.worth", saver=saver, other=other, span=span, **told)
    kind = row.quantity.removesuffix("_cost")
    if low <= 0 <= high:
        return say(f"cost.{kind}_open", span=interval_text(row.ci_low, row.ci_high, row.unit), **told)
    return say(f"cost.{kind}_{way}", span=span, **told)
