"""Two sides in one game, held against published figures and against R."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from run_tables import CASES, REFERENCE_METRICS, closed, make_plan, reference_runs, reference_table
from scipy import stats
from statsmodels.stats.weightstats import ttost_ind, ttost_paired

from gpubench_kit.statistics.comparison import estimate_from_rounds, estimate_two_groups
from gpubench_kit.statistics.design import classify
from gpubench_kit.statistics.runs import encode_runs, select_pair
from gpubench_kit.statistics.testing import Uncertainty, run_tests
from gpubench_kit.statistics.variance import gather_units, shrink_variance

REFERENCE_RUNS = np.log([100, 101, 99.5, 100.4, 100.1])
NEW_RUNS = np.log([102.1, 102.6, 101.9, 102.0, 102.9])

CONTRASTS = [(case, metric, arm) for case, arms in CASES.items() for metric in REFERENCE_METRICS for arm in arms]


def judged(estimate, *, margin=math.nan, level=0.05, direction=1):
    found = Uncertainty(estimate.error, estimate.df)
    return run_tests(estimate.change, found, margin=margin, level=level, direction=direction)


def units_of(case, metric, arm):
    """Return the games and the values of both sides, one place per run."""
    plan = make_plan(("factory", arm), metrics=[metric])
    pair = select_pair(encode_runs(reference_runs(case)), plan.pairs()[0], metric=metric)
    return pair.cell_text("game"), gather_units(pair, classify(pair)).means


def expected(case, metric, arm, method):
    rows = reference_table("per_game", case=case, metric=REFERENCE_METRICS[metric], arm=arm, method=method)
    return rows.set_index("game")


def test_pairs_give_the_published_figures():
    estimate = estimate_from_rounds(np.stack([NEW_RUNS, REFERENCE_RUNS]))
    found = judged(estimate, margin=-math.log(0.97))
    assert 100 * estimate.change == pytest.approx(2.07466, abs=5e-6)
    assert 100 * math.expm1(estimate.change) == pytest.approx(2.09633, abs=5e-6)
    assert 1e4 * estimate.variance == pytest.approx(0.132495, abs=1e-6)
    assert 100 * np.array([found.ci_low, found.ci_high]) == pytest.approx([1.43548, 2.71383], abs=5e-6)
    assert 100 * np.array([found.equivalence_ci_low, found.equivalence_ci_high]) == pytest.approx(
        [1.58388, 2.56544], abs=1e-5
    )
    assert found.p_difference == pytest.approx(0.00083956, abs=5e-9)
    assert -100 * math.log(0.97) == pytest.approx(3.045921, abs=5e-7)
    assert found.p_equivalence == pytest.approx(0.00674430, abs=5e-9)


def test_pairs_are_the_paired_t_test():
    estimate = estimate_from_rounds(np.stack([NEW_RUNS, REFERENCE_RUNS]))
    assert judged(estimate).p_difference == pytest.approx(
        stats.ttest_rel(NEW_RUNS, REFERENCE_RUNS).pvalue, rel=1e-12
    )
    interval = stats.ttest_1samp(NEW_RUNS - REFERENCE_RUNS, 0).confidence_interval(0.95)
    assert [judged(estimate).ci_low, judged(estimate).ci_high] == pytest.approx(list(interval), rel=1e-12)


@pytest.mark.parametrize("margin", [0.005, 0.02, 0.05])
def test_the_margin_is_tested_as_by_statsmodels(margin):
    pairs = judged(estimate_from_rounds(np.stack([NEW_RUNS, REFERENCE_RUNS])), margin=margin)
    assert pairs.p_equivalence == pytest.approx(
        ttost_paired(NEW_RUNS, REFERENCE_RUNS, -margin, margin)[0], rel=1e-10
    )
    groups = judged(estimate_two_groups(np.stack([NEW_RUNS, REFERENCE_RUNS])), margin=margin)
    assert groups.p_equivalence == pytest.approx(ttost_ind(NEW_RUNS, REFERENCE_RUNS, -margin, margin)[0], rel=1e-10)


def test_unequal_counts_are_compared_by_welch():
    means = np.full((2, 5), np.nan)
    means[0], means[1, :3] = NEW_RUNS, REFERENCE_RUNS[:3]
    wanted = stats.ttest_ind(NEW_RUNS, REFERENCE_RUNS[:3], equal_var=False)
    estimate = estimate_two_groups(means)
    assert judged(estimate).p_difference == pytest.approx(wanted.pvalue, rel=1e-12)
    assert estimate.df == pytest.approx(wanted.df, rel=1e-12)
    assert estimate.n_units == 3


@pytest.mark.parametrize(("case", "metric", "arm"), CONTRASTS)
def test_two_groups_agree_with_r(case, metric, arm):
    games, means = units_of(case, metric, arm)
    wanted = expected(case, metric, arm, "pooled_pair").loc[games]
    estimate = estimate_two_groups(means)
    found = judged(estimate)
    fine = (wanted["status"] == "ok").to_numpy()
    assert closed(wanted["est_log"])(estimate.change)
    assert closed(wanted["se_log"][fine])(np.sqrt(estimate.error)[fine])
    assert closed(wanted["df"][fine])(estimate.df[fine])
    assert closed(wanted["p"][fine], relative=1e-5, absolute=1e-10)(found.p_difference[fine])
    intervals = {"ci_lo_pct": found.ci_low, "ci_hi_pct": found.ci_high, "ci90_lo_pct": found.equivalence_ci_low}
    for column, ends in (intervals | {"ci90_hi_pct": found.equivalence_ci_high}).items():
        assert closed(wanted[column][fine])(100 * np.expm1(ends)[fine]), column


@pytest.mark.parametrize(("case", "metric", "arm"), CONTRASTS)
def test_welch_agrees_with_r(case, metric, arm):
    games, means = units_of(case, metric, arm)
    wanted = expected(case, metric, arm, "welch").loc[games]
    estimate = estimate_two_groups(means, pool_equal=False)
    fine = (wanted["status"] == "ok").to_numpy()
    assert closed(wanted["est_log"])(estimate.change)
    assert closed(wanted["se_log"][fine])(np.sqrt(estimate.error)[fine])
    assert closed(wanted["df"][fine])(estimate.df[fine])
    assert closed(wanted["p"][fine], relative=1e-5, absolute=1e-10)(judged(estimate).p_difference[fine])


# In R the blocks of all tunings share one residual variance. The kit pairs only the two compared, so
# the numbers must agree where there are two tunings, in complete rounds.
@pytest.mark.parametrize("metric", REFERENCE_METRICS)
@pytest.mark.parametrize(("case", "arm"), [("g_flatcell", "quiet"), ("j_equal", "lowvolt")])
def test_rounds_agree_with_r_where_there_are_two_tunings(case, arm, metric):
    games, means = units_of(case, metric, arm)
    wanted = expected(case, metric, arm, "round_block").loc[games]
    estimate = estimate_from_rounds(means)
    fine = (wanted["status"] == "ok").to_numpy()
    assert closed(wanted["est_log"])(estimate.change)
    assert closed(wanted["se_log"][fine])(np.sqrt(estimate.error)[fine])
    assert closed(wanted["p"][fine], relative=1e-5, absolute=1e-10)(judged(estimate).p_difference[fine])


@pytest.mark.parametrize(("case", "metric", "arm"), [one for one in CONTRASTS if one[0] != "e_onegame"])
def test_moderated_groups_agree_with_r_once_cap_and_own_rule_are_off(case, metric, arm):
    games, means = units_of(case, metric, arm)
    wanted = expected(case, metric, arm, "moderated_pair").loc[games]
    own = estimate_two_groups(means)
    guard = 1e-5 * np.median(own.variance)
    moderated = shrink_variance(np.maximum(own.variance, guard), own.df, cap=None, own_rule=False)
    estimate = own.with_variance(moderated.variance, moderated.df)
    fine = (wanted["status"] == "ok").to_numpy() & (own.variance > guard)
    assert closed(wanted["se_log"][fine])(np.sqrt(estimate.error)[fine])
    assert closed(wanted["df"][fine], relative=1e-4)(estimate.df[fine])
    assert closed(wanted["p"][fine], relative=1e-4, absolute=1e-10)(judged(estimate).p_difference[fine])


@pytest.mark.parametrize(("variant", "sign"), [("sym_up", 1), ("sym_down", -1)])
@pytest.mark.parametrize("case", ["a_tidy", "c_rounds", "j_equal"])
def test_two_one_sided_tests_agree_with_r(case, variant, sign):
    arm = CASES[case][0]
    rows = reference_table(
        "tost", case=case, metric="avg_fps", arm=arm, method="welch", variant=variant, scope="game"
    )
    welch = expected(case, "avg_fps", arm, "welch")
    for margin, wanted in rows.groupby("margin_pct"):
        found = welch.loc[wanted["game"]]
        size = sign * math.log1p(sign * margin / 100)
        tests = run_tests(
            found["est_log"].to_numpy(), Uncertainty(found["se_log"].to_numpy() ** 2, found["df"].to_numpy()),
            margin=size, level=0.05, direction=1,
        )  # fmt: skip
        assert closed(wanted["p_tost"], relative=1e-5, absolute=1e-10)(tests.p_equivalence)
        assert closed(wanted["p_lower"], relative=1e-5, absolute=1e-10)(tests.p_non_inferiority)


def test_the_floor_lifts_a_variance_and_says_so():
    flat = np.log([[100.0, 100.0, 100.0], [101.0, 101.0, 101.0]])
    lifted = estimate_from_rounds(flat, floor=1e-6)
    assert lifted.at_floor
    assert lifted.variance == pytest.approx(1e-6)
    assert lifted.error == pytest.approx(2e-6 / 3)
    assert estimate_two_groups(flat, floor=1e-6).at_floor


def test_one_run_has_no_variance():
    one = np.log([[100.0], [101.0]])
    for estimate in (estimate_from_rounds(one), estimate_two_groups(one)):
        assert np.isnan(estimate.error)
        assert np.isnan(judged(estimate).p_difference)


def test_one_side_without_spread_has_the_other_sides_df():
    means = np.full((2, 4), np.nan)
    means[0, :3], means[1] = 1.0, [1.0, 1.1, 1.2, 1.3]
    assert estimate_two_groups(means).df == pytest.approx(3)


def test_loss_is_tested_in_the_direction_that_matters():
    estimate = estimate_from_rounds(np.stack([NEW_RUNS, REFERENCE_RUNS]))
    assert judged(estimate, margin=0.02, direction=1).p_non_inferiority < 0.001
    assert judged(estimate, margin=0.02, direction=-1).p_non_inferiority > 0.5
    assert np.isnan(judged(estimate, margin=0.02, direction=0).p_non_inferiority)


@given(st.lists(st.tuples(st.floats(0.5, 2), st.floats(0.5, 2)), min_size=2, max_size=9))
def test_swapping_the_sides_mirrors_every_number(values):
    means = np.log(np.array(values).T)
    for estimator in (estimate_from_rounds, estimate_two_groups):
        one, other = estimator(means), estimator(means[::-1])
        assert one.change == pytest.approx(-other.change, abs=1e-12)
        assert one.error == pytest.approx(other.error, rel=1e-9, abs=1e-15)
        left, right = judged(one, margin=0.02), judged(other, margin=0.02, direction=-1)
        for name in ("p_difference", "p_equivalence", "p_non_inferiority"):
            assert getattr(left, name) == pytest.approx(getattr(right, name), rel=1e-6, nan_ok=True)
