"""What the desk does by itself: it looks, takes what is complete for the run that is due, and notices trouble."""

from __future__ import annotations

import contextlib
import errno
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import lru_cache
from importlib import resources

from gpubench_kit.desk.forecast import Forecast, forecast_of
from gpubench_kit.desk.journal import Evening, NameTaken
from gpubench_kit.desk.keeping import MARGIN, DiskFull, Keeper
from gpubench_kit.desk.recordings import Recording, names_in, recordings_in
from gpubench_kit.desk.taking import Taker
from gpubench_kit.desk.watch import FolderGone, Seen, Watch
from gpubench_kit.model.errors import Fault

#: After trouble it looks again every so often; a machine slept, or a clock was set, from so much on [s].
_AGAIN_S, _SLEPT_S, _CLOCK_S = 10.0, 60.0, 2.0
#: A clock set by whole hours was set, not asleep; so far from one it may have slept [s].
_HOUR_S, _NEAR_HOUR_S = 3600, 30
#: States in which a complete recording is taken; in others it waits for the answer.
_TAKING = ("next", "recording", "repeat", "which", "away", "format", "program", "all_games", "resumed")
#: Trouble that does not go by looking; trouble beside which recording goes on.
_STAYS = ("PLAN CHANGED", "PLAN", "CLOCK")
_GOES_ON = (*_STAYS, "SHEET OPEN", "SHEET WAITS")
_FULL = (errno.ENOSPC, errno.EDQUOT)


@lru_cache(maxsize=1)
def state_table() -> Mapping[str, Mapping]:
    """Return the table of states: lines of what is now, lines of keys, what each key does; and words of several."""
    return tomllib.loads(resources.files(__package__).joinpath("screens.toml").read_text(encoding="utf-8"))


