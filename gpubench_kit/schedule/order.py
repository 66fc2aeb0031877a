"""The order of an evening: games in random order, tunings alternating or rotated, the same for the same seed."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.schedule.design import Design, Stop, tunings_on

#: Mark between a session and its restarts in the names that the planner gives.
RESTART = ", restart "


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


def ordered_runs(design: Design, plan: ReviewPlan, *, evening: str) -> list[PlannedRun]:
    """Return the runs of an evening in the order in which they are to be done.

    Parameters
    ----------
    design : what is in the evening
    plan : gives the seed and the rule on warm-up runs
    evening : name of the evening, with which its sessions begin

    Notes
    -----
    Each game is started once and gets all its rounds, tunings alternating (AB, BA, ...) from a random start
    or, with more than two, a random permutation rotated from round to round. Where a tuning needs a restart,
    all games are played between two restarts, and restarts take the place of runs within a round. Cards
    that are compared are mounted alternately, A B B A A B.
    """
    runs: list[PlannedRun] = []
    for number, card, part in _mountings(design, plan):
        several = len(design.cards) > 1
        session = f"{evening}, {card} mounted {number}" if several else evening
        make = _between_restarts if design.by_restart else _within_launches
        runs += make(part, card, plan=plan, session=session)
    return runs


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
        played = (
            (card, _played(design, card, mounting)) for card in (cards if design.mountings > 1 else design.cards)
        )
        yield from (
            (mounting, card, Design(design.tunings, stops, (card,), 1, design.by_restart))
            for card, stops in played
            if stops
        )


def _played(design: Design, card: str, mounting: int) -> tuple[Stop, ...]:
    """Return what is played on a card in one of its mountings."""
    sizes = [(stop, design.rounds_of(stop, mounting=mounting)) for stop in design.stops]
    there = [(stop, size) for stop, size in sizes if size and card in (stop.cards or design.cards)]
    return tuple(_part(stop, mounting, size=size) for stop, size in there)


def _part(stop: Stop, mounting: int, *, size: int) -> Stop:
    """Return the rounds of a stop that fall to one mounting."""
    return Stop(stop.game, stop.setting, stop.tunings, stop.first_round + (mounting - 1) * size, size, stop.done)


def _within_launches(part: Design, card: str, *, plan: ReviewPlan, session: str) -> Iterator[PlannedRun]:
    """Yield runs game by game, all rounds of a game from one start of it."""
    for stop in _shuffled(part.stops, plan=plan, session=session):
        tunings = tunings_on(card, stop.tunings or part.tunings, plan=plan)
        rounds = range(stop.first_round, stop.first_round + stop.rounds)
        turns = [(one, turn(tunings, one, seed=plan.analysis.seed, key=_key(card, stop))) for one in rounds]
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
            yield from _one_block(_shuffled(stops, plan=plan, session=name), done, (card, tuning, name), plan=plan)


def _one_block(
    stops: Sequence[Stop], done: int, block: tuple[str, str, str], *, plan: ReviewPlan
) -> Iterator[PlannedRun]:
    """Yield one run of every game between two restarts; block = (card, tuning, session)."""
    card, tuning, session = block
    for stop in stops:
        warm_up = [None] * plan.exclude.warm_up_runs_per_launch
        for round_ in [*warm_up, stop.first_round + done]:
            yield _run(card, tuning, stop=stop, session=session, round_=round_)


def _run(card: str, tuning: str, *, stop: Stop, session: str, round_: int | None) -> PlannedRun:
    """Return one run; a launch is one start of a game in a session."""
    launch = f"{session}, {stop.game}" + (f", {stop.setting}" if stop.setting else "")
    return PlannedRun(card, tuning, stop.game, stop.setting, session, launch, round_)


def _shuffled(stops: Sequence[Stop], *, plan: ReviewPlan, session: str) -> list[Stop]:
    """Return games in random order."""
    order = _generator(plan.analysis.seed, f"games\0{session}").permutation(len(stops))
    return [stops[place] for place in order]


def _key(card: str, stop: Stop) -> str:
    """Return what names the random start of a game's rounds."""
    return "\0".join((card, *stop.scene))


def _generator(seed: int, key: str) -> np.random.Generator:
    """Return a generator of its own for each seed and key, so that one game's order moves no other's."""
    digest = hashlib.sha256(key.encode()).digest()
    return np.random.default_rng([seed, *np.frombuffer(digest[:16], dtype="<u4").tolist()])
