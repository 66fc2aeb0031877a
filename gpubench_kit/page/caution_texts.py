"""What a reader must know before any number: looks, decisions changed after the first, an order not verified."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from gpubench_kit.wording.numbers import count_text

#: Changed decisions told one by one; the rest is counted.
_CHANGES_TOLD = 6
_MOST_LOOKS = 8


def cautions(
    runs: pd.DataFrame, plan, *, looks_made: int = 0, changes: Sequence[tuple[str, str, str]] = ()
) -> list[str]:
    """Return the cautions that stand above the results.

    Parameters
    ----------
    runs : DataFrame, one row per run; see ``tables.RUNS``
    plan : ReviewPlan
    looks_made : looks at verdicts so far, this one included
    changes : decisions changed after the first look: what, before, now

    Returns
    -------
    list of str, one sentence or two each
    """
    told = [_changed(changes), _too_many_looks(plan, looks_made), _order(runs), _screening(plan)]
    return [one for one in told if one]


def _changed(changes: Sequence[tuple[str, str, str]]) -> str:
    """Return which decisions were changed after the first look."""
    if not changes:
        return ""
    listed = "; ".join(f"{what}: {before}, now {now}" for what, before, now in changes[:_CHANGES_TOLD])
    more = len(changes) - _CHANGES_TOLD
    return f"Changed after the first look: {listed}{f'; and {more} more' if more > 0 else ''}."


def _too_many_looks(plan, looks_made: int) -> str:
    """Return that there were more looks than planned."""
    planned = plan.analysis.looks
    if looks_made <= planned:
        return ""
    told = f"{count_text(looks_made, 'look')} at verdicts were made, {planned} planned."
    if looks_made > _MOST_LOOKS:
        return f"{told} That is too many for any verdict: exploratory."
    return f"{told} Each further look makes a chance find likelier, so a stricter level is used."


def _order(runs: pd.DataFrame) -> str:
    """Return that the order of the runs is taken from the plan, where no clock confirms it."""
    judged = runs[runs["used"].fillna(False) & runs["order"].notna()]
    unverified = judged["order_done"].isna()
    if not unverified.any():
        return ""
    if unverified.all():
        return "Order of the runs as planned, not verified: no clock in the logs or on the run sheet tells it."
    return f"Order as planned, not verified, for {count_text(int(unverified.sum()), 'run')}: no clock tells it."


def _screening(plan) -> str:
    """Return that verdicts are for screening, where they are not adjusted for the number of comparisons."""
    if plan.analysis.adjust == "holm":
        return ""
    return "For screening only: verdicts on single games are not protected against many comparisons."