@dataclass(frozen=True)
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
    place, first_game : which of the things to drop is shown; which game stands first
    """

    state: str = "next"
    run: str = ""
    recording: Recording | None = None
    rows: tuple[str, ...] = ()
    why: str = ""
    typing: str = ""
    place: int = 0
    first_game: int = 0


@dataclass(frozen=True)
class Trouble:
    """Something that stops the desk until it is gone: its word, what is said, since when, when to look again."""

    word: str
    says: str
    since: datetime
    again_s: float = 0.0


@dataclass
class Looks:
    """The bench desk, without its keys.

    Attributes
    ----------
    keeper, watch, taker : everything on the disk; the folders; what brings recordings into the review
    shown : what the screen is about
    trouble : what stops it; None for nothing
    news : called with a word for each event: ``fine``, ``needs you``, ``step``
    said : one line for the list
    seen_at : when the recording that grows was seen
    waiting : recordings that nobody answered for yet
    recovered : what was brought in order at the start
    changed : tunings that the plan changed after they were run, and in how many runs
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
    seen_at: datetime | None = None
    waiting: list[Recording] = field(default_factory=list)
    recovered: list[str] = field(default_factory=list)
    changed: dict[str, int] = field(default_factory=dict)
    forecast: Forecast = field(default_factory=Forecast)
    is_over: bool = False
    resumed_at: str = ""
    _wall: tuple[datetime, float] | None = None
    _fault: Fault | None = None
    _told_left_alone: bool = False

    @property
    def evening(self) -> Evening:
        """What the journal says."""
        return self.keeper.evening

    @property
    def due(self) -> list[str]:
        """Runs to record, in order; those of a tuning that was changed in the plan are not asked for."""
        return [run for run in self.evening.due() if self.evening.rows[run].get("tuning") not in self.changed]

    @property
    def still_due(self) -> str:
        """That the run is still due."""
        return f"{self.due[0]} is still due" if self.due else "nothing is due"

    def start(self) -> None:
        """Begin a session, or go on with one that ended without its goodbye."""
        keeper, watch, was_open = self.keeper, self.watch, not self.evening.is_closed
        self.recovered = keeper.recover()
        self.taker.read_missing()
        now = keeper.clock.monotonic()
        watch.look(now, keeper.clock.monotonic)
        if was_open:
            self.resumed_at = keeper.journal.lines[-1]["at"][-8:]
            self._offer_again()
            self._next()
            if watch.complete(now) or self.recovered or self.evening.takes():
                self.shown = replace(self.shown, state="resumed")
        else:
            before = {str(one.path): one.size for one in watch.files.values()}
            tunings = {one.name: dict(one.changes) | dict(one.held_at) for one in keeper.plan.tunings}
            keeper.step("open", {"before": before, "tunings": tunings})
            self._next()
        self._plan()
        keeper.keep_reserve(is_full=False)
        left, largest = len(self.due), max((one.size for one in watch.files.values()), default=4_000_000)
        free = keeper.disk.free(keeper.folder) - MARGIN
        if free < left * largest * 2:
            fit = max(0, free // (2 * max(largest, 1)))
            keeper.notes.append(f"the disk has room for about {fit} more runs; {left} are due")
        self._after_step()

    def _offer_again(self) -> None:
        """Let the watch see what was recorded while the desk was away, and what was taken back."""
        before = self.evening.of("open")[-1]["before"]
        taken = {line["file"]["source"]: line["file"]["to"] for line in self.evening.kept if line.get("file")}
        undone = {line["file"]["source"]: line["file"]["from"] for line in self.keeper.journal.lines
                  if line.get("file", {}).get("hash") in self.evening.offered}  # fmt: skip
        for seen in self.watch.files.values():
            path = str(seen.path)
            known = undone.get(path, max(before.get(path, 0), taken.get(path, 0)))
            seen.taken_size, seen.is_before = known or -1, bool(before.get(path))

    def _next(self) -> None:
        """Show the run that is due, or the end."""
        due = self.due
        self.shown = Shown("next" if due else "end", run=due[0] if due else "")

    def _after_step(self) -> None:
        """Bring up to date what follows from a step: planned length, forecast, what lies beside the journal."""
        due, games = self.due, {game.name: game.ends for game in self.keeper.plan.games}
        is_timed = bool(due) and games.get(self.evening.rows[due[0]].get("game", ""), "time") == "time"
        self.watch.wanted_s = self.keeper.plan.session_plan.scene_s if is_timed else 0.0
        self.forecast = forecast_of(self.taker.judge, due, before=self.forecast)
        # Made again from the journal at the next step, where it cannot be written now.
        with contextlib.suppress(OSError):
            self.keeper.write_witness()
        self.news("step")

    # Looks

    def tick(self) -> bool:
        """Look once; return whether anything to be shown changed."""
        now, before = self.keeper.clock.monotonic(), self._on_screen()
        with self._told():
            self._clock(now)
            is_held = self.trouble is not None and self.trouble.again_s > now
            if not is_held and self.watch.look(now, self.keeper.clock.monotonic):
                self._looked(now)
        return before != self._on_screen()

    def _on_screen(self) -> tuple:
        """Return what the screen depends on, so that it stands still while nothing of it changes."""
        keeper, trouble = self.keeper, self.trouble and (self.trouble.word, self.trouble.says)
        counts = [len(one) for one in (keeper.journal.lines, keeper.questions, keeper.notes, self.waiting)]
        return counts, self.shown, trouble, self.said, self.is_over

    def _looked(self, now: float) -> None:
        """Do what follows from a look."""
        keeper = self.keeper
        if self.trouble and self.trouble.word not in _STAYS:
            self.trouble = None
        self._plan()
        if self.watch.left_alone and not self._told_left_alone:
            self._told_left_alone = True
            first, more = min(self.watch.left_alone).name, len(self.watch.left_alone) - 1
            keeper.notes.append(f"{first}{f' and {more} more' if more else ''}: no logs, left alone")
        steps = len(keeper.journal.lines)
        if keeper.is_sheet_new():
            keeper.take_over()
        if len(keeper.journal.lines) > steps or (keeper.waiting and keeper.settle()):
            keeper.settle()
            self.taker.read_missing()
            if self.shown.state in ("next", "end"):
                self._next()
            self._after_step()
        if keeper.waiting > 1:
            is_full = getattr(keeper.held, "errno", None) in _FULL
            self._trouble("SHEET WAITS" if is_full else "SHEET OPEN", {"n": keeper.waiting})
        complete = self.watch.complete(now) if not self.evening.is_paused else []
        while complete and self.shown.state in _TAKING:
            self._take_file(complete.pop(0))
        if self.shown.state in ("next", "recording"):
            growing = self.watch.growing()
            if growing:
                self.taker.sort_out(growing, now)
            name = growing.path.name if growing and growing.waits else ""
            if self.shown.state == "next" and name:
                self.seen_at = self.keeper.clock.now()
                self.shown = replace(self.shown, state="recording", why=name)
            elif self.shown.state == "recording" and not name:
                self._next()

    def _take_file(self, seen: Seen, *, at_once: bool = False) -> None:
        """Take every run of a file that is complete."""
        if self.taker.waits_for_sensors(seen) and not at_once:
            return
        declared = self.taker.declared(self.due[0] if self.due else "")
        for one in recordings_in(seen.path, begin=max(0, seen.taken_size), declared=declared,
                                 wanted_s=self.watch.wanted_s, scratch=self.keeper.home / "part.csv"):  # fmt: skip
            self._place(one, seen)
        seen.taken_size = seen.size

    def _place(self, one: Recording, seen: Seen) -> None:
        """Find the row of a recording: the one that is due, unless something speaks against it."""
        facts, evening = one.facts, self.evening
        fault = facts.fault.partition(": ")[2].partition(". ")[0].rstrip(".") or facts.fault[:100]
        took = {(line["file"]["source"], line["file"]["from"]): line["run"] for line in evening.takes()}
        grown = took.get((str(one.source), one.start))
        if facts.kind == "sensors":
            seen.kind = "sensors"
        elif one.hash in evening.used:
            of = evening.used[one.hash]
            if of and seen.taken_size < 0:
                self._unused(one, f"same recording as {of} (a copy): not used")
        elif grown:
            self._take(one, grown, seen, grown=True)
        elif facts.kind == "sampled" or (facts.kind == "none" and "row" in facts.fault):
            self._unused(one, f"{fault}; {self.still_due}")
        elif facts.kind == "none":
            seen.kind = "none"
            self._unused(one, f"no log of frames: {fault}")
        else:
            why, rows = self._against(one)
            is_away = self.shown.state in ("resumed", "away") and seen.changed_s <= self.taker.began_s
            why = why or ("Recorded while the desk was away." if is_away else "" if self.due else "No run is due.")
            if why:
                self._ask_which(one, why, rows or tuple(self.due[:1]))
            else:
                self._take(one, self.due[0], seen)

    def _against(self, one: Recording) -> tuple[str, tuple[str, ...]]:
        """Return what speaks against a recording being the run that is due, and the rows it could be."""
        rows, due, plan = self.evening.rows, self.due, self.keeper.plan
        if not due:
            return "", ()
        row = rows[due[0]]
        for column, names in (("game", plan.games), ("tuning", plan.tunings), ("card", plan.cards)):
            found = names_in(one, [entry.name for entry in names])
            mine = row.get(column) or (plan.cards[0].name if column == "card" else "")
            if found and mine not in found:
                like = [run for run in due if rows[run].get(column) in found]
                same = [run for run in like if column == "game" or rows[run]["game"] == row["game"]]
                place = row["game"] if column == "game" else row["tuning"]
                return f"It names {found[0]}; due was {due[0]}, {place}.", (*(same or like)[:1], due[0])
        if one.hash in self.evening.offered:
            return "Its taking was taken back.", (due[0],)
        if self.taker.is_older(one):
            last = self.evening.last_run
            return f"It begins before {last} ended: an older recording, or a clock set back?", (due[0],)
        return "", ()

    def _take(
        self, one: Recording, run: str, seen: Seen | None, *, grown: bool = False, sure: bool = False
    ) -> None:
        """Take a recording for a run, and judge it; another that is asked about waits in the list."""
        verdict, asked = self.taker.take(one, run, seen=seen, grown=grown, sure=sure), self.shown.recording
        if verdict.kind == "ask":
            self._ask_which(one, verdict.says, (run,))
            return
        if asked is not None and asked.hash not in {one.hash, *(other.hash for other in self.waiting)}:
            self.waiting.append(asked)
        self.said = ""
        self._next()
        if verdict.kind == "repeat":
            self.shown = Shown("repeat", run=run, why=verdict.says)
        if found := self.taker.rejudged(run):
            lost, told = found
            about = {"verdict": [told.kind, told.says, told.cause, []]}
            self.keeper.change("repeat", lost, {"excluded": told.cause}, repeat=True, about=about)
            self.shown = Shown("repeat", run=lost, why=told.says)
        if facts := self.taker.format_to_ask:
            self.shown = Shown("program" if facts.sources else "format", run=run, why=facts.format_id)
        self._after_step()
        self.news("fine" if verdict.kind in ("fine", "note") else "needs you")

    def _ask_which(self, one: Recording, why: str, rows: Iterable[str]) -> None:
        """Ask which run a recording is; while another question stands, it waits in the list."""
        state = "away" if self.shown.state in ("resumed", "away") else "which"
        if self.shown.recording is None or self.shown.recording.hash == one.hash:
            self.shown = Shown(state, self.shown.run, one, tuple(dict.fromkeys(rows)), why)
            self.news("needs you")
        elif all(other.hash != one.hash for other in self.waiting):
            self.waiting.append(one)

    def _unused(self, one: Recording, says: str) -> None:
        """Write down, once, that a recording is not used, and why."""
        self.keeper.step("unused", {"run": self.evening.used.get(one.hash, ""), "file": one.file, "says": says})
        self._after_step()

    # Trouble

    def _trouble(self, word: str, about: Mapping[str, object] | None = None) -> None:
        """Show trouble, in the words of the table; it is looked again every ten seconds."""
        clock, before = self.keeper.clock, self.trouble
        since = before.since if before and before.word == word else clock.now()
        run = self.due[0] if self.due else "the recording"
        says = state_table()["troubles"][word].format_map({"run": run, "since": f"{since:%H:%M}", **(about or {})})
        wait_s = 0.0 if word in _GOES_ON else _AGAIN_S
        self.trouble = Trouble(word, says.strip(), since, clock.monotonic() + wait_s)
        if before is None or before.word != word:
            self.news("needs you")

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        """Show trouble with the disk in place of ending by it."""
        try:
            yield
        except (FolderGone, NameTaken) as error:
            self._trouble("FOLDER GONE" if isinstance(error, FolderGone) else "NAME TAKEN", {"what": error})
        except DiskFull as error:
            self._disk_full(*error.args)
        except OSError as error:
            where = error.filename or "the review folder"
            if error.errno in _FULL:
                self._disk_full(0, MARGIN)
            else:
                self._trouble("DISK", {"what": error.strerror or error, "where": where})

    def _disk_full(self, free: int, needed: int) -> None:
        # The reserve is given up so that the journal can still be written.
        self.keeper.keep_reserve(is_full=True)
        self._trouble("DISK FULL", {"free": free // 1_000_000, "needed": -(-needed // 1_000_000)})

    def _clock(self, now: float) -> None:
        """Notice a machine that slept, and a clock that was set."""
        wall = self.keeper.clock.now()
        before, self._wall = self._wall or (wall, now), (wall, now)
        off = (wall - before[0]).total_seconds() - (now - before[1])
        is_by_hours = min(abs(off) % _HOUR_S, -abs(off) % _HOUR_S) <= _NEAR_HOUR_S
        if _SLEPT_S < off < 12 * _HOUR_S and not is_by_hours:
            if not self.evening.is_paused:
                self.keeper.step("pause", {"slept": True})
                self.shown = Shown("paused", run=self.shown.run, why="the computer slept")
        elif abs(off) > _CLOCK_S:
            much = f"{abs(off) / _HOUR_S:.0f} h" if abs(off) >= _HOUR_S / 2 else f"{abs(off):.0f} s"
            says = f"this computer's clock went {'back' if off < 0 else 'ahead'} {much} at {wall:%H:%M}"
            self.keeper.notes.append(says)
            self._trouble("CLOCK", {"what": says})

    def _plan(self) -> None:
        """Read the plan anew where it changed; a tuning that changed after it was run is not asked for."""
        if self.keeper.is_plan_new():
            self._fault = self.keeper.reload_plan()
            self.keeper.notes += [] if self._fault else ["plan.toml changed elsewhere"]
        if self._fault:
            self._trouble("PLAN", {"what": self._fault})
            return
        before = self.evening.of("open")[-1]["tunings"]
        takes = [self.evening.rows[line["run"]].get("tuning") for line in self.evening.takes()]
        self.changed = {one.name: takes.count(one.name) for one in self.keeper.plan.tunings if one.name in takes
                        and before.get(one.name) not in (None, {**one.changes, **one.held_at})}  # fmt: skip
        if self.changed:
            name, runs = next(iter(self.changed.items()))
            self._trouble("PLAN CHANGED", {"what": name, "n": runs})
        elif self.trouble and self.trouble.word.startswith("PLAN"):
            self.trouble = None
