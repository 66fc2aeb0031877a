"""What the desk does by itself: it looks, takes what is complete for the run that is due, and notices trouble."""

from __future__ import annotations

import contextlib
import errno
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from functools import lru_cache
from importlib import resources

from gpubench_kit.desk.forecast import Forecast, forecast_of
from gpubench_kit.desk.journal import NameTaken, Session, changes_text
from gpubench_kit.desk.keeper import MARGIN, DiskFull, Keeper
from gpubench_kit.desk.recordings import FolderGone, Recording, Seen, Watch, names_in, recordings_in
from gpubench_kit.desk.taking import Taker
from gpubench_kit.model.errors import Fault, TableError
from gpubench_kit.model.plan import PLAN_FILE
from gpubench_kit.wording.numbers import count_text

#: After trouble it looks again every so often; a machine slept, or a clock was set, from so much on [s].
_AGAIN_S, _SLEPT_S, _CLOCK_S = 10.0, 60.0, 2.0
#: A clock set by whole hours was set, not asleep; so far from one it may have slept [s].
_HOUR_S, _NEAR_HOUR_S = 3600, 30
#: A sheet that cannot be read for so long is not just half saved [s].
_HALF_SAVED_S = 8.0
#: States in which a complete recording is taken; in others it waits for the answer.
_TAKING = ("next", "recording", "repeat", "which", "away", "format", "program", "all_games", "resumed",
           "help")  # fmt: skip
