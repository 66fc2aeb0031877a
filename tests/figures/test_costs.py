"""The running cost against hours played."""

from __future__ import annotations

import pytest
from cost_cases import POWER, PRICES, RIVAL, cost_tables
from matplotlib.patches import Polygon

from gpubench_kit.costs.estimates import cost_sensitivity, estimate_costs
from gpubench_kit.figures.costs import draw_cost_sensitivity
from gpubench_kit.figures.style import picture_look

PAIR = ("Larkmoor 4", "factory", "", "Tern Ridge 70", "factory", "")


def drawn(spec: dict, *, extra_price: float = 60.0, sides=RIVAL, pair=PAIR, costs=PRICES):
    """Return the chart of one result."""
    plan, comparisons, overall = cost_tables(spec, sides=sides, costs=costs)
    table = cost_sensitivity(estimate_costs(comparisons, overall, plan), plan)
    return draw_cost_sensitivity(table, plan, pair=pair, extra_price=extra_price)


def texts_of(chart) -> list[str]:
    """Return the texts on the picture."""
    figure = chart.drawing(picture_look())
    return [child.get_text() for child in figure.get_children() if hasattr(child, "get_text")]


@pytest.mark.parametrize("change", [-60.0, -20.0, -0.2, 0.0, 0.5, 25.0])
@pytest.mark.parametrize("extra_price", [0.0, 60.0, -900.0])
def test_every_text_is_legible(assert_legible, change, extra_price):
    assert_legible(drawn(POWER | {"change": change}, extra_price=extra_price))


def test_long_names_stay_legible(assert_legible):
    sides = {"of_tuning": "quiet " * 20, "against_tuning": "factory"}
    pair = ("Larkmoor 4", "quiet " * 20, "", "Larkmoor 4", "factory", "")
    assert_legible(drawn(POWER, sides=sides, pair=pair))


def test_prices_and_the_price_gap_are_named_beside_their_lines():
    texts = texts_of(drawn(POWER))
    assert {"0.155 EUR/kWh", "0.310 EUR/kWh", "0.620 EUR/kWh", "60.00 EUR price gap"} <= set(texts)
    assert not any("price gap" in text for text in texts_of(drawn(POWER, extra_price=0.0)))


def test_it_says_that_it_is_an_estimate_and_what_it_comes_to():
    chart = drawn(POWER)
    assert chart.caption.startswith("Estimate: running cost over 5 years")
    assert chart.alternative_text.endswith(
        "for 3 hours a day: −50.92 EUR at 0.155 EUR/kWh; −101.84 EUR at 0.310 EUR/kWh; −203.67 EUR at 0.620 "
        "EUR/kWh."
    )


def test_the_interval_is_shaded_at_the_price_in_the_plan_only():
    figure = drawn(POWER).drawing(picture_look())
    assert sum(isinstance(child, Polygon) for child in figure.get_children()) == 1


def test_a_pair_without_power_has_no_chart():
    assert drawn(POWER | {"withheld": "different_power_points"}) is None
