"""A recording into the review: copied, its row filled, classified at once; and the sensor log beside it."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from gpubench_kit.desk.classify import KnownRun, KnownRuns, Verdict, known_run
from gpubench_kit.desk.journal import with_card
from gpubench_kit.desk.keeper import Keeper
from gpubench_kit.desk.recordings import LOOK_S, Recording, Seen, Watch, append_sensors, file_name
from gpubench_kit.logs.format import Declaration, OneClock, RunTask
from gpubench_kit.logs.loose_files import facts_of_log
from gpubench_kit.logs.match_files import declaration_of
from gpubench_kit.logs.one_clock import RunTimes, clock_of_starts
from gpubench_kit.logs.read_frames import FormatMemory
from gpubench_kit.logs.review import open_review
from gpubench_kit.logs.run_log import read_run
from gpubench_kit.model.errors import GpubenchError, LogError
from gpubench_kit.model.plan import PLAN_FILE
from gpubench_kit.model.questions import LogFacts, quoted

#: Waited for a run's last sample, at most [s]; runs that prove a sensor log's clock.
_SENSORS_S, _RUNS_OF_CLOCK = 10.0, 4
#: A file that grows for longer than this many planned lengths is no recording of a run.
_ENDLESS = 2.0
_CLASSIFIED = ("", "measure", "pilot")
#: Keys of a log's first lines that part runs when they change.
_PART = ("version", "driver", "build")
_LOGS = re.compile(r"^\[logs\][^\n]*\n", re.MULTILINE)
_OURS = (ValueError, KeyError, IndexError, ArithmeticError, AttributeError, TypeError)


class Taker:
    """Takes recordings.

    Attributes
    ----------
    keeper, watch, known : everything on the disk, the folders, the runs so far
    began_s : when the desk began, monotonic [s]
    clock_proven : whether the sensor log's clock is proven
    format_to_ask : format that is only likely, or open, and not asked for yet
    """

    def __init__(self, keeper: Keeper, watch: Watch):
        self.keeper, self.watch, self.known = keeper, watch, KnownRuns(keeper)
        self.began_s = keeper.clock.monotonic()
        self.clock_proven = self._has_told_of_clock = False
        self.format_to_ask: LogFacts | None = None
        self._asked: set[str] = set()

    def declared(self, run: str) -> Declaration:
        """Return what the plan declares about the logs of a row's card; of the first card for no run."""
        row = self.keeper.session.rows.get(run, {})
        return declaration_of(self.keeper.plan, with_card(row, self.keeper.plan)["card"])

    def read_missing(self) -> None:
        """Read the recorded runs that are not known yet, and forget those that are no longer recorded."""
        known = self.known
        recorded = {run for run, row in self.keeper.session.rows.items() if row.get("frame_log")}
        known.runs = {run: one for run, one in known.runs.items() if run in recorded}
        missing = recorded - set(known.runs)
        tasks: list[RunTask] = []
        with suppress(GpubenchError):
            if missing:
                tasks = [one for one in open_review(self.keeper.plan, keep_going=True).tasks if one.run in missing]
        for task in tasks:
            with suppress(LogError):
                facts = facts_of_log(Path(task.frame_path or ""), declared=task.declared)
                known.runs[task.run] = self._read(task, facts)
                known.looks_like(known.runs[task.run])

    def _read(self, task: RunTask, facts: LogFacts) -> KnownRun:
        """Return what is kept of a run, and when it began: by its own clock, else as its row says."""
        log = read_run(task)
        if log.frames is None and log.faults:
            raise LogError(log.faults)
        run = known_run(log, self.keeper)
        if run.facts.clock_from != "frame_log":
            run.start_s, run.source = task.started_at_s, "typed"
        run.versions = {
            key.lower(): text for key, text in facts.preamble if any(one in key.lower() for one in _PART)
        }
        run.is_clock_open = bool(task.clock and not task.clock.is_proven)
        return run

    # Sensor logs

    def sort_out(self, seen: Seen, now: float) -> None:
        """Find out whether a file that grows far too long, or was there before, is a sensor log."""
        wanted = self.watch.wanted_s or self.keeper.plan.session_plan.scene_s
        is_endless = now - seen.first_s > _ENDLESS * wanted + 30
        if not seen.kind and (seen.is_before or is_endless):
            kind = facts_of_log(seen.path).kind
            seen.kind = kind if kind in ("sensors", "none") else "frames" if is_endless else ""

    def _sensors_of(self, seen: Seen | None) -> Seen | None:
        """Return the sensor log that belongs to a recording: the one that changed last."""
        near = [one for one in self.watch.files.values()
                if one.kind == "sensors" and (seen is None or one.changed_s >= seen.first_s - LOOK_S)]  # fmt: skip
        return max(near, key=lambda one: one.changed_s, default=None)

    def waits_for_sensors(self, seen: Seen) -> bool:
        """Return whether the last sample of a recording may still come."""
        now, sensors = self.keeper.clock.monotonic(), self._sensors_of(seen)
        if sensors is None or sensors.changed_s >= seen.changed_s + 2 * LOOK_S:
            return False
        is_written = now - sensors.changed_s < max(3.0, 2 * min(sensors.pauses, _SENSORS_S))
        return is_written and now - seen.changed_s < _SENSORS_S

    def _copied_sensors(self, run: str, seen: Seen | None) -> Path | None:
        """Return the copy of the sensor log, brought up to date; one of a run alone is named after the run."""
        sensors = self._sensors_of(seen)
        if sensors is None:
            return None
        is_own = seen and not sensors.is_before and abs(sensors.first_s - seen.first_s) < 30
        is_own = is_own and self.keeper.clock.monotonic() - sensors.changed_s > 3
        stem = run if is_own else self.keeper.session.rows[run].get("session") or "session"
        ending = sensors.path.suffix if sensors.path.suffix.isascii() else ""
        target = self.keeper.folder / "logs" / f"{file_name(stem)}.sensors{ending or '.csv'}"
        return append_sensors(sensors.path, target, self.keeper.disk)

    def _clock(self, task: RunTask) -> OneClock | None:
        """Return the clock of a sensor log that other runs name too; None where it is the run's own."""
        if task.sensor_path is None:
            return None
        if task.declared.same_machine:
            return OneClock(False, why="the plan states that both clocks are one")
        rows, name = self.keeper.session.rows, f"logs/{task.sensor_name}"
        others = [one for one in self.known.runs.values()
                  if one.run != task.run and rows.get(one.run, {}).get("sensor_log") == name]  # fmt: skip
        if not others:
            return None
        try:
            log = FormatMemory().sensor_log(Path(task.sensor_path), name=task.sensor_name, declared=task.declared)
        except LogError:
            return OneClock(False, why="the sensor log cannot be read")
        runs = (*others, self._read(task, LogFacts(Path(), "frames")))
        times = [RunTimes(one.run, one.start_s, one.length_s, one.source) for one in runs]
        return clock_of_starts(times, log, stated_s=task.declared.sensor_offset_s)

    # Recordings

    def is_older(self, one: Recording) -> bool:
        """Return whether a recording began before the run before had ended, by the clock that both have."""
        last = self.known.runs.get(self.keeper.session.last_run)
        if last is None or last.source != one.facts.clock_kind or not math.isfinite(one.facts.started_at_s):
            return False
        early = last.start_s + last.length_s - one.facts.started_at_s
        return 2.0 < early < (43_200 if last.source == "time_of_day" else math.inf)

    def take(self, one: Recording, run: str, *, seen: Seen | None, grown: bool = False,
             sure: bool = False) -> Verdict:  # fmt: skip
        """Take a recording for a run, and classify it.

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
        keeper, plan = self.keeper, self.keeper.plan
        keeper.check_room(2 * len(one.content))
        copy, number, started = f"logs/{file_name(run)}{one.ending}", 2, self._started_at(one, seen)
        while grown and (keeper.folder / copy).exists():
            copy, number = f"logs/{file_name(run)}_{number}{one.ending}", number + 1
        scratch, sensors = keeper.home / f"reading{one.ending}", self._copied_sensors(run, seen)
        task = RunTask(
            run, str(scratch), copy, str(sensors) if sensors else None, sensors.name if sensors else "",
            declared=self.declared(run), gap_ms=plan.checks.gap_ms, align_limit_s=plan.checks.align_s,
            sensor_edge_s=plan.analysis.sensor_edge_s, started_at_s=started.replace(tzinfo=UTC).timestamp(),
            witness=seen.witness if seen else None,
        )  # fmt: skip
        try:
            scratch.write_bytes(one.content)
            verdict = self._classified(task, one.facts, sure=sure)
        finally:
            scratch.unlink(missing_ok=True)
        if verdict.kind != "ask":
            keeper.disk.publish(keeper.folder / copy, one.content)
            cells = {"frame_log": copy, "started_at": started.isoformat(sep=" ")}
            cells |= {"sensor_log": f"logs/{sensors.name}"} if sensors else {}
            self._write(one, run, verdict, cells=cells, seen=seen)
            self._note_format(one.facts, sensors)
        return verdict

    def _classified(self, task: RunTask, facts: LogFacts, *, sure: bool) -> Verdict:
        """Return what is said of a run, and keep it for later ones; a fault of our own never stops the taking."""
        keeper, run = self.keeper, task.run
        session, row = keeper.session, keeper.session.rows[task.run]
        try:
            clock = self._clock(task)
            found = self._read(replace(task, clock=clock), facts)
            self.clock_proven = self.clock_proven or bool(clock and clock.is_proven)
            began = [one for one in session.of("restart") if one.get("game") == row.get("game") != ""]
            is_first = began and not any(one["n"] > began[-1]["n"] for one in session.takes())
            settled = keeper.since(began[-1]) - found.length_s if is_first else None
            is_asked = any(one[0] == run for one in session.questions)
            verdict = Verdict()
            if is_asked:
                verdict = Verdict(
                    "note", "taken; it is classified once it is answered which cell of its row counts"
                )
            elif row.get("purpose", "") in _CLASSIFIED:
                verdict = self.known.classify(found, settled_s=settled)
            if verdict.kind == "ask" and not sure:
                return verdict
            self.known.runs[run] = found
            verdict = Verdict() if verdict.kind == "ask" else verdict
            if found.is_clock_open and not self._has_told_of_clock and not task.declared.same_machine:
                self._has_told_of_clock = True
                n = min(_RUNS_OF_CLOCK - 1, len(session.takes()) + 1)
                note = f"sensor clock not proven yet ({n} of {_RUNS_OF_CLOCK} runs): power is not judged until then"
                verdict = replace(verdict, notes=(*verdict.notes, note))
            return verdict
        except LogError as error:
            if facts.kind == "unclear":
                return Verdict("note", "taken, its frames are not read yet: the format is asked for")
            return Verdict("repeat", f"not readable: {error.faults[0].problem}", "log_gap")
        except _OURS as error:
            keeper.disk.replace(keeper.home / "error.txt", f"{type(error).__name__}: {error}\n".encode())
            return Verdict("note", "taken, not judged (internal error, in desk/error.txt); check will judge it")

    def _write(self, one: Recording, run: str, verdict: Verdict, *, cells: dict[str, str],
               seen: Seen | None) -> None:  # fmt: skip
        """Write the step that takes a recording: cells, verdict, and for a repeat its new row."""
        is_repeat = verdict.kind == "repeat"
        was_repeat = any(
            line["run"] == run and line["verdict"]["kind"] == "repeat" for line in self.keeper.session.takes()
        )
        about: dict = {"file": {**one.file, "copy": cells["frame_log"]}, "verdict": asdict(verdict)}
        if seen and seen.witness:
            ended = self._wall_at(seen.changed_s).isoformat(sep=" ", timespec="seconds")
            about["seen"] = {"length_s": round(seen.witness.seconds, 1), "slack_s": round(seen.witness.slack_s, 1),
                             "ended_at": ended}  # fmt: skip
        if is_repeat or was_repeat:
            cells = {**cells, "excluded": verdict.cause}
        repeat = is_repeat if is_repeat or was_repeat else None
        self.keeper.step("take", run, {run: cells}, repeat=repeat, about=about)

    def to_repeat(self, runs: Sequence[str]) -> tuple[str, Verdict] | None:
        """Return the first of some runs that, looked at again, has to be repeated.

        Parameters
        ----------
        runs : earlier ones, of which more is known by now
        """
        session = self.keeper.session
        settled = {run for run, row in session.rows.items() if row.get("excluded")}
        settled |= {one["run"] for one in session.of("count")}
        for run in (run for run in runs if run in self.known.runs and run not in settled):
            verdict = self.known.classify(self.known.runs[run])
            if verdict.kind == "repeat":
                return run, verdict
        return None

    def open_peers(self, run: str) -> list[str]:
        """Return the runs of a run's game whose tuning could not be held against another yet."""
        new = self.known.runs.get(run)
        return [one.run for one in self.known.used(new.place, but=run) if one.is_open] if new else []

    def crashed(self, run: str, *, cause: str, repeat: bool) -> None:
        """Write a crash down, with what was recorded of it.

        Parameters
        ----------
        run : that crashed
        cause : in words
        repeat : whether a row repeats it
        """
        session, keeper, seen = self.keeper.session, self.keeper, self.watch.growing()
        cells = {"excluded": "crash", **keeper.with_note(run, cause)}
        about: dict = {"tuning": session.tuning(run), "message": cause}
        if seen and not session.rows[run].get("frame_log"):
            content = seen.path.read_bytes()
            one = Recording(seen.path, content, 0, len(content), LogFacts(seen.path, "frames"))
            cells["frame_log"] = f"logs/{file_name(run)}{one.ending}"
            keeper.disk.publish(keeper.folder / cells["frame_log"], content)
            about["file"] = {**one.file, "copy": cells["frame_log"]}
            seen.taken_size = seen.size
        keeper.step("crash", run, {run: cells}, repeat=repeat, about=about)

    def _started_at(self, one: Recording, seen: Seen | None) -> datetime:
        """Return when a run began: by its own clock, else as it was seen."""
        facts, wall = one.facts, self.keeper.clock.now()
        stamp = facts.started_at_s if math.isfinite(facts.started_at_s) else None
        if facts.clock_kind in ("dated", "zoned") and stamp is not None:
            began = datetime.fromtimestamp(stamp, UTC).replace(tzinfo=None)
        elif facts.clock_kind == "time_of_day" and stamp is not None:
            began = datetime.combine(wall, datetime.min.time()) + timedelta(seconds=stamp)
            began -= timedelta(days=int(began > wall + timedelta(minutes=1)))
        else:
            length = facts.length_s if math.isfinite(facts.length_s) else 0.0
            ended = self._wall_at(seen.changed_s) if seen and seen.changed_s > self.began_s else wall
            began = ended - timedelta(seconds=length)
        return began.replace(microsecond=0)

    def _wall_at(self, seconds: float) -> datetime:
        """Return the time of the wall at a monotonic time."""
        return self.keeper.clock.now() - timedelta(seconds=self.keeper.clock.monotonic() - seconds)

    # Formats

    def _note_format(self, facts: LogFacts, sensors: Path | None) -> None:
        """Note a format that is only likely, or open, so that it is asked for once."""
        last, lines = self.keeper.session.last_run, self.keeper.journal.lines
        asked = {line["id"] for line in lines if line["did"] == "format"} | self._asked
        # The length that was seen may have settled what the log alone leaves open.
        every = [] if facts.kind == "unclear" and last in self.known.runs else [facts]
        if sensors and not self._asked:
            every.append(facts_of_log(sensors, declared=self.declared(last)))
        self.format_to_ask = next((one for one in every if (one.paste or one.sources) and one.format_id not in asked
                                   and one.certainty in ("likely", "open")), None)  # fmt: skip

    def answer_format(self, answer: str) -> None:
        """Write down whether a format is read rightly; what confirms it goes into the plan.

        Parameters
        ----------
        answer : ``yes``, ``no``, ``later``, or the program whose frames count
        """
        facts, self.format_to_ask, keeper = self.format_to_ask, None, self.keeper
        if facts is None:
            return
        self._asked.add(facts.format_id)
        if answer == "later":
            return
        if answer != "no":
            file, row = keeper.folder / PLAN_FILE, keeper.session.rows[keeper.session.last_run]
            text = file.read_bytes().decode().rstrip() + "\n"
            if facts.sources:
                line = f"count_only = {{ {quoted(facts.sources[0])} = [{quoted(answer)}] }}\n"
                text = text if _LOGS.search(text) else f"{text}\n[logs]\n"
                text = _LOGS.sub(lambda head: head[0] + line, text, count=1)
            else:
                text += "\n" + facts.entry(with_card(row, keeper.plan)["card"])
            keeper.disk.replace(file, text.encode())
            keeper.reload_plan()
            self.read_missing()
        keeper.step("format", about={"id": facts.format_id, "answer": answer})
