"""What a file tells of itself that belongs to no run yet, and which row of the run sheet it belongs to.

Rows that name no log and files that no row names are brought together with the evidence. The alphabet tells
nothing, and a log whose name speaks of another game or tuning is never taken.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from gpubench_kit.logs.cells import is_stamp
from gpubench_kit.logs.clock import clock_of_texts
from gpubench_kit.logs.format import Certainty, ColumnChoice, Declaration, LogFormat, format_id_of, seen_in
from gpubench_kit.logs.log_table import LogTable
from gpubench_kit.logs.read_frames import read_frames
from gpubench_kit.logs.read_samples import read_samples
from gpubench_kit.logs.sniff_frames import sniff_frames
from gpubench_kit.logs.sniff_sensors import sniff_sensors
from gpubench_kit.logs.sources import WhichProgram
from gpubench_kit.logs.text_table import open_table, rows_of
from gpubench_kit.model.errors import LogError
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.questions import LogFacts, quoted
from gpubench_kit.model.tables import Finding
from gpubench_kit.model.words import fold, words_of
from gpubench_kit.sheet.log_names import NamedRow, logs_by_names, parts_of
from gpubench_kit.sheet.recordings import stem_of
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.notes import note

#: A line above the heading with a key and a value.
_KEY_AND_VALUE = re.compile(r"\s*#*\s*([^:=,;\t]{1,40}?)\s*[:=,;\t]\s*(\S.{0,80}?)\s*")

#: Words for when a recording began, and for another moment, or that of something else.
_BEGUN = frozenset(
    fold("start started begin begins began begun beginn begonnen gestartet début debut commencé inicio iniciado "
         "inizio iniziato początek rozpoczęto начало старт začátek 開始 开始 시작 התחלה").split()
)  # fmt: skip
_OTHERWISE = frozenset(
    fold("end ended stop stopped finish finished saved export exported ende beendet gespeichert fin enregistré "
         "fine salvato guardado koniec zapisano конец 終了 结束 driver boot system session program game").split()
)  # fmt: skip

#: Lines above the heading that are searched.
_MOST_LINES = 40

#: First rows that a question shows.
_ROWS_SHOWN = 4

#: Findings that ask.
_ASK = ("format_likely", "sensor_likely", "sensors_unclear")


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
    declared, facts = declared or Declaration(), LogFacts(path, "none", file_time_s=_file_time_s(path))
    try:
        table = open_table(path, name=name)
        above = table.text[: table.dialect.first_row].count(b"\n")
        lines = table.text[: table.dialect.first_row + 4000].decode("utf-8", "replace").splitlines()
        facts = replace(
            facts,
            sha256=table.sha256,
            format_id=format_id_of(table),
            seen=seen_in(table),
            first_rows=tuple(line[:100] for line in lines[max(0, above - 1) :][:_ROWS_SHOWN]),
            **_said_above(table),
        )
        log_format = sniff_frames(table, declared)
    except LogError as error:
        facts = replace(facts, fault=str(error))
        return (_of_sensors(facts, table, declared) or facts) if facts.sha256 else facts
    if log_format.fault is None:
        try:
            log = read_frames(table, log_format, with_sensors=False)
        except LogError as error:
            return replace(facts, fault=str(error))
        frames = f"frames = {log_format.paste}" if log_format.paste else ""
        return replace(
            facts,
            kind="frames",
            started_at_s=facts.started_at_s if log.clock is None else log.clock,
            clock_kind=log.clock_kind or facts.clock_kind,
            length_s=log.frames.end_s,
            mean_fps=1000.0 * log.frames.frame_ms.size / float(log.frames.frame_ms.sum()),
            certainty=log_format.certainty.word,
            columns=_columns(log_format),
            questions=tuple(one.message for one in log_format.findings if one.check in _ASK),
            paste="\n".join(filter(None, (frames, _paste_of_sensors(table, log_format.sensors)))),
        )
    sensors = _of_sensors(facts, table, declared)
    if sensors is not None and (log_format.kind == "none" or any(role in METRICS for role, *_ in sensors.columns)):
        return sensors
    fault = str(log_format.fault)
    if log_format.kind in ("sampled", "none"):
        facts = replace(facts, kind=log_format.kind, fault=fault)
    else:
        facts = replace(facts, kind="unclear", questions=(fault,))
    return replace(
        facts,
        certainty=Certainty.OPEN.word,
        paste=f"frames = {log_format.paste}" if log_format.paste else "",
        sources=log_format.fault.sources if isinstance(log_format.fault, WhichProgram) else (),
    )


def _said_above(table: LogTable) -> dict[str, Any]:
    """Return what lines above the heading say: keys with values, and the one start with its day.

    Another moment, such as the end or the time of saving, is no start; nor is a date that can be read either way.
    """
    above = table.text[: table.dialect.first_row][:20_000].decode("utf-8", "replace").splitlines()
    own = (table.dialect.heading, table.dialect.units_line)
    lines = [line for line in above[:_MOST_LINES] if line not in own]
    parts = map(_KEY_AND_VALUE.fullmatch, lines)
    found = {"preamble": tuple((part[1].strip(), part[2].strip()) for part in parts if part)}
    starts = set()
    for line in lines:
        gaps = re.finditer(r"[\s:=,;|\"]+", line)
        parted = ((line[: gap.start()], line[gap.end() :].strip(' "')) for gap in gaps)
        said, stamp = next((part for part in parted if is_stamp(part[1])), ("", ""))
        is_start = words_of(said) & _BEGUN and not words_of(said) & _OTHERWISE
        clock = clock_of_texts(np.array([stamp], dtype=object)) if is_start else None
        if clock is not None and ":" in stamp and clock.has_date and not clock.in_doubt:
            starts.add((clock.start_s, clock.kind))
    return found | (dict(zip(("started_at_s", "clock_kind"), *starts, strict=True)) if len(starts) == 1 else {})


def _file_time_s(path: Path) -> float:
    """Return when a file was last written, by the clock of the wall [s]; nan where unknown."""
    try:
        return datetime.fromtimestamp(path.stat().st_mtime).replace(tzinfo=UTC).timestamp()
    except (OSError, ValueError, OverflowError):
        return float("nan")


def _of_sensors(facts: LogFacts, table: LogTable, declared: Declaration) -> LogFacts | None:
    """Return the facts of a sensor log; None where it has no time of samples."""
    try:
        rows = rows_of(table)
        columns = sniff_sensors(rows, declared)
    except LogError:
        return None
    facts = replace(
        facts,
        kind="sensors",
        fault="",
        certainty=min((one.certainty for one in columns.sensors), default=Certainty.OPEN).word,
        columns=_columns(columns),
        questions=tuple(one.message for one in columns.findings if one.check in _ASK),
        paste=_paste_of_sensors(table, columns.sensors),
    )
    try:
        log = read_samples(rows, columns, Declaration(date_order=declared.date_order))
    except LogError:
        return facts
    started_at_s = float("nan") if log.clock is None else log.clock
    return replace(facts, started_at_s=started_at_s, clock_kind=log.clock_kind, length_s=float(log.time_s[-1]))


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

#: A line of the plan that names logs by a pattern.
_PATTERN = '[logs] pattern = "{game}_{tuning}_{round}.csv"'

#: The log of each run, with why it was taken; and what is ambiguous, empty where nothing is.
_Pairs = tuple[dict[str, tuple[LogFacts, str]], str]


def pair_loose(
    rows: Sequence[NamedRow], files: Sequence[Path], root: Path, *, declared: Declaration, by_sequence: bool = True
) -> tuple[dict[str, tuple[str, str]], list[Finding]]:
    """Return which files are the logs of which rows: names of frame and sensor log by run, and what is said of it.

    Parameters
    ----------
    rows : rows of the run sheet without a log
    files : files that no row names
    root : the review folder, for names
    declared : what the plan declares about logs
    by_sequence : whether the sequence may tell; not where other rows name their logs, as a stray log would slip in

    Notes
    -----
    Typed starts go first, against the clocks in the logs, else against file times; then games, tunings and rounds
    that the names speak of; where there are none, rows in their order and logs in that of their clocks, file times
    or numbers belong together if there are as many of each. What is ambiguous is not guessed; a finding asks for
    the names.
    """
    within = [path.relative_to(root) for path in files]
    facts = [
        replace(facts_of_log(path, name=own.as_posix(), declared=declared), path=own)
        for path, own in zip(files, within, strict=True)
    ]
    frames, sensors = ([one for one in facts if one.kind == kind] for kind in ("frames", "sensors"))
    if not rows or not frames:
        return {}, []
    by_names = logs_by_names(rows, [one.path.as_posix() for one in frames])
    found, doubt = _by_clock(rows, frames)
    if not found and not doubt:
        found, doubt = _by_file_time(rows, frames)
    if not found and not doubt and by_names.speak:
        of_name, why = {one.path.as_posix(): one for one in frames}, say("evidence.pairing.name")
        found = {run: (of_name[name], why) for run, name in by_names.logs.items()}
        doubt = "" if found else say("evidence.pairing.not_one_each")
    elif not found and not doubt and by_sequence:
        found, doubt = _by_sequence(rows, frames)
    paired = [(row, found[row.run][0].path.as_posix()) for row in rows if row.run in found]
    wrong = [(row.run, name) for row, name in paired if by_names.contradict(row, name)]
    if wrong:
        doubt = say("evidence.pairing.other_game", log=wrong[0][1], named_run=wrong[0][0])
        for run, _ in wrong:
            del found[run]
    partners = _sensors_for([log for log, _ in found.values()], sensors)
    pairs, findings = {}, []
    for row, name in paired:
        if row.run not in found:
            continue
        pairs[row.run] = name, partners.get(name, "")
        logs = say("list.and").join(f"'{one}'" for one in pairs[row.run] if one)
        why = found[row.run][1]
        findings.append(replace(note("logs.log_guessed", named_run=row.run, logs=logs, why=why), run=row.run))
    if len(pairs) < min(len(rows), len(frames)) and (doubt or by_sequence):
        doubt = doubt or say("evidence.pairing.nothing_tells")
        findings.append(note("logs.logs_not_matched", why=doubt, found=len(frames), limit=len(rows), line=_PATTERN))
    return pairs, findings


def _clock_s(facts: LogFacts) -> float:
    """Return the clock of a log's first row, where it has a date; else nan."""
    return facts.started_at_s if facts.clock_kind in ("zoned", "dated") else float("nan")


