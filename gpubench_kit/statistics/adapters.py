"""The only calls to scipy, statsmodels and pingouin: names, signs and defaults are translated here."""

from __future__ import annotations

from contextlib import contextmanager
from functools import lru_cache

import numpy as np

from gpubench_kit.processes import loaded_when_used

#: Each takes up to a second and tens of megabytes, and most of what the kit does needs none of them.
special = loaded_when_used("scipy.special")
optimize = loaded_when_used("scipy.optimize")
csgraph = loaded_when_used("scipy.sparse.csgraph")
sparse = loaded_when_used("scipy.sparse")
special = loaded_when_used("scipy.special")
proportion = loaded_when_used("statsmodels.stats.proportion")
rates = loaded_when_used("statsmodels.stats.rates")
pingouin = loaded_when_used("pingouin")

_HALVINGS = 56


def normal_cdf(x: np.ndarray | float):
    """Return the standard normal distribution function."""
    return special.ndtr(x)


def normal_quantile(p: np.ndarray | float):
    """Return the p-quantile of the standard normal distribution."""
    return special.ndtri(p)


def t_quantile(p: np.ndarray | float, df: np.ndarray | float):
    """Return the p-quantile of Student's t; nan where df is not above 0; df may be infinite."""
    return special.stdtrit(df, p)


def t_tail(x: np.ndarray | float, df: np.ndarray | float):
    """Return the chance that Student's t exceeds x; df may be infinite, nan stays nan."""
    # The lower tail of -x: 1 - stdtr(df, x) would lose all digits of a small chance.
    return special.stdtr(df, -np.asarray(x, dtype=float))


def f_quantile(p: float, df_above: np.ndarray, df_below: np.ndarray):
    """Return the p-quantile of the F distribution; nan where a df is not above 0."""
    return special.fdtri(df_above, df_below, p)


def digamma(x: np.ndarray | float):
    """Return the first derivative of the log of the gamma function."""
    return special.digamma(x)


def trigamma(x: np.ndarray | float):
    """Return the second derivative of the log of the gamma function."""
    return special.polygamma(1, x)


def tetragamma(x: np.ndarray | float):
    """Return the third derivative of the log of the gamma function."""
    return special.polygamma(2, x)


def chi2_quantile(p: np.ndarray | float, df: np.ndarray | float):
    """Return the p-quantile of chi-squared; nan where df is not above 0."""
    half = np.where(np.asarray(df, dtype=float) > 0, df, np.nan) / 2
    return 2 * special.gammaincinv(half, p)


def chi2_cdf(x: np.ndarray | float, df: np.ndarray | float):
    """Return the distribution function of chi-squared."""
    return special.chdtr(df, x)


def find_root(is_below, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return where a condition that holds from the low ends on stops to hold, by halving; arrays of one shape.

    Parameters
    ----------
    is_below : from numbers between the ends to truth values
    low, high : ends; the result is known to a 10^17th of their distance
    """
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        below = is_below(middle)
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (low + high) / 2


def connected_parts(count: int, links: list[tuple[np.ndarray, np.ndarray]]) -> np.ndarray:
    """Return the number of the connected part that each of some things belongs to.

    Parameters
    ----------
    count : how many things there are
    links : pairs of arrays: a thing, and the id (from 0) of a link that it hangs on; ids of two pairs of
        arrays are not the same
    """
    start, things, ids = 0, [], []
    for thing, link in links:
        things.append(thing)
        ids.append(link + start)
        start += int(link.max(initial=-1)) + 1
    if not start:
        return np.arange(count)
    thing, link = np.concatenate(things), np.concatenate(ids)
    low, high = np.full(start, count), np.full(start, -1)
    np.minimum.at(low, link, thing)
    np.maximum.at(high, link, thing)
    if (low == high).all():
        return np.arange(count)
    graph = sparse.coo_array((np.ones(len(link)), (thing, link + count)), shape=(count + start, count + start))
    return csgraph.connected_components(graph, directed=False)[1][:count].astype(np.int64)


def least_squares_not_negative(columns: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return coefficients, none below zero, whose combination of the columns is nearest to the values."""
    return optimize.nnls(columns, values)[0]


def linear_minimum(aim: np.ndarray, rows: np.ndarray, *, low: np.ndarray, high: np.ndarray) -> float:
    """Return the least ``aim @ x`` over ``rows @ x <= 0`` and ``low <= x <= high``; nan where there is no such x.

    What has no least value gives minus infinity.
    """
    bounds = np.column_stack([low, high])
    found = optimize.linprog(aim, A_ub=rows, b_ub=np.zeros(len(rows)), bounds=bounds, method="highs")
    if found.status == 3:
        return float("-inf")
    return float(found.fun) if found.status == 0 else float("nan")


def poisson_rate_upper(failures: int, hours: float, *, confidence: float = 0.95) -> float:
    """Return the exact one-sided upper limit of a failure rate per hour (Garwood 1936)."""
    # The library's interval is two-sided: the outer tails of 2 (1 - confidence) hold one side each.
    return float(rates.confint_poisson(failures, hours, method="exact-c", alpha=2 * (1 - confidence))[1])


def share_upper(failures: int, runs: int, *, confidence: float) -> float:
    """Return the exact one-sided upper limit of a share (Clopper and Pearson 1934)."""
    return float(proportion.proportion_confint(failures, runs, alpha=2 * (1 - confidence), method="beta")[1])


def two_sample_t_test(of, against, *, paired: bool, confidence: float = 0.95) -> tuple[float, float, float]:
    """Return p-value and both ends of the interval of a t test: paired, pooled for equal counts, else Welch's.

    Parameters
    ----------
    of, against : sequences of numbers; of one length where ``paired``
    paired : whether the numbers at one place of both belong together
    confidence : of the interval

    Returns
    -------
    tuple of float: two-sided p, low, high, with full precision: the library's rounding is switched off meanwhile
    """
    # "auto" is the rule wanted here: pooled for equal counts, Welch (1947) for unequal ones.
    correction = False if paired else "auto"
    with _full_precision():
        row = pingouin.ttest(of, against, paired=paired, correction=correction, confidence=confidence).iloc[0]
    # The interval's column is named by its rounded confidence.
    interval = next(row[name] for name in row.index if name.startswith("CI"))
    return float(row["p_val"]), float(interval[0]), float(interval[1])


@contextmanager
def _full_precision():
    """Keep pingouin from rounding intervals to two decimals, which on logs leaves nothing."""
    before = pingouin.options["round.column.CI95"]
    pingouin.options["round.column.CI95"] = None
    try:
        yield
    finally:
        pingouin.options["round.column.CI95"] = before


@lru_cache(maxsize=4)
def gauss_legendre(points: int) -> tuple[np.ndarray, np.ndarray]:
    """Return nodes and weights of a rule that integrates over (0, 1).

    Made when first asked for, not when imported: the rule is an eigenvalue problem, and only plans need it.

    Parameters
    ----------
    points : number of nodes

    Returns
    -------
    (nodes, weights), arrays of ``points`` numbers, read-only; the weights add up to 1 but for rounding.

    References
    ----------
    Golub and Welsch (1969), Calculation of Gauss quadrature rules, Mathematics of Computation 23, 221-230.
    """
    nodes, weights = np.polynomial.legendre.leggauss(points)
    rule = (nodes + 1) / 2, weights / 2
    for array in rule:
        array.flags.writeable = False
    return rule
