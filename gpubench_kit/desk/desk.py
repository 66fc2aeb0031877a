"""The bench desk as a machine of states: what keys do, which stands in ``screens.toml``; and how it is opened."""

from __future__ import annotations

import math
import os
import socket
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from gpubench_kit.desk.journal import Disk, Foreign, Journal, session_of
from gpubench_kit.desk.keeper import BOOK, FOLDER, JOURNAL, MADE, SHEET_BEFORE, Clock, Keeper
from gpubench_kit.desk.looks import Looks, Shown, state_table
from gpubench_kit.desk.recordings import FileView, Watch
from gpubench_kit.desk.taking import Taker
from gpubench_kit.files import Busy, locked
from gpubench_kit.logs.loose_files import facts_of_log
from gpubench_kit.model.errors import Fault, ReportError
from gpubench_kit.schedule.run_sheet import read_sheet
from gpubench_kit.sheet.text import find_sheet

#: The same key again within this is a bounce; after so long a pause the card is cold [s].
_BOUNCE_S, _COLD_S = 0.5, 600.0
_CRASHES = {"game": "the game crashed", "driver": "driver reset, black screen",
            "machine": "the machine froze or restarted"}  # fmt: skip
_CRASHES_TO_STOP = 2
#: Games on one page of all games.
GAMES_SHOWN = 8


def of_state(name: str, part: str) -> Any:
    """Return a part of a state: its own, else that of the state which it is like; what keys do is joined.

    Parameters
    ----------
    name : of the state
    part : ``now``, ``outlook`` or ``keys``, a text; or ``on``, actions by key
    """
    state = state_table()[name]
    like = of_state(state["like"], part) if "like" in state else {} if part == "on" else ""
    return {**like, **state.get(part, {})} if part == "on" else state.get(part, like)


