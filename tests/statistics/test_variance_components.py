"""The spread between sessions: by hand, by its intervals over many made-up benches, and by what must not matter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gpubench_kit.statistics.variance_components import SessionSquares, sd_interval, session_spread


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