def _by_clock(rows: Sequence[NamedRow], frames: list[LogFacts]) -> _Pairs:
    """Return the log whose clock is near each typed start, if no other start or log could be meant."""
    started = [row for row in rows if np.isfinite(row.started_at_s)]
    clocked = [one for one in frames if np.isfinite(_clock_s(one))]
    starts, clocks = np.array([row.started_at_s for row in started]), np.array([_clock_s(one) for one in clocked])
    is_near = np.abs(starts[:, None] - clocks) <= _NEAR_S
    if not is_near.any():
        return {}, ""
    alone = (is_near.sum(axis=1, keepdims=True) == 1) & (is_near.sum(axis=0, keepdims=True) == 1)
    places = np.argwhere(is_near & alone)
    if starts.size == clocks.size == np.unique(starts).size:
        # In their order, where all of them are near.
        in_turn = np.stack((np.argsort(starts, kind="stable"), np.argsort(clocks, kind="stable")), axis=1)
        places = in_turn if is_near[tuple(in_turn.T)].all() else places
    found = {}
    for row, one in ((started[row], clocked[log]) for row, log in places):
        times = {"at": _time(_clock_s(one)), "run_at": _time(row.started_at_s)}
        found[row.run] = one, say("evidence.pairing.clock", **times)
    return found, "" if found else say("evidence.pairing.several_clocks")


