"""The plan of a session: how many rounds, in which order, how long, and what they will be able to say."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import pandas as pd

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.schedule.design import PLANNED_RUNS, Design, SoFar, read_so_far
from gpubench_kit.schedule.fit import Dropped, FittedSession, Work, fit_session, next_work, planned_rounds
from gpubench_kit.schedule.needs import needs_of, needs_over_games, rounds_by_pilot, verdict_chances
from gpubench_kit.schedule.noise import planning_noise
from gpubench_kit.schedule.order import PAUSE, visits_of, visits_table
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.terms import not_compared_words


@dataclass(frozen=True)
class Schedule:
    """What to do next at the bench, and what it can and cannot show; never differences between tunings.

    Attributes
    ----------
    plan : the review's plan
    stage : ``first``, ``further``, ``waiting`` or ``done``; see `gpubench_kit.schedule.fit.Work`
    messages : what the stage means, in sentences
    noise : noise counted with; see ``schedule.design.PLANNED_NOISE``
    noise_source : where it comes from; empty where the messages say it
    needs : what the rounds can show; see ``schedule.design.NEEDS``
    needs_overall : the same over all games; see ``schedule.design.NEEDS_OVERALL``
    chances : chance of a verdict by number of rounds; see ``schedule.design.VERDICT_CHANCES``
    rows : runs to add to the run sheet; see ``schedule.design.PLANNED_RUNS``
    to_run : runs to do: those added, or those that wait on the sheet already
    visits : starts of games, with their times; see ``schedule.design.VISITS``
    design : what the rounds consist of
    minutes, full_minutes : how long the runs to do take, and how long with nothing left out [min]
    dropped : what was left out for want of time
    """

    plan: ReviewPlan
    stage: str
    messages: tuple[str, ...]
    noise: pd.DataFrame
    noise_source: str
    needs: pd.DataFrame
    needs_overall: pd.DataFrame
    chances: pd.DataFrame
    rows: pd.DataFrame
    to_run: pd.DataFrame
    visits: pd.DataFrame
    design: Design
    minutes: float
    full_minutes: float
    dropped: tuple[Dropped, ...]


def make_schedule(plan: ReviewPlan) -> Schedule:
    """Plan the next session of a review from its plan, its run sheet and its noise; nothing is written.

    Parameters
    ----------
    plan : the review's plan, with its folder

    Returns
    -------
    Schedule; made again from the same folder it is the same

    Raises
    ------
    TableError : the run sheet, or the table of an earlier report, cannot be used
    DesignError : the session is too short for anything, or the noise asked for is not there
    """
    so_far = read_so_far(plan)
    noise = planning_noise(plan, so_far)
    rounds, why = rounds_by_pilot(noise.pilot, plan)
    work = next_work(plan, so_far, rounds=rounds)
    session = _fitted(work, plan, noise.table, so_far=so_far)
    names = _free_names(set(so_far.runs["run"]), len(so_far.runs))
    highest = so_far.runs["order"].max()
    start = 1 if pd.isna(highest) else int(highest) + 1
    bench = plan.benches[-1].name
    rows = PLANNED_RUNS.frame(
        {"run": next(names), "bench": bench, "purpose": "measure", "order": order, "note": run.note, **vars(run)}
        for order, run in enumerate(session.runs, start=start)
    )
    pending = so_far.pending.sort_values("order", kind="stable")
    paused_s = pending["note"].str.extract(PAUSE.pattern, expand=False).astype(float).fillna(0.0)
    to_run = rows if len(rows) else PLANNED_RUNS.frame(pending.assign(pause_s=paused_s))
    visits = visits_of(to_run.itertuples(), plan)
    planned = {scene: count for scene, count in planned_rounds(session.design).items() if count}
    in_blocks = session.design.by_restart
    asks_for_rounds = work.stage == "first" and not work.design.in_blocks and len(rows)
    source = noise.source
    if asks_for_rounds and not len(noise.pilot) and set(noise.table["source"]) - {"none"} == {"typical"}:
        source, why = "", say("schedule.rounds.default_typical", rounds=rounds)
    messages = (*work.messages, why) if asks_for_rounds else work.messages
    # What the rounds are not for: pairs that the plan leaves out, and steps of a ladder.
    if left := plan.pairs_not_asked_for():
        messages += (say("schedule.next.not_compared", **not_compared_words(left, plan)),)
    messages += (say("schedule.next.ladder"),) * bool(plan.sweep.ladder)
    return Schedule(
        plan=plan,
        stage=work.stage if len(rows) or work.stage != "first" else "done",
        messages=messages,
        noise=noise.table,
        noise_source=source,
        needs=needs_of(noise.table, plan, rounds=planned, in_blocks=in_blocks),
        needs_overall=needs_over_games(noise.table, plan, rounds=planned, in_blocks=in_blocks),
        chances=verdict_chances(noise.table, plan, rounds=planned, in_blocks=in_blocks),
        rows=rows,
        to_run=to_run,
        visits=visits_table(visits),
        design=session.design,
        minutes=sum(visit.seconds for visit in visits) / 60,
        full_minutes=session.full_minutes,
        dropped=session.dropped,
    )


def _fitted(work: Work, plan: ReviewPlan, noise: pd.DataFrame, *, so_far: SoFar) -> FittedSession:
    """Return the session that fits; an empty one where there is nothing to run."""
    if work.stage not in ("first", "further"):
        return FittedSession(work.design, [], 0.0, 0.0, ())
    sessions = so_far.runs["session"]
    taken = {one.partition(",")[0] for one in sessions}
    name = next(name for name in map("session {}".format, itertools.count(1)) if name not in taken)
    return fit_session(work.design, plan, noise=noise, sheet=so_far.runs, name=name)


def _free_names(taken: set[str], count: int) -> Iterator[str]:
    """Return names of runs that the sheet does not have: r001, r002, ..."""
    numbers = [int(name[1:]) for name in taken if name[:1] == "r" and name[1:].isdecimal() and name[1:].isascii()]
    start = max(numbers, default=count) + 1
    return (name for name in map("r{:03d}".format, itertools.count(start)) if name not in taken)
