"""Which pairs a plan compares, by default and on request."""

from __future__ import annotations

import pytest
from plans import rival_plan, small_plan

from gpubench_kit.model.errors import PlanError
from gpubench_kit.model.plan import Pair, ReviewPlan, Subject


def told(plan: ReviewPlan) -> list[str]:
    """Return the pairs of a plan as short texts."""
    return [f"{_side(pair.of)} > {_side(pair.against)}" for pair in plan.pairs()]


def _side(subject: Subject) -> str:
    """Return one side as a short text."""
    return "/".join(part for part in (subject.card, subject.tuning, subject.bench) if part)


THREE = [{"name": "factory", "reference": True}, {"name": "quiet"}, {"name": "brisk"}]


def test_every_tuning_is_compared_with_the_reference():
    assert told(small_plan(changes={"tunings": THREE})) == [
        "Larkmoor 4/quiet > Larkmoor 4/factory",
        "Larkmoor 4/brisk > Larkmoor 4/factory",
    ]


def test_with_a_rival_the_same_tunings_are_compared_across_cards():
    assert told(rival_plan()) == [
        "Larkmoor 4/quiet > Larkmoor 4/factory",
        "Fernholt 3/quiet > Fernholt 3/factory",
        "Larkmoor 4/factory > Fernholt 3/factory",
        "Larkmoor 4/quiet > Fernholt 3/quiet",
    ]


def test_a_tuning_of_one_card_is_not_compared_on_the_other():
    tunings = [{"name": "factory", "reference": True}, {"name": "quiet", "card": "Larkmoor 4"}]
    assert told(rival_plan({"tunings": tunings})) == [
        "Larkmoor 4/quiet > Larkmoor 4/factory",
        "Larkmoor 4/factory > Fernholt 3/factory",
    ]


def test_the_reviewed_card_is_judged_wherever_it_stands_in_the_plan():
    cards = [{"name": "Fernholt 3", "role": "rival"}, {"name": "Larkmoor 4"}]
    assert told(small_plan(changes={"cards": cards}))[-1] == "Larkmoor 4/quiet > Fernholt 3/quiet"


def test_each_bench_is_compared_by_itself():
    assert told(small_plan(changes={"benches": [{"name": "A"}, {"name": "B"}]})) == [
        "Larkmoor 4/quiet/A > Larkmoor 4/factory/A",
        "Larkmoor 4/quiet/B > Larkmoor 4/factory/B",
    ]


def test_samples_of_one_model_stand_for_the_model():
    cards = [{"name": "first", "model": "Larkmoor 4"}, {"name": "second", "model": "Larkmoor 4"}]
    plan = small_plan(changes={"cards": cards})
    assert told(plan) == ["Larkmoor 4/quiet > Larkmoor 4/factory"]
    assert plan.cards_named("Larkmoor 4") == ("first", "second")
    assert plan.cards_named("second") == ("second",)


def test_a_single_card_keeps_its_own_name():
    plan = small_plan(changes={"cards": [{"name": "first", "model": "Larkmoor 4"}]})
    assert told(plan) == ["first/quiet > first/factory"]
    assert plan.cards_named("Larkmoor 4") == ("first",)


def test_requested_comparisons_replace_the_default_ones():
    asked = [{"of": {"tuning": "brisk"}, "against": {"tuning": "quiet"}}]
    plan = small_plan(changes={"tunings": THREE, "comparisons": asked})
    assert told(plan) == ["Larkmoor 4/brisk > Larkmoor 4/quiet"]


ASKED = {
    "card left out: the reviewed one": (
        {"tuning": "quiet"},
        {"tuning": "factory"},
        "Larkmoor 4/quiet > Larkmoor 4/factory",
    ),
    "against as of": ({"tuning": "quiet"}, {"card": "Fernholt 3"}, "Larkmoor 4/quiet > Fernholt 3/quiet"),
    "tuning left out: the reference": (
        {"card": "Larkmoor 4"},
        {"card": "Fernholt 3"},
        "Larkmoor 4/factory > Fernholt 3/factory",
    ),
}


@pytest.mark.parametrize(("of", "against", "pair"), ASKED.values(), ids=ASKED.keys())
def test_what_a_comparison_leaves_out_is_filled_in(of, against, pair):
    assert told(rival_plan({"comparisons": [{"of": of, "against": against}]})) == [pair]


def test_a_card_is_told_by_the_tuning_that_it_alone_has():
    tunings = [{"name": "factory", "reference": True}, {"name": "tall", "card": "Fernholt 3"}]
    asked = [{"of": {"tuning": "tall"}, "against": {"tuning": "factory"}}]
    assert told(rival_plan({"tunings": tunings, "comparisons": asked})) == ["Fernholt 3/tall > Fernholt 3/factory"]


def test_a_tuning_of_another_card_is_refused():
    tunings = [{"name": "factory", "reference": True}, {"name": "tall", "card": "Fernholt 3"}]
    asked = [{"of": {"tuning": "tall", "card": "Larkmoor 4"}, "against": {"tuning": "factory"}}]
    with pytest.raises(PlanError, match=r"of: tuning 'tall' is of card 'Fernholt 3', not of 'Larkmoor 4'"):
        rival_plan({"tunings": tunings, "comparisons": asked})


def test_benches_are_compared_with_each_other_only_on_request():
    benches = [{"name": "driver A"}, {"name": "driver B"}]
    asked = [{"of": {"bench": "driver B"}, "against": {"bench": "driver A"}}]
    plan = small_plan(changes={"benches": benches, "comparisons": asked})
    assert plan.pairs() == (
        Pair(Subject("Larkmoor 4", "factory", "driver B"), Subject("Larkmoor 4", "factory", "driver A")),
    )


def test_a_comparison_without_bench_is_made_on_every_bench():
    asked = [{"of": {"tuning": "quiet"}, "against": {"tuning": "factory"}}]
    plan = small_plan(changes={"benches": [{"name": "A"}, {"name": "B"}], "comparisons": asked})
    assert [pair.of.bench for pair in plan.pairs()] == ["A", "B"]


def test_a_claim_speaks_of_the_pair_that_is_compared():
    claim = {"id": "c", "text": "t", "metric": "avg_fps", "says": "better",
             "of": {"tuning": "quiet"}, "against": {"tuning": "factory"}}  # fmt: skip
    plan = small_plan(changes={"claims": [claim]})
    assert plan.pairs_of(plan.claims[0]) == plan.pairs()


def test_a_claim_about_a_group_that_no_setting_has_is_refused():
    claim = {"id": "c", "text": "t", "metric": "avg_fps", "says": "better", "group": "2160p",
             "of": {"tuning": "quiet"}, "against": {"tuning": "factory"}}  # fmt: skip
    with pytest.raises(PlanError, match=r"group '2160p' is not in the plan \(groups: 'all'\)"):
        small_plan(changes={"claims": [claim]})
