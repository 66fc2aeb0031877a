"""One line on each run: fine, a note that counts, or a repeat for a cause that is no result.

Runs of this game and tuning are held against each other by the limits of ``[checks]``. But for the last guard
nothing looks at the result, and no line holds a frame rate, a watt or a clock.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from statistics import median

import numpy as np

from gpubench_kit.checks.tuning_checks import SIGNS
from gpubench_kit.logs.format import RunTask
from gpubench_kit.logs.run_log import RunLog, read_run
from gpubench_kit.metrics.of_one_run import MetricRules, metrics_of_run
from gpubench_kit.model.plan import ReviewPlan

_PLACES = ("card", "bench", "game", "setting")
#: Shorter than this share of the plan is short, longer than that is long.
_SHORT, _LONG = 0.9, 1.1
#: A run stands between its own tuning (1) and another (0); below this it looks like the other.
_LOOKS_LIKE, _NEVER_ABOVE, _USUAL_SPREAD = 0.35, 0.6, 0.004
#: So far off all runs of the game, whatever the tuning, that it is not this game [natural log].
_OTHER_GAME = math.log(1.4)
_COLDER_C, _BUSY_PCT, _BEFORE_S = 3.0, 25.0, 5.0


@dataclass
class Judged:
    """What is kept of a run so that later ones can be held against it; never shown.

    Attributes
    ----------
    run, card, bench, game, setting, tuning, purpose : of its row
    length_s : from the first frame to the last [s]
    is_torn : whether its last row breaks off
    gap_s, gap_at_s : longest time without a frame, and when it began [s]
    typical_ms, share_pct : usual frame time [ms], and share of frames that take it [%]
    load_pct, start_c, before_pct : load in the run, temperature at its start, load before it above idle
    values : (value, resolution) by metric
    start_s, clock_kind : when it began by its own clock
    has_sensors, covered, sample_gap_s : samples of the run: whether, their share, the longest gap
    is_open : whether its tuning could not be held against another yet
    is_left_out : whether a cause leaves it out
    """

    run: str
    card: str = ""
    bench: str = ""
    game: str = ""
    setting: str = ""
    tuning: str = ""
    purpose: str = "measure"
    length_s: float = math.nan
    is_torn: bool = False
    gap_s: float = 0.0
    gap_at_s: float = 0.0
    typical_ms: float = math.nan
    share_pct: float = 0.0
    load_pct: float = math.nan
    start_c: float = math.nan
    before_pct: float = math.nan
    values: dict[str, tuple[float, float]] = field(default_factory=dict)
    start_s: float = math.nan
    clock_kind: str = ""
    has_sensors: bool = False
    covered: float = math.nan
    sample_gap_s: float = math.nan
    is_open: bool = False
    is_left_out: bool = False

    @property
    def place(self) -> tuple[str, ...]:
        """Card, bench, game and setting."""
        return tuple(getattr(self, name) for name in _PLACES)

    def sign(self, name: str) -> float:
        """Return the natural log of one of the metrics that tell tunings apart; nan without."""
        value = self.values.get(name, (math.nan, 0.0))[0]
        return math.log(value) if value > 0 else math.nan


@dataclass(frozen=True)
class Verdict:
    """What the desk says of a run.

    Attributes
    ----------
    kind : ``fine``, ``note``, ``repeat``, ``ask`` or ``unused``
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


def judged_of(task: RunTask, row: Mapping[str, str], plan: ReviewPlan) -> tuple[Judged, RunLog]:
    """Read a run and keep what later runs are held against.

    Parameters
    ----------
    task : what is needed to read it
    row : cells of its row
    plan : gives the metrics
    """
    log = read_run(task)
    facts = log.facts
    about = {name: row.get(name, "") for name in (*_PLACES, "tuning")} | {
        "purpose": row.get("purpose") or "measure"
    }
    out = Judged(task.run, **about)
    if log.frames is None:
        return out, log
    rules = MetricRules.of_plan(plan)
    hole = facts.longest_hole_s if facts.n_holes else 0.0
    gap = facts.longest_ms / 1000 if facts.n_gaps else 0.0
    out = replace(
        out,
        length_s=float(np.nanmax([facts.duration_s, facts.span_s])),
        is_torn=any(one.check == "cut_last_line" for one in log.findings),
        gap_s=max(gap, hole),
        gap_at_s=facts.first_hole_s if hole > gap else facts.first_gap_s if gap else 0.0,
        typical_ms=facts.interval_ms,
        share_pct=100 * facts.share_at_interval,
        load_pct=facts.mean_load_pct,
        values={row["metric"]: (row["value"], row["step"]) for row in metrics_of_run(log, rules)},
        start_s=facts.clock_start_s,
        clock_kind=facts.clock_kind,
        has_sensors=facts.n_samples > 0,
        covered=facts.sensor_overlap,
        sample_gap_s=facts.longest_sample_gap_s,
    )
    return _with_samples(out, log), log


