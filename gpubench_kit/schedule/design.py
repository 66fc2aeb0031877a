"""What a bench session starts from and consists of: cards, tunings, games and rounds; and the planner's tables."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from gpubench_kit.checks.review import check_review, exclude_runs
from gpubench_kit.logs.review import open_review
from gpubench_kit.metrics.per_run import compute_run_metrics
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import RUN_SHEET, USABLE, Column, Table, columns_named
from gpubench_kit.sheet import load_run_sheet
from gpubench_kit.sheet.looks import Looks, open_looks
from gpubench_kit.sheet.text import SHEET_FILES
from gpubench_kit.statistics.planning import DEFAULT_ROUNDS
from gpubench_kit.wording.catalogue import say

#: Where the noise of one game and metric comes from.
SOURCES = ("pilot", "measured", "archive", "typical", "none")

PLANNED_NOISE = Table(
    "planned_noise", "game, setting and metric", ("game", "setting", "metric"),
    (
        *columns_named("game setting metric group"),
        Column("source", "text", "where the noise comes from", allowed=SOURCES),
        Column("runs", "integer", "runs that it was seen in; 0 where it is typical"),
        Column("sd", "number", "run-to-run standard deviation counted with, of the natural log on the ratio scale"),
        Column("df", "number", "its degrees of freedom"),
        Column("noise", "number", "`sd` in `unit`"),
        Column("unit", "text", "% on the ratio scale, else the metric's unit"),
        Column("restart_sd", "number", "spread between restarts, as `sd`; 0 where none is known"),
    ),
)  # fmt: skip

NEEDS = Table(
    "needs", "game, setting and metric", ("game", "setting", "metric"),
    (
        *columns_named("game setting metric group"),
        Column("unit", "text", "% on the ratio scale, else the metric's unit"),
        Column("margin", "number", "smallest difference that matters, in `unit`"),
        Column("rounds", "integer", "rounds that the plan has, those done included"),
        Column("detectable", "number", "smallest difference that they find with 80 % chance, in `unit`"),
        Column("chance", "number", "chance that they decide the game if it differs by nothing or by the margin"),
        Column("rounds_to_decide", "integer", "rounds that do so with 80 % chance; empty above 16: not feasible"),
        Column("margin_of_twelve", "number", "smallest margin that 12 rounds can show, in `unit`"),
        Column("outlook", "text", "whether that chance is 80 % or more", allowed=("yes", "no", "none")),
    ),
)  # fmt: skip

NEEDS_OVERALL = Table(
    "needs_overall", "group and metric", ("group", "metric"),
    (
        *columns_named("group metric"),
        Column("unit", "text", "% on the ratio scale, else the metric's unit"),
        Column("games", "integer", "games that enter"),
        Column("rounds", "integer", "rounds of each, those done included; the fewest of any game"),
        Column("these_games", "number", "half-width of the interval over these games, in `unit`"),
        Column("games_like_these", "number", "half-width over games like these, in `unit`"),
        Column("margin", "number", "smallest difference that matters, in `unit`"),
        Column("is_enough", "truth", "whether both “no difference” and one at the margin would be shown"),
    ),
)  # fmt: skip

PLANNED_RUNS = Table(
    "planned_runs", "run", ("run",),
    (
        *columns_named("run card bench tuning game setting purpose session launch round"),
        Column("order", "integer", "run number as planned"),
        Column("pause_s", "number", "pause before it, so that a sensor clock that is off shows", "s"),
        Column("note", "text", "the pause, as the run sheet says it"),
    ),
)  # fmt: skip

VISITS = Table(
    "visits", "start of a game", ("visit",),
    (
        Column("visit", "integer", "number of the start of a game"),
        *columns_named("session card game setting"),
        Column("runs", "integer", "runs from this start"),
        Column("starts_s", "number", "time since the bench session began", "s"),
        Column("change_s", "number", "exchanging the card, restarting the machine", "s"),
        Column("launch_s", "number", "starting the game", "s"),
        Column("settle_s", "number", "waiting until temperatures settle", "s"),
        Column("pause_s", "number", "pauses before rounds, of different lengths", "s"),
        Column("tuning_s", "number", "applying tunings", "s"),
        Column("scene_s", "number", "playing the scene", "s"),
    ),
)  # fmt: skip

VERDICT_CHANCES = Table(
    "verdict_chances", "group, metric, true difference and number of rounds",
    ("group", "metric", "difference_pct", "rounds"),
    (
        *columns_named("group metric"),
        Column("difference_pct", "number", "true difference", "%"),
        Column("rounds", "integer", "rounds, or blocks of each side"),
        Column("chance", "number", "chance that a game with the middle noise of the group gets a verdict"),
        Column("noise", "number", "that noise", "%"),
    ),
)  # fmt: skip


#: Runs from which the planner learns how noisy the bench is.
_PURPOSES = ("measure", "soak", "pilot")


@dataclass(frozen=True)
class SoFar:
    """What there is of a review.

    Attributes
    ----------
    runs : its rows, see ``tables.RUN_SHEET``, with ``is_recorded``
    usable : values of recorded runs, pilots included; see ``tables.USABLE``
    seen : looks at verdicts made so far, and what they gave
    """

    runs: pd.DataFrame
    usable: pd.DataFrame
    seen: Looks

    @property
    def looks(self) -> int:
        """Looks at verdicts made so far."""
        return len(self.seen.rows)

    @property
    def is_shown(self) -> bool:
        """Whether a report has shown these very runs."""
        return self.seen.known > 0

    @property
    def pending(self) -> pd.DataFrame:
        """Rows of runs that are planned but not recorded yet."""
        return self.runs[~self.runs["is_recorded"] & (self.runs["excluded"] == "")]


def read_so_far(plan: ReviewPlan) -> SoFar:
    """Read what there is of a review: its run sheet, the logs so far, the looks made.

    Parameters
    ----------
    plan : the review's plan, with its folder

    Returns
    -------
    SoFar

    Raises
    ------
    TableError : the run sheet or the file of looks cannot be read, or has faults; all are listed

    Notes
    -----
    A log that is missing or broken leaves out its run; telling so is the business of ``check``.
    """
    looks = open_looks(plan)
    if not any((plan.folder / name).exists() for name in SHEET_FILES):
        empty = RUN_SHEET.frame().assign(is_recorded=pd.Series(dtype=bool))
        return SoFar(empty, USABLE.frame(), looks)
    # Faults of rows stop the planner: rows that cannot be read cannot be counted.
    sheet = load_run_sheet(plan)
    if not len(sheet.runs):
        return SoFar(sheet.runs.assign(is_recorded=pd.Series(dtype=bool)), USABLE.frame(), looks)
    review = open_review(plan, keep_going=True)
    run_metrics = compute_run_metrics(review, plan)
    findings = check_review(review, run_metrics, plan)
    usable = exclude_runs(review, run_metrics, findings, purposes=_PURPOSES)
    in_verdicts = usable[usable["purpose"] != "pilot"]
    runs = review.runs.assign(is_recorded=lambda rows: rows["is_recorded"].astype(bool))
    return SoFar(runs, usable, open_looks(plan, in_verdicts))


#: A card that is compared with another is mounted at least so often, as the cards of one model together.
MOUNTINGS = 3


@dataclass(frozen=True)
class Stop:
    """One game at one setting, and the rounds it is to get.

    Attributes
    ----------
    game, setting : what is played
    tunings : tunings of each round; empty: all of the design's
    first_round : number of the first new round
    rounds : how many new rounds
    done : complete rounds that there are
    cards : cards that play it; empty: all of the design's
    mountings : in how many mountings of each card it is played; 0: in all
    """

    game: str
    setting: str
    tunings: tuple[str, ...] = ()
    first_round: int = 1
    rounds: int = DEFAULT_ROUNDS
    done: int = 0
    cards: tuple[str, ...] = ()
    mountings: int = 0

    @property
    def scene(self) -> tuple[str, str]:
        """Game and setting."""
        return self.game, self.setting


@dataclass(frozen=True)
class Design:
    """A session.

    Attributes
    ----------
    tunings : tunings in it, the reference first
    stops : games in it
    cards : names of the cards in it
    mountings : how often each card is mounted; 1: once, or it is in the machine anyway
    by_restart : whether tunings need a restart, so that all games are played between two restarts
    rounds : rounds that every game is to have, those done included
    """

    tunings: tuple[str, ...]
    stops: tuple[Stop, ...]
    cards: tuple[str, ...]
    mountings: int
    by_restart: bool
    rounds: int = DEFAULT_ROUNDS

    @property
    def in_blocks(self) -> bool:
        """Whether any verdict rests on restarts or mountings in place of rounds within one launch."""
        return self.by_restart or self.mountings > 1

    @property
    def in_turns(self) -> str:
        """In how many installations of each card the rounds are done, in words; empty where cards stay in place."""
        counts = sorted({stop.mountings or self.mountings for stop in self.stops if stop.rounds})
        if self.mountings == 1 or not counts:
            return ""
        return say(f"schedule.turns.{'range' if len(counts) > 1 else 'one'}", first=counts[0], last=counts[-1])

    def rounds_of(self, stop: Stop, *, mounting: int = 1) -> int:
        """Return the rounds of a game in one mounting of a card; every mounting with it gets as many."""
        within = stop.mountings or self.mountings
        return math.ceil(stop.rounds / within) if mounting <= within else 0

    def new_rounds(self, stop: Stop) -> int:
        """Return the rounds of a game over all mountings."""
        return self.rounds_of(stop) * (stop.mountings or self.mountings)

    def with_stops(self, stops: Iterable[Stop]) -> Design:
        """Return the design with other games; cards are mounted no more often than any of them asks for."""
        stops = tuple(stops)
        return replace(
            self, stops=stops, mountings=max((one.mountings for one in stops), default=0) or self.mountings
        )


def full_design(
    plan: ReviewPlan, runs: pd.DataFrame, *, tunings: Sequence[str] | None = None, rounds: int = DEFAULT_ROUNDS
) -> Design:
    """Return the whole session: every tuning, every game, so many complete rounds of each.

    Parameters
    ----------
    plan : the review's plan
    runs : rows of the run sheet so far; complete rounds in them count
    tunings : tunings in it; default those of the plan
    rounds : rounds of a game; where restarts or installations are the units, the default ones
    """
    wanted = [one.name for one in plan.tunings if tunings is None or one.name in tunings]
    ordered = tuple(sorted(wanted, key=lambda name: name != plan.reference_tuning))
    cards = tuple(card.name for card in plan.cards if tunings_on(card.name, ordered, plan=plan))
    by_card = {card: tunings_on(card, ordered, plan=plan) for card in cards}
    scenes = list(plan.scenes)
    crosses = any(pair.of.card != pair.against.card for pair in plan.pairs())
    samples = min((sum(card.model == one.model for card in plan.cards) for one in plan.cards), default=1)
    mountings = max(1, math.ceil(MOUNTINGS / samples)) if crosses else 1
    by_restart = any(one.needs_restart for one in plan.tunings if one.name in ordered)
    wanted_rounds = DEFAULT_ROUNDS if by_restart or mountings > 1 else rounds
    stops = tuple(next_rounds(runs, scene, by_card=by_card, rounds=wanted_rounds) for scene in scenes)
    return Design(ordered, stops, cards, mountings, by_restart, wanted_rounds)


def design_on_sheet(plan: ReviewPlan, runs: pd.DataFrame) -> Design:
    """Return what the run sheet holds, recorded or not, without any new round.

    Parameters
    ----------
    plan : the review's plan
    runs : rows of the run sheet so far
    """
    measured = set(runs.loc[runs["purpose"] == "measure", "tuning"])
    design = full_design(plan, runs, tunings=[one.name for one in plan.tunings if one.name in measured])
    return replace(design, stops=tuple(replace(stop, rounds=0) for stop in design.stops))


def next_rounds(
    runs: pd.DataFrame,
    scene: tuple[str, str],
    *,
    by_card: Mapping[str, Sequence[str]],
    rounds: int = DEFAULT_ROUNDS,
) -> Stop:
    """Return the rounds that a game still lacks.

    Parameters
    ----------
    runs : rows of the run sheet so far
    scene : game and setting
    by_card : for each card, the tunings that a complete round holds
    rounds : complete rounds wanted of each card
    """
    mine = (runs["game"] == scene[0]) & (runs["setting"] == scene[1])
    used = runs[mine & (runs["purpose"] == "measure") & (runs["excluded"] == "")]
    counts = [complete_rounds(used[used["card"] == card], tunings) for card, tunings in by_card.items()]
    highest = used["round"].max()
    first = 1 if pd.isna(highest) else int(highest) + 1
    done = min(counts, default=0)
    return Stop(*scene, first_round=first, rounds=max(0, rounds - done), done=done)


def complete_rounds(runs: pd.DataFrame, tunings: Iterable[str]) -> int:
    """Return how many rounds hold a run of every tuning, rounds being numbered within a session.

    Parameters
    ----------
    runs : used runs of one card, game and setting
    tunings : tunings that a complete round holds
    """
    wanted = set(tunings)
    inside = runs[runs["tuning"].isin(wanted) & runs["round"].notna()]
    found = inside.groupby(["session", "round"])["tuning"].nunique()
    by_session = int((found == len(wanted)).sum())
    # Where every tuning has sessions of its own, blocks count in place of rounds.
    by_block = inside.groupby("round")["tuning"].nunique()
    return max(by_session, int((by_block == len(wanted)).sum()))


def tunings_on(card: str, tunings: Iterable[str], *, plan: ReviewPlan) -> tuple[str, ...]:
    """Return those of some tunings that the plan has for a card."""
    allowed = {one.name for one in plan.tunings if not one.card or card in plan.cards_named(one.card)}
    return tuple(name for name in tunings if name in allowed)
