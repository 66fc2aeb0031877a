"""Files that belong to no run yet: what they tell of themselves, and which row of the sheet they could be of."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from gpubench_kit.logs.clock import clock_of_sample
from gpubench_kit.logs.format import (
    Certainty,
    ColumnChoice,
    Declaration,
    LogFormat,
    format_id_of,
    seen_in,
)
from gpubench_kit.logs.log_table import LogTable
from gpubench_kit.logs.read_frames import read_frames
from gpubench_kit.logs.read_samples import read_samples
from gpubench_kit.logs.sniff_frames import sniff_frames
from gpubench_kit.logs.sniff_sensors import sniff_sensors
from gpubench_kit.logs.sources import WhichProgram
from gpubench_kit.logs.text_table import open_table, rows_of
from gpubench_kit.model.errors import LogError
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.questions import LogFacts, quoted
from gpubench_kit.sheet.log_names import ByNames, NamedRow, logs_by_names, parts_of
from gpubench_kit.sheet.recordings import stem_of

#: A line above the heading with a key and a value.
_KEY_AND_VALUE = re.compile(r"\s*#*\s*([^:=,;\t]{1,40}?)\s*[:=,;\t]\s*(\S.{0,80}?)\s*")

#: Lines above the heading that are searched.
_MOST_LINES = 40


def facts_of_log(path: Path, *, name: str = "", declared: Declaration | None = None) -> LogFacts:
    """Return what a file tells of itself; a file that is no log, or cannot be read, says so.

    Parameters
    ----------
    path : the file
    name : what to call it in messages; the file's own name where not given
    declared : what a plan declares and confirms

    Returns
    -------
    LogFacts; nothing is raised for what the file holds
    """
    declared = declared or Declaration()
    about: dict[str, Any] = {"path": path, "file_time_s": _file_time_s(path)}
    try:
        table = open_table(path, name=name)
    except LogError as error:
        return LogFacts(kind="none", fault=str(error), **about)
    above = table.text[: table.dialect.first_row][:20_000].decode("utf-8", "replace").splitlines()
    lines = (line for line in above[:_MOST_LINES] if line not in (table.dialect.heading, table.dialect.units_line))
    parts = (_KEY_AND_VALUE.fullmatch(line) for line in lines)
    preamble = tuple((part[1].strip(), part[2].strip()) for part in parts if part)
    about |= {
        "sha256": table.sha256, "format_id": format_id_of(table), "seen": seen_in(table),
        "preamble": preamble,
    }  # fmt: skip
    try:
        log_format = sniff_frames(table, declared)
    except LogError as error:
        return _of_sensors(table, declared, about) or LogFacts(kind="none", fault=str(error), **about)
    if log_format.fault is None:
        return _of_frames(table, log_format, about)
    sensors = _of_sensors(table, declared, about)
    if sensors is not None:
        has_sensors = any(role in METRICS for role, *_ in sensors.columns)
        if has_sensors or log_format.kind == "none":
            return sensors
    kind = "sampled" if log_format.kind == "sampled" else "none" if log_format.kind == "none" else "unclear"
    fault = str(log_format.fault) if kind in ("sampled", "none") else ""
    questions = () if fault else (str(log_format.fault),)
    paste = f"frames = {log_format.paste}" if log_format.paste else ""
    certainty = Certainty.OPEN.word
    sources = log_format.fault.sources if isinstance(log_format.fault, WhichProgram) else ()
    return LogFacts(
        kind=kind, certainty=certainty, questions=questions, paste=paste, fault=fault, sources=sources, **about
    )


def _file_time_s(path: Path) -> float:
    """Return when a file was last written, by the clock of the wall [s]; nan where unknown."""
    try:
        return datetime.fromtimestamp(path.stat().st_mtime).replace(tzinfo=UTC).timestamp()
    except (OSError, ValueError, OverflowError):
        return float("nan")


def _of_frames(table: LogTable, log_format: LogFormat, about: dict[str, Any]) -> LogFacts:
    """Return the facts of a frame log."""
    try:
        log = read_frames(table, log_format, with_sensors=False)
    except LogError as error:
        return LogFacts(kind="none", fault=str(error), **about)
    frame_ms = log.frames.frame_ms
    likely = ("format_likely", "sensor_likely")
    questions = tuple(one.message for one in log_format.findings if one.check in likely)
    frames = f"frames = {log_format.paste}" if log_format.paste else ""
    return LogFacts(
        kind="frames",
        started_at_s=float("nan") if log.clock is None else log.clock,
        clock_kind=log.clock_kind,
        length_s=log.frames.end_s,
        mean_fps=1000.0 * frame_ms.size / float(frame_ms.sum()),
        certainty=log_format.certainty.word,
        columns=_columns(log_format),
        questions=questions,
        paste="\n".join(filter(None, (frames, _paste_of_sensors(table, log_format.sensors)))),
        **about,
    )


def _of_sensors(table: LogTable, declared: Declaration, about: dict[str, Any]) -> LogFacts | None:
    """Return the facts of a sensor log; None where it has no time of samples."""
    try:
        rows = rows_of(table)
        columns = sniff_sensors(rows, declared)
    except LogError:
        return None
    try:
        length_s = float(read_samples(rows, columns, Declaration()).time_s[-1])
    except LogError:
        length_s = float("nan")
    clock = clock_of_sample(table, columns.clock, date_order=declared.date_order) if columns.clock else None
    clock = None if columns.begins_at_zero else clock
    asked = tuple(one.message for one in columns.findings if one.check in ("sensor_likely", "sensors_unclear"))
    return LogFacts(
        kind="sensors",
        started_at_s=float("nan") if clock is None else clock.start_s,
        clock_kind="" if clock is None else clock.kind,
        length_s=length_s,
        certainty=min((one.certainty for one in columns.sensors), default=Certainty.OPEN).word,
        columns=_columns(columns),
        questions=asked,
        paste=_paste_of_sensors(table, columns.sensors),
        **about,
    )


def _paste_of_sensors(table: LogTable, sensors: tuple[ColumnChoice, ...]) -> str:
    """Return the line that confirms the sensors that are only likely; empty where none is."""
    pairs = ", ".join(
        f"{one.role} = {{ column = {quoted(table.key(one.column))}, unit = {quoted(one.unit)} }}"
        for one in sensors
        if one.certainty == Certainty.LIKELY
    )
    return f"sensors = {{ {pairs} }}" if pairs else ""


def _columns(found: LogFormat) -> tuple[tuple[str, str, str, str], ...]:
    """Return role, heading, unit and certainty of each column."""
    return tuple(
        (one.role, one.label.removeprefix("column ").strip("'"), one.unit, one.certainty.word)
        for one in found.choices
    )


#: A typed start and a log's clock belong together when they are this close [s].
_NEAR_S = 120.0

#: A log is closed at most so long after the start of its run [s].
_LONGEST_RUN_S = 1800.0

#: Files that were copied have times closer together than runs can be [s].
_COPIED_S = 5.0


@dataclass(frozen=True)
class _Loose:
    """A file that no row names: its name, kind (``frames`` or ``sensors``), clock of its first row, file time."""

    name: str
    kind: str
    clock_s: float
    closed_s: float


@dataclass(frozen=True)
class Guess:
    """The logs guessed for a run, empty where there is none, and the evidence."""

    run: str
    frame_log: str = ""
    sensor_log: str = ""
    why: str = ""

    def finding(self) -> Finding:
        """Return the guess in words, with what would pin it."""
        logs = " and ".join(f"'{name}'" for name in (self.frame_log, self.sensor_log) if name)
        message = f"run '{self.run}': the sheet names no log; {logs} was taken {self.why}."
        action = "Look whether that is right, and write the names into the run sheet."
        return Finding("note", "log_guessed", message, run=self.run, action=action)


@dataclass(frozen=True)
class Guesses:
    """What was guessed, and what was left open because it was ambiguous."""

    of_runs: list[Guess] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


def guess_logs(
    rows: Sequence[NamedRow], files: Sequence[Path], root: Path, *, declared: Declaration, by_sequence: bool = True
) -> Guesses:
    """Guess which files are the logs of which rows.

    Parameters
    ----------
    rows : rows of the run sheet without a log
    files : files that no row names
    root : the review folder, for names
    declared : what the plan declares about logs
    by_sequence : whether the sequence may tell; not where other rows name their logs, as a stray log would slip in

    Returns
    -------
    Guesses, one for each row that got a log. Typed starts go first, against the clocks in the logs, else against
    file times; then games, tunings and rounds that the names speak of; where there are none, rows in their order
    and logs in that of their clocks, file times or numbers belong together if there are as many of each. The
    alphabet tells nothing, and a log whose name speaks of another game or tuning is never taken. What is ambiguous
    is not guessed; a finding asks for the names.
    """
    loose = [_kind_of(path, root, declared) for path in files]
    frames = [one for one in loose if one.kind == "frames"]
    sensors = [one for one in loose if one.kind == "sensors"]
    if not rows or not frames:
        return Guesses()
    by_names = logs_by_names(rows, [one.name for one in frames])
    found, doubt = _by_clock(rows, frames)
    if not found and not doubt:
        found, doubt = _by_file_time(rows, frames)
    if not found and not doubt and by_names.speak:
        found, doubt = _by_words(by_names, frames)
    elif not found and not doubt and by_sequence:
        found, doubt = _by_sequence(rows, frames)
    found, doubt = _without_contradictions(found, rows, by_names, doubt=doubt)
    partners = _sensors_for([log for log, _ in found.values()], sensors)
    guesses = [
        Guess(row.run, found[row.run][0].name, partners.get(found[row.run][0].name, ""), found[row.run][1])
        for row in rows
        if row.run in found
    ]
    is_open = len(guesses) < min(len(rows), len(frames)) and (doubt or by_sequence)
    return Guesses(guesses, [_not_matched(len(rows), len(frames), doubt)] if is_open else [])


def _by_words(by_names: ByNames, frames: list[_Loose]) -> tuple[dict[str, tuple[_Loose, str]], str]:
    """Return the logs whose names speak of a row's game, tuning and round."""
    of_name = {one.name: one for one in frames}
    why = "by the game, tuning and number in its name"
    found = {run: (of_name[name], why) for run, name in by_names.logs.items()}
    return found, "" if found else "their names speak of games and tunings, but not of one log for each row"


