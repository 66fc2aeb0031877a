"""Which tunings are steps of the ladder, and in which order they are tested."""

import pytest
from made_sweeps import sweep_plan

from gpubench_kit.model.errors import DesignError, PlanError
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.comparisons import Ladder, change_words, ladder_of, offset_text


def plan_of(*tunings, ladder: str = "", **more) -> ReviewPlan:
    """Return a plan with a factory state and the tunings given as (name, changes)."""
    made = [{"name": name, "changes": changes} for name, changes in tunings]
    return sweep_plan(
        changes={
            "tunings": [{"name": "factory", "reference": True}, *made],
            "sweep": {"ladder": ladder} if ladder else {},
            **more,
        }
    )


def test_steps_are_tested_from_the_factory_state_downward():
    line = ladder_of(sweep_plan((-20, -5, -10))).lines[0]
    assert [one.at for one in line.sequence] == [-5, -10, -20]
    assert [one.at for one in line.settings] == [-20, -10, -5]


def test_the_side_with_more_steps_is_tested_and_the_other_only_shown():
    plan = plan_of(*((f"memory {one}", {"memory_mhz": one}) for one in (-100, 200, 400)), ladder="memory_mhz")
    line = ladder_of(plan).lines[0]
    assert [one.at for one in line.sequence] == [200, 400]
    assert len(line.settings) == 3


def test_a_second_change_makes_a_line_of_its_own():
    low = {"voltage_mv": -60}
    plan = plan_of(
        ("a", {"power_limit_pct": -10}),
        ("b", {"power_limit_pct": -10, **low}),
        ("c", low),
        ladder="power_limit_pct",
    )
    lines = ladder_of(plan).lines
    assert [line.name for line in lines] == ["", "voltage −60 mV"]
    assert [one.tuning for one in lines[1].sequence] == ["c", "b"]
    assert [line.has_factory for line in lines] == [True, False]


def test_tunings_beside_the_ladder_are_left_out_and_named():
    plan = plan_of(("a", {"power_limit_pct": -10}), ("brisk", {"memory_mhz": 400}), ladder="power_limit_pct")
    assert ladder_of(plan).left_out == ("brisk",)


def test_the_only_change_is_taken_for_the_ladder_and_that_is_told():
    ladder = ladder_of(plan_of(("a", {"power_limit_pct": -10}), ("b", {"power_limit_pct": -20})))
    assert (ladder.change, ladder.is_stated) == ("power_limit_pct", False)


def test_no_ladder_and_several_changes_is_a_fault_that_names_them():
    plan = plan_of(("a", {"power_limit_pct": -10}), ("b", {"voltage_mv": -60}))
    with pytest.raises(PlanError, match=r"no ladder is named, and tunings change 'power_limit_pct', 'voltage_mv'"):
        ladder_of(plan)


def test_a_plan_without_changes_has_no_ladder():
    with pytest.raises(PlanError, match=r"no tuning changes anything\. Say which change is stepped"):
        ladder_of(plan_of(("quiet", {})))


def test_a_ladder_that_no_tuning_changes_is_a_fault_of_the_plan():
    with pytest.raises(PlanError, match=r"sweep.*changed by no tuning"):
        plan_of(("a", {"power_limit_pct": -10}), ladder="voltage_mv")


def test_two_tunings_that_are_one_setting_are_a_fault():
    plan = plan_of(("a", {"power_limit_pct": -10}), ("b", {"power_limit_pct": -10}), ladder="power_limit_pct")
    with pytest.raises(PlanError, match="'a' and 'b' make the same changes"):
        ladder_of(plan)


def test_a_tuning_that_steps_by_nothing_is_the_factory_state_again():
    plan = plan_of(("same", {"power_limit_pct": 0}), ("b", {"power_limit_pct": -10}), ladder="power_limit_pct")
    with pytest.raises(PlanError, match="'factory' and 'same' make the same changes"):
        ladder_of(plan)


def test_a_ladder_of_held_points_alone_has_no_step():
    tunings = [
        {"name": "factory", "reference": True},
        {"name": "held", "changes": {"power_limit_pct": -10}, "held_at": {"core_mv": 925}},
    ]
    plan = sweep_plan(changes={"tunings": tunings})
    with pytest.raises(DesignError, match="no setting of 'power_limit_pct' stands beside the factory state"):
        ladder_of(plan)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("power_limit_pct", ("power limit", "%")),
        ("voltage_mv", ("voltage", "mV")),
        ("memory_mhz", ("memory", "MHz")),
        ("fan_curve", ("fan curve", "")),
    ],
)
def test_a_change_is_told_in_words_with_its_unit(change, words):
    assert change_words(change) == words


def test_offsets_carry_a_true_minus_and_their_unit():
    assert [offset_text("power_limit_pct", one) for one in (-12.5, 0, 5)] == ["−12.5 %", "0 %", "+5 %"]


@pytest.mark.parametrize(
    ("change", "at", "raises", "lowers"),
    [
        ("power_limit_pct", -10, False, True),
        ("power_limit_pct", 10, True, False),
        ("voltage_mv", 30, True, False),
        ("core_mv", -30, False, True),
        ("memory_mhz", 250, True, False),
        ("memory_mhz", -250, False, False),
        ("fan_rpm", 300, False, False),
        ("limit_w", -20, False, True),
    ],
)
def test_a_step_raises_or_lowers_the_load_by_what_it_changes(change, at, raises, lowers):
    ladder = Ladder(change, True, "factory", (), ())
    assert (ladder.raises_load(at), ladder.lowers_load(at)) == (raises, lowers)
