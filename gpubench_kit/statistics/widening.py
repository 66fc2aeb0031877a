"""What restarts may explain: wider intervals where a spread between restarts is known or assumed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan.rules import LEAST_RESTARTS


@dataclass(frozen=True)
class RestartSpread:
    """Standard deviation between restarts, on the scale of the metric.

    Attributes
    ----------
    sd : of ln y on the ratio scale, else in the metric's unit
    restarts : on how many it was measured; 0 for an assumption
    """

    sd: float
    restarts: int

    @property
    def reason(self) -> str:
        """Word that stands beside a verdict which rests on this spread."""
        return "measured_restart_spread" if self.restarts else "assumed_restart_spread"


def restart_spread(plan, metric: str) -> RestartSpread | None:
    """Return the spread between restarts that the plan states for a metric.

    Parameters
    ----------
    plan : ReviewPlan, gives ``analysis.restart_spread``
    metric : name of the metric

    Returns
    -------
    RestartSpread; None where none is stated, or where it was measured on fewer than 6 restarts
    """
    stated = dict(plan.analysis.restart_spread or {})
    restarts = int(stated.pop("restarts", 0))
    if metric not in stated or 0 < restarts < LEAST_RESTARTS:
        return None
    share = 100.0 if METRICS[metric].scale == "ratio" else 1.0
    return RestartSpread(float(stated[metric]) / share, restarts)


def widen(error, df, spread: RestartSpread, *, weight=1.0):
    """Add to the variance of a difference what two restarts contribute.

    Parameters
    ----------
    error : variance of the difference
    df : its degrees of freedom
    spread : of restarts
    weight : share of the difference that the two restarts act on: 1 for one game, or for a mean over
        games that all share them

    Returns
    -------
    tuple of arrays: variance and degrees of freedom (Satterthwaite 1946). An assumed spread counts
    as known.
    """
    error = np.asarray(error, dtype=float)
    extra = 2 * (spread.sd * np.asarray(weight, dtype=float)) ** 2
    wide = error + extra
    uncertain = error**2 / np.where(np.asarray(df) > 0, df, np.nan)
    if spread.restarts:
        uncertain = uncertain + extra**2 / (spread.restarts - 1)
    return wide, np.where(uncertain > 0, wide**2 / np.where(uncertain > 0, uncertain, 1.0), df)


def explaining_restart_sd(change: float, *, scale: str = "ratio") -> float:
    """Return the standard deviation between restarts that alone would explain a difference.

    Parameters
    ----------
    change : as in ``comparisons``: percent on the ratio scale, else in the unit
    scale : ``ratio`` or ``difference``

    Returns
    -------
    float, in the unit of ``change``: the difference of two restarts has sqrt(2) times their spread
    """
    if scale == "difference":
        return abs(change) / math.sqrt(2)
    return 100 * math.expm1(abs(math.log1p(change / 100)) / math.sqrt(2))
