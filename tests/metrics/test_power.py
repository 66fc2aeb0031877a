"""Time-weighted means, energy and sound."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gpubench_kit.metrics.formulas import energy_per_frame_j, frames_per_j, mean_over_window


def test_mean_weighs_by_time_and_not_by_samples():
    # 100 W for 8 s told by two samples, a ramp to 200 W within 1 s, 200 W for 1 s.
    time_s, watts = np.array([0.0, 8.0, 9.0, 10.0]), np.array([100.0, 100.0, 200.0, 200.0])
    assert mean_over_window(time_s, watts, start_s=0, end_s=10).mean == pytest.approx(115.0)


def test_ends_of_the_window_are_interpolated():
    time_s, watts = np.array([0.0, 10.0]), np.array([0.0, 100.0])
    sensor = mean_over_window(time_s, watts, start_s=4.0, end_s=6.0)
    assert sensor.mean == pytest.approx(50.0)
    assert sensor.maximum == pytest.approx(60.0)


def test_samples_bound_the_window():
    sensor = mean_over_window(np.array([1.0, 3.0]), np.array([10.0, 20.0]), start_s=0, end_s=60)
    assert (sensor.start_s, sensor.end_s, sensor.mean) == (1.0, 3.0, 15.0)


def test_missing_sample_is_bridged():
    sensor = mean_over_window(np.arange(3.0), np.array([10.0, np.nan, 30.0]), start_s=0, end_s=2)
    assert sensor.mean == pytest.approx(20.0)


@pytest.mark.parametrize(
    ("time_s", "start_s", "end_s"),
    [([0.0], 0, 1), ([0.0, 1.0], 5, 9), ([0.0, 1.0], 1, 0)],
    ids=["one sample", "window beyond the samples", "window turned round"],
)
def test_no_mean_without_time_in_the_window(time_s, start_s, end_s):
    assert mean_over_window(np.array(time_s), np.ones(len(time_s)), start_s=start_s, end_s=end_s) is None


@given(
    steps=st.lists(st.floats(0.01, 2), min_size=3, max_size=40),
    start=st.floats(0, 0.4),
    end=st.floats(0.6, 1),
    shift=st.floats(-1000, 1000),
)
def test_straight_line_has_the_mean_of_its_middle_wherever_it_is_sampled(steps, start, end, shift):
    time_s = np.cumsum(steps) + shift
    span = time_s[-1] - time_s[0]
    start_s, end_s = time_s[0] + start * span, time_s[0] + end * span
    sensor = mean_over_window(time_s, 3.0 * (time_s - shift), start_s=start_s, end_s=end_s)
    assert sensor.mean == pytest.approx(3.0 * ((start_s + end_s) / 2 - shift), rel=1e-6, abs=1e-6)


def test_energy_of_a_frame_is_power_over_rate():
    assert energy_per_frame_j(240.0, 120.0) == 2.0
    assert frames_per_j(240.0, 120.0) == 0.5