def _without_contradictions(
    found: dict[str, tuple[_Loose, str]], rows: Sequence[NamedRow], by_names: ByNames, *, doubt: str
) -> tuple[dict[str, tuple[_Loose, str]], str]:
    """Return logs without those whose names speak of another game or tuning than their row."""
    of_run = {row.run: row for row in rows}
    wrong = [run for run, (log, _) in found.items() if by_names.contradict(of_run[run], log.name)]
    if not wrong:
        return found, doubt
    kept = {run: one for run, one in found.items() if run not in wrong}
    return kept, f"the name of '{found[wrong[0]][0].name}' speaks of another game or tuning than run '{wrong[0]}'"


def _not_matched(n_rows: int, n_logs: int, doubt: str) -> Finding:
    """Return the finding that asks for names where rows and logs could not be matched."""
    message = (
        f"{n_rows} rows of the run sheet name no log, and {n_logs} frame logs are named by no row; not all of "
        f"them were matched, since {doubt or 'neither times nor the number of logs tell which belongs to which'}."
    )
    action = (
        "Write the names into the column frame_log, or their pattern into the plan, for example: "
        '[logs] pattern = "{game}_{tuning}_{round}.csv"'
    )
    return Finding("note", "logs_not_matched", message, found=float(n_logs), limit=float(n_rows), action=action)


