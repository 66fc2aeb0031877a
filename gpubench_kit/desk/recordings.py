"""What a recording holds before it belongs to a run: its kind, its parts, the names in it, its sensor log."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from gpubench_kit.desk.journal import Disk, digest
from gpubench_kit.logs.format import Declaration
from gpubench_kit.logs.log_table import LogTable
from gpubench_kit.logs.loose_files import facts_of_log
from gpubench_kit.logs.sniff_frames import sniff_frames
from gpubench_kit.logs.text_table import open_table
from gpubench_kit.model.errors import LogError
from gpubench_kit.model.questions import LogFacts

#: A time that jumps by more than this, or falls back, begins another run in the same file [s].
_JUMP_S = 15.0
_PACKED = (".gz", ".zst", ".bz2", ".xz")
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
    def ending(self) -> str:
        """Ending of a file that holds it: packed stays packed."""
        endings = [one.lower() for one in self.source.suffixes[-2:] if re.fullmatch(r"\.[A-Za-z]\w{0,5}", one)]
        if endings and endings[-1] in _PACKED:
            return "".join(endings[-2:])
        return endings[-1] if endings else ".csv"


def recordings_in(file: Path, *, begin: int, declared: Declaration, scratch: Path) -> list[Recording]:
    """Return the runs that lie in a file from some byte on; one for most files.

    Parameters
    ----------
    file : complete
    begin : bytes of it that were taken before
    declared : what the plan declares about its columns
    scratch : file in which parts are looked at

    Raises
    ------
    OSError : it cannot be read
    """
    content = file.read_bytes()
    heading, cuts = _cuts(content, declared, scratch)
    ends = [*cuts[1:], len(content)]
    if len(cuts) == 1 and cuts[0] >= begin:
        scratch.unlink(missing_ok=True)
        return [Recording(file, content, 0, len(content), facts_of_log(file, declared=declared))]
    found = []
    for start, stop in zip(cuts, ends, strict=True):
        if stop <= begin:
            continue
        part = content[:heading] + content[start:stop]
        scratch.write_bytes(part)
        found.append(Recording(file, part, start, stop, facts_of_log(scratch, name=file.name, declared=declared)))
    scratch.unlink(missing_ok=True)
    return found


def _cuts(content: bytes, declared: Declaration, scratch: Path) -> tuple[int, list[int]]:
    """Return the length of a file's heading and where runs begin behind it [bytes]."""
    # Its beginning shows which column is its own time; as a whole, a file of several runs is in doubt.
    scratch.write_bytes(b"".join(content[:_HEAD].splitlines(keepends=True)[:_HEAD_LINES]))
    try:
        table = open_table(scratch)
        times = _times_of_rows(table, content, declared)
    except LogError:
        return 0, [0]
    before, cuts, heading = math.nan, [], 0
    for place, time_s in times:
        heading = heading or place
        if not cuts or time_s < before or time_s > before + _JUMP_S:
            cuts.append(place)
        before = time_s
    return heading, cuts or [0]


def _times_of_rows(table: LogTable, content: bytes, declared: Declaration) -> Iterator[tuple[int, float]]:
    """Yield where each row begins and its own time [s]; nothing where the log has none, or is packed."""
    elapsed, dialect = sniff_frames(table, declared).elapsed, table.dialect
    if elapsed is None or not table.encoding.lower().startswith(("utf-8", "ascii", "cp", "windows", "iso")):
        return
    above = table.text[: dialect.first_row].count(b"\n")
    place = 0
    separator = dialect.separator.encode() or b"\0"
    for number, line in enumerate(content.splitlines(keepends=True)):
        cells = line.split(separator) if separator != b" " else line.split()
        cell = (
            cells[elapsed.column].strip(b' "\r\n').decode("ascii", "replace") if len(cells) > elapsed.column else ""
        )
        time = _number(cell.replace(dialect.thousands or "\0", "").replace(dialect.decimal, "."))
        if number >= above and math.isfinite(time):
            yield place, (time - elapsed.zero) * elapsed.factor / 1000
        place += len(line)


def _number(cell: str) -> float:
    """Return a cell's number; nan where it is none."""
    try:
        return float(cell)
    except ValueError:
        return math.nan


def names_in(recording: Recording, names: Iterable[str]) -> list[str]:
    """Return which names of games or tunings a file's name, its folder or its first lines hold.

    Parameters
    ----------
    recording : with its facts
    names : as in the plan
    """
    words = [recording.source.stem, recording.source.parent.name, *(text for _, text in recording.facts.preamble)]
    texts = [_folded(one) for one in words]
    return [name for name in names if any(f" {_folded(name).strip()} " in text for text in texts)]


def _folded(text: str) -> str:
    """Return words in small letters with a blank on each side."""
    return f" {' '.join(_WORD.findall(text.casefold()))} "


def append_sensors(source: Path, target: Path, disk: Disk) -> Path | None:
    """Bring the copy of a sensor log that grows all evening up to date: only its new bytes are added.

    Parameters
    ----------
    source : the log
    target : its copy in the review's folder
    disk : writes

    Returns
    -------
    Path of the copy: another name where the log was begun anew; None where it holds nothing whole yet
    """
    content = source.read_bytes()
    if source.suffix.lower() not in _PACKED:
        content = content[: content.rfind(b"\n") + 1]
    number = 1
    while content:
        file = target if number == 1 else target.with_name(f"{target.stem}-{number}{target.suffix}")
        size = file.stat().st_size if file.exists() else 0
        if size <= len(content) and _tail_of(file, size) == content[max(0, size - _COMPARED) : size]:
            break
        number += 1
    else:
        return None
    if size < len(content):
        file.parent.mkdir(parents=True, exist_ok=True)
        disk.append(file, content[size:])
    return file


def _tail_of(file: Path, size: int) -> bytes:
    """Return the last bytes of a file."""
    if not size:
        return b""
    with file.open("rb") as log:
        log.seek(max(0, size - _COMPARED))
        return log.read()


def file_name(text: str) -> str:
    """Return a text as part of a file's name.

    Parameters
    ----------
    text : any
    """
    return re.sub(r"[^\w.\-]+", "_", text).strip("._") or "run"
