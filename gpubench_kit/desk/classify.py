"""One line on each run: fine, a note that counts, or a repeat for a cause that is no result.

Runs of one game are held against each other by the limits of ``[checks]``. But for the first rule nothing looks at
the result, and no line holds a frame rate, a watt or a clock.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from statistics import median

import numpy as np

from gpubench_kit.checks.run_checks import SIGNS
from gpubench_kit.desk.journal import PLACE, with_card
from gpubench_kit.desk.keeper import Keeper
from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.logs.run_log import RunLog
from gpubench_kit.metrics.per_run import MetricRules, metrics_of_run

#: Shorter than this share of the plan is short, longer than that is long.
_SHORT, _LONG = 0.9, 1.1
#: A run stands between its own tuning (1) and another (0); below this it looks like the other.
_LOOKS_LIKE, _NEVER_ABOVE, _USUAL_SPREAD = 0.35, 0.6, 0.004
#: So far off all runs of the game, whatever the tuning, that it is not this game [natural log].
_OTHER_GAME = math.log(1.4)
_COLDER_C, _BUSY_PCT, _BEFORE_S, _START_S = 3.0, 25.0, 5.0, 3.0
#: Idle power is less than this share of the power when busy.
_IDLE_SHARE = 0.5
_ALIGNED_BY_CLOCK = ("one_clock", "clock")


@dataclass(frozen=True)
class Verdict:
    """What the desk says of a run.

    Attributes
    ----------
    kind : ``fine``, ``note``, ``repeat`` or ``ask``
    message : in words
    cause : for a repeat, as in the sheet's column ``excluded``
    notes : further notes
    """

    kind: str = "fine"
    message: str = "fine"
    cause: str = ""
    notes: tuple[str, ...] = ()

    @property
    def line(self) -> str:
        """All of it in one line."""
        return "; ".join([self.message, *(f"a note: {one}" for one in self.notes)])


@dataclass
class KnownRun:
    """What is kept of a run so that later ones can be held against it; never shown.

    Attributes
    ----------
    run, place, tuning : of its row; the place is card, bench, game and setting
    facts : facts about its logs
    length_s, is_torn : from the first frame to the last [s]; whether its last row breaks off
    values : (value, resolution) by metric
    start_c, before_pct : temperature at its start, load (or power, as a share of its span) before it above idle
    ended_early_s, stood_still_s : how long before its end samples ended; how long no sensor moved
    start_s, source : when it began, and by which clock
    versions : of the game, the driver and the like, as its first lines say
    is_clock_open : whether the clock of its sensor log is not proven
    is_open : whether its tuning could not be held against another yet
    """

    run: str
    place: tuple[str, ...]
    tuning: str
    facts: RunFacts
    length_s: float
    is_torn: bool
    values: dict[str, tuple[float, float]]
    start_c: float
    before_pct: float
    ended_early_s: float
    stood_still_s: float
    start_s: float
    source: str
    versions: Mapping[str, str] = field(default_factory=dict)
    is_clock_open: bool = False
    is_open: bool = False

    def log_of(self, metric: str) -> float:
        """Return the natural log of a metric; nan without."""
        value = self.values.get(metric, (math.nan, 0.0))[0]
        return math.log(value) if value > 0 else math.nan


def known_run(log: RunLog, keeper: Keeper) -> KnownRun:
    """Return what later runs are held against.

    Parameters
    ----------
    log : a run as read
    keeper : gives its row, and the plan with its metrics
    """
    row, facts, time_s = with_card(keeper.session.rows[log.run], keeper.plan), log.facts, log.sensor_time_s
    load, core_c = _load_of(log), log.sensors.get("core_c", np.full(len(time_s), np.nan))
    first = core_c[(time_s >= 0) & (time_s < _START_S)]
    before = load[(time_s >= -_BEFORE_S) & (time_s < -0.5)]
    is_before_known = np.isfinite(before).any() and facts.alignment in _ALIGNED_BY_CLOCK
    inside = (time_s >= 0) & (time_s <= facts.duration_s)
    moving = [one for one in log.sensors.values() if np.unique(one[np.isfinite(one)]).size > 1]
    moved = [0.0, *time_s[1:][np.any([np.diff(one) != 0 for one in moving], axis=0) & inside[1:]], facts.duration_s]
    metrics = metrics_of_run(log, MetricRules.of_plan(keeper.plan)) if log.frames is not None else []
    return KnownRun(
        log.run, tuple(row.get(name, "") for name in PLACE), row.get("tuning", ""), facts,
        length_s=float(np.fmax(facts.duration_s, facts.span_s)) if metrics else math.nan,
        is_torn=any(one.check == "cut_last_line" for one in log.findings),
        values={one["metric"]: (one["value"], one["step"]) for one in metrics},
        start_c=float(np.nanmean(first)) if np.isfinite(first).any() else math.nan,
        before_pct=float(np.median(before) - np.nanpercentile(load, 5)) if is_before_known else math.nan,
        ended_early_s=float(facts.duration_s - time_s[inside].max()) if inside.any() else 0.0,
        stood_still_s=float(np.diff(moved).max()) if inside.any() and moving else 0.0,
        start_s=facts.clock_start_s, source=facts.clock_kind,
    )  # fmt: skip


def _load_of(log: RunLog) -> np.ndarray:
    """Return the load [%]; else the place of the board's power between idle and busy [%], if the log holds both."""
    unknown = np.full(len(log.sensor_time_s), np.nan)
    load, power = log.sensors.get("load_pct", unknown), log.sensors.get("board_w", unknown)
    if np.isfinite(load).any() or not np.isfinite(power).any():
        return load
    idle, busy = np.nanpercentile(power, [5, 95])
    # Without idle samples the span is noise, of which any sample may be a large share.
    return 100 * (power - idle) / (busy - idle) if idle < _IDLE_SHARE * busy else unknown


