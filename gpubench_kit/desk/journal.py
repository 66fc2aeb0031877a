"""What was done at the desk: one line a step, on the disk before the screen says so.

A step is one line of ``desk/journal.jsonl``: its checksum, and plain JSON. What the session is follows from these
lines alone (`gpubench_kit.desk.session`), so that a desk that died is where it was.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import zlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import BinaryIO


class NameTaken(Exception):
    """A file of this name is there, and holds something else."""


class Foreign(Exception):
    """Another desk wrote into the journal."""


class Disk:
    """Writes that are whole or not there; ``at`` hears of every point between them, where tests stop it."""

    def __init__(self, at: Callable[[str], None] = lambda point: None):
        self.at = at

    def append(self, file: Path, content: bytes) -> None:
        """Add bytes at the end of a file and flush them to the disk; nothing of them stays where that fails."""
        size = file.stat().st_size if file.exists() else 0
        try:
            with file.open("ab") as out:
                self._write(out, content, file.name)
        except OSError:
            os.truncate(file, size)
            raise

    def replace(self, file: Path, content: bytes) -> None:
        """Put content in the place of a file in one step, its permissions kept."""
        part = self._beside(file, content)
        if file.exists():
            shutil.copymode(file, part)
        os.replace(part, file)
        self.at(f"replaced {file.name}")

    def publish(self, file: Path, content: bytes) -> None:
        """Write a file that is not there yet.

        Raises
        ------
        NameTaken : it is there, and holds something else
        """
        if file.exists():
            if file.read_bytes() != content:
                raise NameTaken(file.name)
            return
        part = self._beside(file, content)
        try:
            os.link(part, file)
        except OSError:
            # No links on this disk: made where none of this name is, and only then filled.
            with file.open("xb") as out:
                self._write(out, content, file.name)
        self.at(f"linked {file.name}")
        part.unlink()
        self.at(f"published {file.name}")

    def move(self, file: Path, target: Path) -> None:
        """Move a file where none of that name is; nothing where it is gone already."""
        if file.exists() and not target.exists():
            target.parent.mkdir(parents=True, exist_ok=True)
            os.rename(file, target)
            self.at(f"moved {file.name}")

    def free(self, folder: Path) -> int:
        """Return the free bytes of a folder's disk."""
        return shutil.disk_usage(folder).free

    def _beside(self, file: Path, content: bytes) -> Path:
        """Write content beside its place."""
        file.parent.mkdir(parents=True, exist_ok=True)
        part = file.with_name(f".{file.name}.part")
        with part.open("wb") as out:
            self._write(out, content, part.name)
        return part

    def _write(self, out: BinaryIO, content: bytes, name: str) -> None:
        """Write content and flush it to the disk."""
        self.at(f"before {name}")
        half = len(content) // 2
        out.write(content[:half])
        out.flush()
        self.at(f"half of {name}")
        out.write(content[half:])
        out.flush()
        os.fsync(out.fileno())
        self.at(f"wrote {name}")


class Journal:
    """The lines of ``desk/journal.jsonl``.

    Attributes
    ----------
    lines : every step so far, oldest first
    cut : bytes at the end that were no whole line, and were cut off
    """

    def __init__(self, file: Path, disk: Disk, *, is_read_only: bool = False):
        self._file, self._disk, self._size = file, disk, 0
        self.lines: list[dict] = []
        content = file.read_bytes() if file.exists() else b""
        for raw in content.splitlines(keepends=True):
            crc, _, text = raw.rstrip(b"\n").partition(b" ")
            if not raw.endswith(b"\n") or crc != f"{zlib.crc32(text):08x}".encode():
                break
            self.lines.append(json.loads(text))
            self._size += len(raw)
        self.cut = len(content) - self._size
        if self.cut and not is_read_only:
            os.truncate(file, self._size)

    def add(self, did: str, about: Mapping) -> None:
        """Write one step; it is on the disk when this returns.

        Parameters
        ----------
        did : kind of step
        about : what it did

        Raises
        ------
        Foreign : another desk wrote into the journal meanwhile
        OSError : it could not be written; what was written of it is taken back
        """
        if (self._file.stat().st_size if self._file.exists() else 0) != self._size:
            raise Foreign(str(self._file))
        line = {"n": len(self.lines) + 1, "did": did, **about}
        text = json.dumps(line, ensure_ascii=False, separators=(",", ":")).encode()
        raw = f"{zlib.crc32(text):08x} ".encode() + text + b"\n"
        self._disk.append(self._file, raw)
        self._size += len(raw)
        self.lines.append(line)


def digest(content: bytes) -> str:
    """Return the hash of a file's bytes."""
    return hashlib.sha256(content).hexdigest()
