"""How the running cost depends on what nobody knows for another reader: hours played and the price of energy."""

from __future__ import annotations

import pandas as pd

from gpubench_kit.costs.formulas import DAYS_PER_YEAR, Span, energy_kwh
from gpubench_kit.model.tables import PAIR_KEY, Column, Table

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


def cost_sensitivity(costs: pd.DataFrame, plan) -> pd.DataFrame:
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
    prices = [share * plan.costs.price_per_kwh for share in PRICE_SHARES] if len(power) else []
    lines = []
    for row in power.itertuples():
        place = {name: getattr(row, name) for name in (*PAIR_KEY, "group")}
        watts = Span(row.value, row.ci_low, row.ci_high)
        for price, hour in ((price, hour) for price in prices for hour in hours):
            spent = energy_kwh(watts, hour * DAYS_PER_YEAR * plan.costs.years).times(price)
            lines.append(place | {"hours_per_day": hour, "price_per_kwh": price} | vars(spent))
    return SENSITIVITY.frame(lines)
