"""From p-values to verdicts: level by number of looks, and the decision table."""

from __future__ import annotations

import numpy as np

#: Level at every look by the largest number of looks (Pocock 1977, for t tests, by simulation).
LEVELS = {1: 0.05, 2: 0.027, 3: 0.020, 4: 0.0175, 5: 0.012, 6: 0.012, 7: 0.012, 8: 0.012}
MOST_LOOKS = max(LEVELS)

UNDECIDED, NO_VERDICT = "undecided", "no_verdict"

#: What each verdict claims: the sign of the difference, and that it is smaller than the margin.
_CLAIMS = {
    "better": {"up"},
    "worse": {"down"},
    "better_but_small": {"up", "small"},
    "worse_but_small": {"down", "small"},
    "higher": {"rise"},
    "lower": {"fall"},
    "higher_but_small": {"rise", "small"},
    "lower_but_small": {"fall", "small"},
    "same_within_margin": {"small"},
    UNDECIDED: set(),
}

#: Verdicts that say there is a difference; verdicts that say there is none beyond the margin.
DIFFERENT = tuple(word for word, claims in _CLAIMS.items() if claims - {"small"})
SAME = tuple(word for word, claims in _CLAIMS.items() if "small" in claims)


def level_of_looks(plan, *, looks_made: int = 0) -> tuple[float, bool]:
    """Return the level of every test, and whether there were too many looks for any verdict.

    Parameters
    ----------
    plan : ReviewPlan, gives ``analysis.looks`` and ``analysis.confidence``
    looks_made : looks at verdicts so far, this one included; beyond the plan's number it counts

    Returns
    -------
    tuple of float and bool

    Notes
    -----
    The levels for several looks are for a confidence of 0.95. A stricter one of the plan's own, which stands for
    a single look, is divided by the looks made against it (Bonferroni), so that no look makes verdicts easier.

    References
    ----------
    Pocock, S. J. (1977). Group sequential methods in the design and analysis of clinical trials.
    doi:10.1093/biomet/64.2.191
    """
    looks, alone = max(plan.analysis.looks, looks_made), round(1 - plan.analysis.confidence, 12)
    if looks <= 1:
        return alone, False
    level = LEVELS[min(looks, MOST_LOOKS)]
    return level if alone >= LEVELS[1] else min(level, alone / looks), looks > MOST_LOOKS


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
    array of words of ``tables.VERDICTS``

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
    one, other : words of ``tables.VERDICTS``

    Returns
    -------
    str : ``better`` and ``better_but_small`` give ``better``; ``better`` and ``same_within_margin``
        give ``undecided``; anything with ``no_verdict`` gives ``no_verdict``
    """
    if NO_VERDICT in (one, other):
        return NO_VERDICT
    both = _CLAIMS[one] & _CLAIMS[other]
    return next(word for word, claims in _CLAIMS.items() if claims == both)
