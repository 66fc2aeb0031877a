"""States of cards in a chart: which rows of a table are theirs, and which run stands for them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import pandas as pd

from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page.charts.marks import RIVAL


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
        parts = [card * with_card, tuning, bench * with_bench]
        is_rival = bool(plan.cards) and card != plan.cards[0].name
        place = RIVAL if is_rival else places.get(tuning, len(places))
        out.append(State(card, tuning, bench, ", ".join(part for part in parts if part), place))
    return tuple(out)


def runs_of(state: State, runs: pd.DataFrame, *, scene: tuple[str, str], purpose: str = "measure") -> pd.DataFrame:
    """Return the used runs of a state in one game and setting.

    Parameters
    ----------
    state : whose runs
    runs : DataFrame, one row per run; see ``tables.RUNS``
    scene : game and setting
    purpose : purpose of the runs wanted
    """
    own = state.rows(runs)
    own = own[(own["game"] == scene[0]) & (own["setting"] == scene[1]) & (own["purpose"] == purpose)]
    return own[own["used"].fillna(True).astype(bool)] if "used" in own else own


def middle_run(
    state: State,
    facts: Iterable[RunFacts],
    runs: pd.DataFrame,
    *,
    scene: tuple[str, str],
    purpose: str = "measure",
) -> RunFacts | None:
    """Return the run of a state with the middle frame rate, the slower one of two; None without a frame log."""
    names = set(runs_of(state, runs, scene=scene, purpose=purpose)["run"])
    known = [one for one in facts if one.run in names]
    if purpose == "measure":
        known = [one for one in known if one.n_frames and one.duration_s > 0]
    known.sort(key=lambda one: (one.n_frames / one.duration_s if one.duration_s else 0.0, one.run))
    return known[(len(known) - 1) // 2] if known else None


def named(states: Sequence[State]) -> str:
    """Return the names of states in a row."""
    return " and ".join(one.name for one in states)