class KnownRuns:
    """The runs so far; each is held against the others.

    Attributes
    ----------
    keeper : gives rows and plan
    runs : by name
    """

    def __init__(self, keeper: Keeper):
        self.keeper = keeper
        self.runs: dict[str, KnownRun] = {}

    def used(self, place: tuple[str, ...], *, but: str = "") -> list[KnownRun]:
        """Return the runs of a game, but for one, those left out and those asked about apart."""
        rows, asked = self.keeper.session.rows, {one[0] for one in self.keeper.session.questions}
        return [one for one in self.runs.values() if one.place == place and one.run != but
                and one.run in rows and one.run not in asked and not rows[one.run].get("excluded")]  # fmt: skip

    def classify(self, run: KnownRun, *, settled_s: float | None = None) -> Verdict:
        """Return what is said of a run.

        Parameters
        ----------
        run : what was read of it
        settled_s : seconds from a start of the game that was noted; None where none was
        """
        beside = _Beside(run, self, settled_s)
        found = [(kind, str(text), cause) for kind, cause, rule in RULES if (text := rule(beside))]
        kind, message, cause = next((one for one in found if one[0] != "note"), ("fine", "fine", ""))
        notes = tuple(text for kind, text, _ in found if kind == "note")
        if kind == "ask":
            return Verdict("ask", message)
        if kind != "repeat":
            kind = "note" if notes or kind == "open" else "fine"
        return Verdict(kind, message, cause, notes)

    def looks_like(self, run: KnownRun) -> str:
        """Return the tuning that a run looks like, unlike its own; empty where it looks like its own.

        Parameters
        ----------
        run : its ``is_open`` is set where there is nothing yet to hold it against
        """
        limits, reference = self.keeper.plan.checks, self.keeper.plan.reference_tuning
        # The reference is what others are held against; a tuning is lost to it, never the other way round.
        run.is_open = run.tuning != reference and any(math.isfinite(run.log_of(one)) for one in SIGNS)
        least = max(limits.tuning_spreads * _USUAL_SPREAD, math.log1p(limits.tuning_pct / 100))
        for other in dict.fromkeys(one.tuning for one in self.runs.values() if one.tuning != run.tuning):
            levels = [(run.log_of(sign), *self._levels(run, other, sign)) for sign in SIGNS]
            places = [(y - theirs) / (own - theirs) for y, own, theirs in levels
                      if math.isfinite(y) and abs(own - theirs) > least]  # fmt: skip
            run.is_open = run.is_open and not places
            if places and sum(places) / len(places) < _LOOKS_LIKE and max(places) < _NEVER_ABOVE:
                return other
        return ""

    def _levels(self, run: KnownRun, other: str, sign: str) -> tuple[float, float]:
        """Return where its own tuning and another lie in this game; nan where one has not run."""
        peers = self.used(run.place, but=run.run)
        own = _median(one.log_of(sign) for one in peers if one.tuning == run.tuning)
        theirs = _median(one.log_of(sign) for one in peers if one.tuning == other and not one.is_open)
        if math.isfinite(own):
            return own, theirs
        # Its own tuning is new in this game: the games before tell how far the two lie apart.
        games = [self.used(place) for place in {one.place for one in self.runs.values()} - {run.place}]
        levels = [[_median(one.log_of(sign) for one in game if one.tuning == name) for name in (run.tuning, other)]
                  for game in games]  # fmt: skip
        return theirs + _median(mine - others for mine, others in levels), theirs