def _kind_of(path: Path, root: Path, declared: Declaration) -> _Loose:
    """Return what a file is, from its first rows."""
    name, closed_s = (
        path.relative_to(root).as_posix(),
        datetime.fromtimestamp(path.stat().st_mtime).replace(tzinfo=UTC).timestamp(),
    )
    facts = facts_of_log(path, name=name, declared=declared)
    kind = facts.kind if facts.kind in ("frames", "sensors") else ""
    has_date = facts.clock_kind in ("zoned", "dated")
    return _Loose(name, kind, facts.started_at_s if has_date else np.nan, closed_s)


def _by_clock(rows: Sequence[NamedRow], frames: list[_Loose]) -> tuple[dict[str, tuple[_Loose, str]], str]:
    """Return the log whose clock is near each typed start, if no other start or log could be meant."""
    started = [row for row in rows if np.isfinite(row.started_at_s)]
    clocked = [one for one in frames if np.isfinite(one.clock_s)]
    apart = np.array([[abs(row.started_at_s - one.clock_s) for one in clocked] for row in started])
    is_near = apart.reshape(len(started), len(clocked)) <= _NEAR_S
    if not is_near.any():
        return {}, ""
    found = {}
    for place, log in _in_pairs(is_near, [row.started_at_s for row in started], [one.clock_s for one in clocked]):
        row, one = started[place], clocked[log]
        times = f"starts at {_time(one.clock_s)}, the run at {_time(row.started_at_s)}"
        found[row.run] = one, f"by its clock and the start typed in the sheet (it {times})"
    return found, "" if found else "several clocks are near the same typed start"


def _in_pairs(is_near: np.ndarray, starts: list[float], clocks: list[float]) -> list[tuple[int, int]]:
    """Return pairs of rows and logs that only have each other; in their order where all of them are near."""
    if is_near.shape[0] == is_near.shape[1]:
        pairs = list(zip(np.argsort(starts, kind="stable"), np.argsort(clocks, kind="stable"), strict=True))
        if all(is_near[row, log] for row, log in pairs) and len(set(starts)) == len(starts):
            return [(int(row), int(log)) for row, log in pairs]
    alone = (is_near.sum(axis=1, keepdims=True) == 1) & (is_near.sum(axis=0, keepdims=True) == 1)
    return [(int(row), int(log)) for row, log in np.argwhere(is_near & alone)]


