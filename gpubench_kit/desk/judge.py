"""One line on each run: fine, a note that counts, or a repeat for a cause that is no result.

Runs of this game and tuning are held against each other by the limits of ``[checks]``. But for the last guard
nothing looks at the result, and no line holds a frame rate, a watt or a clock.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from statistics import median

import numpy as np

from gpubench_kit.checks.tuning_checks import SIGNS
from gpubench_kit.desk.journal import with_card
from gpubench_kit.desk.keeping import Keeper
from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.logs.run_log import RunLog
from gpubench_kit.metrics.of_one_run import MetricRules, metrics_of_run

#: Shorter than this share of the plan is short, longer than that is long.
_SHORT, _LONG = 0.9, 1.1
#: A run stands between its own tuning (1) and another (0); below this it looks like the other.
_LOOKS_LIKE, _NEVER_ABOVE, _USUAL_SPREAD = 0.35, 0.6, 0.004
#: So far off all runs of the game, whatever the tuning, that it is not this game [natural log].
_OTHER_GAME = math.log(1.4)
_COLDER_C, _BUSY_PCT, _BEFORE_S = 3.0, 25.0, 5.0
_PLACE = ("card", "bench", "game", "setting")
_ALIGNED_BY_CLOCK = ("one_clock", "clock")
_CAP = "frame-capped: a frame limit or sync is on. If not wanted: switch it off, then 1"
_NO_SENSORS = "no sensor log: this run will have no watts. Start it; 1 repeats"


@dataclass(frozen=True)
class Verdict:
    """What the desk says of a run.

    Attributes
    ----------
    kind : ``fine``, ``note``, ``repeat`` or ``ask``
    says : in words
    cause : for a repeat, as in the sheet's column ``excluded``
    notes : further notes
    """

    kind: str = "fine"
    says: str = "fine"
    cause: str = ""
    notes: tuple[str, ...] = ()

    @property
    def line(self) -> str:
        """All of it in one line."""
        return "; ".join([self.says, *(f"a note: {one}" for one in self.notes)])


@dataclass
class Judged:
    """What is kept of a run so that later ones can be held against it; never shown.

    Attributes
    ----------
    run, place, tuning : of its row; the place is card, bench, game and setting
    facts : facts about its logs
    length_s, is_torn : from the first frame to the last [s]; whether its last row breaks off
    values : (value, resolution) by metric
    start_c, before_pct : temperature at its start, load before it above idle
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
    start_s: float = math.nan
    source: str = ""
    versions: Mapping[str, str] = field(default_factory=dict)
    is_clock_open: bool = False
    is_open: bool = False

    def sign(self, name: str) -> float:
        """Return the natural log of one of the metrics that tell tunings apart; nan without."""
        value = self.values.get(name, (math.nan, 0.0))[0]
        return math.log(value) if value > 0 else math.nan


def judged_of(log: RunLog, keeper: Keeper) -> Judged:
    """Return what later runs are held against.

    Parameters
    ----------
    log : a run as read
    keeper : gives its row, and the plan with its metrics
    """
    row, facts = with_card(keeper.evening.rows[log.run], keeper.plan), log.facts
    time_s = log.sensor_time_s
    load, core_c = (log.sensors.get(name, np.full(len(time_s), np.nan)) for name in ("load_pct", "core_c"))
    first = core_c[(time_s >= 0) & (time_s < 3)]
    before = load[(time_s >= -_BEFORE_S) & (time_s < -0.5)]
    is_before_known = np.isfinite(before).any() and facts.alignment in _ALIGNED_BY_CLOCK
    inside = (time_s >= 0) & (time_s <= facts.duration_s)
    moving = [one for one in log.sensors.values() if np.unique(one[np.isfinite(one)]).size > 1]
    moved = [0.0, *time_s[1:][np.any([np.diff(one) != 0 for one in moving], axis=0) & inside[1:]], facts.duration_s]
    metrics = metrics_of_run(log, MetricRules.of_plan(keeper.plan)) if log.frames is not None else []
    return Judged(
        log.run, tuple(row.get(name, "") for name in _PLACE), row.get("tuning", ""), facts,
        length_s=float(np.fmax(facts.duration_s, facts.span_s)) if metrics else math.nan,
        is_torn=any(one.check == "cut_last_line" for one in log.findings),
        values={one["metric"]: (one["value"], one["step"]) for one in metrics},
        start_c=float(np.nanmean(first)) if np.isfinite(first).any() else math.nan,
        before_pct=float(np.median(before) - np.nanpercentile(load, 5)) if is_before_known else math.nan,
        ended_early_s=float(facts.duration_s - time_s[inside].max()) if inside.any() else 0.0,
        stood_still_s=float(np.diff(moved).max()) if inside.any() and moving else 0.0,
        start_s=facts.clock_start_s, source=facts.clock_kind,
    )  # fmt: skip


