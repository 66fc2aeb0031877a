"""What the desk does by itself: it looks, takes what is complete for the run that is due, and notices trouble."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime

from gpubench_kit.desk.evening import Evening
from gpubench_kit.desk.forecast import Forecast, forecast_of
from gpubench_kit.desk.journal import NameTaken
from gpubench_kit.desk.judge import Verdict
from gpubench_kit.desk.keeping import DiskFull, Keeper, is_full
from gpubench_kit.desk.recordings import Recording, names_in, recordings_in
from gpubench_kit.desk.taking import Taker
from gpubench_kit.desk.watch import FolderGone, Seen, Watch
from gpubench_kit.model.plan import PLAN_FILE

#: After trouble it looks again every so often; a machine slept, or a clock was set, from so much on [s].
_AGAIN_S, _SLEPT_S, _CLOCK_S = 10.0, 60.0, 2.0
#: States in which a complete recording is taken; in others it waits for the answer.
_TAKING = ("NEXT", "RECORDING", "REPEAT", "WHICH RUN", "FORMAT?", "ALL GAMES", "RESUMED")


@dataclass
class Shown:
    """What the screen is about, beyond the journal.

    Attributes
    ----------
    state : name of the state
    run : run that it is about
    recording : recording that it asks about
    rows : rows to choose from
    why : reason, or what was found
    typing : what is typed: ``note``, ``row``, ``version``, ``card``, ``cause``; empty for keys alone
    crash : cause of a crash that is being asked about
    drop : which of the things to drop is shown
    """

    state: str = "NEXT"
    run: str = ""
    recording: Recording | None = None
    rows: tuple[str, ...] = ()
    why: str = ""
    typing: str = ""
    crash: str = ""
    drop: int = 0


@dataclass
class Trouble:
    """Something that stops the desk until it is gone: its state word, what is said, whether recording can go on."""

    word: str
    says: str
    since: datetime
    again_s: float = 0.0


@dataclass
class Looks:
    """The bench desk, without its keys.

    Attributes
    ----------
    keeper : everything on the disk
    watch : the folders
    taker : brings recordings into the review
    shown : what the screen is about
    trouble : what stops it; None for nothing
    news : called with a word for each event: ``fine``, ``needs you``, ``still``
    said : one line for the foot of the screen
    waiting : recordings that nobody answered for yet
    recovered : what was brought in order at the start
    changed : tunings that the plan changed after they were run, and what is said of them
    forecast : what can be seen of the end
    is_over : whether the desk has ended
    resumed_at : last step of a desk that ended without its goodbye
    """

    keeper: Keeper
    watch: Watch
    taker: Taker
    news: Callable[[str], None] = lambda word: None
    shown: Shown = field(default_factory=Shown)
    trouble: Trouble | None = None
    said: str = ""
    waiting: list[Recording] = field(default_factory=list)
    recovered: list[str] = field(default_factory=list)
    changed: dict[str, str] = field(default_factory=dict)
    forecast: Forecast = field(default_factory=Forecast)
    is_over: bool = False
    resumed_at: str = ""
    _key: tuple[str, float] = ("", -1.0)
    _wall: tuple[datetime, float] | None = None
    _plan_time: int = 0

    @property
    def evening(self) -> Evening:
        """What the journal says."""
        return self.keeper.evening

    @property
    def due(self) -> list[str]:
        """Runs to record, in order; those of a tuning that was changed in the plan are not asked for."""
        return [run for run in self.evening.due() if self.evening.rows[run].get("tuning") not in self.changed]

    def start(self) -> None:
        """Begin an evening, or go on with one that ended without its goodbye."""
        keeper = self.keeper
        was_open = not self.evening.is_closed
        self.recovered = keeper.recover()
        self._plan_time = (keeper.folder / PLAN_FILE).stat().st_mtime_ns
        self.taker.read_missing()
        self._plan()
        self.watch.look(keeper.clock.monotonic(), keeper.clock.monotonic)
        if was_open:
            self.shown, self.resumed_at = Shown("RESUMED"), keeper.journal.lines[-1]["at"][-8:]
            self._offer_again()
            if (
                not self.watch.complete(keeper.clock.monotonic())
                and not self.recovered
                and not self.evening.takes()
            ):
                self.shown = Shown()
        else:
            keeper.take_over()
            before = {str(one.path): one.size for one in self.watch.files.values()}
            tunings = {one.name: dict(one.changes) | dict(one.held_at) for one in keeper.plan.tunings}
            keeper.step("open", {"before": before, "tunings": tunings})
            self._next()
        keeper.keep_reserve(is_full=False)
        self._after_step()

    def _offer_again(self) -> None:
        """Let the watch see what was recorded while the desk was away, and what was taken back."""
        undone = {line["file"]["source"]: line["file"]["from"] for line in self.keeper.journal.lines
                  if line["did"] == "take" and line["file"]["hash"] in self.evening.offered}  # fmt: skip
        for seen in self.watch.files.values():
            path = str(seen.path)
            known = max(self.evening.before.get(path, 0), self.evening.taken.get(path, 0))
            seen.taken_size = undone.get(path, known) if undone.get(path, known) else -1
            seen.is_before = bool(self.evening.before.get(path))

    def _next(self) -> None:
        """Show the run that is due, or the end."""
        self.shown = Shown("NEXT" if self.due else "END", run=self.due[0] if self.due else "")

    def _after_step(self) -> None:
        """Bring up to date what follows from a step: planned length, forecast, what lies beside the journal."""
        session = self.keeper.plan.session_plan
        games = {game.name: game.ends for game in self.keeper.plan.games}
        due = self.due
        is_timed = bool(due) and games.get(self.evening.rows[due[0]].get("game", ""), "time") == "time"
        self.watch.wanted_s = session.scene_s if is_timed else 0.0
        elapsed = self.keeper.clock.monotonic() - self.evening.began_s
        made = forecast_of(self.evening, self.keeper.plan, self.keeper.judge, due=due, before=self.forecast)
        self.forecast = replace(made, have_s=60 * session.minutes - elapsed)
        try:
            self.keeper.write_beside()
        except OSError as error:
            self._in_trouble(error)
        self.news("step")

    # Looks

    def tick(self) -> bool:
        """Look once; return whether anything to be shown changed."""
        now = self.keeper.clock.monotonic()
        before = self._seen_by_the_screen()
        self._clock(now)
        if self.trouble and self.trouble.again_s > now:
            return before != self._seen_by_the_screen()
        try:
            if self.watch.look(now, self.keeper.clock.monotonic):
                self._looked(now)
        except FolderGone as error:
            self._trouble("FOLDER GONE", f"{error} is not there. Looks again every 10 s. Nothing is lost; do not "
                          "record on.")  # fmt: skip
        except (OSError, DiskFull, NameTaken) as error:
            self._in_trouble(error)
        return before != self._seen_by_the_screen()

    def _looked(self, now: float) -> None:
        """Do what follows from a look."""
        if self.trouble and self.trouble.word not in ("PLAN CHANGED", "PLAN", "CLOCK"):
            self.trouble = None
        self._plan()
        self._sheet()
        if self.keeper.waiting and self.keeper.settle():
            self._after_step()
        self._sheet_held(now)
        self._files(now)

    def _seen_by_the_screen(self) -> tuple:
        """Return what the screen depends on, so that it stands still while nothing of it changes."""
        trouble = self.trouble and (self.trouble.word, self.trouble.says)
        shown = self.shown
        return (
            len(self.keeper.journal.lines),
            shown.state,
            shown.run,
            shown.rows,
            shown.typing,
            shown.why,
            trouble,
            self.said,
            len(self.waiting),
            len(self.keeper.questions),
            self.is_over,
        )

    def _files(self, now: float) -> None:
        """Take what is complete, and show what grows."""
        complete = self.watch.complete(now) if not self.evening.is_paused else []
        while complete and self.shown.state in _TAKING:
            self._take_file(complete.pop(0))
        if self.shown.state not in ("NEXT", "RECORDING"):
            return
        growing = self.watch.growing()
        if growing:
            self.taker.sort_out(growing, now)
        is_log = growing is not None and growing.kind not in ("sensors", "none")
        if self.shown.state == "NEXT" and is_log:
            self.shown = Shown("RECORDING", run=self.shown.run, why=growing.path.name)
            self.taker.seen_at = self.keeper.clock.now()
        elif self.shown.state == "RECORDING" and not is_log:
            self._next()

    def _take_file(self, seen: Seen, *, at_once: bool = False) -> None:
        """Take every run of a file that is complete."""
        if self.taker.waits_for_sensors(seen) and not at_once:
            return
        begin = max(0, seen.taken_size)
        declared = self.taker.declared(self.evening.rows[self.due[0]] if self.due else {})
        parts = recordings_in(seen.path, begin=begin, declared=declared, scratch=self.keeper.home / "part.csv")
        for one in parts:
            self._place(one, seen)
        seen.taken_size = seen.size

    def _place(self, one: Recording, seen: Seen) -> None:
        """Find the row of a recording: the one that is due, unless something speaks against it."""
        facts, evening = one.facts, self.evening
        if facts.kind == "sensors":
            self.taker.keep_sensors(seen)
            return
        if one.hash in evening.used and one.hash not in evening.offered:
            of = evening.used[one.hash]
            says = f"same recording as {of} (a copy): not used" if of else ""
            if says and seen.taken_size < 0:
                self._unused(one, says)
            return
        grown = next((line for line in reversed(evening.takes()) if line["file"]["source"] == str(one.source)
                      and line["file"]["from"] == one.start), None)  # fmt: skip
        if grown:
            self._take(one, grown["run"], seen, grown=True)
        elif facts.kind == "sampled" or (facts.kind == "none" and "row" in facts.fault):
            self._unused(one, f"{_first(facts.fault)}; {self._still_due()}")
        elif facts.kind == "none":
            seen.kind = "none"
            self._unused(one, f"no log of frames: {_first(facts.fault)}")
        else:
            self._take_or_ask(one, seen)

    def _take_or_ask(self, one: Recording, seen: Seen) -> None:
        """Take a recording for the run that is due, or ask which run it is."""
        due = self.due
        why, rows = self._against(one)
        if self.shown.state == "RESUMED" and not why and seen.changed_s <= self.taker.began_s:
            why = "Recorded while the desk was away."
        if why or not due:
            self._ask_which(one, why or "No run is due.", rows or tuple(due[:1]))
            return
        self._take(one, due[0], seen)

    def _against(self, one: Recording) -> tuple[str, tuple[str, ...]]:
        """Return what speaks against a recording being the run that is due, and the rows it could be."""
        evening, due = self.evening, self.due
        if not due:
            return "", ()
        row, plan = evening.rows[due[0]], self.keeper.plan
        for column, names in (("game", plan.games), ("tuning", plan.tunings), ("card", plan.cards)):
            found = names_in(one, [entry.name for entry in names])
            mine = row.get(column) or (plan.cards[0].name if column == "card" else "")
            if found and mine not in found:
                like = [run for run in due if evening.rows[run].get(column) in found]
                same = [run for run in like if column == "game" or evening.rows[run]["game"] == row["game"]]
                place = f"{due[0]}, {row['game']}" if column == "game" else f"{due[0]}, {row['tuning']}"
                return f"It names {found[0]}; due was {place}.", (*(same or like)[:1], due[0])
        if one.hash in evening.offered:
            return "Its taking was taken back.", (due[0],)
        if self.taker.is_older(one):
            before = evening.takes()[-1]["run"]
            return f"It begins before {before} ended: an older recording, or a clock set back?", (due[0],)
        return "", ()

    def _take(
        self, one: Recording, run: str, seen: Seen | None, *, grown: bool = False, sure: bool = False
    ) -> None:
        """Take a recording for a run, and judge it."""
        verdict = self.taker.take(one, run, seen=seen, grown=grown, sure=sure)
        if verdict.kind == "ask":
            self._ask_which(one, verdict.says, (run,))
            return
        asked = self.shown.recording
        if asked is not None and asked.hash != one.hash and all(other.hash != asked.hash for other in self.waiting):
            self.waiting.append(asked)
        self.said = ""
        self._next()
        if verdict.kind == "repeat":
            self.shown = Shown("REPEAT", run=run, why=verdict.says)
        if found := self.taker.rejudged(run):
            self._repeat_lost(*found)
        if asked := self.taker.format_to_ask:
            self.shown = Shown("FORMAT?", run=run, why=asked.format_id)
        self._after_step()
        self.news("fine" if verdict.kind in ("fine", "note") else "needs you")

    def _repeat_lost(self, run: str, verdict: Verdict) -> None:
        """Repeat an earlier run whose tuning is now seen to have been lost."""
        before = self.evening.rows[run].get("excluded", "")
        said = [verdict.kind, verdict.says, verdict.cause, []]
        cells = {run: {"excluded": [before, verdict.cause]}}
        repeat = [self.evening.repeat_of(run)]
        self.keeper.step("repeat", {"run": run, "cells": cells, "rows": repeat, "verdict": said})
        self.taker.left_out(run, is_out=True)
        self.shown = Shown("REPEAT", run=run, why=verdict.says)

    def _ask_which(self, one: Recording, why: str, rows: Iterable[str]) -> None:
        """Ask which run a recording is; while another question stands, it waits in the list."""
        state = "RESUMED" if self.shown.state == "RESUMED" else "WHICH RUN"
        if self.shown.recording is None or self.shown.recording.hash == one.hash:
            self.shown = Shown(state, run=self.shown.run, recording=one, rows=tuple(dict.fromkeys(rows)), why=why)
            self.news("needs you")
        elif all(other.hash != one.hash for other in self.waiting):
            self.waiting.append(one)

    def _unused(self, one: Recording, says: str) -> None:
        """Write down, once, that a recording is not used, and why."""
        file = {"source": str(one.source), "hash": one.hash, "from": one.start, "to": one.stop}
        used = self.evening.used.get(one.hash, "")
        self.keeper.step("unused", {"run": used, "file": file, "says": says})
        self._after_step()

    def _still_due(self) -> str:
        """Return that the run is still due."""
        return f"{self.due[0]} is still due" if self.due else "nothing is due"

    # Trouble

    def _trouble(self, word: str, says: str) -> None:
        """Show trouble; it is looked again every ten seconds."""
        since = self.trouble.since if self.trouble and self.trouble.word == word else self.keeper.clock.now()
        if not (self.trouble and self.trouble.word == word):
            self.news("needs you")
        self.trouble = Trouble(word, says, since, self.keeper.clock.monotonic() + _AGAIN_S)

    def _in_trouble(self, error: Exception) -> None:
        """Show trouble with the disk."""
        run = self.due[0] if self.due else "the recording"
        if isinstance(error, NameTaken):
            self._trouble("NAME TAKEN", f"{error} is in logs already, and holds another recording; nothing is "
                          f"replaced. Move it away; the desk then takes {run}.")  # fmt: skip
        elif isinstance(error, DiskFull) or (isinstance(error, OSError) and is_full(error)):
            free, needed = error.args if isinstance(error, DiskFull) else (0, 60_000_000)
            self.keeper.keep_reserve(is_full=True)
            self._trouble("DISK FULL", f"{run} is not taken. {free // 1_000_000} MB free on the review's disk, "
                          f"{-(-needed // 1_000_000)} MB needed.")  # fmt: skip
        else:
            self._trouble("DISK", f"{run} is not taken: {getattr(error, 'strerror', '') or error} "
                          f"({getattr(error, 'filename', '') or 'the review folder'}).")  # fmt: skip

    def _sheet(self) -> None:
        """Take over what another program changed in the sheet."""
        if not self.keeper.is_sheet_new():
            return
        before = len(self.keeper.journal.lines)
        self.keeper.take_over()
        if len(self.keeper.journal.lines) > before:
            self.keeper.settle()
            self.taker.read_missing()
            if self.shown.state in ("NEXT", "END"):
                self._next()
            self._after_step()

    def _sheet_held(self, now: float) -> None:
        """Say that the sheet cannot be written, so that steps wait in the journal."""
        if self.keeper.waiting > 1:
            self._trouble("SHEET OPEN", f"runs.csv is held by another program: {self.keeper.waiting} steps wait in "
                          "the journal. Close it there. Recording can go on.")  # fmt: skip
            self.trouble = replace(self.trouble, again_s=now)

    def _clock(self, now: float) -> None:
        """Notice a machine that slept, and a clock that was set."""
        wall = self.keeper.clock.now()
        before, self._wall = self._wall, (wall, now)
        if before is None:
            return
        off = (wall - before[0]).total_seconds() - (now - before[1])
        if off > _SLEPT_S and off < 12 * 3600 and abs(off % 3600) > 30 and abs(off % 3600) < 3570:
            if not self.evening.is_paused:
                self.keeper.step("pause", {"slept": True})
                self.shown = Shown("PAUSED", run=self.shown.run, why="the computer slept")
        elif abs(off) > _CLOCK_S:
            way = "back" if off < 0 else "ahead"
            hours = f"{abs(off) / 3600:.0f} h" if abs(off) >= 1800 else f"{abs(off):.0f} s"
            self.keeper.notes.append(f"this computer's clock went {way} {hours} at {wall:%H:%M}")
            self._trouble(
                "CLOCK",
                f"this computer's clock went {way} {hours} at {wall:%H:%M}. The order is kept by "
                "the journal; times go on from the old clock.",
            )

    def _plan(self) -> None:
        """Read the plan anew where it changed; a tuning that changed after it was run is not asked for."""
        file = self.keeper.folder / PLAN_FILE
        try:
            time_ns = file.stat().st_mtime_ns
        except OSError:
            return
        if time_ns != self._plan_time:
            self._plan_time = time_ns
            if fault := self.keeper.reload_plan():
                self._trouble("PLAN", f"{fault} The desk goes on with the plan as it was.")
                return
            self.keeper.notes.append("plan.toml changed elsewhere")
        before = next((one["tunings"] for one in self.evening.steps if one["did"] == "open"), {})
        self.changed = {}
        for one in self.keeper.plan.tunings:
            values = dict(one.changes) | dict(one.held_at)
            runs = sum(self.evening.rows[run].get("tuning") == one.name for line in self.evening.takes()
                       if (run := line["run"]) in self.evening.rows)  # fmt: skip
            if runs and before.get(one.name, values) != values:
                self.changed[one.name] = (
                    f"{one.name} is now another than it was in {runs} runs. A tuning that changed is a new tuning: "
                    f"give it a name of its own. Until then {one.name} is not asked for.")  # fmt: skip
        if self.changed and not (self.trouble and self.trouble.word == "PLAN CHANGED"):
            self._trouble("PLAN CHANGED", " ".join(self.changed.values()))
        elif not self.changed and self.trouble and self.trouble.word.startswith("PLAN"):
            self.trouble = None


def _first(text: str) -> str:
    """Return the first sentence of a fault, without where it stands."""
    return text.partition(": ")[2].partition(". ")[0].rstrip(".") or text[:100]
