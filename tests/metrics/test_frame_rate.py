"""Average frame rate and lows, against hand-worked cases, R's values and laws they must obey."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from gpubench_kit.metrics.formulas import (
    LOW_DEFINITIONS,
    average_fps,
    both_lows_fps,
    low_definition_text,
    low_fps,
)

FRAMES = arrays(float, st.integers(1, 400), elements=st.floats(0.25, 3000))
DEFINITIONS = st.sampled_from(sorted(LOW_DEFINITIONS))
ONE_IN = st.sampled_from((100, 1000))


def test_average_is_frames_over_time_and_not_the_mean_of_rates():
    assert average_fps(np.array([10.0, 30.0])) == pytest.approx(50.0)


def test_no_frames_have_no_rate():
    assert np.isnan(average_fps(np.array([])))
    assert np.isnan(low_fps(np.array([]), definition="quantile"))


def test_three_definitions_differ_on_the_same_run():
    # 1,000 frames: 985 of 10 ms, then 5 of 20 ms and 10 of 50 ms; 10,450 ms in all.
    frame_ms = np.repeat([10.0, 20.0, 50.0], [985, 5, 10])
    # Rank 1 + 999 * 0.99 = 990.01: between the last 20 ms frame (rank 990) and the first 50 ms frame.
    assert low_fps(frame_ms, definition="quantile") == pytest.approx(1000 / 20.3)
    assert low_fps(frame_ms, definition="slowest_frames") == pytest.approx(1000 / 50)
    # 1 % of the time is 105.95 ms: two frames of 50 ms are too few, three are enough.
    assert low_fps(frame_ms, definition="time_share") == pytest.approx(1000 / 50)


def test_number_of_slowest_frames_is_rounded_up():
    frame_ms = np.array([10.0] * 99 + [40.0, 100.0])  # 101 frames: two count
    assert low_fps(frame_ms, definition="slowest_frames") == pytest.approx(1000 / 70)


def test_time_share_that_is_met_exactly_counts_as_met():
    frame_ms = np.array([0.7] * 10 + [0.1] * 630)  # 70 ms; 1 % of it is one frame of 0.7 ms
    assert low_fps(frame_ms, definition="time_share") == pytest.approx(1000 / 0.7)


def test_one_slow_frame_can_take_the_whole_time_share():
    frame_ms = np.array([10.0] * 500 + [900.0])
    assert low_fps(frame_ms, definition="time_share") == pytest.approx(1000 / 900)
    assert low_fps(frame_ms, definition="quantile") == pytest.approx(100.0)


@given(frame_ms=FRAMES, one_in=ONE_IN)
def test_quantile_agrees_with_the_library(frame_ms, one_in):
    expected = 1000 / np.quantile(frame_ms, 1 - 1 / one_in)
    assert low_fps(frame_ms, definition="quantile", one_in=one_in) == pytest.approx(expected, rel=1e-9)


@given(frame_ms=FRAMES, one_in=ONE_IN)
def test_tail_definitions_agree_with_a_plain_loop(frame_ms, one_in):
    slowest_first = sorted(frame_ms.tolist(), reverse=True)
    n_slow = (len(slowest_first) + one_in - 1) // one_in
    assert low_fps(frame_ms, definition="slowest_frames", one_in=one_in) == pytest.approx(
        1000 * n_slow / sum(slowest_first[:n_slow])
    )
    running, place = slowest_first[0], 0
    while running * one_in < sum(slowest_first) * (1 - 1e-12):
        place += 1
        running += slowest_first[place]
    assert low_fps(frame_ms, definition="time_share", one_in=one_in) == pytest.approx(1000 / slowest_first[place])


@given(frame_ms=FRAMES, definition=DEFINITIONS, factor=st.floats(0.01, 100))
def test_slower_by_a_factor_means_rates_divided_by_it(frame_ms, definition, factor):
    assert average_fps(frame_ms * factor) == pytest.approx(average_fps(frame_ms) / factor, rel=1e-9)
    slowed = low_fps(frame_ms * factor, definition=definition)
    assert slowed == pytest.approx(low_fps(frame_ms, definition=definition) / factor, rel=1e-9)


@given(frame_ms=FRAMES, definition=DEFINITIONS, seed=st.integers(0, 9))
def test_order_of_frames_is_irrelevant(frame_ms, definition, seed):
    shuffled = np.random.default_rng(seed).permutation(frame_ms)
    assert low_fps(shuffled, definition=definition) == pytest.approx(low_fps(frame_ms, definition=definition))


@given(frame_ms=FRAMES, definition=DEFINITIONS)
def test_both_lows_at_once_are_those_one_by_one(frame_ms, definition):
    singly = [low_fps(frame_ms, definition=definition, one_in=one_in) for one_in in (100, 1000)]
    assert both_lows_fps(frame_ms, definition=definition) == pytest.approx(singly, rel=1e-12)


def test_definition_is_told_with_its_share():
    assert low_definition_text("quantile", 100) == (
        "1000 / the 99 % quantile of the frame times (linear interpolation)"
    )
    assert "slowest 0.1 % of the frames" in low_definition_text("slowest_frames", 1000)
