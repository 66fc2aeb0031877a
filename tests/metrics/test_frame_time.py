"""Pacing and hitches."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from gpubench_kit.metrics.formulas import hitch_ms_per_min, pacing_ms

FRAMES = arrays(float, st.integers(2, 300), elements=st.floats(0.25, 200))


def test_pacing_is_mean_step_between_neighbours():
    assert pacing_ms(np.array([10.0, 12.0, 9.0])) == pytest.approx(2.5)


def test_run_too_short_has_no_pacing():
    assert np.isnan(pacing_ms(np.array([10.0])))


def test_hitch_counts_only_what_exceeds_the_median_around_it():
    frame_ms = np.full(6000, 10.0)  # one minute
    frame_ms[3000] = 50.0
    frame_ms[4000] = 21.0  # 11 ms beyond: no hitch at 12 ms
    assert hitch_ms_per_min(frame_ms) == pytest.approx(40.0 * 60_000 / frame_ms.sum())


def test_excess_equal_to_the_limit_is_no_hitch():
    frame_ms = np.array([10.0] * 50 + [22.0] + [10.0] * 50)
    assert hitch_ms_per_min(frame_ms, excess_ms=12.0) == 0.0


def test_slow_scene_is_no_hitch():
    frame_ms = np.array([10.0] * 500 + [40.0] * 500)
    assert hitch_ms_per_min(frame_ms) == 0.0


def test_hitch_on_the_first_frame_is_seen():
    frame_ms = np.array([60.0] + [10.0] * 99)
    assert hitch_ms_per_min(frame_ms) == pytest.approx(50.0 * 60_000 / frame_ms.sum())


@given(frame_ms=FRAMES, window=st.sampled_from((3, 11, 61)), excess=st.floats(0, 50))
def test_hitches_agree_with_a_plain_rolling_median(frame_ms, window, excess):
    around = pd.Series(frame_ms).rolling(window, center=True, min_periods=1).median().to_numpy()
    beyond = frame_ms - around
    expected = beyond[beyond > excess].sum() * 60_000 / frame_ms.sum()
    assert hitch_ms_per_min(frame_ms, window_frames=window, excess_ms=excess) == pytest.approx(expected)


@given(frame_ms=FRAMES, factor=st.floats(0.01, 100))
def test_constant_factor_scales_times_alike(frame_ms, factor):
    assert pacing_ms(frame_ms * factor) == pytest.approx(pacing_ms(frame_ms) * factor)
