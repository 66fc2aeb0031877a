"""How long an evening takes: every start of a game, every wait, every run."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

import pandas as pd

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.schedule.order import RESTART, PlannedRun
from gpubench_kit.schedule.tables import VISITS


@dataclass(frozen=True)
class Visit:
    """One start of a game, and the runs from it.

    Attributes
    ----------
    runs : the runs, in order
    change_s : exchanging the card and restarting the machine before it [s]
    is_restarted, is_mounted : whether a restart, or an exchange of the card, comes before it
    launch_s, settle_s : starting the game, waiting until temperatures settle [s]
    tuning_s, scene_s : applying the tuning of each run, playing each scene [s]
    """

    runs: tuple
    change_s: float
    is_restarted: bool
    is_mounted: bool
    launch_s: float
    settle_s: float
    tuning_s: float
    scene_s: float

    @property
    def seconds(self) -> float:
        """Time from the end of the visit before to the end of this one [s]."""
        return self.change_s + self.launch_s + self.settle_s + self.tuning_s + self.scene_s


def visits_of(runs: Iterable, plan: ReviewPlan) -> list[Visit]:
    """Return the starts of games that runs need, in order.

    Parameters
    ----------
    runs : objects with ``card, session, launch, game, setting``, in the order in which they are to be done
    plan : gives the times of ``[session_plan]``

    Notes
    -----
    The tuning is applied before every run, also where the run before had the same one: a round counts
    only so. Temperatures settle once after each start of a game; between runs only the tuning changes.
    """
    visits: list[Visit] = []
    before = None
    for _, same in groupby(runs, key=lambda one: (one.session, one.launch, one.card, one.game, one.setting)):
        part = tuple(same)
        visits.append(_visit(part, before, plan=plan))
        before = part[0]
    return visits


def minutes_of(runs: Sequence[PlannedRun], plan: ReviewPlan) -> float:
    """Return how long the runs take, with all that stands between them [min]."""
    return sum(visit.seconds for visit in visits_of(runs, plan)) / 60


def visits_table(visits: Iterable[Visit]) -> pd.DataFrame:
    """Return visits as a table.

    Parameters
    ----------
    visits : see `visits_of`

    Returns
    -------
    DataFrame, see ``schedule.tables.VISITS``
    """
    rows, clock = [], 0.0
    for number, visit in enumerate(visits, start=1):
        first = visit.runs[0]
        row = {name: getattr(first, name) for name in ("session", "card", "game", "setting")}
        times = {name: getattr(visit, name) for name in ("change_s", "launch_s", "settle_s", "tuning_s", "scene_s")}
        rows.append({"visit": number, **row, "runs": len(visit.runs), "starts_s": clock, **times})
        clock += visit.seconds
    return VISITS.frame(rows)


def _visit(runs: tuple, before: PlannedRun | None, *, plan: ReviewPlan) -> Visit:
    """Return one visit with its times; ``before`` is the first run of the visit before."""
    evening, first = plan.session_plan, runs[0]
    is_mounted = before is not None and len(plan.cards) > 1 and _mounting(first) != _mounting(before)
    is_restarted = RESTART in first.session and (before is None or first.session != before.session)
    return Visit(
        runs=runs,
        change_s=60 * evening.card_swap_min * is_mounted + evening.restart_s * is_restarted,
        is_restarted=is_restarted,
        is_mounted=is_mounted,
        launch_s=evening.launch_s,
        settle_s=evening.settle_s,
        tuning_s=evening.tuning_change_s * len(runs),
        scene_s=evening.scene_s * len(runs),
    )


def _mounting(run: PlannedRun) -> tuple[str, str]:
    """Return what stays the same while a card is mounted."""
    return run.card, run.session.partition(RESTART)[0]