class Judge:
    """Holds runs against those before."""

    def __init__(self, keeper: Keeper):
        self.keeper = keeper
        self.runs: dict[str, Judged] = {}

    def used(self, place: tuple[str, ...], *, but: str = "") -> list[Judged]:
        """Return the runs of a game, but for one, those left out apart."""
        rows = self.keeper.evening.rows
        return [one for one in self.runs.values() if one.place == place and one.run != but
                and one.run in rows and not rows[one.run].get("excluded")]  # fmt: skip

    def peers(self, of: Judged) -> list[Judged]:
        """Return the other runs of a run's game."""
        return self.used(of.place, but=of.run)

    def verdict(self, of: Judged, *, ends: str, settled_s: float | None = None) -> Verdict:
        """Return what is said of a run.

        Parameters
        ----------
        of : what was read of it
        ends : what ends a run of its game: ``time`` or ``frames``
        settled_s : seconds from a start of the game that was noted; None where none was
        """
        plan, wanted = self.keeper.plan, self.keeper.plan.session_plan.scene_s
        levels = [one.sign("avg_fps") for one in self.peers(of) if math.isfinite(one.sign("avg_fps"))]
        if len(levels) > 1 and abs(of.sign("avg_fps") - median(levels)) > _OTHER_GAME:
            return Verdict("ask", f"does not look like {of.place[2]} at all: another game, scene or setting?")
        notes = tuple(self._notes(of, ends, settled_s))
        seconds = f"{math.floor(of.length_s):d}" if math.isfinite(of.length_s) else "?"
        if of.is_torn:
            says = f"the file breaks off inside a row at {seconds} s: the recorder or the machine stopped"
            return Verdict("repeat", says, "not_completed", notes)
        if ends == "time" and of.length_s < (plan.exclude.min_duration_s or _SHORT * wanted):
            says = f"short: {seconds} of {wanted:g} s: the game or the recorder ended early"
            return Verdict("repeat", says, "not_completed", notes)
        if like := self.looks_like(of):
            return self.lost(of, like, notes)
        if of.is_open:
            here = {one.tuning for one in self.peers(of)}
            missing = [one.name for one in plan.tunings if one.name not in {of.tuning, *here}]
            when = f"when {missing[0]} has run" if missing else "with its next run of this game"
            return Verdict("note", f"fine so far: {of.tuning} is judged {when}", notes=notes)
        return Verdict("note" if notes else "fine", notes=notes)

    def lost(self, of: Judged, like: str, notes: tuple[str, ...] = ()) -> Verdict:
        """Return the repeat of a run whose power, clock and voltage are those of another tuning."""
        if like == self.keeper.plan.reference_tuning:
            says = f"power and clock look like {like}: {of.tuning} was not on"
            return Verdict("repeat", says, "tuning_lost", notes)
        says = f"power and voltage look like {like}: was {like} on instead of {of.tuning}?"
        return Verdict("repeat", says, "wrong_settings", notes)

    def looks_like(self, of: Judged) -> str | None:
        """Return the tuning that a run looks like, unlike its own; None where it looks like its own.

        Parameters
        ----------
        of : the run; ``is_open`` is set where there is nothing yet to hold it against
        """
        limits, reference = self.keeper.plan.checks, self.keeper.plan.reference_tuning
        # The reference is what others are held against; a tuning is lost to it, never the other way round.
        of.is_open = of.tuning != reference and any(math.isfinite(of.sign(one)) for one in SIGNS)
        least = max(limits.tuning_spreads * _USUAL_SPREAD, math.log1p(limits.tuning_pct / 100))
        for other in dict.fromkeys(one.tuning for one in self.runs.values() if one.tuning != of.tuning):
            levels = [(of.sign(sign), *self._levels(of, other, sign)) for sign in SIGNS]
            places = [(y - theirs) / (own - theirs) for y, own, theirs in levels
                      if math.isfinite(y) and abs(own - theirs) > least]  # fmt: skip
            of.is_open = of.is_open and not places
            if places and sum(places) / len(places) < _LOOKS_LIKE and max(places) < _NEVER_ABOVE:
                return other
        return None

    def _levels(self, of: Judged, other: str, sign: str) -> tuple[float, float]:
        """Return where its own tuning and another lie in this game; nan where one has not run."""
        peers = self.peers(of)
        own = _median(one.sign(sign) for one in peers if one.tuning == of.tuning)
        theirs = _median(one.sign(sign) for one in peers if one.tuning == other and not one.is_open)
        if math.isfinite(own):
            return own, theirs
        # Its own tuning is new in this game: the games before tell how far the two lie apart.
        games = [self.used(place) for place in {one.place for one in self.runs.values()} - {of.place}]
        levels = [[_median(one.sign(sign) for one in game if one.tuning == name) for name in (of.tuning, other)]
                  for game in games]  # fmt: skip
        return theirs + _median(mine - others for mine, others in levels), theirs

    def _notes(self, of: Judged, ends: str, settled_s: float | None) -> Iterator[str]:
        """Yield what counts nonetheless, and asks for a cause."""
        checks, session, facts, peers = (
            self.keeper.plan.checks,
            self.keeper.plan.session_plan,
            of.facts,
            self.peers(of),
        )
        alike = [one for one in peers if one.tuning == of.tuning]
        if ends == "time" and of.length_s > _LONG * session.scene_s:
            yield f"long: {of.length_s:.0f} of {session.scene_s:g} s. Was the menu recorded too?"
        gaps = [(facts.longest_ms / 1000, facts.first_gap_s)] * bool(facts.n_gaps)
        gaps += [(facts.longest_hole_s, facts.first_hole_s)] * bool(facts.n_holes)
        if gaps and max(gaps)[0] > checks.gap_ms / 1000:
            yield "frames missing: {:.1f} s, {:.0f} s into the run. Look for the cause; it counts".format(
                *max(gaps)
            )
        if self._is_capped(of):
            yield _CAP
        yield from self._load_notes(of, alike)
        starts = [one.start_c for one in alike if math.isfinite(one.start_c)]
        if len(starts) > 1 and median(starts) - of.start_c > _COLDER_C:
            yield "started colder than the other runs here: wait longer"
        if settled_s is not None and settled_s < session.settle_s:
            yield f"begun {settled_s:.0f} s after the game started, planned {session.settle_s:g} s"
        yield from self._sensor_notes(of)
        for key, version in of.versions.items():
            before = [one.versions[key] for one in (peers if "game" in key else self.runs.values())
                      if one.run != of.run and key in one.versions]  # fmt: skip
            if before and before[-1] != version:
                yield f"{key} {version}, before {before[-1]}: runs before and after stay apart"

    def _sensor_notes(self, of: Judged) -> Iterator[str]:
        """Yield what is missing of the samples of a run."""
        checks, facts = self.keeper.plan.checks, of.facts
        if of.is_clock_open and not facts.n_samples:
            return  # There is a log, and its clock is not proven: that is told once.
        if not facts.n_samples and any(one.facts.n_samples for one in self.runs.values()):
            yield _NO_SENSORS
        elif of.ended_early_s > checks.sensor_gap_s:
            yield f"the sensor log stopped {of.ended_early_s:.0f} s before the run ended"
        elif facts.sensor_overlap < checks.sensor_share_pct / 100:
            yield f"the sensor log covers the run but for {(1 - facts.sensor_overlap) * of.length_s:.0f} s"
        elif of.stood_still_s > checks.sensor_gap_s:
            yield f"sensors stood still for {of.stood_still_s:.0f} s"

    def _load_notes(self, of: Judged, alike: list[Judged]) -> Iterator[str]:
        """Yield what the card's load says beside that of its peers, and what ran before."""
        low, load = self.keeper.plan.checks.load_low_pct, of.facts.mean_load_pct
        loads = [one.facts.mean_load_pct for one in alike if math.isfinite(one.facts.mean_load_pct)]
        if load < low and not loads:
            yield f"GPU load {load:.0f} %: CPU-limited here?"
        elif load < low and median(loads) >= low:
            others = f"{min(loads):.0f} to {max(loads):.0f} %"
            yield f"GPU load {load:.0f} %, other runs {others}: background load? Cause found: 1"
        if of.before_pct > _BUSY_PCT:
            yield "something ran before the run started: a download, an update?"

    def _is_capped(self, of: Judged) -> bool:
        """Return whether most frames take one and the same time, and no limit is declared."""
        checks, (_, _, game, setting) = self.keeper.plan.checks, of.place
        limited = any(one.frame_limit_fps for played in self.keeper.plan.games if played.name == game
                      for one in played.settings if one.name == setting)  # fmt: skip
        is_loaded = of.facts.mean_load_pct >= checks.load_full_pct
        return 100 * of.facts.share_at_interval >= checks.cap_share_pct and not limited and not is_loaded


def _median(values: Iterable[float]) -> float:
    """Return the median of what is known; nan for nothing."""
    known = [one for one in values if math.isfinite(one)]
    return median(known) if known else math.nan
