"""Adjustment for many comparisons, and the decision table."""

from unittest import mock

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from run_tables import CASES, closed, reference_table
from statsmodels.stats.multitest import multipletests

from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.statistics.testing import adjust_in_families, decide, weaker_verdict


@given(
    st.lists(st.tuples(st.integers(0, 3), st.floats(0, 1) | st.just(float("nan"))), min_size=1, max_size=30),
    st.sampled_from(["holm", "fdr_bh"]),
)
def test_adjusted_values_are_those_of_statsmodels(rows, method):
    family, p = (np.array(column) for column in zip(*rows, strict=True))
    found = adjust_in_families(p, family, method=method)
    # The library collects garbage at each call, which takes longer than all else.
    with mock.patch("gc.collect"):
        for one in np.unique(family):
            inside = (family == one) & np.isfinite(p)
            if inside.any():
                assert found[inside] == pytest.approx(multipletests(p[inside], method=method)[1], rel=1e-12)
    assert (np.isnan(found) == np.isnan(p)).all()


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("method", ["welch", "pooled_pair"])
def test_adjusted_values_are_those_of_r(case, method):
    rows = reference_table("per_game", case=case, method=method)
    arms, metrics = rows["arm"].factorize()[0], rows["metric"].factorize()[0]
    families = {"games": metrics * 10 + arms, "all": metrics}
    for (column, how), (name, family) in zip(
        (("p_holm", "holm"), ("p_bh", "fdr_bh")) * 2, tuple(families.items()) * 2, strict=True
    ):
        found = adjust_in_families(rows["p"].to_numpy(), family, method=how)
        assert closed(rows[f"{column}_{name}"], relative=1e-5, absolute=1e-10)(found), (column, name)


def test_no_adjustment_leaves_p_values_alone():
    p = np.array([0.01, np.nan, 0.04])
    assert adjust_in_families(p, np.zeros(3, int), method="none") == pytest.approx(p, nan_ok=True)


def test_nothing_to_adjust_is_no_fault():
    assert adjust_in_families(np.array([]), np.array([], int), method="holm").size == 0


@pytest.mark.parametrize(
    ("change", "p_difference", "p_equivalence", "direction", "verdict"),
    [
        (0.03, 0.01, 0.9, 1, "better"),
        (-0.03, 0.01, 0.9, 1, "worse"),
        (-0.03, 0.01, 0.9, -1, "better"),
        (0.005, 0.01, 0.01, 1, "better_but_small"),
        (0.005, 0.01, 0.01, -1, "worse_but_small"),
        (0.001, 0.7, 0.05, 1, "same_within_margin"),
        (0.001, 0.7, 0.051, 1, "undecided"),
        (0.03, 0.05, np.nan, 1, "better"),
        (0.03, 0.2, np.nan, 1, "undecided"),
        (0.03, 0.01, 0.9, 0, "higher"),
        (-0.005, 0.01, 0.01, 0, "lower_but_small"),
    ],
)
def test_the_decision_table(change, p_difference, p_equivalence, direction, verdict):
    numbers = (np.array([one]) for one in (change, p_difference, p_equivalence))
    assert decide(*numbers, level=0.05, direction=np.array([direction])).tolist() == [verdict]


@pytest.mark.parametrize(
    ("one", "other", "weaker"),
    [
        ("better", "better", "better"),
        ("better", "better_but_small", "better"),
        ("better", "same_within_margin", "undecided"),
        ("better_but_small", "same_within_margin", "same_within_margin"),
        ("better", "worse", "undecided"),
        ("worse", "undecided", "undecided"),
        ("lower", "lower_but_small", "lower"),
        ("better", "no_verdict", "no_verdict"),
    ],
)
def test_the_weaker_of_two_verdicts_claims_what_both_do(one, other, weaker):
    assert weaker_verdict(one, other) == weaker_verdict(other, one) == weaker


def test_every_pair_of_verdicts_has_a_weaker_one():
    alike = VERDICTS
    assert {weaker_verdict(one, other) for one in alike for other in alike} <= set(VERDICTS)
