"""Looks at verdicts: the level of each, so that all together err no more often than one."""

from __future__ import annotations

#: Levels of the first, second, third and fourth look at a confidence of 0.95; see `level_of_look`.
LEVELS = (0.04, 0.015, 0.01, 0.01)
#: Level of a single look, and looks planned in so many equal steps (Pocock 1977, for t tests, by simulation).
ONE_LOOK = 0.05
EQUAL_LEVELS = {3: 0.020, 4: 0.0175, 5: 0.012, 6: 0.012, 7: 0.012, 8: 0.012}


def level_of_look(plan, look: int) -> float:
    """Return the level of all tests at one look.

    Parameters
    ----------
    plan : ReviewPlan, gives ``analysis.looks`` and ``analysis.confidence``
    look : number of the look, from 1

    Returns
    -------
    float; nan for a look at which there is no verdict any more

    Notes
    -----
    With two looks planned .04 and .015, and .01 for a third and fourth that were not. With one planned .05, and a
    second is then at .015. Three to eight planned: the same level at each, and none beyond. Another
    confidence c scales all levels by ``(1 - c) / .05``.

    References
    ----------
    Pocock, S. J. (1977). Group sequential methods in the design and analysis of clinical trials.
    doi:10.1093/biomet/64.2.191
    """
    planned = plan.analysis.looks
    scale = round(1 - plan.analysis.confidence, 12) / ONE_LOOK
    if planned in EQUAL_LEVELS:
        return EQUAL_LEVELS[planned] * scale if look <= planned else float("nan")
    if planned == 1 and look <= 1:
        return ONE_LOOK * scale
    return LEVELS[max(look, 1) - 1] * scale if look <= len(LEVELS) else float("nan")


def level_of_looks(plan, *, looks_made: int = 0) -> tuple[float, bool]:
    """Return the level at the present look, and whether there were too many looks for any verdict.

    Parameters
    ----------
    plan : ReviewPlan
    looks_made : looks at verdicts so far, this one included; 0: before the first

    Returns
    -------
    tuple of float and bool; after too many looks the level is that of the last with verdicts
    """
    level = level_of_look(plan, max(looks_made, 1))
    if level == level:
        return level, False
    last = plan.analysis.looks if plan.analysis.looks in EQUAL_LEVELS else len(LEVELS)
    return level_of_look(plan, last), True
