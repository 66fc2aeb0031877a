"""Amounts whose sign says that something gets worse: mostly a slip, so what was read is told, and what to write."""

from __future__ import annotations

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan.fields import ESTIMATES
from gpubench_kit.model.plan.uses import Claim
from gpubench_kit.statistics.units import direction_of

#: Estimates with a direction; a time that makes up a price has no sign to slip.
_OF_ESTIMATES = {"running_cost": -1, "total_cost": -1, "value_for_money": 1}


def sign_note(claim: Claim) -> str:
    """Return how an amount was read, and the lines to paste if another was meant; empty where no slip is likely.

    Parameters
    ----------
    claim : entry of ``plan.claims``

    Notes
    -----
    Amounts are changes from ``against`` to ``of`` with their sign: power saved is negative. ``at_least`` with
    a positive amount where lower is better, and ``at_most`` with a negative one where higher is better, say that
    the metric gets worse by that much or more.
    """
    amount = claim.by if claim.by_pct is None else claim.by_pct
    if not amount or claim.says not in ("at_least", "at_most"):
        return ""
    direction = _OF_ESTIMATES.get(claim.metric, 0) if claim.metric in ESTIMATES else direction_of(claim.metric)
    if (claim.says, direction, amount > 0) not in (("at_least", -1, True), ("at_most", 1, False)):
        return ""
    key = "by" if claim.by_pct is None else "by_pct"
    size = _size(claim, amount)
    if direction < 0:
        return f"This says a rise by {size} or more. If it is to fall by {size} or more, write: " + _lines(
            "at_most", key, -amount
        )
    return f"This says a fall by {size} or more. If it is to fall by {size} at most, write: " + _lines(
        "at_least", key, amount
    )


def _lines(says: str, key: str, amount: float) -> str:
    """Return the two lines of a plan."""
    return f'says = "{says}", {key} = {amount:g}'


def _size(claim: Claim, amount: float) -> str:
    """Return an amount as written, without its sign."""
    metric = METRICS.get(claim.metric)
    unit = "%" if claim.by_pct is not None else metric.unit if metric else ""
    return f"{abs(amount):g} {unit}".rstrip()
