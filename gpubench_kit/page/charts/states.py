"""States of cards in a chart: their names, their colours, and which runs are theirs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import pandas as pd

from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page.charts.marks import RIVAL

#: A run to draw: its name, the place of its colour, its facts.
Shown = tuple[str, int | None, RunFacts]


@dataclass(frozen=True)
class State:
    """One card under one tuning on one bench: its name in charts and the place of its colour."""

    card: str
    tuning: str
    bench: str
    name: str
    place: int

    def rows(self, table: pd.DataFrame) -> pd.DataFrame:
        """Return the rows of this state."""
        is_own = (table["card"] == self.card) & (table["tuning"] == self.tuning)
        return table[is_own & (table["bench"] == self.bench)] if "bench" in table else table[is_own]


def states_in(table: pd.DataFrame, plan: ReviewPlan) -> tuple[State, ...]:
    """Return the states of a table, in the plan's order: the card of the review by tuning, other cards as rivals.

    Parameters
    ----------
    table : with ``card``, ``tuning``, ``bench``
    plan : ReviewPlan, whose first card is that of the review
    """
    found = set(table[["card", "bench", "tuning"]].itertuples(index=False, name=None))
    with_card, with_bench = len({one[0] for one in found}) > 1, len({one[1] for one in found}) > 1
    order = [
        (card.name, bench.name, tuning.name)
        for card in plan.cards
        for bench in plan.benches
        for tuning in plan.tunings
    ]
    places = {tuning.name: place for place, tuning in enumerate(plan.tunings)}
    out = []
    for card, bench, tuning in [*(one for one in order if one in found), *sorted(found.difference(order))]:
        name = ", ".join(filter(None, (card * with_card, tuning, bench * with_bench)))
        is_rival = bool(plan.cards) and card != plan.cards[0].name
        out.append(State(card, tuning, bench, name, RIVAL if is_rival else places.get(tuning, len(places))))
    return tuple(out)


def of_scene(table: pd.DataFrame, scene: tuple[str, str]) -> pd.DataFrame:
    """Return the rows of one game and setting."""
    return table[(table["game"] == scene[0]) & (table["setting"] == scene[1])]


def runs_of(state: State, runs: pd.DataFrame, *, scene: tuple[str, str], purpose: str = "measure") -> pd.DataFrame:
    """Return the used runs of a state in one game and setting.

    Parameters
    ----------
    state : whose runs
    runs : DataFrame, one row per run; see ``tables.RUNS``
    scene : game and setting
    purpose : purpose of the runs wanted
    """
    own = of_scene(state.rows(runs), scene)
    own = own[own["purpose"] == purpose]
    return own[own["used"].fillna(True).astype(bool)] if "used" in own else own


def middle_runs(
    facts: Iterable[RunFacts],
    runs: pd.DataFrame,
    *,
    scene: tuple[str, str],
    states: Sequence[State],
    purpose: str = "measure",
) -> list[Shown]:
    """Return the run of each state with the middle frame rate, the slower one of two; none without a frame log.

    Parameters
    ----------
    facts : facts of the runs
    runs : DataFrame, one row per run; see ``tables.RUNS``
    scene : game and setting
    states : whose runs, in order
    purpose : purpose of the runs: ``measure``, or ``soak`` for the long ones, which sensors alone may have seen
    """
    known = [one for one in facts if purpose != "measure" or (one.n_frames and one.duration_s > 0)]
    out: list[Shown] = []
    for state in states:
        names = set(runs_of(state, runs, scene=scene, purpose=purpose)["run"])
        own = [one for one in known if one.run in names]
        own.sort(key=lambda one: (one.n_frames / one.duration_s if one.duration_s else 0.0, one.run))
        out += [(state.name, state.place, one) for one in own[(len(own) - 1) // 2 :][:1]]
    return out
