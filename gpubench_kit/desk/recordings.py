"""Recordings as they grow, and what one holds before it belongs to a run: its kind, its parts, names, sensor log.

There is one look a second, and no log is opened before it rests. A file that stood still for two seconds is often
not done: recorders write in blocks. So it must rest for longer than it ever paused, end with a whole line, and be
about as long as the run was planned.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from gpubench_kit.desk.journal import Disk, digest
from gpubench_kit.logs.cells import cells_of, number
from gpubench_kit.logs.dialect import Dialect
from gpubench_kit.logs.format import ColumnChoice, Declaration, Witness
from gpubench_kit.logs.loose_files import facts_of_log
from gpubench_kit.logs.sniff_frames import sniff_frames
from gpubench_kit.logs.text_table import open_table
from gpubench_kit.model.errors import LogError
from gpubench_kit.model.questions import LogFacts
from gpubench_kit.wording.catalogue import say

#: A look at files a second; names are listed again when a folder's time changed, and after so long anyway [s].
LOOK_S, _LIST_S, _LIST_MANY_S, _MANY = 1.0, 10.0, 60.0, 2_000
#: A file at rest for so long is looked at only with the names [s].
_OLD_S = 120.0
#: How long a complete file rests: at least, and in pauses; pauses count up to so much [s].
_REST_S, _PAUSES, _LONGEST_PAUSE_S = 2.0, 1.5, 10.0
#: How long one rests that ended early, or whose length nobody knows [s].
_EARLY_S, _EARLY_PAUSES, _UNKNOWN_S = 30.0, 3.0, 10.0
#: Share of the planned length from which a run is a whole one.
_ENOUGH = 0.9
_BLOCK, _TAIL, _DEEP = 4096, 4096, 3
#: Looks that take longer than this make the next one wait [s].
_SLOW_S, _SLOW_FACTOR, _SLOWEST_S = 0.1, 20.0, 10.0
_NOT_LOGS = {".tmp", ".part", ".crdownload", ".png", ".jpg", ".jpeg", ".bmp", ".mp4", ".mkv", ".mov", ".avi",
             ".webm", ".exe", ".dll", ".zip"}  # fmt: skip
PACKED = (".gz", ".zst", ".bz2", ".xz")


class FolderGone(Exception):
    """A folder that is watched is not there."""


class FileView:
    """What the watch sees of a disk; tests put made-up writers in its place."""

    def listing(self, folder: Path) -> tuple[dict[Path, float], list[Path]]:
        """Return the times of a folder and of those in it, up to three deep, and the files in them; no links."""
        files, times, places = [], {}, [(folder, 0)]
        for place, depth in places:
            times[place] = self.folder_time(place)
            with os.scandir(place) as entries:
                found = sorted((one for one in entries if one.name[0] != "."), key=lambda entry: entry.name)
            places += [(Path(one.path), depth + 1) for one in found
                       if depth < _DEEP and one.is_dir(follow_symlinks=False)]  # fmt: skip
            files += [Path(one.path) for one in found if one.is_file()]
        return times, files

    def folder_time(self, folder: Path) -> float:
        """Return the time of a folder."""
        return os.stat(folder).st_mtime

    def stat(self, file: Path) -> tuple[int, int]:
        """Return size and time of a file; by its path, as entries of a folder lag while a file is open."""
        found = os.stat(file)
        return found.st_size, found.st_mtime_ns

    def ends_whole(self, file: Path) -> bool:
        """Return whether the last line of a file is whole; a packed file shows it only when unpacked."""
        if file.suffix.lower() in PACKED:
            return True
        with file.open("rb") as log:
            log.seek(max(0, os.path.getsize(file) - _TAIL))
            return log.read().endswith((b"\n", b"\r", b"\n\0"))


@dataclass
class Seen:
    """What was seen of one file; times by the monotonic clock [s].

    Attributes
    ----------
    path : of the file
    size, time_ns : at the last look
    first_s, changed_s : when it was first seen, and last seen to change
    first_size : when it was first seen
    is_before : whether it was there when the watch began
    pauses : longest time between two changes [s]
    in_blocks, ended_block : whether all sizes so far were whole blocks; whether the last change ended a row of them
    taken_size : size when it was taken; -1 before
    length_s, is_whole, length_size : length that was read, whether its last line was whole, and at which size
    kind : of log, once known
    """

    path: Path
    size: int
    time_ns: int
    first_s: float
    changed_s: float
    first_size: int
    is_before: bool = False
    pauses: float = 0.0
    in_blocks: bool = True
    ended_block: bool = False
    taken_size: int = -1
    length_s: float = float("nan")
    length_size: int = -1
    is_whole: bool = False
    kind: str = ""

    @property
    def waits(self) -> bool:
        """Whether it holds something that was not taken, and may be a recording."""
        return self.size > max(0, self.taken_size) and self.kind not in ("sensors", "none")

    @property
    def witness(self) -> Witness | None:
        """The length of a recording that was seen to grow, from about its beginning; None where it was not.

        It was there for up to a second, and written late by up to its longest pause, before it was seen.
        """
        taken = max(0, self.taken_size)
        is_from_start = self.first_size - taken <= 0.5 * (self.size - taken)
        if self.is_before or not is_from_start or self.changed_s <= self.first_s:
            return None
        seconds, slack = self.changed_s - self.first_s, LOOK_S + min(self.pauses, _LONGEST_PAUSE_S)
        return Witness(say("evidence.frames.grew", seconds=seconds), seconds + slack / 2, slack)

    def change(self, size: int, time_ns: int, now: float) -> None:
        """Keep that it changed."""
        if size < self.size:
            # Written anew: another recording under the same name.
            self.first_s, self.first_size, self.taken_size, self.is_before = now, 0, -1, False
        elif self.taken_size == self.size:
            # Another run in the same file: the time between the two is no pause of the recorder.
            self.first_s, self.first_size, self.pauses, self.in_blocks = now, self.size, 0.0, False
        else:
            self.pauses = max(self.pauses, now - self.changed_s)
        is_block = size % _BLOCK == 0
        self.ended_block = self.in_blocks and not is_block and self.size % _BLOCK == 0 and self.size > 0
        self.in_blocks = self.in_blocks and is_block
        self.size, self.time_ns, self.changed_s = size, time_ns, now


@dataclass
class Watch:
    """Folders that are watched.

    Attributes
    ----------
    folders : of recordings
    view : the disk
    length_of : length of a log that rests [s]; nan where it cannot be told
    alone : folders of which only some files are watched
    sensor_folders : of these, folders that hold sensor logs only
    wanted_s : planned length of the run that is due [s]; 0 where nobody knows
    files : what was seen, by path
    left_alone : pictures, films and unfinished downloads, which are no recordings
    """

    folders: tuple[Path, ...]
    view: FileView
    length_of: Callable[[Path], float]
    alone: dict[Path, set[Path]] = field(default_factory=dict)
    sensor_folders: tuple[Path, ...] = ()
    wanted_s: float = 0.0
    files: dict[Path, Seen] = field(default_factory=dict)
    left_alone: set[Path] = field(default_factory=set)
    period_s: float = LOOK_S
    _looked: float = float("-inf")
    _listed: float = float("-inf")
    _times: dict[Path, dict[Path, float]] = field(default_factory=dict)
    _pause: float = 0.0

    def look(self, now: float, clock: Callable[[], float]) -> bool:
        """Look at the files, at most once a period.

        Parameters
        ----------
        now : monotonic time [s]
        clock : gives it again, so that a slow disk is noticed

        Returns
        -------
        bool: whether it was looked

        Raises
        ------
        FolderGone : a folder is not there
        """
        if now - self._looked < self.period_s - 1e-6:
            return False
        is_first, self._looked = self._looked == float("-inf"), now
        try:
            self._list_names(now, is_first=is_first)
        except OSError as error:
            self._times.clear()
            raise FolderGone(str(error.filename)) from error
        for seen in [one for one in self.files.values() if now - one.changed_s < _OLD_S or self._listed == now]:
            try:
                found = self.view.stat(seen.path)
            except OSError:
                del self.files[seen.path]
                continue
            if found != (seen.size, seen.time_ns):
                seen.change(*found, now)
                self._pause = max(self._pause, min(seen.pauses, _LONGEST_PAUSE_S))
        took = clock() - now
        self.period_s = min(_SLOWEST_S, _SLOW_FACTOR * took) if took > _SLOW_S else LOOK_S
        return True

    def _list_names(self, now: float, *, is_first: bool) -> None:
        """List the names in folders that changed, and now and then in all."""
        is_due = now - self._listed >= (_LIST_MANY_S if len(self.files) > _MANY else _LIST_S)
        for folder in self.folders:
            known = self._times.get(folder, {})
            if known and not is_due and all(self.view.folder_time(one) == time for one, time in known.items()):
                continue
            self._times[folder], found = self.view.listing(folder)
            kind = "sensors" if folder in self.sensor_folders else ""
            for file in (one for one in found if one not in self.files and one in self.alone.get(folder, {one})):
                self._add(file, now, kind=kind, is_first=is_first)
        if is_due:
            self._listed = now

    def _add(self, file: Path, now: float, *, kind: str, is_first: bool) -> None:
        """Add a file that was not seen before; one of before the watch is taken for at rest."""
        if file.suffix.lower() in _NOT_LOGS:
            self.left_alone.add(file)
            return
        try:
            size, time_ns = self.view.stat(file)
        except OSError:
            return
        changed_s, taken = (now - _OLD_S, size) if is_first else (now, -1)
        self.files[file] = Seen(file, size, time_ns, now, changed_s, size, is_before=is_first, kind=kind,
                                taken_size=taken, in_blocks=size % _BLOCK == 0)  # fmt: skip

    def growing(self) -> Seen | None:
        """Return the file that is being recorded: it changed, and is not complete yet; the last that began."""
        return max((one for one in self.files.values() if one.waits), key=lambda one: one.first_s, default=None)

    def complete(self, now: float) -> list[Seen]:
        """Return the files that are complete, or ended early, and were not taken; oldest first."""
        fresh = sorted((one for one in self.files.values() if one.waits), key=lambda one: one.first_s)
        # Where a later recording has begun, an earlier one that rests is over, however short it is.
        return [one for place, one in enumerate(fresh) if now - one.changed_s >= _REST_S
                and (place < len(fresh) - 1 or self._is_done(one, now))]  # fmt: skip

    def _is_done(self, seen: Seen, now: float) -> bool:
        """Return whether a file rests for good."""
        rest, pause = now - seen.changed_s, max(min(seen.pauses, _LONGEST_PAUSE_S), self._pause)
        needed = _REST_S if seen.ended_block else max(_REST_S, _PAUSES * pause)
        grew_s = seen.changed_s - seen.first_s + pause + LOOK_S
        # One that grew for too short a time is being written on, or was written in pieces after the run.
        is_short = self.wanted_s and seen.witness and grew_s < _ENOUGH * self.wanted_s and rest < _UNKNOWN_S
        if rest < needed or is_short:
            return False
        is_early = rest >= max(_EARLY_S, _EARLY_PAUSES * seen.pauses)
        if seen.length_size != seen.size:
            seen.length_size, seen.is_whole = seen.size, self.view.ends_whole(seen.path)
            seen.length_s = self.length_of(seen.path) if seen.is_whole else float("nan")
        if not seen.is_whole:
            return is_early
        if not self.wanted_s or seen.length_s != seen.length_s:
            return rest >= max(needed, _UNKNOWN_S)
        return seen.length_s >= _ENOUGH * self.wanted_s or is_early


#: A time that jumps by more than this, or falls back, begins another run in the same file [s].
_JUMP_S = 15.0
#: Longer than so many planned lengths is more than one run.
_LONG = 1.1
_COMPARED = 4096
#: Beginning of a file by which its own time is found [bytes, lines].
_HEAD, _HEAD_LINES = 60_000, 100
_WORD = re.compile(r"[^\W_]+")


@dataclass(frozen=True)
class Recording:
    """One run's part of a file.

    Attributes
    ----------
    source : file that it is in
    content : its bytes: those of the heading and of its own rows
    start, stop : where its rows lie in the file [bytes]
    facts : what it tells of itself
    """

    source: Path
    content: bytes
    start: int
    stop: int
    facts: LogFacts

    @property
    def hash(self) -> str:
        """Hash of its bytes."""
        return digest(self.content)

    @property
    def file(self) -> dict:
        """What the journal says of it."""
        return {"source": str(self.source), "hash": self.hash, "from": self.start, "to": self.stop}

    @property
    def ending(self) -> str:
        """Ending of a file that holds it: packed stays packed."""
        endings = [one.lower() for one in self.source.suffixes[-2:] if re.fullmatch(r"\.[A-Za-z]\w{0,5}", one)]
        return "".join(endings[-2:] if endings[-1:] and endings[-1] in PACKED else endings[-1:]) or ".csv"


def recordings_in(
    file: Path, *, begin: int, declared: Declaration, wanted_s: float, scratch: Path
) -> list[Recording]:
    """Return the runs that lie in a file from some byte on; one for most files.

    Parameters
    ----------
    file : complete
    begin : bytes of it that were taken before
    declared : what the plan declares about its columns
    wanted_s : planned length of a run [s]; 0 where nobody knows
    scratch : file in which parts are looked at

    Raises
    ------
    OSError : it cannot be read
    """
    content = file.read_bytes()
    heading, starts = _starts(content, declared, scratch)
    whole = facts_of_log(file, declared=declared)
    if len(starts) == 1 and 0 < heading < begin and 0 < _LONG * wanted_s < whole.length_s and not starts[0]:
        # It has no time of its own, and is too long for one run: what came after the first is the next.
        starts = [0, begin]
    found = []
    for start, stop in zip(starts, [*starts[1:], len(content)], strict=True):
        part, facts = content[:heading] * (start > 0) + content[start:stop], whole
        if stop > begin and len(part) < len(content):
            scratch.write_bytes(part)
            facts = facts_of_log(scratch, name=file.name, declared=declared)
        found += [Recording(file, part, start, stop, facts)] if stop > begin else []
    scratch.unlink(missing_ok=True)
    return found


def _starts(content: bytes, declared: Declaration, scratch: Path) -> tuple[int, list[int]]:
    """Return where the rows of a file begin, and where each run does [bytes]; 0 for the first, with its heading."""
    # Its beginning shows which column is its own time; as a whole, a file of several runs is in doubt.
    scratch.write_bytes(b"".join(content[:_HEAD].splitlines(keepends=True)[:_HEAD_LINES]))
    try:
        table = open_table(scratch)
        elapsed = sniff_frames(table, declared).elapsed
    except LogError:
        return 0, [0]
    lines, above = content.splitlines(keepends=True), table.text[: table.dialect.first_row].count(b"\n")
    heading, rows = sum(map(len, lines[:above])), lines[above:]
    if not table.encoding.lower().startswith(("utf-8", "ascii", "cp", "windows", "iso")):
        return 0, [0]
    if elapsed is None:
        return heading, [0]
    # A last row that breaks off has half a time, which begins no run.
    whole = [row if row.endswith((b"\n", b"\r")) else b"" for row in rows]
    steps = pd.Series([_time_s(row, elapsed, table.dialect) for row in whole], dtype=float).ffill().diff()
    places = heading + np.cumsum([0, *map(len, rows[:-1])])
    return heading, [0, *places[(steps < 0) | (steps > _JUMP_S)].tolist()]


def _time_s(line: bytes, elapsed: ColumnChoice, dialect: Dialect) -> float:
    """Return the time of a row [s]; nan where it has none."""
    cells = cells_of(line.decode("utf-8", "replace").rstrip("\r\n"), dialect.separator)
    cell = cells[elapsed.column] if len(cells) > elapsed.column else ""
    found = number(cell.strip(' "'), dialect.decimal, dialect.thousands)
    return math.nan if found is None else (found - elapsed.zero) * elapsed.factor / 1000


def names_in(recording: Recording, names: Iterable[str]) -> list[str]:
    """Return which names of games, tunings or cards a file's name, its folder or its first lines hold.

    Parameters
    ----------
    recording : with its facts
    names : as in the plan
    """
    words = [recording.source.stem, recording.source.parent.name, *(text for _, text in recording.facts.preamble)]
    texts = [_folded(one) for one in words]
    return [name for name in names if any(_folded(name) in text for text in texts)]


def _folded(text: str) -> str:
    """Return words in small letters with a blank on each side."""
    return f" {' '.join(_WORD.findall(text.casefold()))} "


def append_sensors(source: Path, target: Path, disk: Disk) -> Path | None:
    """Bring the copy of a sensor log that grows all session up to date: only its new bytes are added.

    Parameters
    ----------
    source : the log
    target : its copy in the review's folder
    disk : writes

    Returns
    -------
    Path of the copy: another name where the log was begun anew; None where it holds nothing whole yet
    """
    content, number = source.read_bytes(), 1
    if source.suffix.lower() not in PACKED:
        content = content[: content.rfind(b"\n") + 1]
    while content:
        file = target if number == 1 else target.with_name(f"{target.stem}-{number}{target.suffix}")
        size = file.stat().st_size if file.exists() else 0
        if size <= len(content) and (not size or file.read_bytes()[-_COMPARED:] == content[:size][-_COMPARED:]):
            break
        number += 1
    else:
        return None
    if size < len(content):
        file.parent.mkdir(parents=True, exist_ok=True)
        disk.append(file, content[size:])
    return file


def file_name(text: str) -> str:
    """Return a text as part of a file's name.

    Parameters
    ----------
    text : any
    """
    return re.sub(r"[^\w.\-]+", "_", text).strip("._") or "run"
