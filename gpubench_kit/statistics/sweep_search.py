"""The search of a sweep: how far down the loss stays inside the margin, and which setting is thriftiest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Search:
    """What a fixed sequence of tests found; arrays (steps, ...), from the factory state outward.

    Attributes
    ----------
    tested : whether a step was reached
    passed : whether a loss as large as the margin is ruled out there, and at every step before it
    too_much : whether a loss larger than the margin is shown there, and at every step beyond it
    """

    tested: np.ndarray
    passed: np.ndarray
    too_much: np.ndarray

    @property
    def n_passed(self) -> np.ndarray:
        """Steps passed, from the factory state on; 0 where none is."""
        return self.passed.sum(axis=0)


def search_sequence(p_non_inferiority: np.ndarray, p_too_much: np.ndarray, *, level: float) -> Search:
    """Test the steps of a ladder in fixed order, each only if the one before it passed.

    Parameters
    ----------
    p_non_inferiority : array (steps, ...), p-values against a loss of at least the margin, factory state outward;
        nan is *not shown*
    p_too_much : the same against a loss of less than the margin; tested from the far end inward
    level : of each test, and of the whole sequence

    Returns
    -------
    Search

    Notes
    -----
    The first step that loses more than the margin is passed with a chance of at most the level, and no step
    beyond it is tested before it passes. So the chance that any such step is passed is at most the level,
    whatever the shape of the response and however the steps' errors hang together. No correction is needed.

    References
    ----------
    Maurer, W., Hothorn, L. A. and Lehmacher, W. (1995). Multiple comparisons in drug clinical trials and
    preclinical assays: a-priori ordered hypotheses. Biometrie in der chemisch-pharmazeutischen Industrie 6, 3-18.
    """
    passed = np.logical_and.accumulate(p_non_inferiority <= level, axis=0)
    tested = np.ones_like(passed)
    tested[1:] = passed[:-1]
    too_much = np.logical_and.accumulate((p_too_much <= level)[::-1], axis=0)[::-1]
    return Search(tested, passed, too_much)


def best_kept(p_worse: np.ndarray, *, level: float) -> np.ndarray:
    """Return which settings may be the best: those that no other is shown to beat.

    Parameters
    ----------
    p_worse : array (settings, settings): one-sided p-value against row being as good as column; nan where
        they cannot be compared, and on the diagonal
    level : of the set

    Returns
    -------
    array (settings,) of truth: holds the truly best setting with a chance of at least 1 - level

    Notes
    -----
    The best setting is dropped only if one of its K - 1 true hypotheses is rejected; each is tested at
    level / (K - 1) (comparison with the best, after Hsu 1984, with Bonferroni in place of one common variance).

    References
    ----------
    Hsu, J. C. (1984). Constrained simultaneous confidence intervals for multiple comparisons with the best.
    doi:10.1214/aos/1176346732
    """
    others = max(len(p_worse) - 1, 1)
    beaten = np.where(np.isnan(p_worse), False, p_worse <= level / others)
    return ~beaten.any(axis=1)
