"""Facts of a file that belongs to no run yet: what kind of log it is, when it began, how long it is."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

from gpubench_kit.logs.clock_columns import clock_of_sample
from gpubench_kit.logs.format import Certainty, ColumnChoice, Declaration, LogFormat, format_id_of, seen_in
from gpubench_kit.logs.read_frames import read_frames
from gpubench_kit.logs.read_samples import read_samples
from gpubench_kit.logs.rows import rows_of
from gpubench_kit.logs.sniff_frames import sniff_frames
from gpubench_kit.logs.sniff_sensors import SensorColumns, sniff_sensors
from gpubench_kit.logs.text_table import LogTable, open_table
from gpubench_kit.model.errors import LogError
from gpubench_kit.model.log_facts import LogFacts, quoted
from gpubench_kit.model.metrics import METRICS

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
    about = {"path": path, "file_time_s": _file_time_s(path)}
    try:
        table = open_table(path, name=name)
    except LogError as error:
        return LogFacts(kind="none", fault=str(error), **about)
    about |= {
        "sha256": table.sha256, "format_id": format_id_of(table), "seen": seen_in(table),
        "preamble": _preamble(table),
    }  # fmt: skip
    try:
        log_format = sniff_frames(table, declared)
    except LogError as error:
        return _of_sensors(table, declared, about) or LogFacts(kind="none", fault=str(error), **about)
    if log_format.fault is None:
        return _of_frames(table, log_format, about)
    sensors = _of_sensors(table, declared, about)
    has_sensors = sensors is not None and any(role in METRICS for role, *_ in sensors.columns)
    if has_sensors or (sensors is not None and log_format.kind == "none"):
        return sensors
    kind = "sampled" if log_format.kind == "sampled" else "none" if log_format.kind == "none" else "unclear"
    fault = str(log_format.fault) if kind in ("sampled", "none") else ""
    questions = () if fault else (str(log_format.fault),)
    paste = f"frames = {log_format.paste}" if log_format.paste else ""
    certainty = Certainty.OPEN.word
    return LogFacts(kind=kind, certainty=certainty, questions=questions, paste=paste, fault=fault, **about)


def _file_time_s(path: Path) -> float:
    """Return when a file was last written, by the clock of the wall [s]; nan where unknown."""
    try:
        return datetime.fromtimestamp(path.stat().st_mtime).replace(tzinfo=UTC).timestamp()
    except (OSError, ValueError, OverflowError):
        return float("nan")


def _preamble(table: LogTable) -> tuple[tuple[str, str], ...]:
    """Return keys and values of the lines above the heading."""
    above = table.text[: table.dialect.first_row][:20_000].decode("utf-8", "replace").splitlines()
    lines = (line for line in above[:_MOST_LINES] if line not in (table.dialect.heading, table.dialect.units_line))
    parts = (_KEY_AND_VALUE.fullmatch(line) for line in lines)
    return tuple((part[1].strip(), part[2].strip()) for part in parts if part)


def _of_frames(table: LogTable, log_format: LogFormat, about: dict) -> LogFacts:
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


def _of_sensors(table: LogTable, declared: Declaration, about: dict) -> LogFacts | None:
    """Return the facts of a sensor log; None where it has no time of samples."""
    try:
        columns = sniff_sensors(rows_of(table), declared)
    except LogError:
        return None
    length_s = _length_s(table, columns)
    clock = clock_of_sample(table, columns.clock, date_order=declared.date_order) if columns.clock else None
    has_clock = clock is not None and not columns.begins_at_zero
    asked = tuple(one.message for one in columns.findings if one.check in ("sensor_likely", "sensors_unclear"))
    return LogFacts(
        kind="sensors",
        started_at_s=clock.start_s if has_clock else float("nan"),
        clock_kind=clock.kind if has_clock else "",
        length_s=length_s,
        certainty=min((one.certainty for one in columns.sensors), default=Certainty.OPEN).word,
        columns=_columns(columns),
        questions=asked,
        paste=_paste_of_sensors(table, columns.sensors),
        **about,
    )


def _length_s(table: LogTable, columns: SensorColumns) -> float:
    """Return from the first sample to the last [s]; nan where the samples cannot be read."""
    try:
        return float(read_samples(table, columns, Declaration()).time_s[-1])
    except LogError:
        return float("nan")


def _paste_of_sensors(table: LogTable, sensors: tuple[ColumnChoice, ...]) -> str:
    """Return the line that confirms the sensors that are only likely; empty where none is."""
    pairs = ", ".join(
        f"{one.role} = {{ column = {quoted(table.key(one.column))}, unit = {quoted(one.unit)} }}"
        for one in sensors
        if one.certainty == Certainty.LIKELY
    )
    return f"sensors = {{ {pairs} }}" if pairs else ""


def _columns(found: LogFormat | SensorColumns) -> tuple[tuple[str, str, str, str], ...]:
    """Return role, heading, unit and certainty of each column."""
    return tuple(
        (one.role, one.label.removeprefix("column ").strip("'"), one.unit, one.certainty.word)
        for one in found.choices
    )
