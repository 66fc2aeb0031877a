"""Upper limits of failure rates, and the sentences that they allow."""

import math
import re
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from gpubench_kit.model.errors import DesignError
from gpubench_kit.statistics.stability import (
    failure_bound,
    failure_share_limit,
    pooled_failure_bound,
)

REFERENCE = Path(__file__).parents[1] / "reference"
BOUNDS = pd.read_csv(REFERENCE / "failure_bounds.csv", comment="#")


@pytest.mark.parametrize(("failures", "limit"), [(0, 2.9957), (1, 4.7439), (2, 6.2958)])
def test_upper_limits_in_one_hour_are_the_published_ones(failures, limit):
    assert failure_bound(failures, 1).upper_per_hour == pytest.approx(limit, abs=1e-4)


def test_upper_limits_agree_with_r():
    found = [
        failure_bound(row.failures, row.hours, confidence=row.conf).upper_per_hour for row in BOUNDS.itertuples()
    ]
    assert found == pytest.approx(BOUNDS.upper_one_sided.tolist(), rel=1e-6)


def test_no_failure_is_worded_as_a_rate_and_never_as_stable():
    assert failure_bound(0, 12).sentence == "0 failures in 12 hours: fewer than 1 per 4 hours with 95 % confidence."


def test_failures_are_worded_as_not_stable():
    sentence = failure_bound(2, 12.5).sentence
    assert sentence.startswith("2 failures in 12.5 hours: not stable; as many as 1 per 1.9 hours")


def test_more_than_one_failure_an_hour_is_worded_per_hour_and_rounded_up():
    # Two failures in half an hour: the exact limit is 12.592 per hour.
    assert "as many as 13 per hour cannot" in failure_bound(2, 0.5).sentence
    # 2.9957 per hour.
    assert "fewer than 3 per hour with" in failure_bound(0, 1.0).sentence


@given(st.floats(3.0, 5000))
def test_sentence_never_claims_more_hours_than_were_shown(hours):
    bound = failure_bound(0, hours)
    stated = float(re.search(r"1 per ([\d.]+) hours", bound.sentence).group(1))
    assert stated <= 1 / bound.upper_per_hour * (1 + 1e-12)
    assert stated == pytest.approx(hours / 3, rel=0.11)


@given(st.integers(0, 40), st.floats(0.1, 500))
def test_upper_limit_makes_so_few_failures_as_unlikely_as_it_says(failures, hours):
    expected = failure_bound(failures, hours).upper_per_hour * hours
    assert stats.poisson.cdf(failures, expected) == pytest.approx(0.05, abs=1e-9)


def test_several_tests_count_together():
    assert pooled_failure_bound([(0, 2.5), (1, 10)]) == failure_bound(1, 12.5)


def test_share_limit_without_failure_is_exact():
    assert failure_share_limit(0, 30) == pytest.approx(1 - 0.05 ** (1 / 30), rel=1e-9)
    assert failure_share_limit(0, 30) == pytest.approx(0.095, abs=5e-4)
    assert failure_share_limit(3, 3) == 1


@pytest.mark.parametrize(
    ("failures", "hours", "confidence", "message"),
    [
        (-1, 5, 0.95, "-1 failures; a whole number of at least 0"),
        (0.5, 5, 0.95, "0.5 failures; a whole number"),
        (0, 0, 0.95, "0 hours; a number above 0"),
        (0, math.nan, 0.95, "nan hours; a number above 0"),
        (0, 5, 1.0, "confidence 1.0; a number between 0 and 1"),
    ],
    ids=["negative", "fraction", "no hours", "hours unknown", "certainty"],
)
def test_counts_that_cannot_be_are_refused(failures, hours, confidence, message):
    with pytest.raises(DesignError, match=message):
        failure_bound(failures, hours, confidence=confidence)


def test_all_faults_are_reported_together():
    with pytest.raises(DesignError) as raised:
        failure_bound(-1, 0)
    assert len(raised.value.faults) == 2


def test_no_test_at_all_is_refused():
    with pytest.raises(DesignError, match="0 hours"):
        pooled_failure_bound([])


def test_more_failures_than_runs_are_refused():
    with pytest.raises(DesignError, match="4 failures in 3 runs"):
        failure_share_limit(4, 3)
