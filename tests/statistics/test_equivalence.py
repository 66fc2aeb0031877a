"""Intervals and p-values of parts of different origin, held against single t tests and by hand."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from gpubench_kit.statistics.testing import (
    Uncertainty,
    half_width,
    one_sided_p,
    run_tests,
    two_sided_p,
    uncertainty_of,
)

PARTS = Uncertainty(np.array(4e-6), np.array(4.0), 2 * 0.003**2, 2.0, 1e-7)


def test_one_part_is_a_t_interval():
    found = Uncertainty(np.array([4e-6, 9e-6]), np.array([4.0, 7.5]))
    assert half_width(0.05, found) == pytest.approx(stats.t.ppf(0.975, found.df) * np.sqrt(found.error), rel=1e-12)
    assert two_sided_p(0.01, found) == pytest.approx(
        2 * stats.t.sf(0.01 / np.sqrt(found.error), found.df), rel=1e-12
    )


def test_squared_half_widths_of_the_parts_add_up():
    squares = [
        stats.t.ppf(0.975, 4) ** 2 * 4e-6,
        stats.t.ppf(0.975, 2) ** 2 * 2 * 0.003**2,
        stats.norm.ppf(0.975) ** 2 * 1e-7,
    ]
    assert half_width(0.05, PARTS) == pytest.approx(np.sqrt(sum(squares)), rel=1e-12)


def test_an_assumed_spread_has_a_normal_part():
    found = Uncertainty(np.array(4e-6), np.array(4.0), 2 * 0.003**2)
    squares = stats.t.ppf(0.975, 4) ** 2 * 4e-6 + stats.norm.ppf(0.975) ** 2 * 2 * 0.003**2
    assert half_width(0.05, found) == pytest.approx(np.sqrt(squares), rel=1e-12)


@given(st.floats(1e-8, 0.9), st.floats(1e-4, 0.01), st.floats(0, 0.01), st.sampled_from([1.0, 2.0, 5.0, np.inf]))
def test_a_p_value_is_the_level_at_which_the_interval_reaches(level, noise, spread, df):
    found = Uncertainty(np.array(noise**2), np.array(3.0), np.array(spread**2), np.array(df), np.array(1e-9))
    assert two_sided_p(half_width(level, found), found) == pytest.approx(level, rel=1e-6)


def test_p_values_are_bounded_and_fall_with_the_distance():
    p = two_sided_p(np.array([0.0, 1e-6, 0.01, 0.1, 10.0]), PARTS)
    assert p[0] == 1
    assert (np.diff(p) < 0).all()
    assert (p > 0).all()


def test_a_one_sided_p_value_is_half_of_the_two_sided_one_on_the_right_side():
    assert one_sided_p(0.01, PARTS) == pytest.approx(two_sided_p(0.01, PARTS) / 2)
    assert one_sided_p(-0.01, PARTS) == pytest.approx(1 - two_sided_p(0.01, PARTS) / 2)


def test_without_noise_of_runs_nothing_is_known():
    for error in (0.0, np.nan):
        nothing = Uncertainty(np.array([error]), np.array([4.0]), np.array([1e-5]), 2.0)
        assert np.isnan(half_width(0.05, nothing)).all()
        assert np.isnan(two_sided_p(0.01, nothing)).all()


def test_tests_hold_a_difference_against_zero_and_margin():
    tests = run_tests(np.array(0.005), PARTS, margin=0.02, level=0.05, direction=-1)
    assert tests.ci_high - 0.005 == pytest.approx(half_width(0.05, PARTS))
    assert tests.equivalence_ci_high - 0.005 == pytest.approx(half_width(0.10, PARTS))
    assert tests.p_equivalence == tests.p_non_inferiority == pytest.approx(two_sided_p(0.015, PARTS) / 2)


def test_published_rows_give_their_parts_back():
    row = {"se": 0.002, "df": 4.0, "restart_se": 0.004, "restart_df": np.nan, "rounding_se": np.nan,
           "own_se": 0.003, "own_df": 2.0}  # fmt: skip
    found = uncertainty_of(pd.DataFrame([row]))
    assert half_width(0.05, found) == pytest.approx(
        [np.hypot(stats.t.ppf(0.975, 4) * 0.002, stats.norm.ppf(0.975) * 0.004)]
    )
    own = uncertainty_of(pd.DataFrame([row]), own=True)
    assert (own.error, own.df) == (pytest.approx([9e-6]), pytest.approx([2.0]))