def _by_file_time(rows: Sequence[NamedRow], frames: list[_Loose]) -> tuple[dict[str, tuple[_Loose, str]], str]:
    """Return the log that was closed after each typed start and before the next one, if there is just one."""
    started = sorted((row for row in rows if np.isfinite(row.started_at_s)), key=lambda row: row.started_at_s)
    starts = np.array([row.started_at_s for row in started])
    if not starts.size or not _tell_apart(frames):
        return {}, ""
    ends = np.minimum(np.append(starts[1:], np.inf), starts + _LONGEST_RUN_S)
    found = {}
    for row, start_s, end_s in zip(started, starts, ends, strict=True):
        logs = [one for one in frames if start_s < one.closed_s <= end_s]
        if len(logs) == 1:
            times = f"the file was closed at {_time(logs[0].closed_s)}, the run started at {_time(start_s)}"
            found[row.run] = logs[0], f"by its file time and the start typed in the sheet ({times})"
    # Times of a copy may fall anywhere: they count only if they fit every row, and every log.
    if len(found) == len(started) == len(frames):
        return found, ""
    return {}, "file times do not give one log after each typed start"


def _by_sequence(rows: Sequence[NamedRow], frames: list[_Loose]) -> tuple[dict[str, tuple[_Loose, str]], str]:
    """Return rows and logs in their order, if there are as many of each and nothing speaks against it."""
    if len(rows) != len(frames) or not np.isfinite([row.order for row in rows]).all():
        return {}, ""
    by_number, by_time = _by_number(frames), sorted(frames, key=lambda one: one.closed_s)
    has_clocks, has_times = np.isfinite([one.clock_s for one in frames]).all(), _tell_apart(frames)
    if has_clocks:
        logs, how = sorted(frames, key=lambda one: one.clock_s), "clocks"
    elif has_times and not by_number:
        logs, how = by_time, "file times"
    elif has_times and by_number != by_time:
        return {}, "the order of the numbers in their names is not that of their file times"
    elif by_number:
        logs, how = by_number, "numbers and file times" if has_times else "numbers"
    else:
        return {}, "neither clocks nor file times nor numbers in the names give their order"
    ordered = sorted(rows, key=lambda row: row.order)
    return {
        row.run: (one, f"by its place in the sequence of logs (number {place} of {len(logs)}, by their {how})")
        for place, (row, one) in enumerate(zip(ordered, logs, strict=True), start=1)
    }, ""


def _tell_apart(logs: list[_Loose]) -> bool:
    """Return whether file times are those of recordings, and not of a copy."""
    times = np.sort([one.closed_s for one in logs])
    return times.size > 1 and bool((np.diff(times) >= _COPIED_S).all())


def _by_number(logs: list[_Loose]) -> list[_Loose]:
    """Return logs by the number that each of their names has of its own; empty where there is none."""
    parts = {one.name: parts_of(one.name) for one in logs}
    for label in sorted({label for name in parts.values() for label in name.numbers}):
        numbers = {name: part.numbers.get(label) for name, part in parts.items()}
        if None not in numbers.values() and len(set(numbers.values())) == len(logs) > 1:
            return sorted(logs, key=lambda one: numbers[one.name] or 0)
    return []


def _sensors_for(frames: list[_Loose], sensors: list[_Loose]) -> dict[str, str]:
    """Return the sensor log of each frame log: the only one, that of the same name, else one each by clock."""
    if len(sensors) == 1 and len(frames) > 1:
        return {one.name: sensors[0].name for one in frames}
    if len(sensors) == len(frames) == 1:
        return {frames[0].name: sensors[0].name}
    stems = [stem_of(one.name) for one in sensors]
    named = {
        one.name: sensors[stems.index(stem_of(one.name))].name
        for one in frames
        if stems.count(stem_of(one.name)) == 1
    }
    if len(named) == len(set(named.values())) == len(frames):
        return named
    every = [*frames, *sensors]
    if len(sensors) != len(frames) or not np.isfinite([one.clock_s for one in every]).all():
        return {}
    ordered = (sorted(logs, key=lambda one: one.clock_s) for logs in (frames, sensors))
    return {one.name: other.name for one, other in zip(*ordered, strict=True)}


def _time(seconds: float) -> str:
    """Return a moment as date and time of day."""
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%d %H:%M:%S}"
