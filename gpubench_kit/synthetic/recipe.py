"""What a made-up review consists of: games, tunings, mishaps, and the sheet of its runs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import product

import numpy as np

from gpubench_kit.model.errors import DesignError

MISHAPS = ("gap", "cap", "loading_pause", "short_run", "tuning_lost", "background_load")


@dataclass(frozen=True)
class MadeGame:
    """One game at one setting, as it is under the factory tuning.

    Attributes
    ----------
    name, scene, setting, group, limited_by : as in the plan
    avg_fps : average frame rate [fps]
    board_w : power [W]
    load_pct : load of the card [%]
    run_cv_pct : run-to-run noise of the average frame rate [%]
    roughness : standard deviation of the natural log of frame times within a run
    hitches_per_min : frames several times as long as their neighbours, per minute
    """

    name: str
    avg_fps: float
    scene: str = ""
    setting: str = ""
    group: str = "all"
    limited_by: str = "card"
    board_w: float = 290.0
    load_pct: float = 97.0
    run_cv_pct: float = 0.5
    roughness: float = 0.09
    hitches_per_min: float = 4.0


@dataclass(frozen=True)
class MadeTuning:
    """One tuning and its true effects; the first of a review is the reference, with no effects.

    Attributes
    ----------
    name, changes : as in the plan
    fps_pct : true change of every frame rate [%] in games limited by the card; others: ``fps_in``
    fps_in : true change [%] in the games named
    power_pct : true change of power [%]; in games not limited by the card half of it
    core_mhz, core_mv : clock [MHz] and voltage [mV] under load
    core_c, fan_rpm, sound_dba : temperature [°C], fan speed [rpm] and sound level [dBA] after a soak
    """

    name: str
    fps_pct: float = 0.0
    fps_in: dict[str, float] = field(default_factory=dict)
    power_pct: float = 0.0
    core_mhz: float = 2650.0
    core_mv: float = 1050.0
    core_c: float = 68.0
    fan_rpm: float = 1650.0
    sound_dba: float = 38.0
    changes: dict[str, float] = field(default_factory=dict)

    def fps_factor(self, game: MadeGame) -> float:
        """Return the factor that the tuning puts on the frame rates of a game."""
        return 1 + self.fps_in.get(game.name, self.fps_pct if game.limited_by == "card" else 0.0) / 100

    def power_factor(self, game: MadeGame) -> float:
        """Return the factor that the tuning puts on the power in a game."""
        return 1 + self.power_pct / 100 * (1.0 if game.limited_by == "card" else 0.5)


@dataclass(frozen=True)
class Mishap:
    """Something that goes wrong in one run, planted on purpose.

    Attributes
    ----------
    kind : one of `MISHAPS`
    tuning, game, round : the run; with a setting, the run at that setting
    excluded : logged cause; with one, the run is repeated at once and the repeat names it in ``replaces``
    note : text in the run sheet
    """

    kind: str
    tuning: str
    game: str
    round: int
    setting: str = ""
    excluded: str = ""
    note: str = ""

    def __post_init__(self):
        if self.kind not in MISHAPS:
            raise DesignError(f"mishap {self.kind!r} is not known; one of {', '.join(MISHAPS)} is expected.")


@dataclass(frozen=True)
class MadeReview:
    """A whole made-up review; the same recipe gives the same files.

    Attributes
    ----------
    title, card, licence : as in the plan
    tunings, games : the first tuning is the reference
    seed : of order and noise
    rounds : runs of each tuning in each game
    rounds_per_session : rounds between two restarts; each session begins with a warm-up run
    scene_s : length of a run [s]
    soak_games, soak_rounds : games and rounds of runs recorded hot, after the measured ones
    with_idle : whether a sensor log of each tuning with nothing to do stands at the end
    round_pct, drift_pct_per_run : offset of a round (standard deviation) and drift [%]
    mishaps : what goes wrong
    started : clock at the first run
    plan_end : text put at the end of ``plan.toml``: analysis, claims, costs
    """

    title: str
    tunings: tuple[MadeTuning, ...]
    games: tuple[MadeGame, ...]
    seed: int
    card: str = "Larkmoor 4"
    rounds: int = 5
    rounds_per_session: int = 3
    scene_s: float = 30.0
    soak_games: tuple[str, ...] = ()
    soak_rounds: int = 3
    with_idle: bool = False
    round_pct: float = 0.1
    drift_pct_per_run: float = 0.0
    mishaps: tuple[Mishap, ...] = ()
    started: datetime = datetime(2026, 11, 2, 18, 30)
    licence: str = "CC0-1.0"
    plan_end: str = ""


@dataclass(frozen=True)
class MadeRun:
    """One row of the run sheet and what is behind it.

    Attributes
    ----------
    run, purpose, session, launch, excluded, replaces, note, round, order : as in the run sheet
    tuning, game : what was run
    mishap : kind of mishap, empty for none
    started : clock at the first frame
    """

    tuning: MadeTuning
    game: MadeGame
    round: int
    purpose: str
    session: str
    launch: str
    run: str = ""
    order: int = 0
    started: datetime = datetime.min
    mishap: str = ""
    excluded: str = ""
    replaces: str = ""
    note: str = ""


#: Stands in the place of a name until runs have names.
_THE_ONE_BEFORE = "the one before"


def list_runs(review: MadeReview) -> list[MadeRun]:
    """Return the runs of a made-up review in the order done.

    Parameters
    ----------
    review : the recipe

    Returns
    -------
    list of MadeRun : round by round the games in random order, in each game the tunings in a random
        order that is rotated from round to round; a warm-up run at the start of each session; a run
        with a logged cause is followed by its repeat; soak runs and idle ones last

    Raises
    ------
    DesignError : a mishap names a run that the review does not have
    """
    runs, planted = [], set()
    for run in (one for number in range(1, review.rounds + 1) for one in _runs_of_round(review, number)):
        place = (run.tuning.name, run.game.name, run.game.setting, run.round)
        fitting = (one for one in review.mishaps if place == (one.tuning, one.game, one.setting, one.round))
        mishap = next(fitting, None) if run.purpose == "measure" else None
        if mishap is None:
            runs.append(run)
            continue
        planted.add(mishap)
        runs.append(replace(run, mishap=mishap.kind, excluded=mishap.excluded, note=mishap.note))
        # Where it was noticed, the run is repeated.
        runs += [replace(run, replaces=_THE_ONE_BEFORE)] if mishap.excluded else []
    lost = [
        f"{one.kind}: {one.tuning}, {one.game}, round {one.round}" for one in review.mishaps if one not in planted
    ]
    if lost:
        raise DesignError(f"mishaps name runs that the review does not have: {'; '.join(lost)}.")
    return _numbered([*runs, *_soak_runs(review)], review)


def _runs_of_round(review: MadeReview, number: int) -> Iterator[MadeRun]:
    """Yield the runs of one round, the warm-up of a new session first, without name, place and clock."""
    session_number, place = divmod(number - 1, review.rounds_per_session)
    session = f"session {session_number + 1}"
    if place == 0:
        yield MadeRun(review.tunings[0], review.games[0], 0, "warm_up", session, f"{session}, warm-up")
    names = list(dict.fromkeys(game.name for game in review.games))
    shuffled = np.random.default_rng([review.seed, 1, number]).permutation(len(names))
    for game in (game for place in shuffled for game in review.games if game.name == names[place]):
        for tuning in _order_of_tunings(review, game, number=number):
            yield MadeRun(tuning, game, number, "measure", session, f"round {number}, {game.name}")


def _soak_runs(review: MadeReview) -> Iterator[MadeRun]:
    """Yield the runs recorded hot and the idle ones, their rounds numbered on from the measured ones."""
    session = f"session {(review.rounds - 1) // review.rounds_per_session + 2}"
    games = [next(game for game in review.games if game.name == name) for name in review.soak_games]
    first, end = review.rounds + 1, review.rounds + 1 + review.soak_rounds
    for number, game in product(range(first, end), games):
        for tuning in _order_of_tunings(review, game, number=number):
            yield MadeRun(tuning, game, number, "soak", session, f"round {number}, {game.name}")
    for tuning in review.tunings if review.with_idle else ():
        yield MadeRun(tuning, review.games[0], end, "idle", session, "")


def _order_of_tunings(review: MadeReview, game: MadeGame, *, number: int) -> list[MadeTuning]:
    """Return the tunings in a random order of the game's own, rotated by the round."""
    first = np.random.default_rng([review.seed, 2, review.games.index(game)]).permutation(len(review.tunings))
    return [review.tunings[place] for place in np.roll(first, -number)]


def _numbered(runs: list[MadeRun], review: MadeReview) -> list[MadeRun]:
    """Return the runs with names, places and clocks."""
    numbered: list[MadeRun] = []
    clock, session = review.started, ""
    for order, run in enumerate(runs, start=1):
        if session and run.session != session:
            clock = (clock + timedelta(days=1)).replace(hour=18, minute=30, second=0)
        session = run.session
        replaces = numbered[-1].run if run.replaces else ""
        numbered.append(replace(run, run=f"r{order:03d}", order=order, started=clock, replaces=replaces))
        # A soak run is recorded after fifteen minutes of the same scene.
        clock += timedelta(seconds=review.scene_s + (945 if run.purpose == "soak" else 45))
    return numbered