def _by_file_time(rows: Sequence[NamedRow], frames: list[LogFacts]) -> _Pairs:
    """Return the log that was closed after each typed start and before the next one, if there is just one."""
    started = sorted((row for row in rows if np.isfinite(row.started_at_s)), key=lambda row: row.started_at_s)
    starts = np.array([row.started_at_s for row in started])
    if not starts.size or not _tell_apart(frames):
        return {}, ""
    ends = np.minimum(np.append(starts[1:], np.inf), starts + _LONGEST_RUN_S)
    found = {}
    for row, start_s, end_s in zip(started, starts, ends, strict=True):
        logs = [one for one in frames if start_s < one.file_time_s <= end_s]
        if len(logs) == 1:
            times = {"at": _time(logs[0].file_time_s), "run_at": _time(start_s)}
            found[row.run] = logs[0], say("evidence.pairing.file_time", **times)
    # Times of a copy may fall anywhere: they count only if they fit every row, and every log.
    is_whole = len(found) == len(started) == len(frames)
    return (found, "") if is_whole else ({}, say("evidence.pairing.no_file_times"))


def _by_sequence(rows: Sequence[NamedRow], frames: list[LogFacts]) -> _Pairs:
    """Return rows and logs in their order, if there are as many of each and nothing speaks against it."""
    if len(rows) != len(frames) or not np.isfinite([row.order for row in rows]).all():
        return {}, ""
    by_number, by_time = _by_number(frames), sorted(frames, key=lambda one: one.file_time_s)
    has_times = _tell_apart(frames)
    if np.isfinite([_clock_s(one) for one in frames]).all():
        logs, how = sorted(frames, key=_clock_s), "clocks"
    elif has_times and not by_number:
        logs, how = by_time, "file_times"
    elif has_times and by_number != by_time:
        return {}, say("evidence.pairing.numbers_deny_times")
    elif by_number:
        logs, how = by_number, "both" if has_times else "numbers"
    else:
        return {}, say("evidence.pairing.no_order")
    ordered = sorted(rows, key=lambda row: row.order)
    return {
        row.run: (one, say(f"evidence.pairing.by_{how}", place=place, logs=len(logs)))
        for place, (row, one) in enumerate(zip(ordered, logs, strict=True), start=1)
    }, ""


