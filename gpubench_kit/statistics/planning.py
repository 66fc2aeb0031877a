"""What a number of runs can show: chances of a verdict, runs needed, smallest detectable difference.

Everything follows from one ratio, the true size against the standard error ``sigma * sqrt(2 / n)``,
where ``sigma`` is the run-to-run standard deviation of one tuning (of ln y on the ratio scale, of y
in the metric's unit on the difference scale) and ``n`` the runs per tuning. Observed differences
never enter: a plan made from them would bias the next look.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from gpubench_kit.statistics.adapters import chi2_quantile, find_root, gauss_legendre, normal_cdf, t_quantile

#: Rounds of the default plan, the fewest that a plan is cut down to, and the most that are feasible.
DEFAULT_ROUNDS, FEWEST_ROUNDS, MOST_ROUNDS = 4, 3, 16
#: Chance with which a plan wants to reach its verdict.
POWER = 0.8

_BORROWED_DF = 4
_OWN_DF_ENOUGH = 8
_NODES = 400
_NINETEEN_IN_TWENTY = 1.645


@dataclass(frozen=True)
class PlannedRounds:
    """Rounds of every game of a plan.

    Attributes
    ----------
    rounds : from 3 to 16
    share : of the games that differ by nothing or by the margin or more, the share that they will decide
    is_overall_decided : whether they decide the result over games
    """

    rounds: int
    share: float
    is_overall_decided: bool


def degrees_of_freedom(n, *, borrowing: bool = False, in_blocks: bool = False):
    """Return the degrees of freedom that a plan counts with.

    Parameters
    ----------
    n : runs per tuning, number or array
    borrowing : whether the other games' noise is borrowed
    in_blocks : whether blocks are the units, each side for itself; they borrow nothing

    Returns
    -------
    Array shaped as ``n``: n - 1; with borrowing n - 1 + min(4, n - 1) while n - 1 is below 8; blocks 2 (n - 1).
    """
    own = np.asarray(n, dtype=float) - 1
    if in_blocks or not borrowing:
        return 2 * own if in_blocks else own
    return np.where(own < _OWN_DF_ENOUGH, own + np.minimum(_BORROWED_DF, own), own)


def chance_of_difference(effect, sigma, *, n, level: float = 0.05, df=None):
    """Return the chance that a true effect is found to differ from zero.

    Parameters
    ----------
    effect : true difference, natural log (ratio scale) or unit (difference scale)
    sigma : run-to-run standard deviation of one tuning, same scale, above 0
    n, level : runs per tuning; two-sided level of the test
    df : degrees of freedom; default those of ``n`` own rounds (`degrees_of_freedom`)

    Returns
    -------
    Array, broadcast over all inputs; chance from 0 to 1.

    Notes
    -----
    ``E_q[Phi(effect/se - c q) + Phi(-effect/se - c q)]`` with ``q = sqrt(chi2_df / df)`` and
    ``c = t(1 - level/2, df)``, integrated by 400-point Gauss-Legendre: the noncentral t
    distribution without its numerical holes.
    """
    return _chance("difference", np.asarray(effect) / _standard_error(sigma, n), 0.0, (_df(df, n), level))


def chance_of_same(effect, sigma, *, margin, n, level: float = 0.05, df=None):
    """Return the chance that two one-sided tests put the difference inside the margin.

    Parameters
    ----------
    effect, sigma, n, df : as in `chance_of_difference`
    margin : smallest difference that matters, same scale as ``effect``, above 0
    level : level of each one-sided test

    Returns
    -------
    Array, broadcast over all inputs.

    References
    ----------
    Phillips, K. F. (1990). Power of the two one-sided tests procedure in bioequivalence.
    doi:10.1007/BF01063556
    """
    return _chance_against_margin("same", (effect, margin, _standard_error(sigma, n)), (_df(df, n), level))


def chance_of_not_worse(effect, sigma, *, margin, n, level: float = 0.05, df=None):
    """Return the chance that a loss as large as the margin is ruled out.

    ``effect`` (above 0: better), ``sigma, margin, n, level, df`` and result are as in `chance_of_same`.
    """
    return _chance_against_margin("not_worse", (effect, margin, _standard_error(sigma, n)), (_df(df, n), level))


def detectable_difference(sigma, *, n, level: float = 0.05, df=None, power: float = POWER):
    """Return the smallest true difference that is found with the wanted chance.

    Parameters
    ----------
    sigma, n, level, df : as in `chance_of_difference`; sigma may be 0
    power : wanted chance

    Returns
    -------
    Array, broadcast over all inputs, in the scale of ``sigma``; nan where there is no df.
    """
    return _ratios("difference", _df(df, n), (level, power)) * _standard_error(sigma, n)


def margin_shown(sigma, *, n=12, level: float = 0.05, df=None, power: float = POWER):
    """Return the smallest margin for which "no difference" would be shown if there is none.

    ``sigma, n, level, df, power`` and result are as in `detectable_difference`.
    """
    return _ratios("same", _df(df, n), (level, power)) * _standard_error(sigma, n)


def level_of_game(level: float, *, adjust: str, comparisons: int) -> float:
    """Return the level that the table of games leaves to one game that is like the others.

    Parameters
    ----------
    level : of the look
    adjust, comparisons : how the table is adjusted, and for how many comparisons

    Notes
    -----
    Benjamini and Hochberg (1995) test at ``level`` times the share that is decided: 80 % is what a plan wants.
    """
    shares = {"none": 1.0, "holm": 1 / max(comparisons, 1), "fdr_bh": POWER}
    return level * (shares[adjust] if comparisons > 1 else 1.0)


def chance_decided(sigma, *, margin, n, level: float, df=None):
    """Return the chance that a comparison is decided where nothing, or just the margin, is there: the smaller one.

    ``sigma, margin, n, level, df`` and result are as in `chance_of_same`.
    """
    options = {"n": n, "level": level, "df": df}
    same = chance_of_same(0.0, sigma, margin=margin, **options)
    return np.minimum(same, chance_of_difference(margin, sigma, **options))


def rounds_to_decide(
    sigma, margin, *, level: float = 0.05, borrowing: bool = False, in_blocks: bool = False
) -> int | None:
    """Return the rounds (or blocks of each side) that decide a game with a chance of 80 %.

    Parameters
    ----------
    sigma : run-to-run standard deviation of one tuning
    margin : smallest difference that matters, in the scale of ``sigma``
    level : level of the test
    borrowing, in_blocks : as in `degrees_of_freedom`

    Returns
    -------
    int from 2 to 16. None above that, or where noise or margin is not known.

    Notes
    -----
    Decided is a game that differs by nothing or by the margin or more; see `chance_decided`.
    """
    if sigma is None or margin is None or not (0 <= sigma < np.inf and 0 < margin < np.inf):
        return None
    enough = sigma <= margin * _noise_limits(float(level), bool(borrowing), bool(in_blocks))
    return int(enough.argmax()) + 2 if enough.any() else None


def rounds_to_plan(
    sigmas, margin: float, *, level: float, borrowing: bool = False, overall: tuple = ((), 0.05)
) -> PlannedRounds:
    """Return the rounds of a plan made from a pilot, and what they are expected to decide.

    Parameters
    ----------
    sigmas : the pilot's own run-to-run standard deviation of each game: neither its upper limit nor borrowed, for
        the spread of these over the games is the caution
    margin : smallest difference that matters, in the scale of ``sigmas``
    level : level that the table of games leaves to a game
    borrowing : whether games will borrow noise from each other
    overall : variances of the games of the overall result, and the level of that result

    Returns
    -------
    PlannedRounds

    Notes
    -----
    The smallest number with which 80 % of the games are decided, on average, and the overall result shows a
    difference of the margin or none with 95 %. Where no feasible number does both, that of the overall result
    counts, and at least the default of 4; where it stays open, that of the games; else the default.
    """
    rounds = np.arange(FEWEST_ROUNDS, MOST_ROUNDS + 1)
    df = degrees_of_freedom(rounds, borrowing=borrowing)
    safe = np.maximum(np.asarray(sigmas, dtype=float), margin * 1e-9)[:, None]
    share = chance_decided(safe, margin=margin, n=rounds, level=level, df=df).mean(axis=0)
    variances, member_level = overall
    whole = np.array([overall_decided(variances, margin=margin, n=int(n), level=member_level) for n in rounds])
    default = DEFAULT_ROUNDS - FEWEST_ROUNDS
    if (both := whole & (share >= POWER)).any():
        place = int(both.argmax())
    elif whole.any():
        place = max(int(whole.argmax()), default)
    else:
        place = int((share >= POWER).argmax()) if (share >= POWER).any() else default
    return PlannedRounds(int(rounds[place]), float(share[place]), bool(whole[place]))


def overall_decided(variances, *, margin: float, n: int, level: float) -> bool:
    """Return whether a result over games will be decided, with 95 %, where nothing or the margin is there.

    Parameters
    ----------
    variances : run-to-run variance of each game; none: nothing to decide, so true
    margin, n, level : smallest difference that matters; rounds of each game; level of the result

    Notes
    -----
    ``(t(1 - level/2, nu) + 1.645) sqrt(V) <= margin``, nu three quarters of Satterthwaite's (1946), which few
    rounds of unequal games overrate.
    """
    variances = np.asarray(variances, dtype=float)
    if not len(variances) or not variances.any():
        return True
    df = 0.75 * (n - 1) * variances.sum() ** 2 / np.sum(variances**2)
    error = np.sqrt(2 * variances.sum() / n) / len(variances)
    return bool((t_quantile(1 - level / 2, df) + _NINETEEN_IN_TWENTY) * error <= margin)


def cautious_sigma(sigma, *, df):
    """Return the upper 80 % limit of a standard deviation, for planning from a pilot.

    Parameters
    ----------
    sigma : estimated run-to-run standard deviation
    df : its degrees of freedom

    Returns
    -------
    Array: ``sigma * sqrt(df / chi2(0.20, df))``; nan where df is 0
    """
    df = np.asarray(df, dtype=float)
    usable = np.where(df > 0, df, np.nan)
    return np.asarray(sigma) * np.sqrt(usable / chi2_quantile(0.20, usable))


def overall_half_width(variances, *, n: int, spread_of_games: float | None = None, level: float = 0.05) -> float:
    """Return the half-width that the overall interval of a plan will have.

    Parameters
    ----------
    variances : run-to-run variance of each game
    n : rounds of each game
    spread_of_games : None for the scope "in these games"; for "in games like these" the standard
        deviation of the true difference between games
    level : two-sided level

    Returns
    -------
    float, in the scale of the variances' root; nan where there are too few rounds or games. Where
    ``spread_of_games**2`` is above ``2 * mean(variances) / n`` more games help, more runs do not.
    """
    variances = np.asarray(variances, dtype=float)
    games = len(variances)
    if games == 0 or n < 1:
        return float("nan")
    variance, df = 2 * variances.mean() / (n * games), games - 1.0
    if spread_of_games is None:
        squares = np.sum(variances**2)
        df = (n - 1) * (variances.sum() ** 2 / squares if squares > 0 else 1.0)
    else:
        variance += spread_of_games**2 / games
    return float(t_quantile(1 - level / 2, df) * np.sqrt(variance))


def _standard_error(sigma, n):
    """Return the standard error of the difference of two means of n runs."""
    return np.asarray(sigma, dtype=float) * np.sqrt(2 / np.asarray(n, dtype=float))


def _df(df, n):
    """Return the df given, or those of n own rounds."""
    return degrees_of_freedom(n) if df is None else df


def _chance_against_margin(question: str, sizes: tuple, test: tuple):
    """Return the chance of an outcome that needs a margin; sizes = (effect, margin, standard error)."""
    effect, margin, error = (np.asarray(one, dtype=float) for one in sizes)
    return _chance(question, margin / error, effect / error, test)


def _chance(question: str, size, shift, test: tuple):
    """Return the chance of one outcome; size and shift in standard errors, test = (df, level)."""
    df, level = test
    size, shift, df = np.broadcast_arrays(np.asarray(size, float), np.asarray(shift, float), np.asarray(df, float))
    tail = level / 2 if question == "difference" else level
    values, places = np.unique(df, return_inverse=True)
    rows = np.array([_scale_row(float(value)) for value in values])
    scales = rows[places.reshape(df.shape)]
    bound = t_quantile(1 - tail, df)[..., None] * scales
    size, shift = size[..., None], shift[..., None]
    if question == "difference":
        chances = normal_cdf(size - bound) + normal_cdf(-size - bound)
    elif question == "same":
        chances = np.maximum(0, normal_cdf(size - shift - bound) - normal_cdf(bound - size - shift))
    else:
        chances = normal_cdf(size + shift - bound)
    return chances @ gauss_legendre(_NODES)[1]


@lru_cache(maxsize=4096)
def _scale_row(df: float) -> np.ndarray:
    """Return ``sqrt(chi2 / df)`` at the points of the integral; nan without df."""
    points, _ = gauss_legendre(_NODES)
    return np.sqrt(chi2_quantile(points, df) / df) if df > 0 else np.full(_NODES, np.nan)


def _ratios(question: str, df, wanted: tuple) -> np.ndarray:
    """Return, for each df, the size in standard errors that reaches the wanted chance."""
    values, places = np.unique(np.asarray(df, dtype=float), return_inverse=True)
    return _ratios_of(question, tuple(values), wanted)[places].reshape(np.shape(df))


@lru_cache(maxsize=4096)
def _ratios_of(question: str, values: tuple, wanted: tuple) -> np.ndarray:
    """Return the sizes in standard errors that reach the wanted chance with some df; nan without df."""
    (level, power), df = wanted, np.array(values)
    usable = np.where(df > 0, df, np.nan)
    # The scale q exceeds 10 with a chance below 1e-22, so this end is out of reach.
    highest = 10 * t_quantile(1 - level / 2, usable) + 10
    return find_root(lambda size: _chance(question, size, 0.0, (usable, level)) < power, np.zeros(len(df)), highest)


@lru_cache(maxsize=64)
def _noise_limits(level: float, borrowing: bool, in_blocks: bool) -> np.ndarray:
    """Return the largest sigma / margin that n = 2 ... 16 rounds can decide."""
    n = np.arange(2, MOST_ROUNDS + 1)
    df = degrees_of_freedom(n, borrowing=borrowing, in_blocks=in_blocks)
    ratio = np.maximum(_ratios("same", df, (level, POWER)), _ratios("difference", df, (level, POWER)))
    return 1 / (ratio * np.sqrt(2 / n))


def chance_of_verdict(effect, sigma, *, margin, n, level: float = 0.05, df=None):
    """Return the chance that a comparison is not left undecided.

    Parameters
    ----------
    effect : true difference, natural log (ratio scale) or unit (difference scale)
    sigma : run-to-run standard deviation of one tuning, same scale, above 0
    margin : smallest difference that matters, same scale
    n : runs per tuning
    level : level of the test against zero, and of each one-sided test against the margin
    df : degrees of freedom; default those of ``n`` own rounds

    Returns
    -------
    Array, broadcast over all inputs; chance from 0 to 1.

    Notes
    -----
    Decided is what differs from zero or lies inside the margin. For an estimate of the noise
    ``q sigma`` the two leave no gap once ``(c_zero + c_margin) q se <= margin``; before that they
    exclude each other, so their chances add. ``q`` is integrated over as in
    `chance_of_difference`.
    """
    error = _standard_error(sigma, n)
    effect, margin, df = np.broadcast_arrays(
        np.asarray(effect) / error, np.asarray(margin) / error, np.asarray(_df(df, n), dtype=float)
    )
    points, weights = gauss_legendre(_NODES)
    scale = np.sqrt(chi2_quantile(points, df[..., None]) / df[..., None])
    zero = t_quantile(1 - level / 2, df)[..., None] * scale
    inside = margin[..., None] - t_quantile(1 - level, df)[..., None] * scale
    shift = effect[..., None]
    differs = normal_cdf(shift - zero) + normal_cdf(-shift - zero)
    same = np.maximum(0, normal_cdf(inside - shift) - normal_cdf(-inside - shift))
    # The weights add up to 1 but for rounding.
    return np.minimum(np.where(zero <= inside, 1.0, differs + same) @ weights, 1.0)
