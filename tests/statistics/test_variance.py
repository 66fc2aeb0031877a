"""Own and borrowed variance, the floor, and the inverse of trigamma."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import polygamma

from gpubench_kit.statistics.adapters import f_quantile
from gpubench_kit.statistics.variance import moments, resolution_variance, shrink_variance, trigamma_inverse

REFERENCE = Path(__file__).parents[1] / "reference"

VARIANCES = np.array([0.11, 0.35, 0.52, 0.08, 1.90, 0.27, 0.61, 0.44, 0.19, 0.80])


def test_trigamma_inverse_undoes_trigamma():
    y = np.geomspace(1e-3, 1e6, 60)
    assert trigamma_inverse(polygamma(1, y)) == pytest.approx(y, rel=1e-10)


def test_moments_skip_what_is_not_there():
    got = moments(np.array([[1.0, 2.0, np.nan], [5.0, np.nan, np.nan], [np.nan] * 3]))
    assert got.n.tolist() == [2, 1, 0]
    assert got.mean == pytest.approx([1.5, 5.0, np.nan], nan_ok=True)
    assert got.variance == pytest.approx([0.5, np.nan, np.nan], nan_ok=True)


def test_resolution_variance_is_that_of_a_uniform_error():
    assert resolution_variance(np.array([0.1, 0.0]), 50.0) == pytest.approx([(0.1 / 50) ** 2 / 12, 0.0])


def test_four_degrees_of_freedom_give_the_published_variances():
    got = shrink_variance(VARIANCES, np.full(10, 4))
    wanted = [0.233443, 0.353443, 0.438443, 0.218443, 1.9, 0.313443, 0.483443, 0.398443, 0.273443, 0.578443]
    assert got.estimated_prior_df == pytest.approx(9.09237212, abs=1e-6)
    assert got.prior_df == pytest.approx(4)
    assert got.prior_variance == pytest.approx(0.35688620, abs=1e-7)
    assert got.variance == pytest.approx(wanted, abs=1e-6)
    assert got.df.tolist() == [8, 8, 8, 8, 4, 8, 8, 8, 8, 8]
    assert got.borrowed.tolist() == [True] * 4 + [False] + [True] * 5


def test_two_degrees_of_freedom_give_the_published_variances():
    got = shrink_variance(VARIANCES, np.full(10, 2))
    assert np.isinf(got.estimated_prior_df)
    assert got.prior_df == pytest.approx(2)
    assert got.borrowed.all()
    assert got.variance[4] == pytest.approx(1.128443, abs=1e-6)
    assert got.df == pytest.approx(4)


def test_unequal_degrees_of_freedom_give_the_published_variances():
    got = shrink_variance(VARIANCES, np.array([2, 2, 2, 2, 2, 2, 4, 4, 1, 9]))
    wanted = [0.226745, 0.346745, 0.431745, 0.211745, 1.121745, 0.306745, 0.538426, 0.453426, 0.180873, 0.8]
    assert got.variance == pytest.approx(wanted, abs=1e-6)
    assert got.df.tolist() == [4, 4, 4, 4, 4, 4, 8, 8, 2, 9]


@pytest.mark.parametrize(("df", "guard"), [(4, 1.465821), (2, 3.211976)])
def test_a_game_stands_alone_beyond_the_published_guard(df, guard):
    got = shrink_variance(VARIANCES, np.full(10, df))
    limit = got.prior_variance * f_quantile(0.90, df, got.prior_df)
    assert limit == pytest.approx(guard, abs=1e-6)
    assert (got.borrowed == (limit >= VARIANCES)).all()


def test_without_cap_and_own_rule_it_is_the_moderated_variance():
    got = shrink_variance(VARIANCES, np.full(10, 4), cap=None, own_rule=False)
    assert got.prior_df == pytest.approx(9.09237212, abs=1e-6)
    assert got.prior_variance == pytest.approx(0.41729130, abs=1e-7)
    flat = shrink_variance(VARIANCES, np.full(10, 2), cap=None, own_rule=False)
    assert flat.variance == pytest.approx(0.527)
    assert flat.df == pytest.approx(20)


def reference_priors():
    """Yield one family of games for each case, metric, method and tuning of R's moderated variances."""
    table = pd.read_csv(REFERENCE / "prior.csv", comment="#", keep_default_na=False)
    for key, family in table.groupby(["case", "metric", "method", "arm"]):
        if len(family) >= 6:
            yield pytest.param(family, id="-".join(key))


@pytest.mark.parametrize("family", list(reference_priors()))
def test_without_cap_and_own_rule_it_agrees_with_r(family):
    numbers = family[["s2", "df_residual", "s2_prior", "df_prior", "s2_post", "df_total"]]
    own, df, prior, prior_df, after, total = numbers.astype(float).to_numpy().T
    # R moderates a game without any spread too; here it is held at its floor and left out before.
    guarded = np.maximum(own, 1e-5 * np.median(own))
    got = shrink_variance(guarded, df, cap=None, own_rule=False)
    assert got.prior_variance == pytest.approx(prior, rel=1e-6)
    assert got.prior_df == pytest.approx(prior_df, rel=1e-4)
    spread = own > 1e-5 * np.median(own)
    assert got.variance[spread] == pytest.approx(after[spread], rel=1e-6)
    assert got.df == pytest.approx(total, rel=1e-4)


def test_fewer_than_six_games_do_not_borrow():
    got = shrink_variance(VARIANCES[:5], np.full(5, 4))
    assert not got.borrowed.any()
    assert got.variance == pytest.approx(VARIANCES[:5])
    assert np.isnan(got.prior_df).all()


def test_a_game_left_out_changes_no_other():
    with_flat = shrink_variance(np.append(VARIANCES, 1e-9), np.full(11, 4), eligible=np.arange(11) < 10)
    alone = shrink_variance(VARIANCES, np.full(10, 4))
    assert with_flat.variance[:10] == pytest.approx(alone.variance, rel=1e-14)
    assert with_flat.variance[10] == 1e-9
    assert not with_flat.borrowed[10]


def test_families_are_independent_of_each_other():
    both = shrink_variance(np.stack([VARIANCES, VARIANCES[::-1] * 7]), np.full((2, 10), 4))
    alone = shrink_variance(VARIANCES[::-1] * 7, np.full(10, 4))
    assert both.variance[1] == pytest.approx(alone.variance, rel=1e-14)


@given(st.lists(st.floats(0.01, 100), min_size=6, max_size=30), st.integers(1, 7), st.floats(0.001, 1000))
def test_borrowing_does_not_depend_on_the_unit(variances, df, factor):
    variances = np.array(variances)
    plain = shrink_variance(variances, np.full(len(variances), df))
    scaled = shrink_variance(variances * factor, np.full(len(variances), df))
    assert scaled.variance == pytest.approx(plain.variance * factor, rel=1e-6)
    assert scaled.df == pytest.approx(plain.df, rel=1e-6)


@given(st.lists(st.floats(0.01, 100), min_size=6, max_size=30), st.integers(1, 12))
def test_the_others_never_count_for_more_than_the_own_runs(variances, df):
    got = shrink_variance(np.array(variances), np.full(len(variances), df))
    assert np.all(got.prior_df <= min(4, df) + 1e-12)
    assert np.all(got.df <= 2 * df)
    assert got.borrowed.any() or df >= 8 or len(set(variances)) > 1
