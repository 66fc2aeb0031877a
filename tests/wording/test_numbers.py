"""Numbers as text: hand cases and properties."""

from __future__ import annotations

import math
import re

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.wording import numbers as text

NUMBERS = st.floats(-1e9, 1e9, allow_nan=False)


def _read(words: str) -> float:
    """Return the first number in a text, as a reader would take it."""
    return float(re.search(r"[+−]?[\d,]*\.?\d+", words).group().replace("−", "-").replace(",", ""))


@pytest.mark.parametrize(
    ("value", "decimals", "expected"),
    [
        (1234.5, 1, "1234.5"),
        (-0.54, 1, "−0.5"),
        (-0.04, 1, "0.0"),
        (2.675, 2, "2.68"),
        (0.15, 1, "0.2"),
        (-0.15, 1, "−0.2"),
        (7, 0, "7"),
        (math.inf, 1, "∞"),
        (-math.inf, 1, "−∞"),
        (1e300, 1, "1" + "0" * 300),
    ],
)
def test_number_has_the_asked_decimals_and_rounds_half_away_from_zero(value, decimals, expected):
    assert text.number_text(value, decimals=decimals) == expected


@pytest.mark.parametrize(
    ("value", "digits", "expected"),
    [
        (0.012345, 3, "0.0123"),
        (1.0, 3, "1.00"),
        (9.999, 3, "10.0"),
        (99.96, 3, "100"),
        (12345.6, 3, "12346"),
        (0.0, 3, "0.00"),
        (-0.5, 2, "−0.50"),
        (1e-7, 2, "0.00000010"),
    ],
)
def test_significant_digits(value, digits, expected):
    assert text.significant_text(value, digits=digits) == expected


@pytest.mark.parametrize(
    ("value", "metric", "expected"),
    [
        (142.26, "avg_fps", "142.3 fps"),
        (287.449, "board_w", "287.4 W"),
        (2.0196, "energy_per_frame_j", "2.02 J"),
        (0.41234, "energy_per_frame_j", "0.412 J"),
        (71.04, "core_c", "71.0 °C"),
        (7.0366, "median_frame_ms", "7.04 ms"),
        (1873.6, "fan_rpm", "1874 rpm"),
        (38.25, "sound_dba", "38.3 dBA"),
        (0.4951, "frames_per_j", "0.495 1/J"),
        (98.76, "load_pct", "98.8 %"),
        (math.nan, "board_w", "–"),
    ],
)
def test_value_has_the_unit_and_digits_of_its_metric(value, metric, expected):
    assert text.value_text(value, metric) == expected


def test_every_metric_has_a_text_with_its_unit():
    for name, metric in METRICS.items():
        assert text.value_text(12.3456, name).endswith(f" {metric.unit}")


@pytest.mark.parametrize(
    ("value", "expected"), [(2.0, "2 %"), (2.5, "2.5 %"), (100, "100 %"), (97.3, "97.3 %"), (0, "0 %"), (None, "–")]
)
def test_percent_has_no_idle_zeros(value, expected):
    assert text.percent_text(value) == expected


@pytest.mark.parametrize(
    ("change", "unit", "expected"),
    [
        (2.0963, "%", "+2.1 %"),
        (-0.31, "%", "−0.3 %"),
        (0.04, "%", "0.0 %"),
        (-0.04, "%", "0.0 %"),
        (-3.14, "°C", "−3.1 °C"),
        (-120.4, "rpm", "−120 rpm"),
        (0.01234, "1/J", "+0.0123 1/J"),
        (math.inf, "%", "+∞ %"),
    ],
)
def test_change_has_a_sign_unless_it_reads_as_zero(change, unit, expected):
    assert text.change_text(change, unit) == expected


@pytest.mark.parametrize(
    ("low", "high", "unit", "expected"),
    [
        (1.43548, 2.71383, "%", "+1.4 to +2.7 %"),
        (-0.4, 1.2, "%", "−0.4 to +1.2 %"),
        (0.02, 0.31, "%", "+0.02 to +0.31 %"),
        (0.0, 0.5, "%", "0.0 to +0.5 %"),
        (-5.21, -3.14, "°C", "−5.2 to −3.1 °C"),
        (math.nan, 1.0, "%", "–"),
    ],
)
def test_interval_shows_on_which_side_of_zero_its_ends_lie(low, high, unit, expected):
    assert text.interval_text(low, high, unit) == expected


def test_change_and_interval_share_their_decimals():
    assert text.change_and_interval_text(2.07466, 1.43548, 2.71383) == "+2.1 % (+1.4 to +2.7 %)"
    assert text.change_and_interval_text(0.166, 0.02, 0.31) == "+0.17 % (+0.02 to +0.31 %)"
    assert text.change_and_interval_text(2.07466, math.nan, math.nan) == "+2.1 %"
    assert text.change_and_interval_text(None, 1.0, 2.0) == "–"


