"""What hours without failures, or with a few, say about one card under one tuning.

A tuning that passed is not proven stable. Only an upper limit of its failure rate can be given, and
it holds for this card, this driver and this room.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from gpubench_kit.model.errors import DesignError, Fault
from gpubench_kit.statistics.adapters import poisson_rate_upper, share_upper
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import count_text, percent_text, significant_text

CONFIDENCE = 0.95


@dataclass(frozen=True)
class FailureBound:
    """An upper limit of a failure rate.

    Attributes
    ----------
    failures, hours : what was seen; hours were fixed before the test
    upper_per_hour : exact one-sided upper limit of the rate [1/h]
    confidence : of the limit
    sentence : the only sentence about stability that this shows
    """

    failures: int
    hours: float
    upper_per_hour: float
    confidence: float
    sentence: str


def failure_bound(failures: int, hours: float, *, confidence: float = CONFIDENCE) -> FailureBound:
    """Return what a number of failures in a number of hours shows.

    Parameters
    ----------
    failures : crashes and errors seen, 0 or more
    hours : test time, fixed before the test [h], above 0
    confidence : of the one-sided limit

    Raises
    ------
    DesignError : failures below 0, hours not above 0, or confidence not between 0 and 1

    Notes
    -----
    ``chi2(confidence, 2 k + 2) / (2 h)``; without failures and at 95 % this is ``2.9957 / h``.

    References
    ----------
    Garwood, F. (1936). Fiducial limits for the Poisson distribution. doi:10.2307/2333958
    """
    _raise_for_counts(failures, "hours", hours, confidence=confidence)
    upper = poisson_rate_upper(failures, hours, confidence=confidence)
    sentence = say(
        f"stability.{'some' if failures else 'none'}", failures=count_text(failures, "failure"),
        hours=_hours_text(hours), rate=_rate_text(upper), level=percent_text(100 * confidence),
    )  # fmt: skip
    return FailureBound(failures, float(hours), upper, confidence, sentence)


def pooled_failure_bound(tests: Iterable[tuple[int, float]], *, confidence: float = CONFIDENCE) -> FailureBound:
    """Return what several tests of one tuning show together.

    Parameters
    ----------
    tests : pairs of failures and hours [h], all of one card under one tuning
    confidence : of the one-sided limit

    Raises
    ------
    DesignError : as `failure_bound`; also where there is no test
    """
    tests = list(tests)
    for failures, hours in tests:
        _raise_for_counts(failures, "hours", hours, confidence=confidence)
    failures, hours = sum(test[0] for test in tests), sum(test[1] for test in tests)
    return failure_bound(failures, hours, confidence=confidence)


def failure_share_limit(failures: int, runs: int, *, confidence: float = CONFIDENCE) -> float:
    """Return the exact one-sided upper limit of the share of runs that fail.

    Parameters
    ----------
    failures : runs that failed
    runs : runs tried, fixed before the test, at least ``failures`` and at least 1
    confidence : of the limit

    Returns
    -------
    float, a share; without failures ``1 - (1 - confidence) ** (1 / runs)``.

    Raises
    ------
    DesignError : counts that do not fit together

    References
    ----------
    Clopper, C. J. and Pearson, E. S. (1934). doi:10.1093/biomet/26.4.404
    """
    _raise_for_counts(failures, "runs", runs, confidence=confidence)
    return share_upper(failures, runs, confidence=confidence)


def _raise_for_counts(failures: int, unit: str, tried: float, *, confidence: float) -> None:
    """Raise one error for all that is wrong with the numbers of a test."""
    where = "stability"
    faults = []
    if failures < 0 or failures != int(failures):
        faults.append(Fault(where, f"{failures} failures; a whole number of at least 0 is expected."))
    if not 0 < tried < math.inf:
        faults.append(Fault(where, f"{tried} {unit}; a number above 0 is expected.", f"State the {unit} tried."))
    elif unit == "runs" and failures > tried:
        faults.append(
            Fault(where, f"{failures} failures in {tried} runs; there cannot be more failures than runs.")
        )
    if not 0 < confidence < 1:
        faults.append(Fault(where, f"confidence {confidence}; a number between 0 and 1 is expected."))
    if faults:
        raise DesignError(faults)


def _rate_text(upper: float) -> str:
    """Return a limit of failures per hour in two digits, never a smaller one than it is.

    Parameters
    ----------
    upper : failures per hour [1/h]
    """
    # One failure in fewer hours than the limit says is not ruled out, so hours are cut and rates are raised.
    shown = upper if upper > 1 else 1 / upper
    scale = 10.0 ** (1 - math.floor(math.log10(shown)))
    if upper > 1:
        return say("stability.rate.often", n=_hours_text(math.ceil(shown * scale - 1e-9) / scale))
    return say("stability.rate.apart", hours=_hours_text(math.floor(shown * scale + 1e-9) / scale))


def _hours_text(hours: float) -> str:
    """Return a number of hours without idle zeros."""
    text = significant_text(hours)
    return text.rstrip("0").rstrip(".") if "." in text else text
