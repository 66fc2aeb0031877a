"""Levels of looks at verdicts."""

import numpy as np
import pytest
from run_tables import make_plan

from gpubench_kit.statistics.looks import level_of_look, level_of_looks


def levels_of(**analysis):
    return [level_of_look(make_plan(**analysis), look) for look in range(1, 6)]


def test_two_planned_looks_have_four_levels_and_no_fifth():
    assert levels_of(looks=2) == pytest.approx([0.04, 0.015, 0.01, 0.01, np.nan], nan_ok=True)


def test_a_single_planned_look_has_the_whole_level_and_a_second_one_little():
    assert levels_of(looks=1) == pytest.approx([0.05, 0.015, 0.01, 0.01, np.nan], nan_ok=True)


@pytest.mark.parametrize(("looks", "level"), [(3, 0.020), (4, 0.0175), (5, 0.012), (8, 0.012)])
def test_more_planned_looks_share_one_level(looks, level):
    plan = make_plan(looks=looks)
    assert [level_of_look(plan, look) for look in range(1, looks + 1)] == [level] * looks
    assert np.isnan(level_of_look(plan, looks + 1))


def test_another_confidence_scales_every_level():
    assert levels_of(looks=2, confidence=0.99)[:3] == pytest.approx([0.008, 0.003, 0.002])
    assert levels_of(looks=1, confidence=0.9)[:2] == pytest.approx([0.1, 0.03])
    assert level_of_look(make_plan(looks=3, confidence=0.99), 1) == pytest.approx(0.004)


def test_too_many_looks_keep_the_last_level_for_the_numbers():
    assert level_of_looks(make_plan(looks=2), looks_made=5) == (0.01, True)
    assert level_of_looks(make_plan(looks=4), looks_made=5) == (0.0175, True)
    assert level_of_looks(make_plan(looks=2)) == (0.04, False)