@pytest.mark.parametrize(
    ("p", "expected"),
    [
        (0.00083956, "p < 0.001"),
        (0.0067443, "p = 0.007"),
        (0.0321, "p = 0.032"),
        (0.214, "p = 0.21"),
        (0.0496, "p = 0.0496"),
        (0.05002, "p = 0.05002"),
        (0.05, "p = 0.050"),
        (0.996, "p > 0.99"),
        (1.0, "p > 0.99"),
        (math.nan, "–"),
    ],
)
def test_p_value(p, expected):
    assert text.p_text(p) == expected


def test_p_value_keeps_apart_from_the_level_of_planned_looks():
    assert text.p_text(0.02702, level=0.027) == "p = 0.02702"


@pytest.mark.parametrize(
    ("n", "words", "expected"),
    [
        (12345, (), "12,345"),
        (1, ("run",), "1 run"),
        (0, ("run",), "0 runs"),
        (2, ("hitch", "hitches"), "2 hitches"),
        (pd.NA, ("run",), "–"),
    ],
)
def test_count_and_its_word(n, words, expected):
    assert text.count_text(n, *words) == expected


@pytest.mark.parametrize(
    ("seconds", "expected"),
    [(0, "0 s"), (59.4, "59 s"), (59.6, "1 min 00 s"), (200, "3 min 20 s"), (7500, "2 h 05 min"), (None, "–")],
)
def test_duration(seconds, expected):
    assert text.duration_text(seconds) == expected


def test_money_has_two_decimals_and_its_currency():
    assert text.money_text(12.4, "EUR") == "12.40 EUR"
    assert text.money_text(-0.005, "EUR") == "−0.01 EUR"
    assert text.money_text(None, "EUR") == "–"


@given(NUMBERS, st.integers(0, 6))
def test_a_printed_number_is_within_half_a_last_digit(value, decimals):
    assert abs(_read(text.number_text(value, decimals=decimals)) - value) <= 0.5 * 10**-decimals + 1e-6


@given(NUMBERS, st.integers(1, 6))
def test_significant_digits_keep_the_relative_error(value, digits):
    printed = _read(text.significant_text(value, digits=digits))
    assert abs(printed - value) <= 0.5 * 10.0 ** (1 - digits) * abs(value) + 1e-12


@given(st.floats(-50, 50), st.floats(-50, 50))
def test_swapping_the_sides_of_a_change_mirrors_its_text(a, b):
    low, high = sorted((a, b))
    mirrored = text.interval_text(-high, -low)
    swapped = text.interval_text(low, high).translate(str.maketrans("+−", "−+")).removesuffix(" %")
    assert mirrored == " to ".join(reversed(swapped.split(" to "))) + " %"


@given(st.floats(1e-5, 50), st.floats(0, 50))
def test_an_interval_above_zero_never_reads_as_holding_zero(low, width):
    assert _read(text.interval_text(low, low + width)) > 0


@given(st.floats(0, 1), st.sampled_from([0.05, 0.027, 0.02, 0.0175, 0.012]))
def test_a_p_value_reads_on_its_own_side_of_the_level(p, level):
    printed = text.p_text(p, level=level)
    if "=" in printed and abs(p - level) > 1e-5:
        assert (_read(printed) < level) == (p < level)


@given(NUMBERS)
def test_no_text_has_a_hyphen_for_minus_or_a_signed_zero(value):
    for words in (text.change_text(value), text.unit_text(value, "W"), text.significant_text(value)):
        assert "-" not in words
        assert not re.match(r"[+−]0(\.0*)?( |$)", words)


@pytest.mark.parametrize(
    ("value", "unit", "up", "words"),
    [
        (2.04, "%", False, "2.0 %"),
        (2.04, "%", True, "2.1 %"),
        (-0.31, "%", True, "−0.3 %"),
        (-0.31, "%", False, "−0.4 %"),
        (45.0, "W", True, "45.0 W"),
        (math.nan, "%", True, "–"),
        (math.inf, "%", True, "∞ %"),
    ],
)
def test_a_bound_is_rounded_to_the_side_on_which_it_stays_true(value, unit, up, words):
    assert text.bound_text(value, unit, up=up) == words


@pytest.mark.parametrize(
    ("change", "said"),
    [(-41.42, "−41 W"), (17.5, "+18 W"), (9.44, "+9.4 W"), (-0.04, "0.0 W"), (float("nan"), "–")],
)
def test_watts_are_spoken_whole_from_ten_up(change, said):
    assert text.watts_text(change) == said
