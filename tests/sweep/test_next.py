"""What to measure next, and when to stop."""

from dataclasses import replace

import numpy as np
import pytest

from gpubench_kit.sweep.search import Sequence, answer_range, next_settings


def sequence_of(at, passed: int, lost: int, *, error=4e-6, n=4, step=5.0) -> Sequence:
    """Return a sequence whose first ``passed`` steps passed and last ``lost`` are shown to lose more."""
    at, count = np.asarray(at, float), len(at)
    return Sequence(
        at=at, passed=np.arange(count) < passed, too_much=np.arange(count) >= count - lost,
        failed=np.zeros(count, dtype=bool), error=np.full(count, error), df=np.full(count, 9.0),
        n=np.full(count, n), step=step, margin=0.0202, level=0.05, may_go_on=True,
    )  # fmt: skip


def gentle(place: float) -> float:
    """Return a change that meets the margin at −20."""
    return -0.0202 * (place / 20) ** 2


def test_the_answer_lies_between_the_last_step_passed_and_the_first_shown_to_lose():
    found = answer_range(sequence_of([-5, -10, -15, -20], 1, 1))
    assert (found.inner, found.outer) == (-5, -20)


def test_without_a_step_passed_the_range_begins_at_the_factory_state():
    found = answer_range(sequence_of([-5, -10], 0, 0))
    assert found.inner == 0
    assert np.isnan(found.outer)


def test_it_says_stop_when_no_step_is_undecided_and_no_gap_is_wide():
    advice = next_settings(sequence_of([-5, -10, -15, -20], 2, 2), gentle)
    assert advice.proposals == ()
    assert advice.stop == "settled"


def test_a_wide_gap_around_the_answer_is_halved():
    advice = next_settings(sequence_of([-5, -10, -25, -30], 2, 2), gentle)
    best = advice.proposals[0]
    assert best.is_new
    assert best.at == -18 or best.at == -17
    assert best.range_expected < best.range_now == 15


def test_the_undecided_step_next_to_the_answer_gets_more_rounds():
    advice = next_settings(sequence_of([-5, -10, -15, -20], 1, 1), lambda place: -0.001 * abs(place) / 5)
    assert (advice.proposals[0].at, advice.proposals[0].is_new) == (-10, False)
    assert advice.proposals[0].rounds == 4


def test_a_step_that_sits_on_the_margin_is_not_measured_for_ever():
    # At the margin itself a step passes as seldom as the level, however many rounds there are.
    advice = next_settings(sequence_of([-5, -10], 1, 0, error=1e-7), lambda place: -0.0202)
    assert advice.proposals == ()
    assert advice.stop == "not_worth"


def test_where_every_step_passes_the_ladder_is_made_longer():
    advice = next_settings(sequence_of([-5, -10, -15], 3, 0), gentle)
    assert [(one.at, one.is_new) for one in advice.proposals] == [(-20, True)]


def test_a_ladder_is_not_made_longer_beyond_a_failure():
    failing = replace(sequence_of([-5, -10], 2, 0), failed=np.array([False, True]))
    assert next_settings(failing, gentle).stop == "failures"


def test_settings_with_one_run_get_rounds_before_anything_else():
    alone = replace(sequence_of([-5, -10], 0, 0, n=1), error=np.full(2, np.nan))
    advice = next_settings(alone, gentle)
    assert [(one.at, one.rounds) for one in advice.proposals] == [(-5, 2), (-10, 2)]
    assert np.isnan(advice.proposals[0].range_now)


def test_nothing_is_proposed_beyond_a_ladder_that_does_not_lower_power_or_voltage():
    upward = replace(sequence_of([250, 500], 2, 0, step=250), may_go_on=False)
    advice = next_settings(upward, lambda place: 0.001)
    assert (advice.proposals, advice.stop) == ((), "end")


def test_steps_upward_are_searched_upward():
    open_step = sequence_of([250, 500, 750], 1, 0, step=250)
    advice = next_settings(replace(open_step, may_go_on=False), lambda place: -0.001)
    assert {one.at for one in advice.proposals} <= {500, 750}


@pytest.mark.parametrize("place", [0, 1, 2, 3])
def test_nothing_is_proposed_at_or_beyond_a_failure(place):
    at = np.array([-5.0, -10.0, -20.0, -30.0])
    failing = replace(sequence_of(at, 1, 1), failed=np.arange(4) == place)
    advice = next_settings(failing, gentle)
    assert all(abs(one.at) < abs(at[place]) for one in advice.proposals)
    assert advice.proposals or advice.stop


@pytest.mark.parametrize("error", [1e-6, 4e-6, 1.6e-5])
def test_expected_ranges_are_never_wider_than_the_range_now(error):
    advice = next_settings(sequence_of([-5, -10, -20, -30], 1, 1, error=error), gentle)
    assert all(0 <= one.range_expected <= one.range_now for one in advice.proposals)