#: Trouble that does not go by looking; trouble beside which recording goes on.
_STAYS = ("PLAN CHANGED", "PLAN", "CLOCK")
_GOES_ON = (*_STAYS, "SHEET OPEN", "SHEET WAITS", "SHEET UNREADABLE")
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
    place, first_game : which of the things to drop is shown; which game stands first
    """

    state: str = "next"
    run: str = ""
    recording: Recording | None = None
    rows: tuple[str, ...] = ()
    why: str = ""
    place: int = 0
    first_game: int = 0


@dataclass(frozen=True)
class Trouble:
    """Something that stops the desk until it is gone: its word, what is said, since when, when to look again."""

    word: str
    message: str
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
    message : one line for the list
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
    message: str = ""
    seen_at: datetime | None = None
    waiting: list[Recording] = field(default_factory=list)
    recovered: list[str] = field(default_factory=list)
    changed: dict[str, int] = field(default_factory=dict)
    forecast: Forecast = field(default_factory=Forecast)
    is_over: bool = False
    resumed_at: str = ""
    _wall: tuple[datetime, float] | None = None
    _fault: Fault | None = None
    _has_told_left_alone: bool = False

    @property
    def session(self) -> Session:
        """What the journal says."""
        return self.keeper.session

    @property
    def due(self) -> list[str]:
        """Runs to record, in order; those of a tuning that was changed in the plan are not asked for."""
        return [run for run in self.session.due() if self.session.tuning(run) not in self.changed]

    @property
    def still_due(self) -> str:
        """That the run is still due."""
        return f"{self.due[0]} is still due" if self.due else "nothing is due"

    def start(self) -> None:
        """Begin a session, or go on with one that ended without its goodbye."""
        keeper, watch, was_open = self.keeper, self.watch, not self.session.is_closed
        self.recovered = keeper.recover()
        self.taker.read_missing()
        now = keeper.clock.monotonic()
        watch.look(now, keeper.clock.monotonic)
        if was_open:
            self.resumed_at = keeper.journal.lines[-1]["at"][-8:]
            self._offer_again()
        else:
            before = {str(one.path): one.size for one in watch.files.values()}
            keeper.step("open", about={"before": before, "tunings": self._tunings()})
        self._next()
        if was_open and (watch.complete(now) or self.recovered or self.session.takes()):
            self.shown = replace(self.shown, state="resumed")
        self._plan()
        keeper.keep_reserve(is_full=False)
        left, largest = len(self.due), max((one.size for one in watch.files.values()), default=4_000_000)
        fit = max(0, (keeper.disk.free(keeper.folder) - MARGIN) // (2 * max(largest, 1)))
        if fit < left:
            keeper.notes.append(f"the disk has room for about {fit} more runs; {left} are due")
        self._after_step()

    def _tunings(self) -> dict[str, dict[str, float]]:
        """Return what each tuning of the plan sets."""
        return {one.name: {**one.changes, **one.held_at} for one in self.keeper.plan.tunings}

    def _offer_again(self) -> None:
        """Let the watch see what was recorded while the desk was away, and what was taken back."""
        opened = self.session.of("open")[-1]
        before = opened["before"]
        sizes = dict(before)
        for line in self.keeper.journal.lines[opened["n"] :]:
            if file := line.get("file"):
                is_back = file["hash"] in self.session.offered
                sizes[file["source"]] = file["from"] if is_back else file["to"]
        for seen in self.watch.files.values():
            seen.taken_size, seen.is_before = sizes.get(str(seen.path)) or -1, bool(before.get(str(seen.path)))

    def _next(self) -> None:
        """Show the run that is due, or the end."""
        due = self.due
        self.shown = Shown("next" if due else "end", run=due[0] if due else "")

    def _after_step(self) -> None:
        """Bring up to date what follows from a step: planned length, forecast, what lies beside the journal."""
        due, games = self.due, {game.name: game.ends for game in self.keeper.plan.games}
        is_timed = bool(due) and games.get(self.session.rows[due[0]].get("game", ""), "time") == "time"
        self.watch.wanted_s = self.keeper.plan.session_plan.scene_s if is_timed else 0.0
        self.forecast = forecast_of(self.taker.known, due, before=self.forecast)
        # Made again from the journal at the next step, where it cannot be written now.
        with contextlib.suppress(OSError):
            self.keeper.write_witness()
        self._sheet_held()
        self.news("step")

    # Looks

    def tick(self) -> bool:
        """Look once; return whether anything to be shown changed."""
        now, before = self.keeper.clock.monotonic(), self._on_screen()
        with self._guarded():
            self._clock(now)
            is_held = self.trouble is not None and self.trouble.again_s > now
            if not is_held and self.watch.look(now, self.keeper.clock.monotonic):
                self._looked(now)
        return before != self._on_screen()

    def _on_screen(self) -> tuple:
        """Return what the screen depends on, so that it stands still while nothing of it changes."""
        keeper, trouble = self.keeper, self.trouble and (self.trouble.word, self.trouble.message)
        counts = [len(one) for one in (keeper.journal.lines, keeper.notes, self.waiting)]
        return counts, self.shown, trouble, self.message, self.is_over

    def _looked(self, now: float) -> None:
        """Do what follows from a look."""
        keeper, watch = self.keeper, self.watch
        if self.trouble and self.trouble.word not in _STAYS:
            self.trouble = None
        self._plan()
        if watch.left_alone and not self._has_told_left_alone:
            self._has_told_left_alone = True
            first, more = min(watch.left_alone).name, len(watch.left_alone) - 1
            keeper.notes.append(f"{first}{f' and {more} more' if more else ''}: no logs, left alone")
        steps, was_held = len(keeper.journal.lines), keeper.held
        if keeper.is_new(keeper.sheet) or was_held:
            keeper.settle()
        if len(keeper.journal.lines) > steps or (was_held and not keeper.held):
            self.taker.read_missing()
            if self.shown.state in ("next", "end"):
                self._next()
            self._after_step()
        self._sheet_held()
        complete = watch.complete(now) if not self.session.is_paused else []
        while complete and self.shown.state in _TAKING:
            self._take_file(complete.pop(0))
        if self.shown.state in ("next", "help", "recording"):
            growing = watch.growing()
            if growing:
                self.taker.sort_out(growing, now)
            name = growing.path.name if growing and growing.waits else ""
            if self.shown.state != "recording" and name:
                self.seen_at = keeper.clock.now()
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
        facts, session = one.facts, self.session
        fault = facts.fault.partition(": ")[2].partition(". ")[0].rstrip(".") or facts.fault[:100]
        took = {(line["file"]["source"], line["file"]["from"]): line["run"] for line in session.takes()}
        grown = took.get((str(one.source), one.start))
        if facts.kind == "sensors":
            seen.kind = "sensors"
        elif one.hash in session.used:
            of = session.used[one.hash]
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
            ago = self.keeper.clock.monotonic() - seen.first_s
            before = [line["did"] for line in session.of("pause", "go_on") if self.keeper.since(line) >= ago]
            why = why or "It was begun in the pause." * (before[-1:] == ["pause"])
            if why:
                self._ask_which(one, why, rows or tuple(self.due[:1]))
            else:
                self._take(one, self.due[0], seen)

    def _against(self, one: Recording) -> tuple[str, tuple[str, ...]]:
        """Return what speaks against a recording being the run that is due, and the rows it could be."""
        rows, due, plan = self.session.rows, self.due, self.keeper.plan
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
        if one.hash in self.session.offered:
            return "Its taking was taken back.", (due[0],)
        if self.taker.is_older(one):
            last = self.session.last_run
            return f"It begins before {last} ended: an older recording, or a clock set back?", (due[0],)
        return "", ()

    def _take(self, one: Recording, run: str, seen: Seen | None, *, grown: bool = False,
              sure: bool = False) -> None:  # fmt: skip
        """Take a recording for a run, and classify it; another that is asked about waits in the list."""
        verdict, asked = self.taker.take(one, run, seen=seen, grown=grown, sure=sure), self.shown.recording
        if verdict.kind == "ask":
            self._ask_which(one, verdict.message, (run,))
            return
        if asked is not None and asked.hash != one.hash:
            self._wait(asked)
        self.message = ""
        self._next()
        if verdict.kind == "repeat":
            self.shown = Shown("repeat", run=run, why=verdict.message)
        self._look_back(self.taker.open_peers(run))
        if facts := self.taker.format_to_ask:
            self.shown = Shown("program" if facts.sources else "format", run=run, why=facts.format_id)
        self._after_step()
        self.news("fine" if verdict.kind in ("fine", "note") else "needs you")

    def _look_back(self, runs: Sequence[str]) -> None:
        """Propose to repeat one of some earlier runs, of which more is known by now."""
        if found := self.taker.to_repeat(runs):
            run, verdict = found
            about = {"verdict": asdict(verdict)}
            self.keeper.step("repeat", run, {run: {"excluded": verdict.cause}}, repeat=True, about=about)
            self.shown = Shown("repeat", run=run, why=verdict.message)

    def _wait(self, one: Recording | None) -> None:
        """Let a recording wait in the list, once."""
        if one is not None and all(other.hash != one.hash for other in self.waiting):
            self.waiting.append(one)

    def _ask_which(self, one: Recording, why: str, rows: Iterable[str]) -> None:
        """Ask which run a recording is; while another question stands, it waits in the list."""
        state = "away" if self.shown.state in ("resumed", "away") else "which"
        if self.shown.recording is None or self.shown.recording.hash == one.hash:
            self.shown = Shown(state, self.shown.run, one, tuple(dict.fromkeys(rows)), why)
            self.news("needs you")
        else:
            self._wait(one)

    def _unused(self, one: Recording, message: str) -> None:
        """Write down, once, that a recording is not used, and why."""
        self.keeper.step(
            "unused", self.session.used.get(one.hash, ""), about={"file": one.file, "message": message}
        )
        self._after_step()

    # Trouble

    def _trouble(self, word: str, about: Mapping[str, object] | None = None) -> None:
        """Show trouble, in the words of the table; it is looked again every ten seconds."""
        clock, before = self.keeper.clock, self.trouble
        since = before.since if before and before.word == word else clock.now()
        run = self.due[0] if self.due else "the recording"
        message = state_table()["troubles"][word].format_map(
            {"run": run, "since": f"{since:%H:%M}", **(about or {})}
        )
        wait_s = 0.0 if word in _GOES_ON else _AGAIN_S
        self.trouble = Trouble(word, message.strip(), since, clock.monotonic() + wait_s)
        if before is None or before.word != word:
            self.news("needs you")

    @contextlib.contextmanager
    def _guarded(self) -> Iterator[None]:
        """Show trouble with the disk in place of ending by it."""
        try:
            yield
        except (FolderGone, NameTaken) as error:
            self._trouble("FOLDER GONE" if isinstance(error, FolderGone) else "NAME TAKEN", {"what": error})
        except DiskFull as error:
            self._disk_full(*error.args)
        except OSError as error:
            if error.errno in _FULL:
                self._disk_full(0, MARGIN)
            else:
                where = error.filename or "the review folder"
                self._trouble("DISK", {"what": error.strerror or error, "where": where})

    def _disk_full(self, free: int, needed: int) -> None:
        # The reserve is given up so that the journal can still be written.
        self.keeper.keep_reserve(is_full=True)
        self._trouble("DISK FULL", {"free": free // 1_000_000, "needed": -(-needed // 1_000_000)})

    def _sheet_held(self) -> None:
        """Tell that the sheet cannot be written; one that cannot be read may be half saved for some seconds."""
        if self.keeper.held is None:
            return
        error, since = self.keeper.held
        if isinstance(error, TableError):
            if self.keeper.clock.monotonic() - since > _HALF_SAVED_S:
                self._trouble("SHEET UNREADABLE", {"n": self.keeper.waiting, "what": error.faults[0]})
        else:
            is_full = getattr(error, "errno", None) in _FULL
            self._trouble("SHEET WAITS" if is_full else "SHEET OPEN", {"n": self.keeper.waiting})

    def _clock(self, now: float) -> None:
        """Notice a machine that slept, and a clock that was set."""
        wall = self.keeper.clock.now()
        before, self._wall = self._wall or (wall, now), (wall, now)
        off = (wall - before[0]).total_seconds() - (now - before[1])
        is_by_hours = min(abs(off) % _HOUR_S, -abs(off) % _HOUR_S) <= _NEAR_HOUR_S
        if _SLEPT_S < off < 12 * _HOUR_S and not is_by_hours:
            if not self.session.is_paused:
                self.keeper.step("pause", about={"slept": True})
                self.shown = Shown("paused", run=self.shown.run, why="the computer slept")
        elif abs(off) > _CLOCK_S:
            much = f"{abs(off) / _HOUR_S:.0f} h" if abs(off) >= _HOUR_S / 2 else f"{abs(off):.0f} s"
            what = f"this computer's clock went {'back' if off < 0 else 'ahead'} {much} at {wall:%H:%M}"
            self.keeper.notes.append(what)
            self._trouble("CLOCK", {"what": what})

    def _plan(self) -> None:
        """Read the plan anew where it changed; a tuning that changed after it was run is not asked for."""
        if self.keeper.is_new(self.keeper.folder / PLAN_FILE):
            self._fault = self.keeper.reload_plan()
            self.keeper.notes += [] if self._fault else ["plan.toml changed elsewhere"]
        if self._fault:
            self._trouble("PLAN", {"what": self._fault})
            return
        before, now = self.session.of("open")[-1]["tunings"], self._tunings()
        ran = [self.session.tuning(line["run"]) for line in self.session.takes()]
        self.changed = {name: ran.count(name) for name in now
                        if name in ran and before.get(name, now[name]) != now[name]}  # fmt: skip
        if self.changed:
            name = next(iter(self.changed))
            moved = [key for key in {**before[name], **now[name]} if before[name].get(key) != now[name].get(key)]
            was, is_now = (changes_text({key: one[name].get(key, 0.0) for key in moved}) for one in (before, now))
            self._trouble(
                "PLAN CHANGED",
                {"name": name, "was": was, "now": is_now, "n": count_text(self.changed[name], "run")},
            )
        elif self.trouble and self.trouble.word.startswith("PLAN"):
            self.trouble = None
