"""A recording into the review: copied, its row filled, judged at once; and the sensor log beside it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from gpubench_kit.desk.evening import Evening
from gpubench_kit.desk.judge import Judged, Verdict, judged_of
from gpubench_kit.desk.keeping import Keeper
from gpubench_kit.desk.recordings import Recording, append_sensors, file_name
from gpubench_kit.desk.watch import LOOK_S, Seen, Watch, witness_of
from gpubench_kit.logs.busy_stretches import SIGNALS, OneClock, find_one_clock
from gpubench_kit.logs.format import Declaration, RunTask
from gpubench_kit.logs.loose_files import facts_of_log
from gpubench_kit.logs.match_files import declaration_of
from gpubench_kit.logs.read_frames import FormatMemory, read_frame_log
from gpubench_kit.logs.review import open_review
from gpubench_kit.logs.run_log import start_of
from gpubench_kit.model.errors import GpubenchError, LogError
from gpubench_kit.model.plan import PLAN_FILE
from gpubench_kit.model.questions import LogFacts

#: Waited for a run's last sample, at most; runs that prove a sensor log's clock [s].
_SENSORS_S, _RUNS_OF_CLOCK = 10.0, 4
#: A file that grows for longer than this many planned lengths is no recording of a run.
_ENDLESS = 2.0
_TIMED = ("measure", "pilot")


@dataclass
class Taker:
    """Takes recordings.

    Attributes
    ----------
    keeper : everything on the disk
    watch : the folders
    format_to_ask : format that is only likely, and not asked for yet
    began_s : when the desk began, monotonic [s]
    seen_at : when the recording that grows was seen
    clock_proven : whether the sensor log's clock is proven
    """

    keeper: Keeper
    watch: Watch
    format_to_ask: LogFacts | None = None
    began_s: float = 0.0
    seen_at: datetime | None = None
    clock_proven: bool = False
    _asked: set[str] = field(default_factory=set)
    _told_of_clock: bool = False

    @property
    def evening(self) -> Evening:
        """What the journal says."""
        return self.keeper.evening

    def declared(self, row: Mapping[str, str]) -> Declaration:
        """Return what the plan declares about the logs of a row's card."""
        return declaration_of(self.keeper.plan, row.get("card") or self.keeper.plan.cards[0].name)

    def read_missing(self) -> None:
        """Read the recorded runs that are not judged yet: those of before, or after what was kept is lost."""
        judge, evening = self.keeper.judge, self.evening
        recorded = [run for run in evening.rows if evening.rows[run].get("frame_log")]
        for run in set(judge.runs) - set(recorded):
            del judge.runs[run]
        if not set(recorded) - set(judge.runs):
            return
        try:
            tasks = open_review(self.keeper.plan, keep_going=True).tasks
        except GpubenchError:
            return
        for task in tasks:
            if task.run not in judge.runs and task.run in evening.rows:
                judge.runs[task.run] = judged_of(task, self._row(task.run), self.keeper.plan)[0]
                self.left_out(task.run, is_out=bool(evening.rows[task.run].get("excluded")))

    def forget(self, run: str) -> None:
        """Forget what was judged of a run."""
        self.keeper.judge.runs.pop(run, None)

    def left_out(self, run: str, *, is_out: bool) -> None:
        """Keep that a run is left out, so that others are not held against it."""
        if run in self.keeper.judge.runs:
            self.keeper.judge.runs[run].is_left_out = is_out

    def _row(self, run: str) -> dict[str, str]:
        """Return the cells of a row, with its card's name."""
        row = dict(self.evening.rows[run])
        return row | {"card": row.get("card") or self.keeper.plan.cards[0].name}

    # Sensor logs

    def keep_sensors(self, seen: Seen) -> None:
        """Remember that a file is a sensor log."""
        seen.kind = "sensors"

    def sort_out(self, seen: Seen, now: float) -> None:
        """Find out whether a file that grows far too long, or was there before, is a sensor log."""
        wanted = self.watch.wanted_s or self.keeper.plan.session_plan.scene_s
        is_endless = now - seen.first_s > _ENDLESS * wanted + 30
        if not seen.kind and (seen.is_before or is_endless):
            seen.kind = facts_of_log(seen.path).kind
            if seen.kind not in ("sensors", "none"):
                seen.kind = "" if seen.is_before and not is_endless else "frames"

    def _sensors_of(self, seen: Seen | None) -> Seen | None:
        """Return the sensor log that belongs to a recording: the one that changed last."""
        logs = [one for one in self.watch.files.values() if one.kind == "sensors"]
        near = [one for one in logs if seen is None or one.changed_s >= seen.first_s - LOOK_S]
        return max(near, key=lambda one: one.changed_s, default=None)

    def waits_for_sensors(self, seen: Seen) -> bool:
        """Return whether the last sample of a recording may still come.

        Parameters
        ----------
        seen : what was seen of its file
        """
        now, sensors = self.keeper.clock.monotonic(), self._sensors_of(seen)
        if sensors is None or sensors.changed_s >= seen.changed_s + 2 * LOOK_S:
            return False
        is_written = now - sensors.changed_s < max(3.0, 2 * min(sensors.pauses, _SENSORS_S))
        return is_written and now - seen.changed_s < _SENSORS_S

    def _copied_sensors(self, sensors: Seen, run: str, seen: Seen | None) -> Path | None:
        """Return the copy of a sensor log, brought up to date; one of a run alone is named after the run."""
        session = self.evening.rows[run].get("session") or "session"
        is_own = seen is not None and not sensors.is_before and abs(sensors.first_s - seen.first_s) < 30
        is_own = is_own and self.keeper.clock.monotonic() - sensors.changed_s > 3
        stem = file_name(run if is_own else session)
        ending = sensors.path.suffix if sensors.path.suffix.isascii() else ".csv"
        target = self.keeper.folder / "logs" / f"{stem}.sensors{ending or '.csv'}"
        return append_sensors(sensors.path, target, self.keeper.disk)

    def _clock(self, task: RunTask, memory: FormatMemory) -> tuple[OneClock | None, float, str]:
        """Return the clock of a sensor log that many runs name, and the run's start and where it is from."""
        frame_log = read_frame_log(
            Path(task.frame_path), name=task.frame_name, declared=task.declared, memory=memory
        )
        start_s, source = start_of(frame_log, task.started_at_s)
        if task.sensor_path is None or task.declared.sensor_offset_s is not None:
            return None, start_s, source
        if task.declared.same_machine:
            return OneClock(False, why="the plan states that both clocks are one"), start_s, source
        shared = {
            run for run, row in self.evening.rows.items() if row.get("sensor_log") == f"logs/{task.sensor_name}"
        }
        runs = self.keeper.judge.runs.values()
        others = [one for one in runs if one.run in shared - {task.run} and one.clock_kind == source]
        others = [one for one in others if math.isfinite(one.start_s)]
        if not others:
            return None, start_s, source
        sensor_log = memory.sensor_log(Path(task.sensor_path), name=task.sensor_name, declared=task.declared)
        signal = next((sensor_log.values[name] for name, *_ in SIGNALS if name in sensor_log.values), None)
        if signal is None or not math.isfinite(start_s):
            return OneClock(False, why="no load and no power, or no start"), start_s, source
        starts = np.array([*(one.start_s for one in others), start_s])
        lengths = np.array([*(one.length_s for one in others), frame_log.frames.end_s])
        time_s = (sensor_log.clock or 0.0) + sensor_log.time_s
        clock = find_one_clock(starts, lengths, time_s=time_s, signal=signal)
        return replace(clock, source=source), start_s, source

    # Recordings

    def is_older(self, one: Recording) -> bool:
        """Return whether a recording began before the run before had ended."""
        takes, judged = self.evening.takes(), self.keeper.judge.runs
        last = judged.get(takes[-1]["run"]) if takes else None
        if last is None or last.clock_kind != one.facts.clock_kind or not math.isfinite(one.facts.started_at_s):
            return False
        early = last.start_s + last.length_s - one.facts.started_at_s
        return 2.0 < early < (43_200 if last.clock_kind == "time_of_day" else math.inf)

    def take(
        self, one: Recording, run: str, *, seen: Seen | None, grown: bool = False, sure: bool = False
    ) -> Verdict:
        """Take a recording for a run, and judge it.

        Parameters
        ----------
        one : the recording
        run : its row
        seen : what was seen of its file; None where it was not seen to grow
        grown : whether the run was taken before and its file grew
        sure : whether the reviewer said that it is this run

        Returns
        -------
        Verdict; one of kind ``ask`` took nothing

        Raises
        ------
        DiskFull : there is too little room
        NameTaken : another log has its name
        OSError : it cannot be read or written
        """
        keeper, sensors = self.keeper, self._sensors_of(seen)
        keeper.check_room(2 * len(one.content))
        copy = self._free_name(f"logs/{file_name(run)}{one.ending}", grown=grown)
        scratch = keeper.home / f"reading{one.ending}"
        scratch.write_bytes(one.content)
        sensor_copy = self._copied_sensors(sensors, run, seen) if sensors else None
        started = self._started_at(one, seen)
        task = self._task(run, scratch, copy, sensor_copy, started=started, seen=seen)
        try:
            verdict, judged = self._judged(task, run, sure=sure)
        finally:
            scratch.unlink(missing_ok=True)
        if verdict.kind == "ask":
            return verdict
        keeper.disk.publish(keeper.folder / copy, one.content)
        sensor_cell = f"logs/{sensor_copy.name}" if sensor_copy else ""
        wanted = {"frame_log": copy, "sensor_log": sensor_cell, "started_at": started.isoformat(sep=" ")}
        self._write(one, run, verdict, wanted=wanted, seen=seen)
        if judged:
            judged.is_left_out = verdict.kind == "repeat"
            keeper.judge.runs[run] = judged
        self._ask_for_format(one.facts, sensor_copy)
        return verdict

    def _free_name(self, name: str, *, grown: bool) -> str:
        """Return the name of a copy; that of a file that grew has another one than the part taken before."""
        stem, dot, ending = name.partition(".")
        number = 2
        while grown and (self.keeper.folder / name).exists():
            name, number = f"{stem}_{number}{dot}{ending}", number + 1
        return name

    def _task(
        self, run: str, log: Path, copy: str, sensors: Path | None, *, started: datetime, seen: Seen | None
    ) -> RunTask:
        """Return what is needed to read a recording."""
        plan, row = self.keeper.plan, self._row(run)
        return RunTask(
            run, str(log), copy, str(sensors) if sensors else None, sensors.name if sensors else "",
            declared=self.declared(row), gap_ms=plan.checks.gap_ms, line_up_s=plan.checks.line_up_s,
            sensor_edge_s=plan.analysis.sensor_edge_s, started_at_s=started.replace(tzinfo=UTC).timestamp(),
            witness=witness_of(seen),
        )  # fmt: skip

    def _judged(self, task: RunTask, run: str, *, sure: bool) -> tuple[Verdict, Judged | None]:
        """Return what is said of a run; a fault of our own never stops the taking."""
        keeper, row = self.keeper, self._row(run)
        game = next((one for one in keeper.plan.games if one.name == row.get("game")), None)
        try:
            memory = FormatMemory()
            clock, start_s, source = self._clock(task, memory)
            judged, log = judged_of(replace(task, clock=clock), row, keeper.plan)
            judged.start_s, judged.clock_kind = start_s, source
            self.clock_proven = bool(clock and clock.is_proven) or self.clock_proven
            if log.frames is None:
                return Verdict("repeat", f"not readable: {log.faults[0].problem}", "log_gap"), judged
            if row.get("purpose", "measure") not in ("", *_TIMED):
                return Verdict(), judged
            began = self.evening.started.pop(row.get("game", ""), None)
            settled = None if began is None else keeper.clock.monotonic() - judged.length_s - began
            verdict = keeper.judge.verdict(judged, ends=game.ends if game else "time", settled_s=settled)
            if sure and verdict.kind == "ask":
                verdict = Verdict()
            if (
                clock
                and task.sensor_path
                and not clock.is_proven
                and not self._told_of_clock
                and not task.declared.same_machine
            ):
                self._told_of_clock = True
                n = min(_RUNS_OF_CLOCK - 1, len(self.evening.takes()) + 1)
                note = f"sensor clock not proven yet ({n} of {_RUNS_OF_CLOCK} runs): power is not judged until then"
                verdict = replace(verdict, notes=(*verdict.notes, note))
            return verdict, judged
        except LogError as error:
            return Verdict("repeat", f"not readable: {error.faults[0].problem}", "log_gap"), None
        except (ValueError, KeyError, IndexError, ArithmeticError, AttributeError, TypeError) as error:
            report = f"{type(error).__name__}: {error}\n"
            keeper.disk.replace(keeper.home / "error.txt", report.encode())
            says = "taken, not judged (internal error, in desk/error.txt); check will judge it"
            return Verdict("note", says), None

    def _write(
        self, one: Recording, run: str, verdict: Verdict, *, wanted: dict[str, str], seen: Seen | None
    ) -> None:
        """Write the step that takes a recording: cells, verdict, and for a repeat its new row."""
        evening, row = self.evening, self.evening.rows[run]
        open_repeat = [name for name, cells in evening.rows.items()
                       if cells.get("replaces") == run and not evening.is_recorded(name)]  # fmt: skip
        was_ours = any(line["run"] == run and line["verdict"][0] == "repeat" for line in evening.takes())
        if verdict.kind == "repeat":
            wanted["excluded"] = verdict.cause
        elif was_ours:
            wanted["excluded"] = ""
        cells = {name: [row.get(name, ""), text] for name, text in wanted.items()
                 if text != row.get(name, "") and (text or name == "excluded")}  # fmt: skip
        rows = [evening.repeat_of(run)] if verdict.kind == "repeat" and not open_repeat else []
        gone = open_repeat if verdict.kind != "repeat" and was_ours else []
        file = {"source": str(one.source), "hash": one.hash, "from": one.start, "to": one.stop,
                "copy": wanted["frame_log"]}  # fmt: skip
        witness = witness_of(seen)
        about = {} if witness is None else {
            "seen": {"length_s": round(witness.seconds, 1), "slack_s": round(witness.slack_s, 1),
                     "ended_at": self._wall_at(seen.changed_s).isoformat(sep=" ", timespec="seconds")}}  # fmt: skip
        said = [verdict.kind, verdict.says, verdict.cause, list(verdict.notes)]
        removed = [dict(evening.rows[name]) for name in gone]
        self.keeper.step(
            "take",
            {
                "run": run,
                "file": file,
                "cells": {run: cells},
                "rows": rows,
                "gone": gone,
                "removed": removed,
                "verdict": said,
                **about,
            },
        )

    def rejudged(self, run: str) -> tuple[str, Verdict] | None:
        """Return an earlier run of the game whose tuning is now seen to be lost."""
        judge = self.keeper.judge
        new = judge.runs.get(run)
        for one in judge.peers(new, same_tuning=False) if new else ():
            if one.is_open and (like := judge.looks_like(one)):
                lost = like == self.keeper.plan.reference_tuning
                return one.run, Verdict("repeat", f"power and clock look like {like}: {one.tuning} was not on",
                                        "tuning_lost" if lost else "wrong_settings")  # fmt: skip
        return None

    def crashed(self, run: str, tuning: str, *, cause: str, repeat: bool) -> None:
        """Write a crash down, with what was recorded of it.

        Parameters
        ----------
        run, tuning : that crashed
        cause : in words
        repeat : whether a row repeats it
        """
        evening, keeper = self.evening, self.keeper
        row = evening.rows[run]
        cells = {"excluded": [row.get("excluded", ""), "crash"]}
        note = row.get("note", "")
        cells["note"] = [note, f"{note}; {cause}" if note else cause]
        about: dict = {}
        seen = self.watch.growing()
        if seen and not row.get("frame_log"):
            content = seen.path.read_bytes()
            one = Recording(seen.path, content, 0, len(content), LogFacts(seen.path, "frames"))
            copy = f"logs/{file_name(run)}{one.ending}"
            keeper.disk.publish(keeper.folder / copy, content)
            cells["frame_log"] = ["", copy]
            about["file"] = {
                "source": str(seen.path),
                "hash": one.hash,
                "from": 0,
                "to": len(content),
                "copy": copy,
            }
            seen.taken_size = seen.size
        has_repeat = any(cells_of.get("replaces") == run for cells_of in evening.rows.values())
        rows = [evening.repeat_of(run)] if repeat and not has_repeat else []
        gone = [name for name, other in evening.rows.items()
                if not repeat and other.get("replaces") == run and not evening.is_recorded(name)]  # fmt: skip
        removed = [dict(evening.rows[name]) for name in gone]
        keeper.step(
            "crash",
            {
                "run": run,
                "tuning": tuning,
                "says": cause,
                "cells": {run: cells},
                "rows": rows,
                "gone": gone,
                "removed": removed,
                **about,
            },
        )
        self.left_out(run, is_out=True)

    def _started_at(self, one: Recording, seen: Seen | None) -> datetime:
        """Return when a run began: by its own clock, else as it was seen."""
        facts, wall = one.facts, self.keeper.clock.now()
        if facts.clock_kind in ("dated", "zoned") and math.isfinite(facts.started_at_s):
            return datetime.fromtimestamp(facts.started_at_s, UTC).replace(tzinfo=None, microsecond=0)
        if facts.clock_kind == "time_of_day" and math.isfinite(facts.started_at_s):
            day = wall.replace(hour=0, minute=0, second=0, microsecond=0)
            began = day + timedelta(seconds=facts.started_at_s)
            return (began if began <= wall + timedelta(minutes=1) else began - timedelta(days=1)).replace(
                microsecond=0
            )
        length = facts.length_s if math.isfinite(facts.length_s) else 0.0
        ended = self._wall_at(seen.changed_s) if seen and seen.changed_s > self.began_s else wall
        return (ended - timedelta(seconds=length)).replace(microsecond=0)

    def _wall_at(self, seconds: float) -> datetime:
        """Return the time of the wall at a monotonic time."""
        return self.keeper.clock.now() - timedelta(seconds=self.keeper.clock.monotonic() - seconds)

    # Formats

    def _ask_for_format(self, facts: LogFacts, sensors: Path | None) -> None:
        """Note a format that is only likely, so that it is asked for once."""
        row = self.evening.rows[self.evening.takes()[-1]["run"]]
        known = {line["id"] for line in self.keeper.journal.lines if line["did"] == "format"} | self._asked
        every = [
            facts,
            *([facts_of_log(sensors, declared=self.declared(row))] if sensors and not self._asked else []),
        ]
        self.format_to_ask = next((one for one in every if one.paste and one.certainty == "likely"
                                   and one.format_id not in known), None)  # fmt: skip

    def answer_format(self, answer: str) -> None:
        """Write down whether a format is read rightly; ``yes`` adds its entry to the plan.

        Parameters
        ----------
        answer : ``yes``, ``no`` or ``later``
        """
        one, self.format_to_ask = self.format_to_ask, None
        if one is None:
            return
        self._asked.add(one.format_id)
        if answer == "later":
            return
        keeper = self.keeper
        if answer == "yes":
            card = self._row(self.evening.takes()[-1]["run"])["card"]
            file = keeper.folder / PLAN_FILE
            text = file.read_bytes().rstrip(b"\n") + b"\n\n" + one.entry(card).encode()
            keeper.disk.replace(file, text)
            keeper.reload_plan()
        keeper.step("format", {"id": one.format_id, "answer": answer})
