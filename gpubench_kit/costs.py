"""Card against rival: ahead by how much, per watt and per price, in each game and over all games."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import astuple, dataclass
from typing import Any

import pandas as pd

from gpubench_kit.claims.sentences import known_text
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.sections import Costs
from gpubench_kit.model.tables import PAIR_KEY, Column, Table
from gpubench_kit.statistics.contrasts import UnitChange, games_in_unit, has_entered
from gpubench_kit.statistics.testing import NO_VERDICT
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import number_text
from gpubench_kit.wording.terms import names_text

DAYS_PER_YEAR = 365
_WATTS_PER_KILOWATT = 1000


@dataclass(frozen=True)
class Span:
    """A value with the interval carried through from the measurements."""

    value: float
    low: float
    high: float

    def times(self, factor: float) -> Span:
        """Return the span multiplied by a known factor; a negative one exchanges the ends."""
        ends = sorted((self.low * factor, self.high * factor))
        return Span(self.value * factor, *ends)

    def plus(self, amount: float) -> Span:
        """Return the span moved by a known amount."""
        return Span(self.value + amount, self.low + amount, self.high + amount)

    def change_from(self, other: Span) -> Span:
        """Return the change from another span to this one [%]; both hold together."""
        ends = ((self.value, other.value), (self.low, other.high), (self.high, other.low))
        return Span(*(100 * (one - base) / base for one, base in ends))

    def minus(self, other: Span) -> Span:
        """Return the difference; both hold together."""
        return Span(self.value - other.value, self.low - other.high, self.high - other.low)


def hours_of(costs: Costs) -> float:
    """Return the hours played over the years of the plan [h]."""
    return costs.hours_per_day * DAYS_PER_YEAR * costs.years


def _price_of_energy(costs: Costs) -> float:
    """Return the price of a kilowatt-hour; nan where the plan gives none."""
    return math.nan if costs.price_per_kwh is None else costs.price_per_kwh


def energy_kwh(power_w: Span, hours: float) -> Span:
    """Return the energy [kWh] that a power [W] takes in some hours [h]."""
    return power_w.times(hours / _WATTS_PER_KILOWATT)


def break_even_years(extra_price: float, saved_per_year: Span) -> Span:
    """Return after how many years a more expensive but more efficient card has saved its extra price.

    Parameters
    ----------
    extra_price : what the card costs more; known exactly, of any sign
    saved_per_year : what it saves in a year, in the same money; negative where it costs more to run

    Returns
    -------
    Span [years]: infinite where the saving never makes up for the price; an end is infinite where the
        interval of the saving holds zero

    Notes
    -----
    ``T = P / s`` with a known ``P``: the set of ``T`` that agree with the interval of ``s``, which is what
    Fieller's theorem gives for an exact numerator, so ``T`` is covered exactly as often as ``s``. With both
    negative it is the time after which a cheaper but thirstier card has lost its advantage.

    References
    ----------
    Fieller, E. C. (1954). Some problems in interval estimation. Journal of the Royal Statistical Society B
    16, 175-185.
    """
    sign = math.copysign(1.0, extra_price)
    saved = saved_per_year.times(sign)
    price, ends = abs(extra_price), (saved.value, saved.high, saved.low)
    if price == 0:
        return Span(0.0, 0.0, 0.0)
    return Span(*(price / one if one > 0 else math.inf for one in ends))


def value_for_money(performance_pct: Span, price: float, *, against_price: float) -> Span:
    """Return the change of performance per price [%].

    Parameters
    ----------
    performance_pct : change of performance [%]
    price, against_price : what the two cards cost; known exactly
    """
    share = against_price / price
    return Span(*(100 * ((1 + end / 100) * share - 1) for end in astuple(performance_pct)))


def plain_text(value: float) -> str:
    """Return hours or years without idle zeros: ``4``, ``2.5``."""
    text = number_text(value, decimals=2)
    return text.rstrip("0").rstrip(".")


#: Where the bill comes from, best first: the whole machine, else the card alone.
POWER_METRICS = ("wall_w", "board_w")

#: What is estimated, in the order of the page: `of` against `against`.
QUANTITIES = (
    "power", "energy", "running_cost", "heat", "total_cost", "break_even_time", "break_even_price",
    "value_for_money",
)  # fmt: skip

#: Inside the kit only: one row per pair, group and quantity; see `QUANTITIES`.
COSTS = Table(
    "costs", "pair, group and quantity", (*PAIR_KEY, "group", "quantity"),
    (
        *(Column(name, "text", name.replace("_", " ")) for name in PAIR_KEY),
        Column("group", "text", "settings of one kind"),
        Column("quantity", "text", "what is estimated", allowed=QUANTITIES),
        Column("metric", "text", "metric that it follows from"),
        Column("value", "number", "estimate, `of` against `against`, in `unit`; infinite: never"),
        Column("ci_low", "number", "lower end of its interval"),
        Column("ci_high", "number", "upper end of its interval"),
        Column("unit", "text", "unit"),
        Column("confidence", "number", "of the interval"),
        Column("of_value", "number", "level of `of`, where there is one"),
        Column("against_value", "number", "level of `against`, where there is one"),
        Column("n_games", "integer", "games that entered"),
        Column("reason", "text", "why there is no estimate, or what to know about the one given"),
    ),
)  # fmt: skip


def estimate_costs(comparisons: pd.DataFrame, overall: pd.DataFrame, plan: ReviewPlan) -> pd.DataFrame:
    """Estimate energy, heat and cost over the plan's years, and when a more expensive card pays for itself.

    Parameters
    ----------
    comparisons : DataFrame, one row per (pair, game, setting, metric); see ``tables.COMPARISONS``
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    plan : ReviewPlan, gives ``costs`` and the prices of the cards

    Returns
    -------
    DataFrame, one row per (pair, group, quantity); see `COSTS`. Empty where the plan gives no price of a
    kilowatt-hour or no power was compared. A quantity that cannot be estimated has a reason and no value.

    Notes
    -----
    The power difference is the mean over the games measured, every game counting once, for equal hours. Its
    interval is that of the overall result, carried to watts by the delta method (see
    `gpubench_kit.statistics.contrasts`): hours and prices are taken as known, so energy, heat, cost and total
    are its multiples, and the break-even time its exact transform. That covers as often as the interval of
    the power itself, and needs no simulation or random numbers.
    """
    if plan.costs.price_per_kwh is None:
        return COSTS.frame()
    power = [one for one in POWER_METRICS if (overall["metric"] == one).any()][:1]
    games: dict[tuple[str, ...], list[Any]] = {}
    for row in comparisons.itertuples(index=False):
        games.setdefault(_family(row), []).append(row)
    rows = overall[(overall["scope"] == "these_games") & overall["metric"].isin([*power, value_metric(plan)])]
    made = []
    for row in rows.itertuples():
        about = {name: getattr(row, name) for name in (*PAIR_KEY, "group", "metric", "confidence", "n_games")}
        made += [about | {"quantity": quantity} | found for quantity, found in _estimates(row, games, plan)]
    made.sort(key=lambda line: QUANTITIES.index(line["quantity"]))
    return COSTS.frame(made) if any(line["quantity"] == "power" for line in made) else COSTS.frame()


def value_metric(plan: ReviewPlan) -> str:
    """Return the metric that stands for performance: the primary one where it is a rate, else the frame rate.

    Parameters
    ----------
    plan : ReviewPlan
    """
    primary = METRICS[plan.analysis.primary]
    return primary.name if primary.better == "higher" and primary.scale == "ratio" else "avg_fps"


def price_of(card: str, plan: ReviewPlan) -> float | None:
    """Return the price of a card, or of a model; None where it is not given or its samples differ in it.

    Parameters
    ----------
    card : name of a card, or of a model with several samples
    plan : ReviewPlan
    """
    prices = {one.price for one in plan.cards if one.name in plan.cards_named(card)}
    return prices.pop() if len(prices) == 1 else None


def _family(row: Any) -> tuple[str, ...]:
    """Return what rows of one pair, group and metric share."""
    return (*(getattr(row, name) for name in PAIR_KEY), row.group, row.metric)


def _estimates(row: Any, games: dict[tuple[str, ...], list[Any]], plan: ReviewPlan) -> Iterator[tuple[str, dict]]:
    """Yield each quantity with its numbers, or with the reason for which it has none."""
    if row.metric not in POWER_METRICS:
        yield from _money_value(row, plan)
        return
    why = known_text(row, plan)
    entered = [game for game in games.get(_family(row), []) if has_entered(game, row)]
    if row.verdict == NO_VERDICT or not entered:
        yield "power", {"unit": "W", "reason": why or say("cost.no_game")}
        return
    power = games_in_unit(pd.DataFrame(entered), row)
    watts = Span(power.change, power.ci_low, power.ci_high)
    for quantity, (span, unit) in _running(watts, plan).items():
        sides = {"of_value": power.of_value, "against_value": power.against_value}
        alone = {name: Span(value, value, value) for name, value in sides.items()}
        levels = {name: _running(one, plan)[quantity][0].value for name, one in alone.items()}
        yield quantity, _numbers(span, unit) | levels | {"reason": why}
    for quantity, found in _against_price(row, power, plan):
        yield quantity, {"reason": why} | found


def _running(watts: Span, plan: ReviewPlan) -> dict[str, tuple[Span, str]]:
    """Return power, energy, cost and heat of a power difference."""
    costs, energy = plan.costs, energy_kwh(watts, hours_of(plan.costs))
    cost = energy.times(_price_of_energy(costs)), costs.currency
    heat = energy_kwh(watts, costs.hours_per_day), "kWh"
    return {"power": (watts, "W"), "energy": (energy, "kWh"), "running_cost": cost, "heat": heat}


def _against_price(row: Any, power: UnitChange, plan: ReviewPlan) -> Iterator[tuple[str, dict]]:
    """Yield what the price difference of two cards makes of the running cost."""
    if row.of_card == row.against_card:
        return
    costs = plan.costs
    extra, missing = extra_price(row, plan)
    if extra is None:
        yield "break_even_time", {"unit": "years", "reason": missing}
        return
    saved = energy_kwh(Span(power.change, power.ci_low, power.ci_high), costs.hours_per_day * DAYS_PER_YEAR)
    saved = saved.times(-_price_of_energy(costs))
    over_years = saved.times(costs.years)
    yield "total_cost", _numbers(over_years.times(-1).plus(extra), costs.currency)
    yield "break_even_time", _numbers(break_even_years(extra, saved), "years")
    yield "break_even_price", _numbers(over_years, costs.currency)


def _money_value(row: Any, plan: ReviewPlan) -> Iterator[tuple[str, dict]]:
    """Yield performance per price of two cards."""
    if row.of_card == row.against_card:
        return
    _, missing = extra_price(row, plan)
    price, against_price = price_of(row.of_card, plan), price_of(row.against_card, plan)
    if price is None or against_price is None or row.verdict == NO_VERDICT:
        yield "value_for_money", {"unit": "%", "reason": missing or known_text(row, plan)}
        return
    span = value_for_money(Span(row.change, row.ci_low, row.ci_high), price, against_price=against_price)
    yield "value_for_money", _numbers(span, "%") | {"reason": known_text(row, plan)}


def extra_price(row: Any, plan: ReviewPlan) -> tuple[float | None, str]:
    """Return what one card costs more than the other, or which prices are missing.

    Parameters
    ----------
    row : row with ``of_card`` and ``against_card``
    plan : ReviewPlan, gives the prices of the cards
    """
    price, against_price = price_of(row.of_card, plan), price_of(row.against_card, plan)
    if price is None or against_price is None:
        missing = [card for card in (row.of_card, row.against_card) if price_of(card, plan) is None]
        return None, say("cost.no_price", cards=names_text(dict.fromkeys(missing)))
    return price - against_price, ""


def _numbers(span: Span, unit: str) -> dict:
    """Return a span as columns."""
    return dict(zip(("value", "ci_low", "ci_high"), astuple(span), strict=True)) | {"unit": unit}


#: Shares of the plan's price of a kilowatt-hour that are looked at.
PRICE_SHARES = (0.5, 1.0, 2.0)

#: Hours a day that are looked at beside the plan's.
HOURS = (0.0, 1.0, 2.0, 4.0, 8.0)

#: Inside the kit only: the running cost over the plan's years for other hours and prices.
SENSITIVITY = Table(
    "sensitivity", "pair, group, hours and price", (*PAIR_KEY, "group", "hours_per_day", "price_per_kwh"),
    (
        *(Column(name, "text", name.replace("_", " ")) for name in PAIR_KEY),
        Column("group", "text", "settings of one kind"),
        Column("hours_per_day", "number", "hours played a day", "h"),
        Column("price_per_kwh", "number", "price of a kilowatt-hour, in the currency"),
        Column("value", "number", "running cost over the years, `of` against `against`, in the currency"),
        Column("ci_low", "number", "lower end of its interval"),
        Column("ci_high", "number", "upper end of its interval"),
    ),
)  # fmt: skip


def cost_sensitivity(costs: pd.DataFrame, plan: ReviewPlan) -> pd.DataFrame:
    """Return the running cost over the plan's years for other hours and other prices of energy.

    Parameters
    ----------
    costs : DataFrame, see `gpubench_kit.costs.COSTS`
    plan : ReviewPlan, gives ``costs``

    Returns
    -------
    DataFrame, see `SENSITIVITY`; nothing for pairs whose power could not be compared
    """
    power = costs[(costs["quantity"] == "power") & costs["value"].notna()]
    hours = sorted({*HOURS, plan.costs.hours_per_day})
    prices = [share * _price_of_energy(plan.costs) for share in PRICE_SHARES] if len(power) else []
    lines = []
    for row in power.itertuples():
        place = {name: getattr(row, name) for name in (*PAIR_KEY, "group")}
        watts = Span(row.value, row.ci_low, row.ci_high)
        for price, hour in ((price, hour) for price in prices for hour in hours):
            spent = energy_kwh(watts, hour * DAYS_PER_YEAR * plan.costs.years).times(price)
            lines.append(place | {"hours_per_day": hour, "price_per_kwh": price} | vars(spent))
    return SENSITIVITY.frame(lines)


#: What is told of two cards, in the order of the page.
PERFORMANCE, PER_WATT, PER_PRICE = RIVAL_QUANTITIES = ("performance", "per_watt", "per_price")

#: Metrics of performance per watt, best first: the second is its inverse.
_PER_WATT = ("frames_per_j", "energy_per_frame_j")

#: Inside the kit only: one row per pair of two cards, group, game (empty: over these games), setting and quantity.
AHEAD = Table(
    "ahead", "pair of two cards, group, game, setting and quantity",
    (*PAIR_KEY, "group", "game", "setting", "quantity"),
    (
        *(Column(name, "text", name.replace("_", " ")) for name in PAIR_KEY),
        Column("group", "text", "settings of one kind"),
        Column("game", "text", "what was played; empty for the result over these games"),
        Column("setting", "text", "resolution and quality"),
        Column("quantity", "text", "what is told", allowed=RIVAL_QUANTITIES),
        Column("metric", "text", "metric that it follows from"),
        Column("unit", "text", "unit of the change"),
        Column("scale", "text", "scale on which it was judged"),
        Column("change", "number", "how far `of` is ahead of `against`", "%"),
        Column("ci_low", "number", "lower end of its interval", "%"),
        Column("ci_high", "number", "upper end of its interval", "%"),
        Column("confidence", "number", "of the interval"),
        Column("margin", "number", "smallest difference that matters", "%"),
        Column("verdict", "text", "verdict on the metric; that of the performance where prices enter"),
        Column("n_games", "integer", "games that entered"),
        Column("reason", "text", "why there is no verdict, or what to know about the one given"),
    ),
)  # fmt: skip


def ahead_of_rival(comparisons: pd.DataFrame, overall: pd.DataFrame, plan: ReviewPlan) -> pd.DataFrame:
    """Return how far one card is ahead of another: in performance, per watt and per price.

    Parameters
    ----------
    comparisons : DataFrame, one row per (pair, game, setting, metric); see ``tables.COMPARISONS``
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    plan : ReviewPlan, gives the primary metric and the prices of the cards

    Returns
    -------
    DataFrame, see `AHEAD`; only pairs of two cards, and per price only where both prices are given

    Notes
    -----
    Performance per watt is frames per joule: the exact inverse of energy per frame, run by run, so its
    interval is that of the energy turned round. Prices are taken as known, so performance per price is a
    multiple of the performance.
    """
    rate = value_metric(plan)
    energy = next((one for one in _PER_WATT if (overall["metric"] == one).any()), "")
    games = overall[overall["scope"] == "these_games"].assign(game="", setting="")
    rows = [row for table in (games, comparisons) for row in table.itertuples() if row.of_card != row.against_card]
    made = [line for row in rows if row.metric in (rate, energy) for line in _rival_lines(row, plan, energy=energy)]
    made.sort(key=lambda line: RIVAL_QUANTITIES.index(line["quantity"]))
    return AHEAD.frame(made)


def _rival_lines(row: Any, plan: ReviewPlan, *, energy: str) -> Iterator[dict]:
    """Yield what follows from one row."""
    names = (*PAIR_KEY, "group", "game", "setting", "metric", "confidence", "margin", "verdict")
    start = {name: getattr(row, name) for name in names}
    start |= {"n_games": getattr(row, "n_games", 1), "reason": row.reason, "unit": "%", "scale": "ratio"}
    span = Span(row.change, row.ci_low, row.ci_high)
    if row.metric == energy:
        if energy == _PER_WATT[1]:
            ends = (span.value, span.high, span.low)
            span = Span(*(100 * (1 / (1 + one / 100) - 1) if one > -100 else math.nan for one in ends))
        yield start | {"quantity": PER_WATT} | _columns(span)
        return
    yield start | {"quantity": PERFORMANCE} | _columns(span)
    price, against_price = price_of(row.of_card, plan), price_of(row.against_card, plan)
    if price is not None and against_price is not None:
        money = value_for_money(span, price, against_price=against_price)
        yield start | {"quantity": PER_PRICE} | _columns(money)


def _columns(span: Span) -> dict[str, float]:
    """Return a span as columns."""
    return {"change": span.value, "ci_low": span.low, "ci_high": span.high}
