"""The spread between sessions: by hand, by its intervals over many made-up benches, and by what must not matter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from run_tables import make_plan
from scipy import stats

from gpubench_kit.statistics.restarts import (
    RestartSpread,
    SessionSquares,
    restart_spread,
    sd_interval,
    session_spread,
    tipping_point,
)
from gpubench_kit.statistics.testing import Uncertainty, half_width


def _squares(means: np.ndarray, *, n: int, noise: float, noise_df: float = 1e6) -> SessionSquares:
    """Return squares from means of shape (groups, games, sessions), n runs in each."""
    groups, games, sessions = means.shape
    squares = n * ((means - means.mean(axis=2, keepdims=True)) ** 2).sum(axis=2).ravel()
    count = groups * games
    return SessionSquares(
        squares=squares,
        weight=np.full(count, float(n * sessions - n)),
        df=np.full(count, sessions - 1.0),
        noise=np.full(count, noise),
        noise_df=np.full(count, noise_df),
        noise_id=np.tile(np.arange(games), groups),
        group=np.repeat(np.arange(groups), games),
    )


def _benches(spread: float, *, runs: int, shape: tuple[int, int, int], shared: bool, n: int = 3):
    """Yield what is found on many made-up benches whose runs have the noise 1."""
    rng = np.random.default_rng(7)
    groups, games, sessions = shape
    for _ in range(runs):
        restart = spread * rng.standard_normal((groups, 1 if shared else games, sessions))
        means = restart + rng.standard_normal(shape) / np.sqrt(n)
        yield session_spread(_squares(means, n=n, noise=1.0))


def test_one_game_in_two_sessions_by_hand():
    # Means 100 and 104 of 2 runs each: squares 2 (2^2 + 2^2) = 16, 1 df; noise 2; (16 - 2) / 2 = 7.
    found = session_spread(_squares(np.array([[[100.0, 104.0]]]), n=2, noise=2.0))
    assert found.sd == pytest.approx(np.sqrt(7))
    assert found.whole_sd == pytest.approx(np.sqrt(8))
    assert found.restarts == 2
    # With one df the interval of the mean square 16 reaches from 16 / 5.0239 to 16 / 0.00098207.
    assert found.low == pytest.approx(np.sqrt((16 / 5.0239 - 2) / 2), rel=1e-4)
    assert found.high == pytest.approx(np.sqrt((16 / 0.00098207 - 2) / 2), rel=1e-3)


def test_means_that_agree_better_than_their_noise_show_no_spread():
    found = session_spread(_squares(np.array([[[1.0, 1.0, 1.0]]]), n=2, noise=2.0))
    assert (found.sd, found.df, found.low) == (0.0, 0.0, 0.0)


def test_nothing_measured_twice_gives_nothing():
    assert session_spread(_squares(np.zeros((0, 0, 2)), n=2, noise=1.0)) is None


def test_many_games_do_not_add_restarts():
    rng = np.random.default_rng(1)
    one = rng.standard_normal((3, 1, 4))
    few, many = (session_spread(_squares(np.repeat(one, games, axis=1), n=3, noise=1e-9)) for games in (1, 20))
    assert few.restarts == many.restarts == 10
    assert many.df == pytest.approx(few.df) == pytest.approx(9.0)
    assert (many.sd, many.low, many.high) == pytest.approx((few.sd, few.low, few.high))


def test_the_unit_of_the_values_only_scales_the_spread():
    means = np.random.default_rng(2).standard_normal((2, 3, 4))
    one, other = (
        session_spread(_squares(means, n=2, noise=0.4)),
        session_spread(_squares(10 * means, n=2, noise=40.0)),
    )
    assert (other.sd, other.low, other.high) == pytest.approx((10 * one.sd, 10 * one.low, 10 * one.high))
    assert other.df == pytest.approx(one.df)


@pytest.mark.parametrize("shared", [True, False], ids=["all games together", "each game alone"])
@pytest.mark.parametrize("spread", [0.0, 0.3, 0.6, 2.0])
def test_intervals_hold_the_true_spread_as_often_as_they_say(spread, shared):
    found = list(_benches(spread, runs=300, shape=(3, 8, 4), shared=shared))
    held = np.mean([one.low <= spread <= one.high for one in found])
    # 0.95 less three standard errors of 300 tries; what is too careful is allowed where games move apart.
    assert held >= 0.912


def test_the_variance_between_sessions_is_not_biased():
    found = [one.sd**2 for one in _benches(0.6, runs=400, shape=(4, 6, 4), shared=True)]
    assert np.mean(found) == pytest.approx(0.36, abs=0.03)


def test_degrees_of_freedom_fit_the_scatter_of_the_variance():
    found = list(_benches(1.0, runs=400, shape=(3, 6, 4), shared=True))
    variances = np.array([one.sd**2 for one in found])
    assert np.median([one.df for one in found]) == pytest.approx(
        2 * variances.mean() ** 2 / variances.var(), rel=0.25
    )


def test_the_interval_of_a_standard_deviation_is_that_of_a_chi_squared_variance():
    # Five runs, sd 1: from sqrt(4 / 11.1433) to sqrt(4 / 0.484419).
    low, high = sd_interval(np.array([1.0, 1.0]), df=np.array([4.0, 0.0]))
    assert (low[0], high[0]) == pytest.approx((0.599137, 2.873575), rel=1e-5)
    assert np.isnan(low[1])
    assert np.isnan(high[1])


def test_one_game_far_noisier_than_the_others_does_not_drown_them():
    rng = np.random.default_rng(3)
    noise = np.array([1.0] * 6 + [144.0])
    found = []
    for _ in range(100):
        restart = 0.6 * rng.standard_normal((3, 1, 4))
        means = restart + np.sqrt(noise / 3)[:, None] * rng.standard_normal((3, 7, 4))
        squares = _squares(means, n=3, noise=1.0)
        found.append(session_spread(replace(squares, noise=np.tile(noise, 3))))
    assert np.sqrt(np.mean([one.sd**2 for one in found])) == pytest.approx(0.6, abs=0.06)
    assert np.mean([one.low <= 0.6 <= one.high for one in found]) >= 0.9
    assert np.median([one.df for one in found]) > 5


@pytest.mark.parametrize(
    ("stated", "wanted"),
    [
        ({}, None),
        ({"avg_fps": 0.5, "restarts": 1}, None),
        ({"board_w": 0.5, "restarts": 0}, None),
        ({"avg_fps": 0.5}, RestartSpread(0.005, 0)),
        ({"avg_fps": 0.5, "restarts": 2}, RestartSpread(0.005, 2)),
    ],
)
def test_the_spread_is_that_of_the_plan(stated, wanted):
    assert restart_spread(make_plan(restart_spread=stated), "avg_fps") == wanted


def test_a_spread_on_the_difference_scale_is_in_the_unit():
    plan = make_plan(restart_spread={"core_c": 0.5, "restarts": 0})
    assert restart_spread(plan, "core_c").sd == 0.5


def test_the_difference_of_two_blocks_has_the_spread_of_two_restarts():
    measured, assumed = RestartSpread(0.003, 4), RestartSpread(0.003, 0)
    assert measured.variance == pytest.approx(2 * 0.003**2)
    assert (measured.df, assumed.df) == (3, np.inf)


def test_the_tipping_point_by_hand():
    found = tipping_point(0.02, Uncertainty(np.array(1e-5), np.array(4.0)), level=0.05)
    half = stats.t.ppf(0.975, 4) * np.sqrt(1e-5)
    assert found.bench_change == pytest.approx(0.02 - half)
    assert found.restart_spread == pytest.approx(np.sqrt((0.02**2 - half**2) / 2) / stats.norm.ppf(0.975))


@pytest.mark.parametrize("restarts", [2, 3, 6])
def test_a_measured_spread_below_the_tipping_point_leaves_the_verdict(restarts):
    noise = Uncertainty(np.array(1e-5), np.array(4.0))
    tipping = float(tipping_point(0.05, noise, level=0.05).restart_spread)
    factor = stats.t.ppf(0.975, restarts - 1) / stats.norm.ppf(0.975)
    for share in (0.999, 1.001):
        spread = RestartSpread(share * tipping / factor, restarts)
        found = Uncertainty(noise.error, noise.df, spread.variance, spread.df)
        assert (half_width(0.05, found) < 0.05) == (share < 1)


def test_what_noise_alone_explains_has_a_tipping_point_of_0():
    found = tipping_point(np.array([0.001, -0.01]), Uncertainty(np.full(2, 1e-5), np.full(2, 4.0)), level=0.05)
    assert found.bench_change.tolist() == found.restart_spread.tolist() == [0, 0]