class _Beside:
    """A run beside the others, as the rules look at it."""

    def __init__(self, run: KnownRun, known: KnownRuns, settled_s: float | None):
        self.run, self.facts, self.plan, self.settled_s = run, run.facts, known.keeper.plan, settled_s
        self.checks, self.times, self.game = self.plan.checks, self.plan.session_plan, run.place[2]
        self.every = [one for one in known.runs.values() if one.run != run.run]
        self.peers = known.used(run.place, but=run.run)
        self.like = known.looks_like(run)
        played = next((one for one in self.plan.games if one.name == self.game), None)
        self.is_timed = played is None or played.ends == "time"
        settings = played.settings if played else ()
        self.is_limited = any(one.frame_limit_fps for one in settings if one.name == run.place[3])
        self.seconds = f"{math.floor(run.length_s):d}" if math.isfinite(run.length_s) else "?"
        self.shortest_s = self.plan.exclude.min_duration_s or _SHORT * self.times.scene_s
        alike = [one for one in self.peers if one.tuning == run.tuning]
        self.starts_c, self.loads = ([value for value in values if math.isfinite(value)] for values in (
            [one.start_c for one in alike], [one.facts.mean_load_pct for one in alike]))  # fmt: skip

    @property
    def is_other_game(self) -> bool:
        levels = [level for one in self.peers if math.isfinite(level := one.log_of("avg_fps"))]
        return len(levels) > 1 and abs(self.run.log_of("avg_fps") - median(levels)) > _OTHER_GAME

    @property
    def when(self) -> str:
        here = {self.run.tuning, *(one.tuning for one in self.peers)}
        missing = [one.name for one in self.plan.tunings if one.name not in here]
        return f"when {missing[0]} has run" if missing else "with its next run of this game"

    @property
    def gap(self) -> tuple[float, float]:
        facts = self.facts
        return max((facts.longest_ms / 1000, facts.first_gap_s) if facts.n_gaps else (0.0, 0.0),
                   (facts.longest_hole_s, facts.first_hole_s) if facts.n_holes else (0.0, 0.0))  # fmt: skip

    @property
    def is_capped(self) -> bool:
        is_loaded = self.facts.mean_load_pct >= self.checks.load_full_pct
        is_even = 100 * self.facts.share_at_interval >= self.checks.cap_share_pct
        return is_even and not self.is_limited and not is_loaded

    @property
    def samples(self) -> str:
        checks, facts, run = self.checks, self.facts, self.run
        if not facts.n_samples and run.is_clock_open:
            return ""  # There is a log, and its clock is not proven: that is told once.
        if not facts.n_samples and any(one.facts.n_samples for one in self.every):
            return "no sensor log: this run will have no watts. Start it; 1 repeats"
        if run.ended_early_s > checks.sensor_gap_s:
            return f"the sensor log stopped {run.ended_early_s:.0f} s before the run ended"
        if facts.sensor_overlap < checks.sensor_share_pct / 100:
            return f"the sensor log covers the run but for {(1 - facts.sensor_overlap) * run.length_s:.0f} s"
        return f"sensors stood still for {run.stood_still_s:.0f} s" * (run.stood_still_s > checks.sensor_gap_s)

    @property
    def version(self) -> str:
        for key, version in self.run.versions.items():
            others = self.peers if "game" in key else self.every
            before = [one.versions[key] for one in others if key in one.versions]
            if before and before[-1] != version:
                return f"{key} {version}, before {before[-1]}: runs before and after stay apart"
        return ""


