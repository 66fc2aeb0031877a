"""A bench session that fits into its time: what is dropped, what then cannot be said, what comes next."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import chain

import numpy as np
import pandas as pd

from gpubench_kit.model.errors import DesignError, Fault, listed
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.schedule.design import MOUNTINGS, Design, SoFar, Stop, design_on_sheet, full_design, tunings_on
from gpubench_kit.schedule.needs import needs_of
from gpubench_kit.schedule.order import PlannedRun, minutes_of, ordered_runs
from gpubench_kit.statistics.compare import compare_tunings
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.statistics.planning import DEFAULT_ROUNDS, FEWEST_ROUNDS, MOST_ROUNDS
from gpubench_kit.statistics.testing import UNDECIDED
from gpubench_kit.statistics.variance import LEAST_GAMES
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import count_text, duration_text, number_text
from gpubench_kit.wording.terms import is_cards_once, scene_text


@dataclass(frozen=True)
class Dropped:
    """Something left out of the session.

    Attributes
    ----------
    what : what is left out
    then : what cannot be said without it
    saves_min : minutes that it saves
    """

    what: str
    then: str
    saves_min: float = 0.0


@dataclass(frozen=True)
class FittedSession:
    """A session that fits.

    Attributes
    ----------
    design : what is in it
    runs : its runs, in order
    minutes : how long it takes
    full_minutes : how long it would take with everything in it
    dropped : what was left out for want of time, in that order
    """

    design: Design
    runs: list[PlannedRun]
    minutes: float
    full_minutes: float
    dropped: tuple[Dropped, ...]


def fit_session(
    design: Design, plan: ReviewPlan, *, noise: pd.DataFrame, sheet: pd.DataFrame, name: str
) -> FittedSession:
    """Return the session with as little left out as its time asks for.

    Parameters
    ----------
    design : everything that is to be done
    plan : ``session_plan.minutes`` and ``session_plan.must_have``
    noise : see ``schedule.design.PLANNED_NOISE``
    sheet : rows of the run sheet so far; rounds in them count
    name : name of the session

    Raises
    ------
    DesignError : not even the least that allows a verdict fits

    Notes
    -----
    Left out are, in this order: tunings that are not in ``must_have``, the last of the plan first; games
    that decide nothing with so many rounds, down to six games; rounds, down to three; further games, the
    last of the plan first.
    """
    runs = ordered_runs(design, plan, name=name)
    full = minutes = minutes_of(runs, plan)
    dropped: list[Dropped] = []
    while minutes > plan.session_plan.minutes:
        # The least loss first.
        steps = chain(
            _without_tuning(design, plan, sheet),
            _without_idle_game(design, plan, noise),
            _without_round(design),
            _without_last_game(design),
        )
        step = next(steps, None)
        if step is None:
            raise DesignError(_too_short(design, plan, minutes))
        design, lost = step
        runs = ordered_runs(design, plan, name=name)
        left = minutes_of(runs, plan)
        dropped.append(replace(lost, saves_min=minutes - left))
        minutes = left
    return FittedSession(design, runs, minutes, full, tuple(dropped))


def planned_rounds(design: Design) -> dict[tuple[str, str], int]:
    """Return the rounds of each game of a session, those done included."""
    return {stop.scene: stop.done + design.new_rounds(stop) for stop in design.stops}


def _without_tuning(design: Design, plan: ReviewPlan, sheet: pd.DataFrame) -> Iterator[tuple[Design, Dropped]]:
    """Yield the session without its last tuning that is no must, if two remain that lack rounds."""
    musts = {plan.reference_tuning, *plan.session_plan.must_have}
    free = [name for name in design.tunings if name not in musts]
    if not free or len(design.tunings) <= 2 or any(stop.tunings for stop in design.stops):
        return
    left = [name for name in design.tunings if name != free[-1]]
    rest = full_design(plan, sheet, tunings=left, rounds=design.rounds)
    if any(stop.rounds for stop in rest.stops):
        what, then = (say(f"schedule.dropped.tuning.{one}", name=free[-1]) for one in ("what", "then"))
        yield rest, Dropped(what, then)


def _without_idle_game(design: Design, plan: ReviewPlan, noise: pd.DataFrame) -> Iterator[tuple[Design, Dropped]]:
    """Yield the session without the game that is farthest from deciding anything, if six games remain."""
    stops = [stop for stop in design.stops if stop.rounds]
    if len({stop.game for stop in stops}) <= LEAST_GAMES:
        return
    primary = noise[noise["metric"] == plan.analysis.primary]
    needs = needs_of(primary, plan, rounds=planned_rounds(design), in_blocks=design.by_restart)
    idle = needs[needs["rounds_to_decide"].isna() & needs["margin"].notna()]
    idle = idle[[key in {stop.scene for stop in stops} for key in zip(idle["game"], idle["setting"], strict=True)]]
    if len(idle):
        worst = (
            idle.assign(size=idle["detectable"].fillna(float("inf"))).sort_values("size", kind="stable").iloc[-1]
        )
        rounds, margin = count_text(worst["rounds"], "round"), number_text(worst["margin"])
        kind = "limited" if pd.isna(worst["detectable"]) else "hardly"
        why = say(f"schedule.dropped.game.{kind}", rounds=rounds, most=MOST_ROUNDS, margin=margin)
        yield _without((worst["game"], worst["setting"]), design, why)


def _without_round(design: Design) -> Iterator[tuple[Design, Dropped]]:
    """Yield the session with one round less for the games that have most of them."""
    most = max((stop.done + stop.rounds for stop in design.stops if stop.rounds), default=0)
    least = max(FEWEST_ROUNDS, design.mountings)
    if most <= least or any(stop.tunings for stop in design.stops):
        return
    # A round less saves nothing unless every mounting of a card gets one less.
    fewer = min(most - 1, design.mountings * (math.ceil(most / design.mountings) - 1))
    stops = tuple(
        replace(stop, rounds=max(0, min(fewer, stop.done + stop.rounds) - stop.done)) for stop in design.stops
    )
    lost = say(f"schedule.dropped.round.{'one' if fewer == most - 1 else 'many'}", first=fewer + 1, last=most)
    yield replace(design, stops=stops), Dropped(lost, say("schedule.dropped.round.then", rounds=fewer))


def _without_last_game(design: Design) -> Iterator[tuple[Design, Dropped]]:
    """Yield the session without its last game, if one remains."""
    stops = [stop for stop in design.stops if stop.rounds]
    if len(stops) > 1:
        # Further rounds are dropped where most of them are needed.
        last = max(stops, key=lambda stop: (stop.mountings, stop.rounds)) if stops[0].tunings else stops[-1]
        yield _without(last.scene, design, say("schedule.dropped.game.open") if last.tunings else "")


def _without(scene: tuple[str, str], design: Design, why: str) -> tuple[Design, Dropped]:
    """Return the session without one game."""
    stops = tuple(stop for stop in design.stops if stop.scene != scene)
    games = len({stop.game for stop in stops})
    name = scene_text(*scene)
    parts = [say(f"schedule.dropped.game.{'since' if why else 'plain'}", game=name, why=why)]
    if all(not stop.tunings for stop in stops):
        parts.append(say("schedule.dropped.game.overall", games=count_text(games, "game")))
    if games == LEAST_GAMES - 1 and len({stop.game for stop in design.stops}) == LEAST_GAMES:
        parts.append(say("schedule.dropped.game.alone", least=LEAST_GAMES))
    return design.with_stops(stops), Dropped(say("schedule.dropped.game.what", game=name), " ".join(parts))


def _too_short(design: Design, plan: ReviewPlan, minutes: float) -> Fault:
    """Return the fault of a session in which nothing fits."""
    stop = next(stop for stop in design.stops if stop.rounds)
    what = (
        f"{count_text(stop.rounds, 'round')} of {scene_text(*stop.scene)} with the tunings {listed(design.tunings)}"
    )
    needed = duration_text(60 * minutes)
    problem = (
        f"{number_text(plan.session_plan.minutes, decimals=0)} min were found; even {what} alone need {needed}."
    )
    action = "Raise minutes, or shorten what the session does need: launch_s, scene_s, settle_s, must_have."
    return Fault("plan.toml, session_plan.minutes", problem, action)


@dataclass(frozen=True)
class Work:
    """What is to be done next.

    Attributes
    ----------
    stage : ``first`` (rounds of the plan), ``further`` (rounds, or installations of cards, for undecided games),
        ``waiting`` (planned runs are not recorded yet), ``done`` (nothing that the plan allows)
    design : everything to be done; for ``waiting`` and ``done`` what the run sheet holds, for its numbers
    messages : why, in sentences
    """

    stage: str
    design: Design
    messages: tuple[str, ...]


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
        first, last = waiting["run"].iloc[0], waiting["run"].iloc[-1]
        message = say("schedule.next.waiting", n=len(waiting), first=first, last=last)
        return Work("waiting", on_sheet, (message, say("schedule.next.record")))
    if so_far.looks == 0:
        if any(stop.rounds for stop in design.stops):
            return Work("first", design, ())
        return Work("first", design, (say("schedule.next.report"),))
    if not so_far.is_shown:
        return Work("done", on_sheet, (say("schedule.next.changed"),))
    # Looks stay as many as were planned before the first.
    plan = so_far.seen.plan
    if so_far.looks >= plan.analysis.looks:
        return Work("done", on_sheet, _no_look_left(plan, so_far.looks))
    rows = _open_rows(plan, so_far)
    if not len(rows):
        return Work("done", on_sheet, (say("schedule.next.decided"),))
    stops, beyond = [], []
    for stop in on_sheet.stops:
        mine = rows[(rows["game"] == stop.game) & (rows["setting"] == stop.setting)]
        within = mine[mine["more_runs"].notna() & ~mine["is_sampled"]]
        beyond += [scene_text(*stop.scene)] if len(mine) > len(within) + mine["is_sampled"].sum() else []
        stops += [_extended(stop, within, plan=plan, runs=so_far.runs)] if len(within) else []
    messages = []
    if beyond:
        far = rows[rows["more_runs"].isna() & ~rows["is_sampled"]]
        messages.append(say("schedule.next.beyond", units=_units(far), games="; ".join(beyond)))
    messages += [say("schedule.next.sampled")] * bool(rows["is_sampled"].any())
    messages += [say("schedule.next.once", times=MOUNTINGS - 1)] * bool(rows["is_once"].any())
    if not stops:
        return Work("done", on_sheet, tuple(messages))
    counts = ", ".join(f"{scene_text(*stop.scene)} {_count_of(stop)}" for stop in stops)
    units = _units(rows[rows["more_runs"].notna() & ~rows["is_sampled"]])
    looks = {"look": so_far.looks + 1, "looks": plan.analysis.looks}
    further = say("schedule.next.further", units=units, games=counts, **looks), say("schedule.next.settled")
    return Work("further", _of_stops(on_sheet, stops, plan), (*further, *messages))


def _no_look_left(plan: ReviewPlan, looks: int) -> tuple[str, ...]:
    """Return why nothing further is planned."""
    level, too_many = level_of_looks(plan, looks_made=looks + 1)
    done = say("schedule.next.no_look", made=count_text(looks, "look"), planned=plan.analysis.looks)
    further = say("schedule.next.unplanned", look=looks + 1, level=f"{level:g}")
    return done, say("schedule.next.too_many") if too_many else further


def _open_rows(plan: ReviewPlan, so_far: SoFar) -> pd.DataFrame:
    """Return what the last look left open, with what it needs.

    Cards that were not installed in turns have no noise of installations to allow for: they get what a plan
    gives cards at first, less the installation that there is.
    """
    usable = so_far.usable[so_far.usable["purpose"] != "pilot"]
    rows = compare_tunings(usable, plan, looks=so_far.seen, may_be_empty=True)
    rows = rows[rows["metric"] == plan.analysis.primary]
    sampled, once = (
        np.array([is_so(row) for row in rows.itertuples()], dtype=bool)
        for is_so in (
            lambda row: any(len(plan.cards_named(card)) > 1 for card in (row.of_card, row.against_card) if card),
            is_cards_once,
        )
    )
    rows = rows.assign(is_sampled=sampled, is_once=once & ~sampled, size=rows["n"] / rows["n_blocks"])
    rows.loc[rows["is_once"], ["more_runs", "size"]] = MOUNTINGS - 1, DEFAULT_ROUNDS / MOUNTINGS
    return rows[(rows["verdict"] == UNDECIDED) | rows["is_once"]]


def _units(rows: pd.DataFrame) -> str:
    """Return what is counted in rows of comparisons: rounds, or installations where two cards are compared."""
    across = rows["of_card"] != rows["against_card"]
    is_there = {"rounds": not across.all(), "installations": across.any()}
    return say("list.and").join(say(f"schedule.units.{one}") for one in is_there if is_there[one])


def _count_of(stop: Stop) -> str:
    """Return the rounds of a game in words; between cards, how often each is installed for it."""
    if not stop.mountings:
        return f"{stop.rounds}"
    each = math.ceil(stop.rounds / stop.mountings)
    return say("schedule.units.of_card", n=stop.mountings, rounds=count_text(each, "round"))


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
