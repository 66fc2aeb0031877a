"""The section on energy, heat and cost: what it says, and that estimates are called so."""

from __future__ import annotations

import re

import pandas as pd
import pytest
from cost_cases import POWER, PRICES, RATE, cost_tables

from gpubench_kit.costs import estimate_costs
from gpubench_kit.page.efficiency import cost_lines, cost_sentences, cost_table
from gpubench_kit.page.results import Results

NEVER_BETTER = POWER | {"change": 20.0, "se": 0.5}


def section(*specs: dict, **case) -> str:
    """Return table and sentences on results over four games that are all alike."""
    plan, comparisons, overall = cost_tables(*specs, **case)
    costs, none = estimate_costs(comparisons, overall, plan), pd.DataFrame()
    results = Results(plan, none, none, none, none, comparisons, overall, costs=costs)
    return str(cost_table(results)) + str(cost_lines(results))


def text_of(*specs: dict, **case) -> str:
    """Return the section's text."""
    return re.sub(r"<svg.*?</svg>|<[^>]+>", "", section(*specs, **case), flags=re.DOTALL).replace("\u00a0", " ")


def sentences(*specs: dict, **case) -> list[str]:
    """Return the sentences on the one pair."""
    plan, comparisons, overall = cost_tables(*specs, **case)
    return cost_sentences(estimate_costs(comparisons, overall, plan), plan)


def test_every_sentence_is_called_an_estimate():
    made = sentences(POWER, RATE)
    assert len(made) == 6
    assert all(one.startswith("Estimate: ") for one in made)


def test_what_is_saved_and_when_it_makes_up_for_the_price_is_said():
    made = sentences(POWER)
    assert made[0] == (
        "Estimate: Larkmoor 4, factory puts about 60.0 W less heat into the room than Fernholt 3, factory "
        "while playing (240.0 W vs 300.0 W)."
    )
    assert made[1] == (
        "Estimate: over 5 years Larkmoor 4, factory costs about 101.84 EUR less to run than Fernholt 3, "
        "factory (82.63 EUR to 121.04 EUR)."
    )
    assert made[2] == (
        "Estimate: Larkmoor 4, factory makes up for its higher price after about 2.9 years (2.5 years to 3.6 "
        "years)."
    )


def test_a_break_even_that_never_comes_is_said():
    made = sentences(NEVER_BETTER)
    assert (
        "Estimate: the break-even never comes: Larkmoor 4, factory costs more to buy and does not save" in made[2]
    )


def test_a_saving_that_may_be_none_is_not_told_as_one():
    made = sentences(POWER | {"change": -1.0})
    assert "the running cost of Larkmoor 4, factory and Fernholt 3, factory cannot be told apart" in made[1]
    assert made[2].endswith("years to never).")


def test_price_and_running_cost_are_told_together():
    text = sentences(POWER)[4]
    assert (
        "price and running cost over 5 years together, Larkmoor 4, factory costs about 41.84 EUR less than" in text
    )
    even = sentences(POWER, prices=(661.84, 560.0))[4]
    assert "price and running cost over 5 years together cannot be told apart" in even


def test_cards_of_one_price_are_said_to_cost_the_same():
    assert sentences(POWER, prices=(600.0, 600.0))[2].endswith("cost the same to buy.")


def test_the_method_and_what_is_left_out_stand_on_the_page():
    text = text_of(POWER)
    assert "Estimates for 3 hours a day, 365 days a year, 5 years and 0.31 EUR per kWh." in text
    assert "what the power supply loses on the way comes on top" in text
    assert "Intervals are those of the measured power, carried through (delta method;" in text
    assert "after Fieller 1954): hours and prices are taken as known." in text
    assert "It is that of the whole machine." in text_of(POWER | {"metric": "wall_w"})


def test_a_missing_price_is_told():
    assert "Not estimated: No price is given for Fernholt 3." in text_of(POWER, RATE, prices=(620.0, None))


def test_different_power_points_are_told():
    text = text_of(POWER | {"withheld": "different_power_points"})
    assert "Not estimated: Power was measured at different points, or the point is not stated." in text


def test_an_assumption_is_told_once():
    text = text_of(POWER | {"cautions": "assumed_restart_spread"}, RATE)
    assert text.count("Rests on an assumed difference between installations") == 1


@pytest.mark.parametrize(("specs", "prices"), [((RATE,), PRICES), ((POWER,), {})], ids=["no power", "no price"])
def test_without_power_or_price_nothing_is_shown(specs, prices):
    assert section(*specs, costs=prices) == ""


def test_a_chart_shows_the_cost_by_hours_and_price():
    assert "<svg" in section(POWER)


def test_names_are_data():
    assert "<b>" not in section(POWER, sides={"of_tuning": "<b>"})