def _with_samples(out: Judged, log: RunLog) -> Judged:
    """Return it with what samples tell of its start, and of the seconds before."""
    time_s = log.sensor_time_s
    first = log.sensors.get("core_c", np.empty(0))[(time_s >= 0) & (time_s < 3)] if "core_c" in log.sensors else []
    out.start_c = float(np.nanmean(first)) if len(first) else math.nan
    load = log.sensors.get("load_pct")
    if load is not None and log.facts.line_up in ("one_clock", "clocks", "same_machine"):
        before = load[(time_s >= -_BEFORE_S) & (time_s < -0.5)]
        if len(before):
            out.before_pct = float(np.median(before) - np.nanpercentile(load, 5))
    return out


class Judge:
    """Holds runs against those before; what it keeps lies in ``desk/judged.json``."""

    def __init__(self, plan: ReviewPlan, file: Path):
        self.plan, self._file = plan, file
        self.runs: dict[str, Judged] = {}
        try:
            kept = json.loads(file.read_text(encoding="utf-8"))
            self.runs = {one["run"]: Judged(**one) for one in kept}
        except (OSError, ValueError, TypeError):
            pass  # It can be made again from the logs.

    def text(self) -> bytes:
        """Return what is kept, as it is written."""
        return json.dumps([asdict(one) for one in self.runs.values()]).encode()

    def peers(self, of: Judged, *, same_tuning: bool = True) -> list[Judged]:
        """Return the other runs of its game, those left out apart."""
        return [one for one in self.runs.values()
                if one.run != of.run and one.place == of.place and not one.is_left_out
                and (one.tuning == of.tuning or not same_tuning)]  # fmt: skip

    def verdict(self, of: Judged, *, ends: str, settled_s: float | None = None) -> Verdict:
        """Return what is said of a run.

        Parameters
        ----------
        of : what was read of it
        ends : what ends a run of its game: ``time`` or ``frames``
        settled_s : seconds from a start of the game that was noted; None where none was
        """
        if ask := self._another_game(of):
            return ask
        notes = [*self._notes(of, ends, settled_s)]
        repeat = self._too_short(of, ends) or self._lost(of)
        if repeat:
            return replace(repeat, notes=tuple(notes))
        if of.is_open and of.tuning != self.plan.reference_tuning:
            missing = self._missing(of)
            when = f"when {missing} has run" if missing else "with its next run of this game"
            so_far = f"fine so far: {of.tuning} is judged {when}"
            return Verdict("note", so_far, notes=tuple(notes))
        if not notes:
            return Verdict()
        return Verdict("note", "fine", notes=tuple(notes))

    def _too_short(self, of: Judged, ends: str) -> Verdict | None:
        """Return the repeat of a run that ended early or breaks off inside a row."""
        wanted = self.plan.session_plan.scene_s
        least = self.plan.exclude.min_duration_s or _SHORT * wanted
        seconds = f"{math.floor(of.length_s):d}" if math.isfinite(of.length_s) else "?"
        if of.is_torn:
            says = f"the file breaks off inside a row at {seconds} s: the recorder or the machine stopped"
            return Verdict("repeat", says, "not_completed")
        if ends == "time" and of.length_s < least:
            says = f"short: {seconds} of {wanted:g} s: the game or the recorder ended early"
            return Verdict("repeat", says, "not_completed")
        return None

    def _another_game(self, of: Judged) -> Verdict | None:
        """Return the question about a run that is nothing like its game; the number is not said."""
        levels = [one.sign("avg_fps") for one in self.peers(of, same_tuning=False)]
        known = [one for one in levels if math.isfinite(one)]
        if len(known) < 2 or not abs(of.sign("avg_fps") - median(known)) > _OTHER_GAME:
            return None
        return Verdict("ask", f"does not look like {of.game} at all: another game, scene or setting?")

    def _lost(self, of: Judged) -> Verdict | None:
        """Return the repeat of a run whose power, clock and voltage are those of another tuning."""
        like = self.looks_like(of)
        if like is None:
            return None
        if like == self.plan.reference_tuning:
            return Verdict("repeat", f"power and clock look like {like}: {of.tuning} was not on", "tuning_lost")
        says = f"power and voltage look like {like}: was {like} on instead of {of.tuning}?"
        return Verdict("repeat", says, "wrong_settings")

    def looks_like(self, of: Judged) -> str | None:
        """Return the tuning that a run looks like, unlike its own; None where it looks like its own.

        Parameters
        ----------
        of : the run; ``is_open`` is set where there is nothing yet to hold it against
        """
        of.is_open, limits = any(math.isfinite(of.sign(one)) for one in SIGNS), self.plan.checks
        least = max(limits.tuning_spreads * _USUAL_SPREAD, math.log1p(limits.tuning_pct / 100))
        for other in dict.fromkeys(one.tuning for one in self.runs.values() if one.tuning != of.tuning):
            levels = [(of.sign(sign), *self._both_levels(of, other, sign)) for sign in SIGNS]
            places = [(y - theirs) / (own - theirs) for y, own, theirs in levels
                      if math.isfinite(y) and abs(own - theirs) > least]  # fmt: skip
            of.is_open = of.is_open and not places
            if places and sum(places) / len(places) < _LOOKS_LIKE and max(places) < _NEVER_ABOVE:
                return other
        # The reference is what others are held against; a tuning is lost to it, never the other way round.
        of.is_open = of.is_open and of.tuning != self.plan.reference_tuning
        return None

    def _both_levels(self, of: Judged, other: str, sign: str) -> tuple[float, float]:
        """Return where its own tuning and another lie in this game; its own by the games before where it is new."""
        own = self._level(of, of.tuning, sign=sign)
        theirs = self._level(of, other, sign=sign, is_sure=True)
        return (own if math.isfinite(own) else theirs + self._ratio(of, other, sign)), theirs

    def _level(self, of: Judged, tuning: str, *, sign: str, is_sure: bool = False) -> float:
        """Return where a tuning lies in this game; nan where it has not run, or was not held against any."""
        peers = [one for one in self.peers(of, same_tuning=False) if one.tuning == tuning]
        found = [one.sign(sign) for one in peers if not (is_sure and one.is_open)]
        known = [one for one in found if math.isfinite(one)]
        return median(known) if known else math.nan

    def _ratio(self, of: Judged, other: str, sign: str) -> float:
        """Return how far its tuning lies from another in the games before; nan where none has both."""
        apart = []
        for place in {one.place for one in self.runs.values()} - {of.place}:
            here = Judged("", **dict(zip(_PLACES, place, strict=True)))
            apart.append(self._level(here, of.tuning, sign=sign) - self._level(here, other, sign=sign))
        known = [one for one in apart if math.isfinite(one)]
        return median(known) if known else math.nan

    def _missing(self, of: Judged) -> str:
        """Return the tuning that has to run before this one can be held against it; empty for itself."""
        here = {one.tuning for one in self.peers(of, same_tuning=False)}
        others = (one.name for one in self.plan.tunings if one.name != of.tuning)
        return next((one for one in others if one not in here), "")

    def _notes(self, of: Judged, ends: str, settled_s: float | None) -> Iterable[str]:
        """Yield what counts nonetheless, and asks for a cause."""
        checks, session = self.plan.checks, self.plan.session_plan
        if ends == "time" and of.length_s > _LONG * session.scene_s:
            yield f"long: {of.length_s:.0f} of {session.scene_s:g} s. Was the menu recorded too?"
        if of.gap_s > checks.gap_ms / 1000:
            where = f"{of.gap_s:.1f} s, {of.gap_at_s:.0f} s into the run"
            yield f"frames missing: {where}. Look for the cause; it counts"
        if self._is_capped(of):
            yield "frame-capped: a frame limit or sync is on. If not wanted: switch it off, then 1"
        yield from self._load_notes(of)
        colder = [one.start_c for one in self.peers(of) if math.isfinite(one.start_c)]
        if len(colder) > 1 and median(colder) - of.start_c > _COLDER_C:
            yield "started colder than the other runs here: wait longer"
        if settled_s is not None and settled_s < session.settle_s:
            yield f"begun {settled_s:.0f} s after the game started, planned {session.settle_s:g} s"
        if not of.has_sensors and any(one.has_sensors for one in self.runs.values()):
            yield "no sensor log: this run will have no watts. Start it; 1 repeats"
        elif of.covered < checks.sensor_share_pct / 100:
            missed = (1 - of.covered) * of.length_s
            yield f"the sensor log covers the run but for {missed:.0f} s"
        if of.sample_gap_s > checks.sensor_gap_s:
            yield f"sensors stood still for {of.sample_gap_s:.0f} s"

    def _load_notes(self, of: Judged) -> Iterable[str]:
        """Yield what the card's load says beside that of its peers, and what ran before."""
        low = self.plan.checks.load_low_pct
        loads = [one.load_pct for one in self.peers(of) if math.isfinite(one.load_pct)]
        if of.load_pct < low and (not loads or median(loads) >= low):
            others = (
                f", other runs {min(loads):.0f} to {max(loads):.0f} %: background load"
                if loads
                else ": CPU-limited"
            )
            ask = "? Cause found: 1" if loads else " here?"
            yield f"GPU load {of.load_pct:.0f} %{others}{ask}"
        if of.before_pct > _BUSY_PCT:
            yield "something ran before the run started: a download, an update?"

    def _is_capped(self, of: Judged) -> bool:
        """Return whether most frames take one and the same time, and no limit is declared."""
        settings = (one for game in self.plan.games if game.name == of.game for one in game.settings)
        limited = any(one.frame_limit_fps for one in settings if one.name == of.setting)
        is_loaded = of.load_pct >= self.plan.checks.load_full_pct
        return of.share_pct >= self.plan.checks.cap_share_pct and not limited and not is_loaded
