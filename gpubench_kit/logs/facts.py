"""Facts of a file that belongs to no run yet: what kind of log it is, when it began, how long it is."""

from __future__ import annotations

import hashlib
import math
import re
from datetime import UTC, datetime
from pathlib import Path

from gpubench_kit.logs.frame_log import read_frame_log
from gpubench_kit.logs.sensor_log import read_sensor_log
from gpubench_kit.logs.text_table import LogTable, open_table
from gpubench_kit.model.errors import LogError
from gpubench_kit.model.log_facts import LogFacts

#: A line above the heading with a key and a value.
_KEY_AND_VALUE = re.compile(r"\s*#*\s*([^:=,;\t]{1,40}?)\s*[:=,;\t]\s*(\S.{0,80}?)\s*")

#: Lines above the heading that are searched.
_MOST_LINES = 40


def facts_of_log(path: Path, *, name: str = "") -> LogFacts:
    """Return what a file tells of itself; a file that is no log, or cannot be read, says so.

    Parameters
    ----------
    path : the file
    name : what to call it in messages; the file's own name where not given

    Returns
    -------
    LogFacts; nothing is raised for what the file holds
    """
    about = {"path": path, "file_time_s": _file_time_s(path)}
    try:
        table = open_table(path, name=name)
    except LogError as error:
        return LogFacts(kind="none", fault=str(error), **about)
    seen = ";".join(table.dialect.names)
    format_id = hashlib.sha256(seen.encode("utf-8")).hexdigest()[:8]
    about |= {"sha256": table.sha256, "format_id": format_id, "seen": seen, "preamble": _preamble(table)}
    try:
        log = read_frame_log(path, name=name, with_sensors=False)
    except LogError as error:
        return _of_sensors(path, name, about) or LogFacts(kind="none", fault=str(error), **about)
    frame_ms = log.frames.frame_ms
    is_frames = any(choice.role == "frame_time" for choice in log.choices)
    sensors = None if is_frames else _of_sensors(path, name, about)
    if sensors is not None:
        return sensors
    return LogFacts(
        kind="frames",
        started_at_s=math.nan if log.clock is None else log.clock,
        clock_kind=log.clock_kind,
        length_s=log.frames.end_s,
        mean_fps=1000.0 * frame_ms.size / float(frame_ms.sum()),
        **about,
    )


def _file_time_s(path: Path) -> float:
    """Return when a file was last written, on the clock of the wall as in logs [s]; nan where unknown."""
    try:
        return datetime.fromtimestamp(path.stat().st_mtime).replace(tzinfo=UTC).timestamp()
    except (OSError, ValueError, OverflowError):
        return math.nan


def _preamble(table: LogTable) -> tuple[tuple[str, str], ...]:
    """Return keys and values of the lines above the heading."""
    above = table.text[: table.dialect.first_row][:20_000].decode("utf-8", "replace").splitlines()
    parts = (_KEY_AND_VALUE.fullmatch(line) for line in above[: min(_MOST_LINES, max(0, len(above) - 1))])
    return tuple((part[1].strip(), part[2].strip()) for part in parts if part)


def _of_sensors(path: Path, name: str, about: dict) -> LogFacts | None:
    """Return the facts of a sensor log; None where it has no sensor, or no time of samples."""
    try:
        log = read_sensor_log(path, name=name)
    except LogError:
        return None
    if not log.values:
        return None
    return LogFacts(
        kind="sensors",
        started_at_s=math.nan if log.clock is None else log.clock,
        clock_kind=log.clock_kind,
        length_s=float(log.time_s[-1]),
        **about,
    )