class Desk(Looks):
    """The bench desk: looks by itself, and does what keys ask for."""

    _key: tuple[str, float] = ("", -1.0)

    @property
    def name(self) -> str:
        """Name of the state in the table."""
        state, run = self.shown.state, self.shown.run
        if self.trouble and state not in ("end", "help"):
            return "disk" if self.trouble.word.startswith("DISK") else "trouble"
        if self.session.questions and state == "next":
            return "asked"
        is_reference = self.session.tuning(run) == self.keeper.plan.reference_tuning
        return "stop_reference" if state == "stop" and run and is_reference else state

    @property
    def is_typing(self) -> bool:
        """Whether a line is typed, not keys alone."""
        return "text" in of_state(self.shown.state, "on")

    def press(self, key: str) -> None:
        """Do what a key asks for.

        Parameters
        ----------
        key : a digit, ``enter``, ``esc``, ``up``, ``down`` or ``?``
        """
        now = self.keeper.clock.monotonic()
        if key == self._key[0] and now - self._key[1] < _BOUNCE_S:
            return
        self._key, self.message = (key, now), ""
        # In trouble the keys of the state beneath go on, but for Enter.
        self._act(self.name if not self.trouble or key == "enter" else self.shown.state, key)

    def typed(self, text: str) -> None:
        """Take a text that was typed where one is asked for.

        Parameters
        ----------
        text : a line; empty for nothing
        """
        if text := " ".join(text.split()):
            self._act(self.shown.state, "text", text)
        if self.is_typing:
            self._next()  # Nothing was typed, or it could not be written: the trouble is told, and the keys go on.

    def _act(self, state: str, key: str, *typed: str) -> None:
        """Do what the table says of a key: a method, and words for it; a key that it does not name does nothing."""
        does, *words = of_state(state, "on").get(key, "none").split()
        if does == "none":
            return
        with self._guarded():
            getattr(self, f"_{does}")(*words, *typed)

    def interrupt(self) -> None:
        """End the session with nothing lost: the end is shown, and a second time the desk is closed."""
        self._key = ("", -1.0)
        if self.shown.state == "end":
            self.press("enter")
        else:
            self.shown = Shown("end")

    def _ask(self, state: str, why: str = "") -> None:
        """Show a state that asks, about the run that it is about; a recording asked about waits meanwhile."""
        about = {"last": self.session.last_run, "due": next(iter(self.due), ""), None: self.shown.run}
        run = about[state_table()[state].get("about")]
        if state in ("cause", "note") and not run:
            return
        if state_table()[state].get("like") == self.shown.state:
            self.shown = replace(self.shown, state=state)
        else:
            self._wait(self.shown.recording)
            self.shown = Shown(state, run, why=why)

    def _do(self, did: str, run: str = "", cells: Mapping[str, Mapping[str, str]] | None = None, *,
            repeat: bool | None = None, about: Mapping | None = None) -> None:  # fmt: skip
        """Do one step, then show what is due, and what follows from it."""
        self.keeper.step(did, run, cells, repeat=repeat, about=about)
        self._go_next()

    def _go_next(self) -> None:
        self._next()
        self._after_step()

    def _back(self) -> None:
        self._next()
        if self.session.is_paused:
            self.shown = replace(self.shown, state="paused")

    # The run that is due, and the last one

    def _take_now(self) -> None:
        now = self.keeper.clock.monotonic()
        found = [one for one in self.watch.files.values() if one.waits and now - one.changed_s >= 1]
        if found:
            self._take_file(min(found, key=lambda one: one.first_s), at_once=True)
        else:
            self.message = f"no recording yet, {self.still_due}"

    def _leave_out(self, cause: str) -> None:
        repeat = True if self.shown.why == "repeat" else None
        self._do(self.shown.why, self.shown.run, {self.shown.run: {"excluded": cause}}, repeat=repeat)

    def _later(self, what: str = "due") -> None:
        for run in (self.due if what == "due" else self.session.repeats(self.shown.run))[:1]:
            self._do("later", run)

    def _refuse_repeat(self) -> None:
        self._do("no_repeat", self.shown.run, repeat=False)

    def _count(self) -> None:
        self._do("count", self.shown.run, {self.shown.run: {"excluded": ""}}, repeat=False)

    def _note(self, text: str) -> None:
        self._do("note", self.shown.run, {self.shown.run: self.keeper.with_note(self.shown.run, text)})

    def _undo(self) -> None:
        step = self.keeper.undo()
        if step is None:
            self.message = "nothing to take back"
            return
        file = step.get("file", {})
        for seen in (one for one in self.watch.files.values() if str(one.path) == file.get("source")):
            is_offered = file["hash"] in self.session.offered
            seen.taken_size, seen.kind = (file["from"] or -1) if is_offered else seen.size, ""
        self.taker.known.runs.pop(step.get("run", ""), None)
        self.taker.read_missing()
        self._go_next()

    # Recordings that fit no row, and formats

    def _ask_again(self) -> None:
        self._next()
        if self.waiting:
            one = self.waiting.pop(0)
            why, rows = self._against(one)
            self._ask_which(one, why or "No row names it yet.", rows or tuple(self.due[:1]))

    def _is_row(self, number: str) -> None:
        one, rows = self.shown.recording, self.shown.rows
        if one and int(number) <= len(rows):
            self._next()
            self._take(one, rows[int(number) - 1], None, sure=True)

    def _is_named_row(self, text: str) -> None:
        one, rows = self.shown.recording, self.session.rows
        row = next((run for run in rows if run.casefold() == text.casefold()), "")
        if one and row and not self.session.is_recorded(row):
            self._next()
            self._take(one, row, None, sure=True)
        else:
            self.shown = replace(self.shown, state="which")
            self.message = f"{text} is no row that waits for a recording."

    def _is_none(self) -> None:
        if self.shown.recording:
            self._do("found", about={"file": self.shown.recording.file, "message": "no row names it"})

    def _ask_later(self) -> None:
        self._wait(self.shown.recording)
        self._next()

    def _format(self, answer: str) -> None:
        facts = self.taker.format_to_ask
        if answer.isdecimal():
            answer = next(iter((facts.sources if facts else ())[int(answer) : int(answer) + 1]), "")
        if answer:
            self.taker.answer_format(answer)
            self._go_next()

    # Crashes

    def _crash(self, what: str) -> None:
        run, tuning = self.shown.run, self.session.tuning(self.shown.run)
        times = 1 + sum(one["tuning"] == tuning for one in self.session.of("crash"))
        is_reference = tuning == self.keeper.plan.reference_tuning
        stops = times >= _CRASHES_TO_STOP or (what != "game" and not is_reference)
        self.taker.crashed(run, cause=_CRASHES[what], repeat=not stops)
        self._go_next()
        if stops:
            self.shown = Shown("stop", run=run)
            self.news("needs you")

    def _stop(self) -> None:
        self._do("stop", about={"tuning": self.session.tuning(self.shown.run)})

    def _other_cause(self, text: str) -> None:
        run = self.shown.run
        note = self.keeper.with_note(run, f"cause of the crash: {text}")
        self._do("repeat", run, {run: note}, repeat=True)

    # Pauses and restarts

    def _pause(self) -> None:
        self.keeper.step("pause")
        self.shown = Shown("paused", run=self.shown.run)
        self._after_step()

    def _go_on(self) -> None:
        pause = self.session.of("pause")[-1]
        is_cold = self.keeper.since(pause) > _COLD_S
        self._do("go_on")
        if is_cold and self.due:
            # A warm-up run, which does not count, comes before the run that is due.
            number = 1 + sum(run.startswith("warm-up ") for run in self.session.rows)
            row = self.session.repeat_of(self.due[0])
            row |= {"run": f"warm-up {number}", "purpose": "warm_up", "round": "", "replaces": ""}
            self._do("warm_up", about={"rows": [row]})
        if pause.get("slept"):
            self._ask("restarted")

    def _restart(self, what: str, text: str = "") -> None:
        """Write down what was restarted or changed, with new cells of the rows to come."""
        session, rows, run = self.session, self.session.rows, self.shown.run
        number, cells = 2 + len(session.of("restart")), {}
        for one in session.in_order():
            row = rows[one]
            is_game = bool(run) and session.of_game(one) == session.of_game(run)
            if what in ("machine", "card"):
                names = [
                    name for name in ("session", "launch", "tuning_change") if row.get(name) or name == "session"
                ]
                cells[one] = {name: f"{row.get(name) or name}, restart {number}" for name in names}
            elif what == "game" and is_game and row.get("launch", "") == rows[run].get("launch", ""):
                cells[one] = {"launch": f"{row.get('launch') or row.get('game', '')}, start {number}"}
            elif what == "update" and is_game:
                cells[one] = {"game_version": text}
        game, card = rows.get(run, {}).get("game", "") if what == "game" else "", text if what == "card" else ""
        self._do("restart", "", cells, about={"what": what, "game": game, "card": card})
        self._back()
        if what == "driver":
            self.shown = Shown("end", why="driver")

    # All games, and the end

    def _drop(self) -> None:
        if drops := self.forecast.drops:
            what, runs = drops[self.shown.place % len(drops)]
            self._do("drop", about={"runs": list(runs), "what": what.what})

    def _next_drop(self) -> None:
        if n := len(self.forecast.drops):
            self.shown = replace(self.shown, place=(self.shown.place + 1) % n)
            self.message = f"{self.shown.place + 1} of {n}"

    def _page_games(self, step: str) -> None:
        first, n = self.shown.first_game + int(step) * GAMES_SHOWN, len(self.forecast.games)
        last = max(0, n - 1) // GAMES_SHOWN * GAMES_SHOWN
        self.shown = replace(self.shown, first_game=0 if first > last else last if first < 0 else first)

    def _close(self) -> None:
        if self.waiting:
            self._ask_again()
            return
        self.keeper.step("close")
        self._after_step()
        self.is_over = True

    # Trouble, and what another program changed

    def _look_again(self) -> None:
        if self.trouble:
            self.trouble = None if self.trouble.word == "CLOCK" else replace(self.trouble, again_s=0.0)

    def _answer(self, whose: str) -> None:
        """Let the text of a cell be theirs or the desk's; a row that is gone stay so, or come back."""
        run, column, _, ours = self.session.questions[0]
        about: dict = {"column": column}
        if whose == "ours" and not column:
            removed = [row for line in self.session.kept for row in line.get("removed", ()) if row["run"] == run]
            about["rows"] = removed[-1:]
        cells = {run: {column: ours}} if whose == "ours" and column else {}
        self.keeper.step("answer", run, cells, about=about)
        self.taker.known.runs.pop(run, None)
        self.taker.read_missing()
        self._next()
        self._look_back([run])
        self._after_step()


