"""Energy, heat, money and break-even, worked by hand.

The rival takes 300 W and our card 20 % less: 240 W, so 60 W less. Three hours a day for five years are
3 x 365 x 5 = 5,475 h and 328.5 kWh, at 0.31 EUR each 101.835 EUR. Our card costs 60 EUR more: made up for
after 60 / (101.835 / 5) = 2.9459 years.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from cost_cases import POWER, PRICES, RATE, RIVAL, cards, cost_tables
from hypothesis import given
from hypothesis import strategies as st
from judged_results import claim_plan, game_rows, overall_rows

from gpubench_kit.costs import (
    COSTS,
    Span,
    break_even_years,
    cost_sensitivity,
    estimate_costs,
    plain_text,
    price_of,
    value_for_money,
    value_metric,
)
from gpubench_kit.model.errors import PlanError
from gpubench_kit.model.table_checks import check_table


def estimated(*specs: dict, **case) -> pd.DataFrame:
    """Return the estimates of results over four games that are all alike, by quantity."""
    plan, comparisons, overall = cost_tables(*specs, **case)
    table = estimate_costs(comparisons, overall, plan)
    check_table(table, COSTS)
    return table.set_index("quantity")


def test_watts_become_energy_money_and_heat():
    found = estimated(POWER)["value"]
    assert found["power"] == pytest.approx(-60)
    assert found["energy"] == pytest.approx(-328.5)
    assert found["running_cost"] == pytest.approx(-101.835)
    assert found["heat"] == pytest.approx(-0.18)


def test_both_sides_have_their_levels():
    found = estimated(POWER)
    assert found.loc["power", ["of_value", "against_value"]].tolist() == pytest.approx([240, 300])
    assert found.loc["running_cost", ["of_value", "against_value"]].tolist() == pytest.approx([407.34, 509.175])


def test_the_interval_of_the_power_is_carried_through():
    found = estimated(POWER)
    # sqrt((300^2 + 240^2)/2) = 271.662 W for a log change of 1; 2.77645 standard errors of 1.5 log-percent.
    half = 271.662 * 2.776445 * 0.015
    assert found.loc["power", ["ci_low", "ci_high"]].tolist() == pytest.approx([-60 - half, -60 + half], rel=1e-5)
    per_watt = 5.475 * 0.31
    ends = [per_watt * (-60 - half), per_watt * (-60 + half)]
    assert found.loc["running_cost", ["ci_low", "ci_high"]].tolist() == pytest.approx(ends, rel=1e-5)


def test_a_dearer_card_that_saves_is_made_up_for():
    found = estimated(POWER)
    cost = found.loc["running_cost"]
    years = found.loc["break_even_time"]
    assert years["value"] == pytest.approx(60 / (101.835 / 5))
    assert years[["ci_low", "ci_high"]].tolist() == pytest.approx([300 / -cost["ci_low"], 300 / -cost["ci_high"]])
    assert found.loc["total_cost", "value"] == pytest.approx(60 - 101.835)
    assert found.loc["break_even_price", "value"] == pytest.approx(101.835)


def test_a_dearer_card_that_takes_more_power_never_breaks_even():
    found = estimated(POWER | {"change": 20.0, "se": 0.5}).loc["break_even_time"]
    assert found[["value", "ci_low", "ci_high"]].tolist() == [math.inf] * 3


def test_a_saving_that_may_be_none_may_never_break_even():
    found = estimated(POWER | {"change": -1.0}).loc["break_even_time"]
    assert math.isfinite(found["value"])
    assert found["ci_low"] < found["value"]
    assert found["ci_high"] == math.inf


def test_a_cheaper_card_that_takes_more_power_loses_its_advantage_after_a_time():
    found = estimated(POWER | {"change": 25.0, "se": 0.5}, against_value=240.0, prices=(560.0, 620.0))
    assert found.loc["break_even_time", "value"] == pytest.approx(2.9459, rel=1e-4)


def test_a_cheaper_card_that_takes_less_power_is_never_overtaken():
    assert estimated(POWER, prices=(560.0, 620.0)).loc["break_even_time", "value"] == math.inf


def test_cards_of_one_price_are_even_from_the_start():
    found = estimated(POWER, prices=(600.0, 600.0)).loc["break_even_time"]
    assert found[["value", "ci_low", "ci_high"]].tolist() == [0, 0, 0]


def test_performance_is_divided_by_the_price():
    found = estimated(POWER, RATE).loc["value_for_money"]
    assert found["value"] == pytest.approx(100 * (1.08 * 560 / 620 - 1))
    assert found["ci_low"] < found["value"] < found["ci_high"]
    assert (1 + found["ci_low"] / 100) * 620 / 560 == pytest.approx(1.08 * np.exp(-2.776445 * 0.005), rel=1e-6)


def test_one_card_has_no_price_difference():
    tuned = {"of_tuning": "quiet"}
    found = estimated(POWER, RATE, sides=tuned)
    assert set(found.index) == {"power", "energy", "running_cost", "heat"}


@pytest.mark.parametrize(("prices", "named"), [((None, 560.0), "Larkmoor 4"), ((620.0, None), "Fernholt 3"),
                                               ((None, None), "Larkmoor 4 and Fernholt 3")])  # fmt: skip
def test_a_missing_price_is_named(prices, named):
    found = estimated(POWER, RATE, prices=prices)
    for quantity in ("break_even_time", "value_for_money"):
        assert found.loc[quantity, "reason"] == f"No price is given for {named}."
        assert np.isnan(found.loc[quantity, "value"])
    assert found.loc["running_cost", "value"] == pytest.approx(-101.835)


def test_a_price_in_another_currency_is_refused():
    mixed = cards(620.0, None)
    mixed[1]["price"] = "560 CHF"
    with pytest.raises(
        PlanError, match=r"price: '560 CHF' was found; a number is expected.*in the currency of \[costs\]"
    ):
        claim_plan(cards=mixed, costs=PRICES)


def test_different_power_points_give_a_reason_and_no_number():
    found = estimated(POWER | {"withheld": "different_power_points"}, RATE)
    assert found.loc["power", "reason"] == "Power was measured at different points, or the point is not stated."
    assert np.isnan(found.loc["power", "value"])
    assert "break_even_time" not in found.index


def test_a_rate_without_a_verdict_has_no_value_for_money():
    found = estimated(POWER, RATE | {"withheld": "held_by_cap"}).loc["value_for_money"]
    assert np.isnan(found["value"])
    assert found["reason"].startswith("Frame-capped")


def test_an_assumption_stands_beside_every_estimate():
    found = estimated(POWER | {"cautions": "assumed_restart_spread"}, RATE)
    resting = found.loc[["power", "running_cost", "break_even_time", "total_cost"], "reason"]
    assert set(resting) == {"Rests on an assumed difference between installations, which the plan states."}


def test_a_result_of_games_that_are_not_in_the_table_gives_no_number():
    plan = claim_plan(cards=cards(620.0, 560.0), costs=PRICES)
    games = game_rows(plan, POWER | RIVAL).iloc[:0]
    found = estimate_costs(games, overall_rows(plan, POWER | RIVAL), plan)
    assert found["reason"].tolist() == ["No game could be compared."]


def test_without_a_price_of_energy_or_without_power_there_are_no_estimates():
    assert len(estimated(POWER, costs={})) == 0
    assert len(estimated(RATE)) == 0


def test_power_at_the_wall_comes_before_that_of_the_card():
    wall = POWER | {"metric": "wall_w", "change": -15.0}
    found = estimated(POWER, wall)
    assert found.loc["power", "metric"] == "wall_w"
    assert found.loc["power", "value"] == pytest.approx(-45)


def test_costs_of_no_hours_are_none_and_never_make_up_for_a_price():
    found = estimated(POWER, costs=PRICES | {"hours_per_day": 0.0})
    assert found.loc["running_cost", "value"] == 0
    assert found.loc["break_even_time", "value"] == math.inf


def test_the_price_of_a_model_is_that_of_its_samples_if_they_agree():
    samples = [{"name": name, "model": "Larkmoor 4", "price": 620.0} for name in "ab"]
    assert price_of("Larkmoor 4", claim_plan(cards=samples)) == 620
    samples[1]["price"] = 600.0
    assert price_of("Larkmoor 4", claim_plan(cards=samples)) is None


def test_performance_is_the_primary_metric_where_that_is_a_rate():
    assert value_metric(claim_plan(analysis={"primary": "low_1pct_fps"})) == "low_1pct_fps"
    assert value_metric(claim_plan(analysis={"primary": "board_w"})) == "avg_fps"


def test_other_hours_and_prices_multiply_the_cost():
    plan = claim_plan(cards=cards(620.0, 560.0), costs=PRICES)
    table = cost_sensitivity(estimated(POWER).reset_index(), plan)
    assert len(table) == 3 * 6
    found = table.set_index(["hours_per_day", "price_per_kwh"])["value"]
    assert found[3.0, 0.31] == pytest.approx(-101.835)
    assert found[8.0, 0.62] == pytest.approx(-101.835 * 2 * 8 / 3)
    assert (found.loc[0.0] == 0).all()


def test_nothing_is_looked_at_where_no_power_could_be_compared():
    plan = claim_plan(cards=cards(620.0, 560.0), costs=PRICES)
    withheld = estimated(POWER | {"withheld": "different_power_points"}).reset_index()
    assert len(cost_sensitivity(withheld, plan)) == 0
    assert len(cost_sensitivity(pd.DataFrame(withheld.iloc[:0]), claim_plan())) == 0


SAVINGS = st.tuples(*[st.floats(-200, 200)] * 3).map(sorted)


@given(savings=SAVINGS, price=st.floats(-500, 500))
def test_the_break_even_time_is_inside_its_interval(savings, price):
    low, value, high = savings
    found = break_even_years(price, Span(value, low, high))
    assert found.low <= found.value <= found.high
    assert found.low >= 0


@given(savings=SAVINGS, price=st.floats(1, 500))
def test_swapping_two_cards_leaves_the_break_even_time(savings, price):
    low, value, high = savings
    one = break_even_years(price, Span(value, low, high))
    other = break_even_years(-price, Span(-value, -high, -low))
    assert (one.value, one.low, one.high) == (other.value, other.low, other.high)


def test_a_span_keeps_its_ends_in_order():
    assert Span(2.0, 1.0, 4.0).times(-2.0) == Span(-4.0, -8.0, -2.0)
    found = value_for_money(Span(0.0, -10.0, 10.0), 200.0, against_price=100.0)
    assert (found.value, found.low, found.high) == pytest.approx((-50, -55, -45))


@pytest.mark.parametrize(("value", "text"), [(4.0, "4"), (2.5, "2.5"), (10.0, "10"), (0.0, "0")])
def test_hours_have_no_idle_zeros(value, text):
    assert plain_text(value) == text
