"""The only calls to scipy, statsmodels and pingouin: names, signs and defaults are translated here."""

from __future__ import annotations

from scipy import optimize, special, stats
from statsmodels.stats.rates import confint_poisson


def normal_cdf(x):
    """Return the standard normal distribution function."""
    return special.ndtr(x)


def t_quantile(p, df):
    """Return the p-quantile of Student's t; nan where df is not above 0."""
    return special.stdtrit(df, p)


def chi2_quantile(p, df):
    """Return the p-quantile of chi-squared; nan where df is not above 0."""
    return stats.chi2.ppf(p, df)


def find_root(function, low: float, high: float) -> float:
    """Return where a function of one number crosses zero between two ends of opposite sign."""
    return float(optimize.brentq(function, low, high, xtol=1e-13, rtol=1e-13))


def poisson_rate_upper(failures: int, hours: float, *, confidence: float = 0.95) -> float:
    """Return the exact one-sided upper limit of a failure rate per hour (Garwood 1936)."""
    # The library's interval is two-sided: the outer tails of 2 (1 - confidence) hold one side each.
    return float(confint_poisson(failures, hours, method="exact-c", alpha=2 * (1 - confidence))[1])
