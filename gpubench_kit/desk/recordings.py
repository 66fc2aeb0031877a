"""What a recording holds before it belongs to a run: its kind, its parts, the names in it, its sensor log."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from gpubench_kit.desk.journal import Disk, digest
from gpubench_kit.desk.watch import PACKED
from gpubench_kit.logs.cells import cells_of, number
from gpubench_kit.logs.dialect import Dialect
from gpubench_kit.logs.format import ColumnChoice, Declaration
from gpubench_kit.logs.loose_files import facts_of_log
from gpubench_kit.logs.sniff_frames import sniff_frames
from gpubench_kit.logs.text_table import open_table
from gpubench_kit.model.errors import LogError
from gpubench_kit.model.questions import LogFacts

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
