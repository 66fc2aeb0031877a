"""The order of a bench session, the same for the same seed, and how long it takes."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain, groupby

import numpy as np
import pandas as pd

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.schedule.design import VISITS, Design, Stop, tunings_on

#: Mark between a session and its restarts in the names that the planner gives.
RESTART = ", restart "
#: The same between a session and the mountings of a card.
MOUNTED = ", {card} mounted "
#: What the planner notes in the run sheet of a pause before a run [s].
PAUSE = re.compile(r"^pause (\d+) s first")


@dataclass(frozen=True)
class PlannedRun:
    """One run to do; ``round`` is None where the run only warms the game up."""

    card: str
    tuning: str
    game: str
    setting: str
    session: str
    launch: str
    round: int | None
    pause_s: float = 0.0

    @property
    def note(self) -> str:
        """What the run sheet says of the pause before it, as `PAUSE` finds it."""
        return f"pause {self.pause_s:.0f} s first" if self.pause_s else ""


#: Pauses before rounds, in random order [s]: runs of one length, evenly paced, look the same a run or a round
#: later, so that a sensor log whose clock is off could not be told from one whose clock is right.
PAUSES_S = (6.0, 19.0, 12.0, 27.0, 3.0, 24.0, 15.0)
#: Runs of a round after which there is a further pause.
_RUNS_TOGETHER = 3


def ordered_runs(design: Design, plan: ReviewPlan, *, name: str) -> list[PlannedRun]:
    """Return the runs of a session in the order in which they are to be done.

    Parameters
    ----------
    design : what is in the session
    plan : gives the seed and the rule on warm-up runs
    name : name of the session, with which its sessions begin

    Notes
    -----
    Each game is started once and gets all its rounds, tunings alternating (AB, BA, ...) from a random start
    or, with more than two, a random permutation rotated from round to round. Where a tuning needs a restart,
    all games are played between two restarts, and restarts take the place of runs within a round. Cards
    that are compared are mounted alternately, A B B A A B. Where sensors are asked for, pauses of different length
    stand before the rounds; restarts and mountings take any time of their own.
    """
    runs: list[PlannedRun] = []
    for number, card, part in _mountings(design, plan):
        several = len(design.cards) > 1
        session = f"{name}{MOUNTED.format(card=card)}{number}" if several else name
        make = _between_restarts if design.by_restart else _within_launches
        runs += make(part, card, plan=plan, session=session)
    needs_sensors = any(METRICS[name].needs in ("sensors", "both") for name in plan.analysis.metrics)
    return _with_pauses(runs, seed=plan.analysis.seed) if needs_sensors and not design.by_restart else runs


def _with_pauses(runs: Sequence[PlannedRun], *, seed: int) -> list[PlannedRun]:
    """Return runs with the pauses that stand before rounds; in one order again and again they would repeat."""
    rng, paused = _generator(seed, "pauses"), []
    pauses = chain.from_iterable(rng.permutation(PAUSES_S).tolist() for _ in runs)
    for (*_, round_), same in groupby(runs, key=lambda one: (one.session, one.launch, one.round)):
        for place, run in enumerate(same):
            has_pause = round_ is not None and place % _RUNS_TOGETHER == 0
            paused.append(replace(run, pause_s=next(pauses)) if has_pause else run)
    return paused


def turn(tunings: Sequence[str], round_: int, *, seed: int, key: str) -> tuple[str, ...]:
    """Return the order of the tunings in one round.

    Parameters
    ----------
    tunings : tunings of the round
    round_ : number of the round
    seed : seed of the plan
    key : what shares one random start, for example card, game and setting
    """
    start = [str(one) for one in _generator(seed, key).permutation(list(tunings))]
    shift = (round_ - 1) % max(len(start), 1)
    return tuple(start[shift:] + start[:shift])


def _mountings(design: Design, plan: ReviewPlan) -> Iterator[tuple[int, str, Design]]:
    """Yield (number, card, what is done while it is mounted) in the order of the mountings."""
    for mounting in range(1, design.mountings + 1):
        cards = turn(design.cards, mounting, seed=plan.analysis.seed, key="cards")
        sizes = [(stop, design.rounds_of(stop, mounting=mounting)) for stop in design.stops]
        for card in cards if design.mountings > 1 else design.cards:
            stops = tuple(
                Stop(*stop.scene, stop.tunings, stop.first_round + (mounting - 1) * size, size, stop.done)
                for stop, size in sizes
                if size and card in (stop.cards or design.cards)
            )
            if stops:
                yield mounting, card, Design(design.tunings, stops, (card,), 1, design.by_restart)


def _within_launches(part: Design, card: str, *, plan: ReviewPlan, session: str) -> Iterator[PlannedRun]:
    """Yield runs game by game, all rounds of a game from one start of it."""
    for stop in _shuffled(part.stops, plan=plan, session=session):
        tunings = tunings_on(card, stop.tunings or part.tunings, plan=plan)
        rounds = range(stop.first_round, stop.first_round + stop.rounds)
        turns = [
            (one, turn(tunings, one, seed=plan.analysis.seed, key="\0".join((card, *stop.scene)))) for one in rounds
        ]
        first = turns[0][1][0] if tunings else ""
        warm_up = [(None, first)] * (plan.exclude.warm_up_runs_per_launch if tunings else 0)
        for round_, tuning in [*warm_up, *((one, name) for one, names in turns for name in names)]:
            yield _run(card, tuning, stop=stop, session=session, round_=round_)


def _between_restarts(part: Design, card: str, *, plan: ReviewPlan, session: str) -> Iterator[PlannedRun]:
    """Yield runs restart by restart, one run of every game after each."""
    number, first = 0, min((stop.first_round for stop in part.stops), default=1)
    tunings = tunings_on(card, part.tunings, plan=plan)
    for done in range(max((stop.rounds for stop in part.stops), default=0)):
        for tuning in turn(tunings, first + done, seed=plan.analysis.seed, key=f"{card}\0restarts"):
            number += 1
            name = f"{session}{RESTART}{number}"
            stops = [stop for stop in part.stops if stop.rounds > done and tuning in (stop.tunings or tunings)]
            for stop in _shuffled(stops, plan=plan, session=name):
                rounds = [None] * plan.exclude.warm_up_runs_per_launch + [stop.first_round + done]
                yield from (_run(card, tuning, stop=stop, session=name, round_=one) for one in rounds)


def _run(card: str, tuning: str, *, stop: Stop, session: str, round_: int | None) -> PlannedRun:
    """Return one run; a launch is one start of a game in a session."""
    launch = f"{session}, {stop.game}" + (f", {stop.setting}" if stop.setting else "")
    return PlannedRun(card, tuning, stop.game, stop.setting, session, launch, round_)


def _shuffled(stops: Sequence[Stop], *, plan: ReviewPlan, session: str) -> list[Stop]:
    """Return games in random order."""
    order = _generator(plan.analysis.seed, f"games\0{session}").permutation(len(stops))
    return [stops[place] for place in order]


def _generator(seed: int, key: str) -> np.random.Generator:
    """Return a generator of its own for each seed and key, so that one game's order moves no other's."""
    digest = hashlib.sha256(key.encode()).digest()
    return np.random.default_rng([seed, *np.frombuffer(digest[:16], dtype="<u4").tolist()])


@dataclass(frozen=True)
class Visit:
    """One start of a game, and the runs from it.

    Attributes
    ----------
    runs : the runs, in order
    change_s : exchanging the card and restarting the machine before it [s]
    is_mounted : whether an exchange of the card comes before it
    launch_s, settle_s : starting the game, waiting until temperatures settle [s]
    pause_s : pauses before its rounds [s]
    tuning_s, scene_s : applying the tuning of each run, playing each scene [s]
    """

    runs: tuple
    change_s: float
    is_mounted: bool
    launch_s: float
    settle_s: float
    pause_s: float
    tuning_s: float
    scene_s: float

    @property
    def seconds(self) -> float:
        """Time from the end of the visit before to the end of this one [s]."""
        return self.change_s + self.launch_s + self.settle_s + self.pause_s + self.tuning_s + self.scene_s


def visits_of(runs: Iterable, plan: ReviewPlan) -> list[Visit]:
    """Return the starts of games that runs need, in order.

    Parameters
    ----------
    runs : objects with ``card, session, launch, game, setting, pause_s``, in the order in which they are to be done
    plan : gives the times of ``[session_plan]``

    Notes
    -----
    The tuning is applied before every run, also where the run before had the same one: a round counts
    only so. Temperatures settle once after each start of a game; between runs only the tuning changes.
    """
    times, visits, before = plan.session_plan, [], None
    for _, same in groupby(runs, key=lambda one: (one.session, one.launch, one.card, one.game, one.setting)):
        part = tuple(same)
        first = part[0]
        mounting = (first.card, first.session.partition(RESTART)[0])
        is_mounted = before is not None and len(plan.cards) > 1 and mounting != before[0]
        is_restarted = RESTART in first.session and (before is None or first.session != before[1])
        visits.append(Visit(
            part, 60 * times.card_swap_min * is_mounted + times.restart_s * is_restarted, is_mounted,
            times.launch_s, times.settle_s, float(sum(run.pause_s for run in part)),
            times.tuning_change_s * len(part), times.scene_s * len(part),
        ))  # fmt: skip
        before = mounting, first.session
    return visits


def minutes_of(runs: Sequence[PlannedRun], plan: ReviewPlan) -> float:
    """Return how long the runs take, with all that stands between them [min]."""
    return sum(visit.seconds for visit in visits_of(runs, plan)) / 60


#: What the time of a visit consists of.
TIMES = ("change_s", "launch_s", "settle_s", "pause_s", "tuning_s", "scene_s")


def visits_table(visits: Iterable[Visit]) -> pd.DataFrame:
    """Return visits as a table.

    Parameters
    ----------
    visits : see `visits_of`

    Returns
    -------
    DataFrame, see ``schedule.design.VISITS``
    """
    rows, clock = [], 0.0
    for number, visit in enumerate(visits, start=1):
        first = visit.runs[0]
        row = {name: getattr(first, name) for name in ("session", "card", "game", "setting")}
        times = {name: getattr(visit, name) for name in TIMES}
        rows.append({"visit": number, **row, "runs": len(visit.runs), "starts_s": clock, **times})
        clock += visit.seconds
    return VISITS.frame(rows)
