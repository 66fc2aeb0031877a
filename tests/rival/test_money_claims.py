"""Claims about money, watts, sound and degrees between two cards, through the tables of a whole review."""

from __future__ import annotations

import pytest
from made_rivals import OURS, RIVAL, RivalReview, measure
from signed_claims import in_plan_words

from gpubench_kit.claims.check import check_claims
from gpubench_kit.model.errors import PlanError
from gpubench_kit.model.plan import ReviewPlan

OF, AGAINST = {"card": OURS, "tuning": "factory"}, {"card": RIVAL, "tuning": "factory"}


def claim(metric: str, says: str, **more) -> dict:
    """Return a claim of the factory states against each other."""
    return {"id": "c", "text": "A sentence.", "metric": metric, "of": OF, "against": AGAINST, "says": says} | more


def _stated(metric: str, **amounts) -> dict:
    """Return a claim with amounts as a plan states them."""
    return {key: value for key, value in claim(metric, "").items() if key != "says"} | amounts


def judged(review, *claims: dict):
    """Return the rows of claims held against a review's results."""
    named = [in_plan_words(one) | {"id": f"c{place}"} for place, one in enumerate(claims)]
    plan = ReviewPlan.from_dict(RivalReview().mapping | _analysis(review) | {"claims": named})
    return list(check_claims(review.comparisons, review.overall, plan).itertuples())


def _analysis(review) -> dict:
    """Return the section of the review's own plan."""
    spread = dict(review.plan.analysis.restart_spread)
    usual = RivalReview().mapping["analysis"]
    return {"analysis": usual | ({"restart_spread": spread} if spread else {})}


# The truth: about 60 W, 102 EUR in five years, 2.9 years for 60 EUR, 18 % more performance for the price.
CASES = [
    ("board_w", "at_most", {"by": -45.0}, "supported"),
    ("board_w", "at_most", {"by": -75.0}, "contradicted"),
    ("board_w", "at_least", {"by_pct": -25.0}, "supported"),
    ("sound_dba", "at_most", {"by": -1.0}, "supported"),
    ("sound_dba", "at_most", {"by": -6.0}, "contradicted"),
    ("core_c", "at_most", {"by": -3.0}, "supported"),
    ("core_c", "at_least", {"by": -2.0}, "contradicted"),
    ("energy_per_frame_j", "at_most", {"by_pct": -30.0}, "supported"),
    ("running_cost", "at_most", {"by": -90.0}, "supported"),
    ("running_cost", "at_most", {"by": -150.0}, "contradicted"),
    ("running_cost", "at_most", {"by": -102.0}, "not_shown"),
    ("running_cost", "better", {}, "supported"),
    ("running_cost", "worse", {}, "contradicted"),
    ("total_cost", "at_most", {"by": -30.0}, "supported"),
    ("break_even_time", "at_most", {"by": 4.0}, "supported"),
    ("break_even_time", "at_most", {"by": 1.0}, "contradicted"),
    ("value_for_money", "at_least", {"by_pct": 15.0}, "supported"),
    ("value_for_money", "at_least", {"by_pct": 25.0}, "contradicted"),
    ("value_for_money", "better", {}, "supported"),
]


@pytest.mark.parametrize(("metric", "says", "amount", "outcome"), CASES)
def test_amounts_in_every_unit_are_held_against_the_data(rival, metric, says, amount, outcome):
    (row,) = judged(rival("in turns"), claim(metric, says, **amount))
    assert row.verdict == outcome, row.evidence


def test_a_claim_about_money_names_the_estimate_and_what_is_taken_as_known(rival):
    (row,) = judged(rival("in turns"), claim("running_cost", "at_most", by=-90.0))
    assert row.by == "90.00 EUR"
    assert row.evidence.startswith("Estimate over 6 games: −10")
    assert row.evidence.endswith("Hours and prices are taken as known.")
    assert row.suggested_text.startswith(
        "Estimate, running cost over 5 years, our Larkmoor 4 against our Fernholt 3"
    )


def test_a_claim_from_the_rivals_side_is_the_mirror_image(rival):
    turned = {"of": AGAINST, "against": OF}
    found = judged(
        rival("in turns"),
        claim("running_cost", "at_least", by=90.0, **turned),
        claim("value_for_money", "worse", **turned),
        claim("break_even_time", "at_most", by=4.0, **turned),
    )
    assert [row.verdict for row in found] == ["supported"] * 3


def test_an_assumed_spread_stands_beside_a_claim_about_money(rival):
    found = judged(
        rival("once"), claim("running_cost", "at_most", by=-60.0), claim("value_for_money", "at_least", by_pct=5.0)
    )
    for row in found:
        assert row.verdict == "supported"
        assert "Assuming that installations vary by 1 %; installed once." in row.evidence
        assert "Assuming that installations vary by 1 %; installed once." in row.suggested_text


def test_a_saving_that_does_not_come_supports_no_break_even(tmp_path):
    review = measure(RivalReview(watts={"A": 1.1}, games=("Low Tide Racers", "Salt Orchard")).write(tmp_path / "r"))
    found = judged(review, claim("break_even_time", "at_most", by=10.0), claim("running_cost", "better"))
    assert [row.verdict for row in found] == ["contradicted", "contradicted"]
    assert "never" in found[0].suggested_text


def test_what_was_not_estimated_is_not_shown(rival):
    (row,) = judged(rival("confounded"), claim("running_cost", "at_most", by=-10.0))
    assert row.verdict == "not_shown"
    assert row.suggested_text.startswith("Nothing of it: ")


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (_stated("running_cost"), "neither was found; one of says and an amount"),
        (_stated("running_cost", saves_at_least="3 %"), "is estimated in money"),
        (_stated("value_for_money", gains_at_least=3.0), "is estimated in percent"),
        (_stated("value_for_money", saves_at_least="3 %"), 'Write gains_at_least = "3 %"'),
        (_stated("break_even_time", saves_at_least=3.0), "Write costs_at_most = 3, in years"),
        (claim("running_cost", "no_loss"), "is not held against 'running_cost', which is an estimate"),
        (claim("break_even_time", "better"), "is not held against 'break_even_time'"),
        (claim("running_cost", "better", over="every_game"), "estimated over the games measured"),
        (claim("runing_cost", "better"), "is not a metric"),
    ],
)
def test_a_claim_about_money_that_says_nothing_is_refused(given, message):
    with pytest.raises(PlanError, match=message):
        ReviewPlan.from_dict(RivalReview().mapping | {"claims": [given]})


def test_a_claim_about_cost_needs_a_price_of_energy():
    with pytest.raises(PlanError, match="follows from the price of a kilowatt-hour"):
        ReviewPlan.from_dict(
            RivalReview().mapping | {"claims": [claim("running_cost", "better")], "costs": {"currency": "EUR"}}
        )
