"""An evening that fits into its time: what is dropped, in which order, and what then cannot be said."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import pandas as pd

from gpubench_kit.model.errors import DesignError, Fault, listed
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.schedule.design import Design, Stop, full_design
from gpubench_kit.schedule.needs import needs_of
from gpubench_kit.schedule.order import PlannedRun, ordered_runs
from gpubench_kit.schedule.time import minutes_of
from gpubench_kit.statistics.planning import FEWEST_ROUNDS, MOST_ROUNDS
from gpubench_kit.statistics.variance import LEAST_GAMES
from gpubench_kit.wording.numbers import count_text, duration_text, number_text


@dataclass(frozen=True)
class Dropped:
    """Something left out of the evening.

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
class Evening:
    """An evening that fits.

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


def fit_evening(
    design: Design, plan: ReviewPlan, *, noise: pd.DataFrame, sheet: pd.DataFrame, name: str
) -> Evening:
    """Return the evening with as little left out as its time asks for.

    Parameters
    ----------
    design : everything that is to be done
    plan : ``session_plan.minutes`` and ``session_plan.must_have``
    noise : see ``schedule.tables.PLANNED_NOISE``
    sheet : rows of the run sheet so far; rounds in them count
    name : name of the evening

    Raises
    ------
    DesignError : not even the least that allows a verdict fits

    Notes
    -----
    Left out are, in this order: tunings that are not in ``must_have``, the last of the plan first; games
    that decide nothing with so many rounds, down to six games; rounds, down to three; further games, the
    last of the plan first.
    """
    runs = ordered_runs(design, plan, evening=name)
    full = minutes = minutes_of(runs, plan)
    dropped: list[Dropped] = []
    while minutes > plan.session_plan.minutes:
        step = next(_steps(design, plan, noise, sheet), None)
        if step is None:
            raise DesignError(_too_short(design, plan, minutes))
        design, lost = step
        runs = ordered_runs(design, plan, evening=name)
        left = minutes_of(runs, plan)
        dropped.append(replace(lost, saves_min=minutes - left))
        minutes = left
    return Evening(design, runs, minutes, full, tuple(dropped))


def planned_rounds(design: Design) -> dict[tuple[str, str], int]:
    """Return the rounds of each game of an evening, those done included."""
    return {stop.scene: stop.done + design.new_rounds(stop) for stop in design.stops}


def scene_of(scene: tuple[str, str]) -> str:
    """Return a game and its setting in words."""
    game, setting = scene
    return f"{game}, {setting}" if setting else game


def _steps(
    design: Design, plan: ReviewPlan, noise: pd.DataFrame, sheet: pd.DataFrame
) -> Iterator[tuple[Design, Dropped]]:
    """Yield the evenings that are one step shorter, the least loss first."""
    yield from _without_tuning(design, plan, sheet)
    yield from _without_idle_game(design, plan, noise)
    yield from _without_round(design)
    yield from _without_last_game(design)


def _without_tuning(design: Design, plan: ReviewPlan, sheet: pd.DataFrame) -> Iterator[tuple[Design, Dropped]]:
    """Yield the evening without its last tuning that is no must, if two remain that lack rounds."""
    musts = {plan.reference_tuning, *plan.session_plan.must_have}
    free = [name for name in design.tunings if name not in musts]
    if not free or len(design.tunings) <= 2 or any(stop.tunings for stop in design.stops):
        return
    left = [name for name in design.tunings if name != free[-1]]
    rest = full_design(plan, sheet, tunings=left, rounds=design.rounds)
    if any(stop.rounds for stop in rest.stops):
        yield rest, Dropped(f"Tuning “{free[-1]}”", f"Nothing new can be said about “{free[-1]}”.")


def _without_idle_game(design: Design, plan: ReviewPlan, noise: pd.DataFrame) -> Iterator[tuple[Design, Dropped]]:
    """Yield the evening without the game that is farthest from deciding anything, if six games remain."""
    stops = [stop for stop in design.stops if stop.rounds]
    if len({stop.game for stop in stops}) <= LEAST_GAMES:
        return
    needs = _primary_needs(design, plan, noise)
    idle = needs[needs["rounds_to_decide"].isna() & needs["margin"].notna()]
    idle = idle[[key in {stop.scene for stop in stops} for key in zip(idle["game"], idle["setting"], strict=True)]]
    if len(idle):
        worst = (
            idle.assign(size=idle["detectable"].fillna(float("inf"))).sort_values("size", kind="stable").iloc[-1]
        )
        yield _without((worst["game"], worst["setting"]), design, _idle_words(worst))


def _primary_needs(design: Design, plan: ReviewPlan, noise: pd.DataFrame) -> pd.DataFrame:
    """Return what the rounds of an evening can show of the metric that decides."""
    primary = noise[noise["metric"] == plan.analysis.primary]
    return needs_of(primary, plan, rounds=planned_rounds(design), in_blocks=design.by_restart)


def _idle_words(needs: pd.Series) -> str:
    """Return what is lost with a game that decides nothing."""
    if pd.isna(needs["detectable"]):
        return "no verdict on its frame rate was possible anyway, since a frame limit is declared"
    rounds, margin = count_text(needs["rounds"], "round"), number_text(needs["margin"])
    return f"{rounds} would hardly have decided it (it needs more than {MOST_ROUNDS} to settle {margin} %)"


def _without_round(design: Design) -> Iterator[tuple[Design, Dropped]]:
    """Yield the evening with one round less for the games that have most of them."""
    most = max((stop.done + stop.rounds for stop in design.stops if stop.rounds), default=0)
    least = max(FEWEST_ROUNDS, design.mountings)
    if most <= least or any(stop.tunings for stop in design.stops):
        return
    # A round less saves nothing unless every mounting of a card gets one less.
    fewer = min(most - 1, design.mountings * (math.ceil(most / design.mountings) - 1))
    stops = tuple(_with_rounds(stop, min(fewer, stop.done + stop.rounds)) for stop in design.stops)
    lost = f"Round {most}" if fewer == most - 1 else f"Rounds {fewer + 1} to {most}"
    then = f"Smaller differences go unseen, and fewer games are decided: see the numbers for {fewer} rounds."
    yield replace(design, stops=stops), Dropped(f"{lost} of every game", then)


def _without_last_game(design: Design) -> Iterator[tuple[Design, Dropped]]:
    """Yield the evening without its last game, if one remains."""
    stops = [stop for stop in design.stops if stop.rounds]
    if len(stops) > 1:
        # Further rounds are dropped where most of them are needed.
        last = max(stops, key=lambda stop: (stop.mountings, stop.rounds)) if stops[0].tunings else stops[-1]
        yield _without(last.scene, design, "" if not last.tunings else "it stays undecided")


def _without(scene: tuple[str, str], design: Design, why: str) -> tuple[Design, Dropped]:
    """Return the evening without one game."""
    stops = tuple(stop for stop in design.stops if stop.scene != scene)
    games = len({stop.game for stop in stops})
    name = scene_of(scene)
    parts = [f"No result for {name}" + (f"; {why}." if why else ".")]
    if all(not stop.tunings for stop in stops):
        parts.append(f"The overall result speaks of {count_text(games, 'game')}.")
    if games == LEAST_GAMES - 1 and len({stop.game for stop in design.stops}) == LEAST_GAMES:
        parts.append(f"With fewer than {LEAST_GAMES} games none can borrow noise from the others.")
    return design.with_stops(stops), Dropped(f"Game {name}", " ".join(parts))


def _with_rounds(stop: Stop, total: int) -> Stop:
    """Return a stop with so many rounds in all."""
    return replace(stop, rounds=max(0, total - stop.done))


def _too_short(design: Design, plan: ReviewPlan, minutes: float) -> Fault:
    """Return the fault of an evening in which nothing fits."""
    stop = next(stop for stop in design.stops if stop.rounds)
    what = f"{count_text(stop.rounds, 'round')} of {scene_of(stop.scene)} with the tunings {listed(design.tunings)}"
    needed = duration_text(60 * minutes)
    problem = (
        f"{number_text(plan.session_plan.minutes, decimals=0)} min were found; even {what} alone need {needed}."
    )
    action = "Raise minutes, or shorten what the session does need: launch_s, scene_s, settle_s, must_have."
    return Fault("plan.toml, session_plan.minutes", problem, action)
