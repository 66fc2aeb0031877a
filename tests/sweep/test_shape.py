"""Monotone, concave responses: least squares, band, rejection, knee."""

from dataclasses import replace

import numpy as np
import pytest

from gpubench_kit.sweep.shape import Points, fit_shape, fitted_values


def points_of(at, change, half=np.nan, *, factory: bool = False) -> Points:
    """Return points with one half-width for all; the last one exact where it is the factory state."""
    at, change = np.asarray(at, float), np.asarray(change, float)
    halves = np.full(len(at), half)
    se, df = halves / 3, np.full(len(at), 12.0)
    if factory:
        halves[-1], se[-1], df[-1] = 0.0, 0.0, np.inf
    return Points(at, change, halves, se, df, np.full(len(at), 4.0))


def test_a_rising_concave_response_is_left_as_it_is():
    values = [-6.0, -3.0, -1.0, 0.0]
    assert fitted_values(points_of([-30, -20, -10, 0], values)) == pytest.approx(values)


def test_a_convex_response_becomes_the_least_squares_line():
    # By hand: slope 1/2, mean 1/3.
    assert fitted_values(points_of([0, 1, 2], [0, 0, 1])) == pytest.approx([-1 / 6, 1 / 3, 5 / 6])


def test_a_falling_response_becomes_flat_where_only_rising_is_allowed():
    assert fitted_values(points_of([0, 1, 2], [2, 1, 0])) == pytest.approx([1, 1, 1])


def test_more_runs_pull_the_fit_towards_a_setting():
    points = replace(points_of([0, 1], [1, 0]), weight=np.array([3.0, 1.0]))
    assert fitted_values(points) == pytest.approx([0.75, 0.75])


def test_the_fit_rises_and_bends_down_whatever_the_values(rng):
    for _ in range(50):
        points = points_of(np.cumsum(rng.uniform(1, 9, 7)), rng.standard_normal(7))
        slopes = np.diff(fitted_values(points)) / np.diff(points.at)
        assert (slopes > -1e-9).all()
        assert (np.diff(slopes) < 1e-9).all()


def test_the_band_between_two_settings_is_what_concave_curves_can_reach():
    shape = fit_shape(points_of([-10, 0], [-1, 0], 0.5, factory=True))
    # Halfway: not below the chord from the lowest end, not above the factory state.
    assert shape.value_at(-5, of="low") == pytest.approx(-0.75)
    assert shape.value_at(-5, of="high") == pytest.approx(0.0, abs=1e-9)
    assert shape.value_at(-10, of="low") == pytest.approx(-1.5)


def test_neighbours_narrow_the_interval_of_a_setting():
    # A concave curve through both neighbours cannot run below their chord.
    points = points_of([-20, -10, 0], [-2, -1.6, 0], 0.8, factory=True)
    points = replace(points, half=np.array([0.1, 0.8, 0.0]))
    shape = fit_shape(points)
    assert shape.value_at(-10, of="low") == pytest.approx(-1.05)


def test_a_true_curve_inside_every_interval_lies_inside_the_band(rng):
    at = np.arange(-40.0, 1.0, 8.0)
    for _ in range(4):
        slope = rng.uniform(1, 3)
        curve = lambda x, slope=slope: -0.001 * np.maximum(-x - 8, 0) ** slope  # noqa: E731
        half = 0.2 * np.abs(curve(-40.0))
        change = curve(at) + rng.uniform(-half, half, len(at)) * (at < 0)
        shape = fit_shape(points_of(at, change, half, factory=True))
        assert shape.fits
        assert (shape.low <= curve(shape.at) + 1e-9).all()
        assert (shape.high >= curve(shape.at) - 1e-9).all()


def test_a_response_that_is_not_monotone_is_rejected_and_gets_no_band():
    shape = fit_shape(points_of([-40, -30, -20, -10, 0], [-6, -1, -4, -0.5, 0], 0.4, factory=True))
    assert not shape.fits
    assert np.isnan(shape.low).all()
    assert np.isnan(shape.knee)


def test_a_bend_the_noise_could_make_is_no_knee():
    shape = fit_shape(points_of([-20, -10, 0], [-2.0, -0.9, 0.0], 0.3, factory=True))
    assert shape.fits
    assert not shape.bends
    assert np.isnan(shape.knee)


def test_the_knee_is_where_a_broken_line_breaks():
    shape = fit_shape(points_of([-40, -30, -20, -10, 0], [-6.0, -3.1, -0.2, -0.1, 0.0], 0.2, factory=True))
    assert shape.bends
    assert shape.knee == -20
    assert shape.knee_ci_low <= shape.knee <= shape.knee_ci_high


def test_a_response_that_falls_along_the_ladder_is_fitted_turned_round():
    rising = points_of([-30, -20, -10, 0], [-6, -2, -0.5, 0], 0.3, factory=True)
    falling = rising.mirrored()
    one, other = fit_shape(rising), fit_shape(falling)
    assert one.rises
    assert not other.rises
    assert other.value_at(15.0) == pytest.approx(one.value_at(-15.0))
    assert other.value_at(15.0, of="low") == pytest.approx(one.value_at(-15.0, of="low"))


def test_without_noise_known_there_is_a_curve_but_no_band():
    shape = fit_shape(points_of([-10, 0], [-1, 0]))
    assert np.isnan(shape.low).all()
    assert shape.value_at(-5) == pytest.approx(-0.5)


def test_one_point_has_no_shape():
    assert fit_shape(points_of([0], [0])) is None


def test_the_factory_states_noise_does_not_bend_the_curve():
    # All changes are off by the same error of the factory state: the curve keeps its steps.
    clean = points_of([-20, -10, 0], [-2.0, -1.0, 0.0])
    shifted = replace(clean, change=clean.change + np.array([0.3, 0.3, 0.0]))
    steps = np.diff(fitted_values(shifted))
    assert (steps >= -1e-12).all()
    assert steps[0] == pytest.approx(np.diff(fitted_values(clean))[0], abs=0.4)