def _tell_apart(logs: list[LogFacts]) -> bool:
    """Return whether file times are those of recordings, and not of a copy."""
    times = np.sort([one.file_time_s for one in logs])
    return times.size > 1 and bool((np.diff(times) >= _COPIED_S).all())


def _by_number(logs: list[LogFacts]) -> list[LogFacts]:
    """Return logs by the number that each of their names has of its own; empty where there is none."""
    numbers = [parts_of(one.path.as_posix()).numbers for one in logs]
    for label in sorted({label for of_name in numbers for label in of_name}):
        own = [of_name.get(label) for of_name in numbers]
        if None not in own and len(set(own)) == len(logs) > 1:
            return [logs[place] for place in np.argsort(np.array(own, dtype=float), kind="stable")]
    return []


def _sensors_for(frames: list[LogFacts], sensors: list[LogFacts]) -> dict[str, str]:
    """Return the sensor log of each frame log: the only one, that of the same name, else one each by clock."""
    names, of_sensors = ([one.path.as_posix() for one in logs] for logs in (frames, sensors))
    if len(sensors) == 1:
        return dict.fromkeys(names, of_sensors[0])
    stems = [stem_of(name) for name in of_sensors]
    named = {name: of_sensors[stems.index(stem_of(name))] for name in names if stems.count(stem_of(name)) == 1}
    if len(named) == len(set(named.values())) == len(frames):
        return named
    if len(sensors) != len(frames) or not np.isfinite([_clock_s(one) for one in (*frames, *sensors)]).all():
        return {}
    ordered = (sorted(logs, key=_clock_s) for logs in (frames, sensors))
    return {one.path.as_posix(): other.path.as_posix() for one, other in zip(*ordered, strict=True)}


def _time(seconds: float) -> str:
    """Return a moment as date and time of day."""
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%d %H:%M:%S}"
