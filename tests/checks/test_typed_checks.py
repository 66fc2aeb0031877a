"""Typed numbers that repeat to the last digit."""

import numpy as np
import pytest

from gpubench_kit.checks.run_checks import chance_of_equal

GAME = "Salt Orchard"
VARIED = (59.1, 60.7, 58.2, 60.2)


def _type(small, tuning, values, *, game=GAME, metric="avg_fps", step=0.1):
    """Type values for the runs of one tuning in one game; runs without one are not recorded."""
    own = small.runs[(small.runs["game"] == game) & (small.runs["tuning"] == tuning)]["run"]
    for run, value in zip(own, values, strict=False):
        small.put(run, metric, value)
        small.metrics.loc[(small.metrics["run"] == run) & (small.metrics["metric"] == metric), "step"] = step
    for run in own[len(values) :]:
        small.spoil(run, is_recorded=False)


def test_typed_values_all_equal_on_one_side_point_at_a_cap_or_a_copy(small):
    _type(small, "quiet", [60.0] * 4)
    _type(small, "factory", VARIED)
    (finding,) = small.find("typed_values_equal")
    assert (finding.severity, finding.check, finding.run) == ("note", "typed_values_equal", "")
    assert finding.message == (
        "'Salt Orchard': 4 typed runs of 'quiet' on 'Larkmoor 4' have the same average frame rate to the last "
        "digit while the other runs of the game vary, which points at a frame cap or at one number copied "
        "(60.0 fps)."
    )
    assert "frame_limit_fps" in finding.action


def test_the_level_is_not_told_before_the_first_look(small):
    _type(small, "quiet", [60.0] * 4)
    _type(small, "factory", VARIED)
    (blind,) = small.find("typed_values_equal", is_blind=True)
    assert blind.message.endswith("at one number copied.")
    assert blind.found is None


@pytest.mark.parametrize(
    ("quiet", "factory", "step"),
    [
        ([60.0] * 4, [60.0] * 4, 0.1),
        ([60.0, 60.0, 60.0, 60.1], VARIED, 0.1),
        ([60.0] * 2, VARIED, 0.1),
        ([60.0] * 4, [60.0, 61.0, 60.0, 60.0], 1.0),
        ([60.0] * 4, [60.5], 0.1),
    ],
    ids=["both sides equal", "one differs", "two runs", "whole numbers as coarse as the noise", "one other run"],
)
def test_equal_values_that_chance_or_the_verdict_explains_are_not_told(small, quiet, factory, step):
    _type(small, "quiet", quiet, step=step)
    _type(small, "factory", factory, step=step)
    assert small.find("typed_values_equal") == []


def test_equal_values_of_logs_or_sensors_or_under_a_declared_limit_are_not_told(small):
    _type(small, "factory", VARIED)
    _type(small, "quiet", [60.0] * 4, step=0.0)
    _type(small, "quiet", [250.0] * 4, metric="board_w", step=0.1)
    assert small.find("typed_values_equal") == []
    _type(small, "quiet", [60.0] * 4)
    assert len(small.find("typed_values_equal")) == 1
    for run in small.runs.loc[small.runs["game"] == GAME, "run"]:
        small.spoil(run, frame_limit_fps=60.0)
    assert small.find("typed_values_equal") == []


def test_the_other_side_may_be_another_card(small):
    _type(small, "quiet", [60.0] * 4)
    small.runs.loc[small.runs["tuning"] == "factory", "card"] = "Fernholt 3"
    _type(small, "factory", VARIED)
    assert [one.check for one in small.find("typed_values_equal")] == ["typed_values_equal"]


def test_the_chance_of_equal_values_is_that_of_a_small_step():
    # step / (sd sqrt(2 pi)) = 0.1 / (0.6 * 2.50663) = 0.0664904; its square over sqrt(3).
    assert chance_of_equal(3, 0.1, sd=0.6) == pytest.approx(0.00255244, rel=1e-5)
    assert chance_of_equal(2, 0.1, sd=0.6) == pytest.approx(0.0470158, rel=1e-5)
    assert (
        chance_of_equal(4, 0.1, sd=0.0) == chance_of_equal(4, 0.1, sd=np.nan) == chance_of_equal(1, 0.1, sd=1) == 1
    )
    drawn = np.round(np.random.default_rng(4).normal(60.0, 0.6, (200_000, 3)), 1)
    assert np.mean(np.ptp(drawn, axis=1) == 0) == pytest.approx(0.00255, rel=0.15)


@pytest.mark.parametrize(("step", "is_coarse"), [(1.0, True), (0.5, False), (0.1, False)])
def test_values_typed_wider_than_half_the_margin_ask_for_a_decimal_more(small, step, is_coarse):
    # The margin is 2 %: half of it is 0.6 fps of 60.
    _type(small, "quiet", [60.0, 61.0, 60.0, 59.0], step=step)
    small.metrics["source"] = "typed"
    found = list(small.find("typed_coarsely"))
    assert [one.check for one in found] == ["typed_coarsely"] * is_coarse
    if found:
        assert found[0].action == "Type one decimal more."
        assert found[0].message.startswith(
            "average frame rate: typed to 1.0 fps, which is 1.7 % of a value, in 1 game;"
        )
    small.metrics["source"] = "log"
    assert not list(small.find("typed_coarsely"))
