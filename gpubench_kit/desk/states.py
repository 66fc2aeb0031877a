"""The bench desk as a machine of states: what keys do; which key does what stands in ``screens.toml``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from gpubench_kit.desk.looks import Looks, Shown, state_table
from gpubench_kit.sheet.rows import CAUSES

#: The same key again within this is a bounce; after so long a pause the card is cold [s].
_BOUNCE_S, _COLD_S = 0.5, 600.0
_CRASHES = {"1": "the game crashed", "2": "driver reset, black screen", "3": "the machine froze or restarted"}
_CRASHES_TO_STOP = 2


def of_state(name: str, part: str) -> Any:
    """Return a part of a state: its own, else that of the state which it is like; what keys do is joined.

    Parameters
    ----------
    name : of the state
    part : ``now`` or ``keys``, a text; or ``on``, actions by key
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
        if self.trouble and state != "end":
            return "disk" if self.trouble.word.startswith("DISK") else "trouble"
        if self.keeper.questions and state == "next":
            return "asked"
        is_reference = run and self.evening.rows[run].get("tuning") == self.keeper.plan.reference_tuning
        return (
            "stop_reference" if state == "stop" and is_reference else "help" if self.shown.why == "help" else state
        )

    def press(self, key: str) -> None:
        """Do what a key asks for.

        Parameters
        ----------
        key : a digit, ``enter``, ``esc`` or ``?``
        """
        now = self.keeper.clock.monotonic()
        if key == self._key[0] and now - self._key[1] < _BOUNCE_S:
            return
        self._key, self.said = (key, now), ""
        # In trouble the keys of the state beneath go on, but for Enter.
        name = self.name if not self.trouble or key == "enter" else self.shown.state
        does, _, what = of_state(name, "on").get(key, "").partition(" ")
        with self._told():
            if does == "show":
                self.shown = Shown(what, run=self.shown.run)
            elif does == "type":
                self.shown = replace(self.shown, typing=what)
            elif does:
                getattr(self, f"_{does}")(key)

    def interrupt(self) -> None:
        """End the session with nothing lost: the end is shown, and a second time the desk is closed."""
        self._key = ("", -1.0)
        if self.shown.state == "end":
            self.press("enter")
        else:
            self.shown = Shown("end")

    def help(self) -> None:
        """Show, or leave, what the keys do."""
        if self.shown.state == "next":
            self.shown = replace(self.shown, why="" if self.shown.why == "help" else "help")

    def typed(self, text: str) -> None:
        """Take a text that was typed where one is asked for.

        Parameters
        ----------
        text : a line; empty for nothing
        """
        what, shown, text = self.shown.typing, self.shown, " ".join(text.split())
        self.shown = replace(shown, typing="")
        with self._told():
            if what == "row":
                self._typed_row(text)
            elif not text or not what:
                self._next()
            elif what == "version":
                game = self.evening.of_game(shown.run)
                runs = [run for run in self.evening.in_order() if self.evening.of_game(run) == game]
                self._restart("update", {run: {"game_version": text} for run in runs})
            elif what == "card":
                self._restart("card", self._new_session(), card=text)
            elif what == "cause":
                self._change("repeat", self.keeper.with_note(shown.run, f"cause of the crash: {text}"), repeat=True)
            else:
                self._change("note", self.keeper.with_note(shown.run, text))
        if self.shown.state == "note":
            self._next()  # It could not be written: the trouble is told, and the keys go on.

    def _typed_row(self, text: str) -> None:
        one, row = (
            self.shown.recording,
            next((run for run in self.evening.rows if run.casefold() == text.casefold()), ""),
        )
        if not row or self.evening.is_recorded(row) or not one:
            self.said = f"{text or 'nothing'} is no row that waits for a recording."
        else:
            self._next()
            self._take(one, row, None, sure=True)

    def _do(self, did: str, about: Mapping | None = None) -> None:
        """Do one step, then show what is due."""
        self.keeper.step(did, about)
        self._go_next()

    def _change(self, did: str, new: Mapping[str, str], *, repeat: bool | None = None) -> None:
        """Change the run that the screen is about, then show what is due."""
        self.keeper.change(did, self.shown.run, new, repeat=repeat)
        self._go_next()

    def _go_next(self) -> None:
        """Show what is due, and what follows from a step."""
        self._next()
        self._after_step()

    def _back(self, _key: str) -> None:
        self._next()
        if self.evening.is_paused:
            self.shown = replace(self.shown, state="paused")

    # The run that is due

    def _take_now(self, _key: str) -> None:
        now = self.keeper.clock.monotonic()
        found = [one for one in self.watch.files.values() if one.waits and now - one.changed_s >= 1]
        if found:
            self._take_file(min(found, key=lambda one: one.first_s), at_once=True)
        else:
            self.said = f"no recording yet, {self.still_due}"

    def _ask_cause(self, key: str) -> None:
        if self.evening.last_run:
            self.shown = Shown("cause", self.evening.last_run, why="repeat" if key == "1" else "leave_out")

    def _leave_out(self, key: str) -> None:
        repeat = True if self.shown.why == "repeat" else None
        self._change(self.shown.why, {"excluded": CAUSES[int(key) - 1]}, repeat=repeat)

    def _later(self, _key: str) -> None:
        if self.due:
            self._do("later", {"run": self.due[0]})

    def _ask_note(self, _key: str) -> None:
        if self.evening.last_run:
            self.shown = Shown("note", self.evening.last_run, typing="note")

    def _undo(self, _key: str) -> None:
        step = self.keeper.undo()
        if step is None:
            self.said = "nothing to take back"
            return
        file = step.get("file", {})
        for seen in (one for one in self.watch.files.values() if str(one.path) == file.get("source")):
            is_offered = file["hash"] in self.evening.offered
            seen.taken_size, seen.kind = (file["from"] or -1) if is_offered else seen.size, ""
        self.taker.judge.runs.pop(step.get("run", ""), None)
        self.taker.read_missing()
        self._go_next()

    def _ask_again(self, _key: str) -> None:
        self._next()
        if self.waiting:
            one = self.waiting.pop(0)
            why, rows = self._against(one)
            self._ask_which(one, why or "No row names it yet.", rows or tuple(self.due[:1]))

    # Repeats

    def _refuse_repeat(self, _key: str) -> None:
        self._change("no_repeat", {}, repeat=False)

    def _repeat_later(self, _key: str) -> None:
        for name in self.evening.repeats(self.shown.run)[:1]:
            self._do("later", {"run": name})

    def _count(self, _key: str) -> None:
        self._change("count", {"excluded": ""}, repeat=False)

    # Recordings that fit no row, and formats

    def _is_row(self, key: str) -> None:
        one, rows = self.shown.recording, self.shown.rows
        if one and int(key) <= len(rows):
            self._next()
            self._take(one, rows[int(key) - 1], None, sure=True)

    def _is_none(self, _key: str) -> None:
        if self.shown.recording:
            self._do("found", {"run": "", "file": self.shown.recording.file, "says": "no row names it"})

    def _ask_later(self, _key: str) -> None:
        self.waiting += [self.shown.recording] if self.shown.recording else []
        self._next()

    def _answer_format(self, key: str) -> None:
        self.taker.answer_format({"enter": "yes", "2": "no"}.get(key, "later"))
        self._go_next()

    def _answer_program(self, key: str) -> None:
        facts = self.taker.format_to_ask
        names = dict(enumerate(facts.sources[1:] if facts else (), start=1))
        if key in ("enter", "esc") or int(key) in names:
            self.taker.answer_format(names[int(key)] if key.isdecimal() else "later")
            self._go_next()

    # Crashes

    def _crash(self, key: str) -> None:
        run, plan = self.shown.run, self.keeper.plan
        tuning = self.evening.rows[run].get("tuning", "")
        times = 1 + sum(one["tuning"] == tuning for one in self.evening.of("crash"))
        stops = times >= _CRASHES_TO_STOP or (key != "1" and tuning != plan.reference_tuning)
        self.taker.crashed(run, cause=_CRASHES[key], repeat=not stops)
        self._go_next()
        if stops:
            self.shown = Shown("stop", run=run)
            self.news("needs you")

    def _stop(self, _key: str) -> None:
        self._do("stop", {"tuning": self.evening.rows[self.shown.run].get("tuning", "")})

    # Pauses and restarts

    def _pause(self, _key: str) -> None:
        self.keeper.step("pause")
        self.shown = Shown("paused", run=self.shown.run)
        self._after_step()

    def _go_on(self, _key: str) -> None:
        is_cold = self.keeper.since(self.evening.of("pause")[-1]) > _COLD_S
        self._do("go_on")
        if is_cold and self.due:
            # A warm-up run, which does not count, comes before the run that is due.
            number = 1 + sum(run.startswith("warm-up ") for run in self.evening.rows)
            row = self.evening.repeat_of(self.due[0])
            row |= {"run": f"warm-up {number}", "purpose": "warm_up", "round": "", "replaces": ""}
            self._do("warm_up", {"rows": [row]})

    def _ask_restart(self, _key: str) -> None:
        if self.shown.recording:
            self.waiting.append(self.shown.recording)
        self.shown = Shown("restarted", run=self.due[0] if self.due else "")

    def _restart_game(self, _key: str) -> None:
        run, rows = self.shown.run, self.evening.rows
        if run:
            number = 2 + len(self.evening.of("restart"))
            label, game = rows[run].get("launch", ""), rows[run].get("game", "")
            runs = [one for one in self.evening.in_order() if rows[one].get("launch", "") == label
                    and self.evening.of_game(one) == self.evening.of_game(run)]  # fmt: skip
            self._restart("game", {one: {"launch": f"{label or game}, start {number}"} for one in runs}, game=game)

    def _restart_machine(self, _key: str) -> None:
        self._restart("machine", self._new_session())

    def _restart_driver(self, _key: str) -> None:
        self._restart("driver", {})
        self.shown = Shown("end", why="driver")

    def _restart(self, what: str, cells: Mapping[str, Mapping], *, game: str = "", card: str = "") -> None:
        """Write a restart down, with new cells of rows to come."""
        rows = self.evening.rows
        changed = {run: {name: [rows[run].get(name, ""), text] for name, text in new.items()}
                   for run, new in cells.items()}  # fmt: skip
        self._do("restart", {"what": what, "game": game, "card": card, "cells": changed})
        self._back("")

    def _new_session(self) -> dict[str, dict[str, str]]:
        """Return cells that put all open rows into new sessions."""
        rows, end = self.evening.rows, f", restart {2 + len(self.evening.of('restart'))}"
        return {run: {"session": (rows[run].get("session") or "session") + end}
                | ({"launch": rows[run]["launch"] + end} if rows[run].get("launch") else {})
                for run in self.evening.in_order()}  # fmt: skip

    # All games, and the end

    def _drop(self, _key: str) -> None:
        if self.forecast.drops:
            what, runs = self.forecast.drops[self.shown.place % len(self.forecast.drops)]
            self._do("drop", {"runs": list(runs), "what": what.what})

    def _next_drop(self, _key: str) -> None:
        if self.forecast.drops:
            self.shown = replace(self.shown, place=(self.shown.place + 1) % len(self.forecast.drops))
            self.said = f"{self.shown.place + 1} of {len(self.forecast.drops)}"

    def _more_games(self, _key: str) -> None:
        self.shown = replace(self.shown, first_game=self.shown.first_game + 8)

    def _close(self, key: str) -> None:
        if self.waiting:
            self._ask_again(key)
            return
        self.keeper.step("close")
        self._after_step()
        self.is_over = True

    # Trouble, and what another program changed

    def _look_again(self, _key: str) -> None:
        if self.trouble:
            self.trouble = None if self.trouble.word == "CLOCK" else replace(self.trouble, again_s=0.0)

    def _theirs(self, _key: str) -> None:
        self.keeper.questions.pop(0)
        self._go_next()

    def _ours(self, _key: str) -> None:
        one = self.keeper.questions.pop(0)
        if one.column and one.run in self.evening.rows:
            self._do("answer", {"run": one.run, "cells": {one.run: {one.column: [one.theirs, one.ours]}}})
        elif not one.column:
            removed = [row for line in self.keeper.journal.lines for row in line.get("removed", ())
                       if row["run"] == one.run]  # fmt: skip
            self._do("answer", {"run": one.run, "rows": removed[-1:]})
