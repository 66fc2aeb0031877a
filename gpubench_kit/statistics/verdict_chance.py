"""The chance that a plan ends with any verdict at all, whichever it is."""

from __future__ import annotations

import numpy as np

from gpubench_kit.statistics.adapters import chi2_quantile, normal_cdf, t_quantile
from gpubench_kit.statistics.planning import degrees_of_freedom
from gpubench_kit.statistics.quadrature import gauss_legendre

#: Nodes of the integral over the estimate of the noise.
_NODES = 400


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
    `gpubench_kit.statistics.planning.chance_of_difference`.
    """
    error = np.asarray(sigma, dtype=float) * np.sqrt(2 / np.asarray(n, dtype=float))
    df = degrees_of_freedom(n) if df is None else df
    effect, margin, df = np.broadcast_arrays(
        np.asarray(effect) / error, np.asarray(margin) / error, np.asarray(df, dtype=float)
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
