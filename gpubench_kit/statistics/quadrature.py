"""Gauss-Legendre quadrature on the interval from 0 to 1."""

from __future__ import annotations

from functools import lru_cache

import numpy as np


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
