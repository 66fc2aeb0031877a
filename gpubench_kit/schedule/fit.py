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
from gpubench_kit.schedule.design import (
    MOUNTINGS,
    Design,
    SoFar,
    Stop,
    design_on_sheet,
    full_design,
    tunings_on,
)
from gpubench_kit.schedule.needs import needs_of
from gpubench_kit.schedule.order import PlannedRun, minutes_of, ordered_runs
from gpubench_kit.statistics.compare import compare_tunings
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.statistics.multiplicity import UNDECIDED
from gpubench_kit.statistics.planning import DEFAULT_ROUNDS, FEWEST_ROUNDS, MOST_ROUNDS
from gpubench_kit.statistics.variance import LEAST_GAMES
from gpubench_kit.wording.numbers import count_text, duration_text, number_text
from gpubench_kit.wording.reasons import is_cards_once


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
    noise : see ``schedule.tables.PLANNED_NOISE``
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


def scene_of(scene: tuple[str, str]) -> str:
    """Return a game and its setting in words."""
    game, setting = scene
    return f"{game}, {setting}" if setting else game


def _without_tuning(design: Design, plan: ReviewPlan, sheet: pd.DataFrame) -> Iterator[tuple[Design, Dropped]]:
    """Yield the session without its last tuning that is no must, if two remain that lack rounds."""
    musts = {plan.reference_tuning, *plan.session_plan.must_have}
    free = [name for name in design.tunings if name not in musts]
    if not free or len(design.tunings) <= 2 or any(stop.tunings for stop in design.stops):
        return
    left = [name for name in design.tunings if name != free[-1]]
    rest = full_design(plan, sheet, tunings=left, rounds=design.rounds)
    if any(stop.rounds for stop in rest.stops):
        yield rest, Dropped(f"Tuning “{free[-1]}”", f"Nothing new can be said about “{free[-1]}”.")


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
        why = "no verdict on its frame rate was possible anyway, since a frame limit is declared"
        if not pd.isna(worst["detectable"]):
            rounds, margin = count_text(worst["rounds"], "round"), number_text(worst["margin"])
            why = f"{rounds} would hardly have decided it (it needs more than {MOST_ROUNDS} to settle {margin} %)"
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
    lost = f"Round {most}" if fewer == most - 1 else f"Rounds {fewer + 1} to {most}"
    then = f"Smaller differences go unseen, and fewer games are decided: see the numbers for {fewer} rounds."
    yield replace(design, stops=stops), Dropped(f"{lost} of every game", then)


def _without_last_game(design: Design) -> Iterator[tuple[Design, Dropped]]:
    """Yield the session without its last game, if one remains."""
    stops = [stop for stop in design.stops if stop.rounds]
    if len(stops) > 1:
        # Further rounds are dropped where most of them are needed.
        last = max(stops, key=lambda stop: (stop.mountings, stop.rounds)) if stops[0].tunings else stops[-1]
        yield _without(last.scene, design, "" if not last.tunings else "it stays undecided")


def _without(scene: tuple[str, str], design: Design, why: str) -> tuple[Design, Dropped]:
    """Return the session without one game."""
    stops = tuple(stop for stop in design.stops if stop.scene != scene)
    games = len({stop.game for stop in stops})
    name = scene_of(scene)
    parts = [f"No result for {name}" + (f"; {why}." if why else ".")]
    if all(not stop.tunings for stop in stops):
        parts.append(f"The overall result speaks of {count_text(games, 'game')}.")
    if games == LEAST_GAMES - 1 and len({stop.game for stop in design.stops}) == LEAST_GAMES:
        parts.append(f"With fewer than {LEAST_GAMES} games none can borrow noise from the others.")
    return design.with_stops(stops), Dropped(f"Game {name}", " ".join(parts))


def _too_short(design: Design, plan: ReviewPlan, minutes: float) -> Fault:
    """Return the fault of a session in which nothing fits."""
    stop = next(stop for stop in design.stops if stop.rounds)
    what = f"{count_text(stop.rounds, 'round')} of {scene_of(stop.scene)} with the tunings {listed(design.tunings)}"
    needed = duration_text(60 * minutes)
    problem = (
        f"{number_text(plan.session_plan.minutes, decimals=0)} min were found; even {what} alone need {needed}."
    )
    action = "Raise minutes, or shorten what the session does need: launch_s, scene_s, settle_s, must_have."
    return Fault("plan.toml, session_plan.minutes", problem, action)


_ONCE = (
    "Two cards that are not installed in turns cannot be told from two installations, however many rounds each "
    f"gets: so each is installed {MOUNTINGS - 1} times more; only then can be told how many installations it takes."
)
_SAMPLED = "Between models the cards are what is counted: more samples would decide, more runs would not."
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
        count, verb = count_text(len(waiting), "planned run"), "is" if len(waiting) == 1 else "are"
        first, last = waiting["run"].iloc[0], waiting["run"].iloc[-1]
        message = f"{count} of the run sheet {verb} not recorded yet ({first} to {last}), so nothing was added."
        return Work("waiting", on_sheet, (message, "Record them or, to plan anew, delete their rows."))
    if so_far.looks == 0:
        if any(stop.rounds for stop in design.stops):
            return Work("first", design, ())
        message = "The run sheet holds the planned rounds of every game, all recorded. Next: gpubench-kit report."
        return Work("first", design, (message,))
    if not so_far.is_shown:
        message = "Runs or values have changed since the last report. Make the report first; it is the next look."
        return Work("done", on_sheet, (message,))
    # Looks stay as many as were planned before the first.
    plan = so_far.seen.plan
    if so_far.looks >= plan.analysis.looks:
        return Work("done", on_sheet, _no_look_left(plan, so_far.looks))
    rows = _open_rows(plan, so_far)
    if not len(rows):
        return Work("done", on_sheet, ("The last report left no game undecided; there is nothing to add.",))
    stops, beyond = [], []
    for stop in on_sheet.stops:
        mine = rows[(rows["game"] == stop.game) & (rows["setting"] == stop.setting)]
        within = mine[mine["more_runs"].notna() & ~mine["is_sampled"]]
        beyond += [scene_of(stop.scene)] if len(mine) > len(within) + mine["is_sampled"].sum() else []
        stops += [_extended(stop, within, plan=plan, runs=so_far.runs)] if len(within) else []
    messages = []
    if beyond:
        far = rows[rows["more_runs"].isna() & ~rows["is_sampled"]]
        messages.append(
            f"Left as they are, since no feasible number of {_units(far)} settles them: {'; '.join(beyond)}."
        )
    if rows["is_sampled"].any():
        messages.append(_SAMPLED)
    if rows["is_once"].any():
        messages.append(_ONCE)
    if not stops:
        return Work("done", on_sheet, tuple(messages))
    counts = ", ".join(f"{scene_of(stop.scene)} {_count_of(stop)}" for stop in stops)
    looks = f"look {so_far.looks + 1} of {plan.analysis.looks}"
    what = _units(rows[rows["more_runs"].notna() & ~rows["is_sampled"]])
    messages.insert(0, f"Further {what} for the undecided games, by their noise alone, before {looks}: {counts}.")
    messages.insert(1, _SETTLED)
    return Work("further", _of_stops(on_sheet, stops, plan), tuple(messages))


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
    words = {"rounds": not across.all(), "installations of the cards in turns": across.any()}
    return " and ".join(word for word, is_there in words.items() if is_there)


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