#: Kind, cause of a repeat, and the rule: what is said where it holds. A question goes before all, then the first
#: repeat, then what is open; notes follow.
RULES: tuple[tuple[str, str, Callable[[_Beside], str | bool]], ...] = (
    ("ask", "", lambda x: x.is_other_game
        and f"does not look like {x.game} at all: another game, scene or setting?"),
    ("repeat", "not_completed", lambda x: x.run.is_torn
        and f"the file breaks off inside a row at {x.seconds} s: the recorder or the machine stopped"),
    ("repeat", "not_completed", lambda x: x.is_timed and x.run.length_s < x.shortest_s
        and f"short: {x.seconds} of {x.times.scene_s:g} s: the game or the recorder ended early"),
    ("repeat", "tuning_lost", lambda x: x.like == x.plan.reference_tuning
        and f"power and clock look like {x.like}: {x.run.tuning} was not on"),
    ("repeat", "wrong_settings", lambda x: x.like
        and f"power and voltage look like {x.like}: was {x.like} on instead of {x.run.tuning}?"),
    ("open", "", lambda x: x.run.is_open and f"fine so far: {x.run.tuning} is judged {x.when}"),
    ("note", "", lambda x: x.is_timed and x.run.length_s > _LONG * x.times.scene_s
        and f"long: {x.run.length_s:.0f} of {x.times.scene_s:g} s. Was the menu recorded too?"),
    ("note", "", lambda x: x.gap[0] > x.checks.gap_ms / 1000
        and f"frames missing: {x.gap[0]:.1f} s, {x.gap[1]:.0f} s into the run. Look for the cause; it counts"),
    ("note", "", lambda x: x.is_capped
        and "frame-capped: a frame limit or sync is on. If not wanted: switch it off, then 1"),
    ("note", "", lambda x: x.facts.mean_load_pct < x.checks.load_low_pct and not x.loads
        and f"GPU load {x.facts.mean_load_pct:.0f} %: CPU-limited here?"),
    ("note", "", lambda x: x.facts.mean_load_pct < x.checks.load_low_pct <= median(x.loads or [0])
        and f"GPU load {x.facts.mean_load_pct:.0f} %, other runs {min(x.loads):.0f} to {max(x.loads):.0f} %: "
            "background load? Cause found: 1"),
    ("note", "", lambda x: x.run.before_pct > _BUSY_PCT
        and "something ran before the run started: a download, an update?"),
    ("note", "", lambda x: len(x.starts_c) > 1 and median(x.starts_c) - x.run.start_c > _COLDER_C
        and "started colder than the other runs here: wait longer"),
    ("note", "", lambda x: x.settled_s is not None and x.settled_s < x.times.settle_s
        and f"begun {x.settled_s:.0f} s after the game started, planned {x.times.settle_s:g} s"),
    ("note", "", lambda x: x.samples),
    ("note", "", lambda x: x.version),
)  # fmt: skip


def _median(values: Iterable[float]) -> float:
    """Return the median of what is known; nan for nothing."""
    known = [one for one in values if math.isfinite(one)]
    return median(known) if known else math.nan
