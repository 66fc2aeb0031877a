"""What a file tells of itself that belongs to no run yet."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

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

#: A line above the heading with a key and a value.
_KEY_AND_VALUE = re.compile(r"\s*#*\s*([^:=,;\t]{1,40}?)\s*[:=,;\t]\s*(\S.{0,80}?)\s*")

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
            preamble=_preamble(table),
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
            started_at_s=float("nan") if log.clock is None else log.clock,
            clock_kind=log.clock_kind,
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


def _preamble(table: LogTable) -> tuple[tuple[str, str], ...]:
    """Return keys and values of lines above the heading."""
    above = table.text[: table.dialect.first_row][:20_000].decode("utf-8", "replace").splitlines()
    own = (table.dialect.heading, table.dialect.units_line)
    parts = (_KEY_AND_VALUE.fullmatch(line) for line in above[:_MOST_LINES] if line not in own)
    return tuple((part[1].strip(), part[2].strip()) for part in parts if part)


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
