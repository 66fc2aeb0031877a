"""Logs for rows of the run sheet that name none: by typed starts and the logs' clocks, or by their sequence."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from gpubench_kit.errors import LogError
from gpubench_kit.findings import Finding
from gpubench_kit.reading.clock_columns import clock_of_sample
from gpubench_kit.reading.find_columns import Declaration
from gpubench_kit.reading.find_frame_columns import find_frame_columns
from gpubench_kit.reading.find_sensor_columns import find_sensor_columns
from gpubench_kit.reading.text_table import open_table

#: A typed start and a log's clock belong together when they are this close [s].
_NEAR_S = 120.0


@dataclass(frozen=True)
class Waiting:
    """A row of the run sheet without a log: its run, order as planned and start as typed (nan where not given)."""

    run: str
    order: float
    started_at_s: float


@dataclass(frozen=True)
class _Loose:
    """A file that no row names: its name, its kind (``frames`` or ``sensors``) and the clock of its first row."""

    name: str
    kind: str
    clock_s: float


@dataclass(frozen=True)
class Guess:
    """The logs guessed for a run, empty where there is none, and how."""

    run: str
    frame_log: str = ""
    sensor_log: str = ""
    why: str = ""

    def finding(self) -> Finding:
        """Return the guess in words, with the line of the run sheet that would pin it."""
        logs = " and ".join(f"'{name}'" for name in (self.frame_log, self.sensor_log) if name)
        message = f"run '{self.run}': the sheet names no log; {logs} was taken {self.why}."
        action = "Look whether that is right, and write the names into the run sheet."
        return Finding("note", "log_guessed", message, run=self.run, action=action)


def guess_logs(
    rows: Sequence[Waiting], files: Sequence[Path], root: Path, *, declared: Declaration, by_sequence: bool = True
) -> list[Guess]:
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
    list of Guess, one for each row that got a log. Typed starts and clocks go first; where they do not serve, rows
    in their order and files in theirs (by clock, else by name) belong together only if there are as many of each.
    """
    loose = [_kind_of(path, root, declared) for path in files]
    frames = [one for one in loose if one.kind == "frames"]
    sensors = [one for one in loose if one.kind == "sensors"]
    found, why = _by_time(rows, frames), "by its clock and the start typed in the sheet"
    if not found and by_sequence:
        found, why = _by_sequence(rows, frames), "by its place in the sequence of logs"
    partners = _sensors_for(list(found.values()), sensors)
    return [
        Guess(row.run, found[row.run].name, partners.get(found[row.run].name, ""), why)
        for row in rows
        if row.run in found
    ]


def _kind_of(path: Path, root: Path, declared: Declaration) -> _Loose:
    """Return what a file is, from its first rows."""
    name = path.relative_to(root).as_posix()
    try:
        table = open_table(path, name=name)
    except LogError:
        return _Loose(name, "", np.nan)
    for kind, find in (("frames", find_frame_columns), ("sensors", find_sensor_columns)):
        try:
            columns = find(table, declared)
        except LogError:
            continue
        clock = clock_of_sample(table, columns.clock) if columns.clock else None
        has_date = clock is not None and clock.has_date
        # A sensor log rises as well: frames are what has a frame time, or comes faster than sensors do.
        if kind == "sensors" or columns.frame_time is not None:
            return _Loose(name, kind, clock.start_s if has_date else np.nan)
    return _Loose(name, "", np.nan)


def _by_time(rows: Sequence[Waiting], frames: list[_Loose]) -> dict[str, _Loose]:
    """Return the log whose clock is nearest to each typed start, where each is the other's nearest."""
    starts = np.array([row.started_at_s for row in rows])
    clocks = np.array([one.clock_s for one in frames])
    if not np.isfinite(starts).any() or not np.isfinite(clocks).any():
        return {}
    apart = np.abs(starts[:, None] - clocks[None, :])
    apart[~np.isfinite(apart)] = np.inf
    found = {}
    for place, row in enumerate(rows):
        nearest = int(np.argmin(apart[place]))
        if apart[place, nearest] <= _NEAR_S and int(np.argmin(apart[:, nearest])) == place:
            found[row.run] = frames[nearest]
    return found


def _by_sequence(rows: Sequence[Waiting], frames: list[_Loose]) -> dict[str, _Loose]:
    """Return rows and logs in their order, if there are as many of each."""
    if len(rows) != len(frames) or not np.isfinite([row.order for row in rows]).all():
        return {}
    ordered = sorted(rows, key=lambda row: row.order)
    return {row.run: one for row, one in zip(ordered, _in_order(frames), strict=True)}


def _in_order(logs: list[_Loose]) -> list[_Loose]:
    """Return logs by clock where all have one, else by name, numbers in it counted as numbers."""
    if np.isfinite([one.clock_s for one in logs]).all():
        return sorted(logs, key=lambda one: one.clock_s)
    return sorted(
        logs, key=lambda one: [(part.isdigit(), part.zfill(12)) for part in re.findall(r"\d+|\D+", one.name)]
    )


def _sensors_for(frames: list[_Loose], sensors: list[_Loose]) -> dict[str, str]:
    """Return the sensor log of each frame log: the only one there is, or one each in order."""
    if len(sensors) == 1 and len(frames) > 1:
        return {one.name: sensors[0].name for one in frames}
    if len(sensors) != len(frames):
        return {}
    return {one.name: other.name for one, other in zip(_in_order(frames), _in_order(sensors), strict=True)}