@contextmanager
def opened_desk(folder: Path, watched: Sequence[Path], *, clock: Clock | None = None, disk: Disk | None = None,
                view: FileView | None = None) -> Iterator[Desk]:  # fmt: skip
    """Open the desk of a review; it is locked while the ``with`` lasts.

    Parameters
    ----------
    folder : the review folder
    watched : folders of recordings and of sensor logs, or one file of them
    clock, disk, view : what it sees of the machine; tests give their own

    Raises
    ------
    GpubenchError : plan or sheet have faults, a folder is missing, or another desk is open
    """
    inside = (folder / "logs").resolve()
    for one in watched:
        if not one.exists():
            raise ReportError(Fault(str(one), "there is no such folder to watch.", "Correct --watch."))
        if inside in (one.resolve(), *one.resolve().parents):
            problem = "this is the review's own folder of logs; the desk copies into it."
            raise ReportError(Fault(str(one), problem, "Watch the folder that the recorder writes to."))
    files = {one for one in watched if one.is_file()}
    folders = tuple(dict.fromkeys(one.parent if one in files else one for one in watched))
    alone = {one.parent: {file for file in files if file.parent == one.parent}
             for one in files if one.parent not in watched}  # fmt: skip
    watch = Watch(folders, view or FileView(), _length_of, alone=alone, sensor_folders=folders[1:])
    with _kept(folder, clock or Clock(), disk or Disk()) as keeper:
        desk = Desk(keeper, watch, Taker(keeper, watch))
        desk.start()
        yield desk


