"""The bench desk as a machine of states: what each key does in each of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from gpubench_kit.desk.journal import NameTaken
from gpubench_kit.desk.judge import Verdict
from gpubench_kit.desk.keeping import DiskFull
from gpubench_kit.desk.looks import Looks, Shown
from gpubench_kit.sheet.rows import CAUSES

#: The same key again within this is a bounce [s]; after so long a pause the card is cold [s].
_BOUNCE_S, _COLD_S = 0.5, 600.0
_CRASHES = {"1": "the game crashed", "2": "driver reset, black screen", "3": "the machine froze or restarted"}
_RESTARTS = {"1": "game", "2": "machine", "3": "card", "4": "update", "5": "driver"}


class Desk(Looks):
    """The bench desk: looks by itself, and does what keys ask for."""

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
        try:
            self._pressed(key)
        except (OSError, DiskFull, NameTaken) as error:
            self._in_trouble(error)

    def _pressed(self, key: str) -> None:
        """Do what a key asks for in this state."""
        state = {"RESUMED": "WHICH RUN"}.get(self.shown.state, self.shown.state) if self.shown.recording else (
            "NEXT" if self.shown.state in ("RECORDING", "RESUMED") else self.shown.state)  # fmt: skip
        if self.trouble and key == "enter":
            self.trouble = replace(self.trouble, again_s=0.0) if self.trouble.word != "CLOCK" else None
            return
        if self.keeper.questions and key in ("1", "2") and state == "NEXT" and not self.trouble:
            self._answer_question(key)
            return
        name = f"_in_{state.lower().replace(' ', '_').rstrip('?')}"
        getattr(self, name)(key)

    def interrupt(self) -> None:
        """End the evening with nothing lost: the end is shown, and a second time the desk is closed."""
        self._key = ("", -1.0)
        self.press("enter" if self.shown.state == "END" else "9")
        if self.shown.state != "END" and not self.is_over:
            self.shown = Shown("END")

    def help(self) -> None:
        """Show, or leave, what the keys do."""
        if self.shown.state == "NEXT":
            self.shown = replace(self.shown, why="" if self.shown.why == "help" else "help")

    def typed(self, text: str) -> None:
        """Take a text that was typed where one is asked for.

        Parameters
        ----------
        text : a line; empty for nothing
        """
        what, shown = self.shown.typing, self.shown
        text = " ".join(text.split())
        if what == "row":
            row = next((run for run in self.evening.rows if run.casefold() == text.casefold()), "")
            if row and not self.evening.is_recorded(row) and shown.recording:
                self._next()
                self._take(shown.recording, row, None, sure=True)
            else:
                self.said = f"{text or 'nothing'} is no row that waits for a recording."
                self.shown = replace(shown, typing="")
            return
        self._next()
        if not text:
            return
        if what == "note":
            self._note(shown.run, text)
        elif what == "version":
            self._restart("update", cells=self._open_cells("game_version", shown.run, text=text))
        elif what == "card":
            self._restart("card", card=text, cells=self._new_session())
        elif what == "cause":
            self._repeat_crashed(shown.run, f"cause of the crash: {text}")
        self._finish()

    def _finish(self) -> None:
        """End a step: show what is due."""
        self._next()
        self._after_step()

    def _in_next(self, key: str) -> None:
        """Do what a key asks for while a run is due or being recorded."""
        last = self.evening.takes()[-1]["run"] if self.evening.takes() else ""
        if key == "enter":
            self._take_now()
        elif key in ("1", "2") and last:
            self.shown = Shown("CAUSE", run=last, why="repeat" if key == "1" else "leave_out")
        elif key == "3" and self.due:
            self.keeper.step("later", {"run": self.due[0]})
            self._finish()
        elif key == "4" and last:
            self.shown = Shown("NOTE", run=last, typing="note")
        elif key == "5" and self.due:
            self.shown = Shown("CRASHED", run=self.due[0])
        elif key == "6":
            self.shown = Shown("RESTARTED", run=self.shown.run)
        elif key == "7":
            self.shown = Shown("ALL GAMES", run=self.shown.run)
        elif key == "8":
            self.keeper.step("pause")
            self.shown = Shown("PAUSED", run=self.shown.run)
        elif key == "9":
            self.shown = Shown("END")
        elif key == "0":
            self._undo()
        elif key == "esc":
            self._next()
            self._ask_again()

    def _ask_again(self) -> None:
        """Ask again about a recording that waits."""
        if self.waiting:
            one = self.waiting.pop(0)
            why, rows = self._against(one)
            self._ask_which(one, why or "No row names it yet.", rows or tuple(self.due[:1]))

    def _take_now(self) -> None:
        """Take a file that rests, without waiting longer."""
        now = self.keeper.clock.monotonic()
        found = [
            one
            for one in self.watch.files.values()
            if one.is_new and one.kind not in ("sensors", "none", "waits") and now - one.changed_s >= 1
        ]
        if found:
            self._take_file(min(found, key=lambda one: one.first_s), at_once=True)
        else:
            self.said = f"no recording yet, {self._still_due()}"

    def _undo(self) -> None:
        """Take the last step back, or put it back."""
        step = self.keeper.undo()
        if step is None:
            self.said = "nothing to take back"
            return
        sources = [one for one in self.watch.files.values() if str(one.path) == step.get("file", {}).get("source")]
        if step["did"] == "take":
            self.taker.forget(step["run"])
        for seen in sources:
            is_offered = step["file"]["hash"] in self.evening.offered
            seen.taken_size, seen.kind = (step["file"]["from"] or -1) if is_offered else seen.size, ""
        self.taker.read_missing()
        self._finish()

    def _in_repeat(self, key: str) -> None:
        """Do what a key asks for while a repeat is proposed."""
        run, evening = self.shown.run, self.evening
        repeat = next((row for row, cells in evening.rows.items() if cells.get("replaces") == run), "")
        cause = evening.rows[run].get("excluded", "")
        row = [dict(evening.rows[repeat])] if repeat else []
        if key == "2" and repeat:
            self.keeper.step("no_repeat", {"run": run, "gone": [repeat], "removed": row})
        elif key == "3" and repeat:
            self.keeper.step("later", {"run": repeat})
        elif key == "0":
            gone = [repeat] if repeat else []
            self.keeper.step(
                "count", {"run": run, "cells": {run: {"excluded": [cause, ""]}}, "gone": gone, "removed": row}
            )
            self.taker.left_out(run, is_out=False)
        elif key == "5":
            self.shown = Shown("CRASHED", run=run)
            return
        else:
            self._in_next(key)
            return
        self._finish()

    def _in_cause(self, key: str) -> None:
        """Take the logged cause for which a fine run is left out."""
        run, what = self.shown.run, self.shown.why
        if key.isdecimal() and 1 <= int(key) <= len(CAUSES):
            cells = {run: {"excluded": [self.evening.rows[run].get("excluded", ""), CAUSES[int(key) - 1]]}}
            rows = [self.evening.repeat_of(run)] if what == "repeat" else []
            self.keeper.step(what, {"run": run, "cells": cells, "rows": rows})
            self.taker.left_out(run, is_out=True)
            self._finish()
        elif key == "esc":
            self._next()

    def _in_note(self, key: str) -> None:
        """Leave a note."""
        if key == "esc":
            self._next()

    def _note(self, run: str, text: str) -> None:
        """Add to the note of a run."""
        before = self.evening.rows[run].get("note", "")
        cells = {run: {"note": [before, f"{before}; {text}" if before else text]}}
        self.keeper.step("note", {"run": run, "cells": cells})

    def _in_which_run(self, key: str) -> None:
        """Take the answer which run a recording is."""
        one, rows = self.shown.recording, self.shown.rows
        if key in ("1", "2") and int(key) <= len(rows):
            self._next()
            self._take(one, rows[int(key) - 1], None, sure=True)
        elif key == "3":
            self.shown = replace(self.shown, typing="row")
        elif key == "4":
            self._next()
            file = {"source": str(one.source), "hash": one.hash, "from": one.start, "to": one.stop}
            self.keeper.step("found", {"run": "", "file": file, "says": "no row names it"})
            self._finish()
        elif key == "esc":
            self.waiting.append(one)
            self._next()
        elif key == "6":
            self.waiting.append(one)
            self.shown = Shown("RESTARTED", run=self.shown.run)

    def _in_format(self, key: str) -> None:
        """Take the answer whether a format is read rightly."""
        if key in ("enter", "2", "3", "esc"):
            self.taker.answer_format({"enter": "yes", "2": "no"}.get(key, "later"))
            self._finish()

    def _in_crashed(self, key: str) -> None:
        """Take the cause of a crash; stop a tuning that is not stable."""
        if key == "esc":
            self._next()
        if key not in _CRASHES:
            return
        run = self.shown.run
        tuning = self.evening.rows[run].get("tuning", "")
        times = self.evening.crashes.get(tuning, 0) + 1
        is_reference = tuning == self.keeper.plan.reference_tuning
        stops = times >= 2 or (key != "1" and not is_reference)
        self.taker.crashed(run, tuning, cause=_CRASHES[key], repeat=not stops)
        if stops:
            self.shown = Shown("STOP", run=run, crash=_CRASHES[key])
            self._after_step()
            self.news("needs you")
        else:
            self._finish()

    def _in_stop(self, key: str) -> None:
        """Stop a tuning, or say that the cause was another."""
        run = self.shown.run
        tuning = self.evening.rows[run].get("tuning", "")
        if key == "enter" and tuning == self.keeper.plan.reference_tuning:
            self.shown = Shown("END")
        elif key == "enter":
            self.keeper.step("stop", {"tuning": tuning})
            self._finish()
        elif key == "1":
            self.shown = replace(self.shown, typing="cause")
        elif key == "2":
            self.shown = Shown("END")
        elif key == "esc":
            self._undo()

    def _repeat_crashed(self, run: str, text: str) -> None:
        """Repeat a run whose crash had another cause than its tuning."""
        before = self.evening.rows[run].get("note", "")
        cells = {run: {"note": [before, f"{before}; {text}" if before else text]}}
        self.keeper.step("repeat", {"run": run, "cells": cells, "rows": [self.evening.repeat_of(run)]})

    def _in_paused(self, key: str) -> None:
        """Go on after a pause."""
        if key in ("enter", "8"):
            steps = [one for one in self.evening.steps if one["did"] == "pause"]
            long = steps and self.keeper.clock.monotonic() - steps[-1]["mono"] > _COLD_S
            self.keeper.step("go_on")
            if long and self.due:
                self._warm_up()
            self._finish()
        elif key == "4" and self.evening.takes():
            self.shown = Shown("NOTE", run=self.evening.takes()[-1]["run"], typing="note")
        elif key in ("6", "9"):
            self._in_next(key)

    def _warm_up(self) -> None:
        """Add a warm-up run, which does not count, before the run that is due."""
        row = self.evening.repeat_of(self.due[0])
        number = 1
        while f"warm-up {number}" in self.evening.rows:
            number += 1
        row |= {"run": f"warm-up {number}", "purpose": "warm_up", "round": "", "replaces": ""}
        self.keeper.step("warm_up", {"rows": [row]})

    def _in_restarted(self, key: str) -> None:
        """Write down what was restarted or changed."""
        run = self.due[0] if self.due else ""
        game = self.evening.rows[run].get("game", "") if run else ""
        what = _RESTARTS.get(key)
        if what == "game" and run:
            self._restart("game", game=game, cells=self._new_label("launch", run))
        elif what == "machine":
            self._restart("machine", cells=self._new_session())
        elif what in ("card", "update") and run:
            self.shown = Shown(self.shown.state, run=run, typing="card" if what == "card" else "version")
            return
        elif what == "driver":
            self._restart("driver", cells={})
            self.shown = Shown("END", why="driver")
            return
        elif key != "esc":
            return
        self._next()
        if self.evening.is_paused:
            self.shown = Shown("PAUSED", run=self.shown.run)
        self._after_step()

    def _restart(self, what: str, *, cells: dict, game: str = "", card: str = "") -> None:
        """Write a restart down."""
        self.keeper.step("restart", {"what": what, "game": game, "card": card, "cells": cells})

    def _open_cells(self, column: str, like: str, *, text: str) -> dict:
        """Return cells of the open rows of one game."""
        rows, game = self.evening.rows, self.evening.of_game(like)
        return {run: {column: [rows[run].get(column, ""), text]} for run in self.evening.in_order()
                if self.evening.of_game(run) == game}  # fmt: skip

    def _new_label(self, column: str, like: str) -> dict:
        """Return cells that give open rows with the label of one row a new label."""
        rows = self.evening.rows
        label = rows[like].get(column, "")
        number = 2 + sum(one["did"] == "restart" for one in self.evening.steps)
        new = f"{label or rows[like].get('game', '')}, start {number}"
        return {
            run: {column: [rows[run].get(column, ""), new]}
            for run in self.evening.in_order()
            if rows[run].get(column, "") == label and self.evening.of_game(run) == self.evening.of_game(like)
        }

    def _new_session(self) -> dict:
        """Return cells that put all open rows into new sessions."""
        rows, number = self.evening.rows, 2 + sum(one["did"] == "restart" for one in self.evening.steps)
        end = f", restart {number}"
        return {
            run: {"session": [rows[run].get("session", ""), (rows[run].get("session") or "session") + end]}
            | ({"launch": [rows[run]["launch"], rows[run]["launch"] + end]} if rows[run].get("launch") else {})
            for run in self.evening.in_order()
        }

    def _in_all_games(self, key: str) -> None:
        """Drop what can be dropped, or go back."""
        drops = self.forecast.drops
        if key == "1" and drops:
            one = drops[min(self.shown.drop, len(drops) - 1)]
            self.keeper.step("drop", {"runs": list(one.runs), "what": one.what})
            self._finish()
        elif key == "2" and drops:
            self.shown = replace(self.shown, drop=(self.shown.drop + 1) % len(drops))
            self.said = f"{self.shown.drop + 1} of {len(drops)}"
        elif key == "esc":
            self._next()

    def _in_end(self, key: str) -> None:
        """End the evening."""
        if key == "enter" and self.waiting:
            self._in_next("esc")
        elif key == "enter":
            self.keeper.step("close")
            self._after_step()
            self.is_over = True
        elif key in ("7", "0"):
            self._in_next(key)
        elif key == "esc":
            self._next()

    def _answer_question(self, key: str) -> None:
        """Take theirs or the desk's where both changed a cell."""
        one = self.keeper.questions.pop(0)
        if key == "2" and one.column and one.run in self.evening.rows:
            self.keeper.step("answer", {"run": one.run, "cells": {one.run: {one.column: [one.theirs, one.ours]}}})
        elif key == "2" and not one.column:
            removed = [row for line in self.keeper.journal.lines for row in line.get("removed", ())
                       if row["run"] == one.run]  # fmt: skip
            self.keeper.step("answer", {"run": one.run, "rows": removed[-1:]})
        self._finish()


def verdict_of(line: Mapping) -> Verdict:
    """Return what was said of a run when it was taken.

    Parameters
    ----------
    line : of the journal
    """
    kind, says, cause, notes = line.get("verdict", ("fine", "fine", "", ()))
    return Verdict(kind, says, cause, tuple(notes))
