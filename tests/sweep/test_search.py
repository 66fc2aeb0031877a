"""Tests in fixed order, and the set that holds the best."""

from math import erf, sqrt

import numpy as np
import pytest

from gpubench_kit.sweep.search import best_kept, search_sequence


def test_a_step_is_passed_only_if_every_step_before_it_was():
    found = search_sequence(np.array([0.01, 0.2, 0.001]), np.ones(3), level=0.05)
    assert found.passed.tolist() == [True, False, False]
    assert found.tested.tolist() == [True, True, False]
    assert found.n_passed == 1


def test_a_step_that_cannot_be_judged_ends_the_search():
    found = search_sequence(np.array([0.01, np.nan, 0.001]), np.ones(3), level=0.05)
    assert found.passed.tolist() == [True, False, False]


def test_losing_too_much_is_shown_from_the_far_end_inward():
    found = search_sequence(np.ones(4), np.array([0.01, 0.3, 0.01, 0.01]), level=0.05)
    assert found.too_much.tolist() == [False, False, True, True]


def test_many_searches_go_side_by_side():
    p = np.array([[0.01, 0.5], [0.04, 0.01]])
    assert search_sequence(p, np.ones((2, 2)), level=0.05).n_passed.tolist() == [2, 0]


def test_a_p_value_at_the_level_passes():
    assert search_sequence(np.array([0.05]), np.ones(1), level=0.05).passed.all()


def test_settings_that_another_is_shown_to_beat_are_no_candidates_for_the_best():
    nan = np.nan
    p_worse = np.array([[nan, 0.9, 0.9], [0.02, nan, 0.5], [0.03, 0.5, nan]])
    # Two others each: tested at 0.025.
    assert best_kept(p_worse, level=0.05).tolist() == [True, False, True]


def test_what_cannot_be_compared_stays_a_candidate():
    assert best_kept(np.full((3, 3), np.nan), level=0.05).all()


@pytest.mark.parametrize("seed", range(3))
def test_the_truly_best_is_seldom_dropped(seed):
    rng = np.random.default_rng(seed)
    dropped = 0
    for _ in range(500):
        # Four settings equally good, known with a standard error of 1.
        means = rng.standard_normal(4)
        z = (means[:, None] - means[None, :]) / np.sqrt(2)
        p = 1 - np.vectorize(_normal_cdf)(z)
        dropped += not best_kept(np.where(np.eye(4), np.nan, p), level=0.05)[0]
    assert dropped / 500 < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 500)


def _normal_cdf(z: float) -> float:
    """Return the standard normal distribution function."""
    return 0.5 * (1 + erf(z / sqrt(2)))