@contextmanager
def _kept(folder: Path, clock: Clock, disk: Disk) -> Iterator[Keeper]:
    """Hold the lock of a review while its keeper is used; another desk is refused, or ends this one."""
    if not folder.is_dir():
        raise ReportError(Fault(str(folder), "there is no such folder.", "Make one with: gpubench-kit new FOLDER"))
    home, holder = folder / FOLDER, folder / FOLDER / "open_at"
    home.mkdir(exist_ok=True)
    try:
        with locked(home / "lock"):
            about = f"{socket.gethostname()} since {clock.now():%H:%M} (process {os.getpid()})"
            holder.write_text(about, encoding="utf-8")
            if not (folder / BOOK).exists():
                disk.move(home / MADE, folder / "runs.csv")  # Where making it ended between two steps.
            yield Keeper(folder, clock=clock, disk=disk)
            holder.unlink(missing_ok=True)
    except Busy:
        where = holder.read_text(encoding="utf-8") if holder.exists() else "another machine"
        problem = f"this review is open at the desk on {where}."
        raise ReportError(Fault(folder.name, problem, "Close it there; --page shows the same view.")) from None
    except Foreign:
        problem = "another desk wrote into this review's journal; this one stops, and nothing is lost."
        raise ReportError(Fault(folder.name, problem, "Go on there, or close it there and start again.")) from None


def _length_of(file: Path) -> float:
    """Return the length of a log [s]; nan where it has none."""
    facts = facts_of_log(file)
    return facts.length_s if facts.kind in ("frames", "sensors") else math.nan


def settle(folder: Path) -> int:
    """Write the steps of the journal that the sheet does not have yet; return how many rows were written.

    Parameters
    ----------
    folder : the review folder
    """
    n = rows_waiting(folder)
    with _kept(folder, Clock(), Disk()) as keeper:
        keeper.recover()
        keeper.write_witness()
        if keeper.held:
            raise ReportError(Fault(keeper.sheet.name, f"it cannot be written ({keeper.held[0]}).", "Close it."))
    return n


def rows_waiting(folder: Path) -> int:
    """Return how many rows the journal has otherwise than the sheet, since a desk ended before it wrote them.

    Parameters
    ----------
    folder : the review folder
    """
    files = (folder / FOLDER / JOURNAL, folder / FOLDER / SHEET_BEFORE)
    if not all(one.exists() for one in files):
        return 0
    file = find_sheet(folder)
    base, sheet = (read_sheet(one, one.read_bytes()).cells for one in (files[1], file))
    ours = session_of(Journal(files[0], Disk(), is_read_only=True).lines).rows
    changed = {run for run in {**ours, **base} if _filled(ours.get(run)) != _filled(base.get(run))}
    return sum(_filled(sheet.get(run)) != _filled(ours.get(run)) for run in changed)


def _filled(row: dict[str, str] | None) -> dict[str, str] | None:
    """Return the cells of a row that hold anything; None for no row."""
    return None if row is None else {name: text for name, text in row.items() if text}
