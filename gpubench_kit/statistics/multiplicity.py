"""From p-values to verdicts: adjusted for the number of comparisons, and the decision table.

The formulas adjust thousands of families at once; the tests hold them against statsmodels.
"""

from __future__ import annotations

import numpy as np

from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.statistics.runs import members_of

UNDECIDED, NO_VERDICT = "undecided", "no_verdict"

#: What each verdict claims of the difference.
CLAIMS_OF = {name: row.claims for name, row in VERDICTS.items() if name != NO_VERDICT}

#: Verdicts that say there is a difference; verdicts that say there is none beyond the margin.
DIFFERENT = tuple(name for name, row in VERDICTS.items() if row.is_difference)
SAME = tuple(name for name, row in VERDICTS.items() if row.is_small)


def adjust_in_families(p: np.ndarray, family: np.ndarray, *, method: str) -> np.ndarray:
    """Return p-values adjusted within each family.

    Parameters
    ----------
    p : array (rows,); nan is *not defined*, stays nan and does not count
    family : array (rows,) of whole numbers
    method : ``holm`` (any errors kept to the level), ``fdr_bh`` (share of false ones among those
        found) or ``none``

    Returns
    -------
    array (rows,), each at least its p and at most 1

    References
    ----------
    Holm, S. (1979). A simple sequentially rejective multiple test procedure. Scandinavian Journal of
    Statistics 6, 65-70.
    Benjamini, Y. and Hochberg, Y. (1995). Controlling the false discovery rate.
    doi:10.1111/j.2517-6161.1995.tb02031.x
    """
    adjusted = np.array(p, dtype=float)
    rows = np.flatnonzero(np.isfinite(adjusted))
    if method == "none" or not len(rows):
        return adjusted
    p = adjusted[rows]
    table = members_of(np.unique(family[rows], return_inverse=True)[1])
    there = table >= 0
    # Places without a comparison sort behind all others, and are cut off at the end.
    filled = np.where(there, p[table], np.inf)
    places = np.argsort(filled, axis=1, kind="stable")
    ordered, count = np.take_along_axis(filled, places, axis=1), there.sum(axis=1, keepdims=True)
    rank = np.arange(ordered.shape[1])
    if method == "holm":
        stepped = np.maximum.accumulate(np.maximum(count - rank, 1) * ordered, axis=1)
    else:
        stepped = np.minimum.accumulate((ordered / ((1 + rank) / count))[:, ::-1], axis=1)[:, ::-1]
    unordered = np.empty_like(stepped)
    np.put_along_axis(unordered, places, np.minimum(stepped, 1.0), axis=1)
    adjusted[rows[table[there]]] = unordered[there]
    return adjusted


def decide(
    change: np.ndarray, p_difference: np.ndarray, p_equivalence: np.ndarray, *, level: float, direction: np.ndarray
) -> np.ndarray:
    """Return the verdict of each comparison.

    Parameters
    ----------
    change : difference, of any scale; only its sign counts
    p_difference, p_equivalence : adjusted p-values; nan is *not shown*
    level : of each test
    direction : 1 where higher is better, -1 where lower is, 0 where neither

    Returns
    -------
    array of words of ``verdicts.VERDICTS``

    Notes
    -----
    | p_difference <= level | p_equivalence <= level | verdict                                   |
    |-----------------|-----------------|-------------------------------------------|
    | yes             | no              | ``better`` or ``worse``                   |
    | yes             | yes             | ``better_but_small`` or ``worse_but_small`` |
    | no              | yes             | ``same_within_margin``                    |
    | no              | no              | ``undecided``                             |
    """
    real, same = p_difference <= level, p_equivalence <= level
    up = np.where(direction == 0, change > 0, change * direction > 0)
    words = np.select([(direction == 0) & up, direction == 0, up], ["higher", "lower", "better"], "worse").astype(
        object
    )
    return np.select(
        [real & same, real, same], [words + "_but_small", words, "same_within_margin"], UNDECIDED
    ).astype(object)


def weaker_verdict(one: str, other: str) -> str:
    """Return what two verdicts on the same difference both claim.

    Parameters
    ----------
    one, other : words of ``verdicts.VERDICTS``

    Returns
    -------
    str : ``better`` and ``better_but_small`` give ``better``; ``better`` and ``same_within_margin``
        give ``undecided``; anything with ``no_verdict`` gives ``no_verdict``
    """
    if NO_VERDICT in (one, other):
        return NO_VERDICT
    both = CLAIMS_OF[one] & CLAIMS_OF[other]
    return next(word for word, claims in CLAIMS_OF.items() if claims == both)
