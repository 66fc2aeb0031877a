"""What is to be done next: the first rounds, the further rounds that a planned look allows, or nothing, and why."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.schedule.design import (
    MOUNTINGS,
    Design,
    Stop,
    design_on_sheet,
    full_design,
    tunings_on,
)
from gpubench_kit.schedule.fit import scene_of
from gpubench_kit.schedule.so_far import SoFar
from gpubench_kit.statistics.compare import compare_tunings
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.statistics.multiplicity import UNDECIDED
from gpubench_kit.statistics.planning import DEFAULT_ROUNDS
from gpubench_kit.wording.numbers import count_text
from gpubench_kit.wording.reasons import is_cards_once

_ONCE = (
    "Two cards that are not installed in turns cannot be told from two installations, however many rounds each "
    f"gets: so each is installed {MOUNTINGS - 1} times more; only then can be told how many installations it takes."
)
_SETTLED = (
    "Nine of ten of these games will be settled if they differ by nothing, or by the margin or more; a difference "
    "between may stay open."
)


@dataclass(frozen=True)
class Work:
    """What is to be done next.

    Attributes
    ----------
    stage : ``first`` (rounds of the plan), ``further`` (rounds, or installations of cards, for undecided games),
        ``waiting`` (planned runs are not recorded yet), ``done`` (nothing that the plan allows)
    design : everything to be done; for ``waiting`` and ``done`` what the run sheet holds, for its numbers
    told : why, in sentences
    """

    stage: str
    design: Design
    told: tuple[str, ...]


def next_work(plan: ReviewPlan, so_far: SoFar, *, rounds: int = DEFAULT_ROUNDS) -> Work:
    """Return what is to be done next.

    Parameters
    ----------
    plan : the review's plan
    so_far : what there is of the review
    rounds : rounds that every game is to have at the first look

    Returns
    -------
    Work. Rows that are planned but not recorded come first: until they are, nothing is added, so that
    calling again never adds the same rows.
    """
    design, on_sheet = full_design(plan, so_far.runs, rounds=rounds), design_on_sheet(plan, so_far.runs)
    waiting = so_far.pending
    waiting = waiting[waiting["purpose"] == "measure"]
    if len(waiting):
        return Work("waiting", on_sheet, _waiting(waiting))
    if so_far.looks == 0:
        if any(stop.rounds for stop in design.stops):
            return Work("first", design, ())
        told = "The run sheet holds the planned rounds of every game, all recorded. Next: gpubench-kit report."
        return Work("first", design, (told,))
    if not so_far.is_shown:
        told = "Runs or values have changed since the last report. Make the report first; it is the next look."
        return Work("done", on_sheet, (told,))
    # Looks stay as many as were planned before the first.
    plan = so_far.seen.plan
    if so_far.looks >= plan.analysis.looks:
        return Work("done", on_sheet, _no_look_left(plan, so_far.looks))
    return _further(plan, so_far, on_sheet)


def _waiting(rows: pd.DataFrame) -> tuple[str, ...]:
    """Return what to do about rows that are not recorded yet."""
    count = count_text(len(rows), "planned run")
    verb = "is" if len(rows) == 1 else "are"
    first, last = rows["run"].iloc[0], rows["run"].iloc[-1]
    return (
        f"{count} of the run sheet {verb} not recorded yet ({first} to {last}), so nothing was added.",
        "Record them or, to plan anew, delete their rows.",
    )


def _no_look_left(plan: ReviewPlan, looks: int) -> tuple[str, ...]:
    """Return why nothing further is planned."""
    level, too_many = level_of_looks(plan, looks_made=looks + 1)
    done = f"{count_text(looks, 'look')} at verdicts made, {plan.analysis.looks} planned: nothing further is added."
    if too_many:
        return done, "A further look would give no verdict."
    return (
        done,
        f"Rows that you add to the run sheet yourself make look {looks + 1}: it is judged at the level {level:g}, "
        "and the page says that it was not planned.",
    )


def _further(plan: ReviewPlan, so_far: SoFar, on_sheet: Design) -> Work:
    """Return the further rounds, or installations of cards, of the games that the last look left undecided."""
    rows = _open_rows(plan, so_far)
    if not len(rows):
        return Work("done", on_sheet, ("The last report left no game undecided; there is nothing to add.",))
    stops, beyond = [], []
    for stop in on_sheet.stops:
        mine = rows[(rows["game"] == stop.game) & (rows["setting"] == stop.setting)]
        within = mine[mine["more_runs"].notna() & ~mine["is_sampled"]]
        beyond += [scene_of(stop.scene)] if len(mine) > len(within) + mine["is_sampled"].sum() else []
        stops += [_extended(stop, within, plan=plan, runs=so_far.runs)] if len(within) else []
    told = []
    if beyond:
        far = rows[rows["more_runs"].isna() & ~rows["is_sampled"]]
        told.append(
            f"Left as they are, since no feasible number of {_units(far)} settles them: {'; '.join(beyond)}."
        )
    if rows["is_sampled"].any():
        told.append("Between models the cards are what is counted: more samples would decide, more runs would not.")
    if rows["is_once"].any():
        told.append(_ONCE)
    if not stops:
        return Work("done", on_sheet, tuple(told))
    counts = ", ".join(f"{scene_of(stop.scene)} {_count_of(stop)}" for stop in stops)
    looks = f"look {so_far.looks + 1} of {plan.analysis.looks}"
    what = _units(rows[rows["more_runs"].notna() & ~rows["is_sampled"]])
    told.insert(0, f"Further {what} for the undecided games, by their noise alone, before {looks}: {counts}.")
    told.insert(1, _SETTLED)
    return Work("further", _of_stops(on_sheet, stops, plan), tuple(told))


def _open_rows(plan: ReviewPlan, so_far: SoFar) -> pd.DataFrame:
    """Return what the last look left open, with what it needs.

    Cards that were not installed in turns have no noise of installations to allow for: they get what a plan
    gives cards at first, less the installation that there is.
    """
    usable = so_far.usable[so_far.usable["purpose"] != "pilot"]
    rows = compare_tunings(usable, plan, looks=so_far.seen)
    rows = rows[rows["metric"] == plan.analysis.primary]
    sampled, once = (
        np.array([is_so(row) for row in rows.itertuples()], dtype=bool)
        for is_so in (lambda row: _is_sampled(row, plan), is_cards_once)
    )
    rows = rows.assign(is_sampled=sampled, is_once=once & ~sampled, size=rows["n"] / rows["n_blocks"])
    rows.loc[rows["is_once"], ["more_runs", "size"]] = MOUNTINGS - 1, DEFAULT_ROUNDS / MOUNTINGS
    return rows[(rows["verdict"] == UNDECIDED) | rows["is_once"]]


def _units(rows: pd.DataFrame) -> str:
    """Return what is counted in rows of comparisons: rounds, or installations where two cards are compared."""
    across = rows["of_card"] != rows["against_card"]
    words = {"rounds": not across.all(), "installations of the cards in turns": across.any()}
    return " and ".join(word for word, is_there in words.items() if is_there)


def _is_sampled(row, plan: ReviewPlan) -> bool:
    """Return whether a side of a comparison is a model of which several cards are measured."""
    return any(len(plan.cards_named(card)) > 1 for card in (row.of_card, row.against_card) if card)


def _count_of(stop: Stop) -> str:
    """Return the rounds of a game in words; between cards, how often each is installed for it."""
    if not stop.mountings:
        return f"{stop.rounds}"
    each = math.ceil(stop.rounds / stop.mountings)
    per = f"{count_text(each, 'round')} in each"
    return f"{count_text(stop.mountings, 'installation')} of each card with {per}"


def _extended(stop: Stop, rows: pd.DataFrame, *, plan: ReviewPlan, runs: pd.DataFrame) -> Stop:
    """Return the further rounds of one game, with the tunings and cards that are undecided.

    Between cards the mountings are counted: each gets as many rounds as it had so far.
    """
    names, cards = ({*rows[f"of_{what}"], *rows[f"against_{what}"]} for what in ("tuning", "card"))
    mine = runs[(runs["game"] == stop.game) & (runs["setting"] == stop.setting)]
    is_across = rows["of_card"] != rows["against_card"]
    across, own = rows[is_across], rows[~is_across]
    mountings = int(across["more_runs"].max()) if len(across) else 0
    size = math.ceil(across["size"].max()) if len(across) else 0
    rounds = max(size * mountings, int(own["more_runs"].max()) if len(own) else 0)
    highest = mine["round"].max()
    return replace(
        stop,
        tunings=tuple(tuning.name for tuning in plan.tunings if tuning.name in names),
        rounds=rounds,
        done=int(own["n_blocks"].min()) if len(own) else stop.done,
        first_round=1 if pd.isna(highest) else int(highest) + 1,
        cards=tuple(card.name for card in plan.cards if card.name in cards),
        mountings=mountings,
    )


def _of_stops(design: Design, stops: list[Stop], plan: ReviewPlan) -> Design:
    """Return the design cut down to some stops and the cards and tunings that they need."""
    names = {name for stop in stops for name in stop.tunings}
    there = {name for stop in stops for name in stop.cards} or set(design.cards)
    tunings = tuple(name for name in design.tunings if name in names)
    cards = tuple(card for card in design.cards if card in there and tunings_on(card, tunings, plan=plan))
    return replace(design, tunings=tunings, cards=cards, mountings=1).with_stops(stops)
