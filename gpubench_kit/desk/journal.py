"""What was done at the desk, one line a step, on the disk before the screen says so; and what these lines say.

A step is one line of ``desk/journal.jsonl``: its checksum, and plain JSON. The run sheet is what it was before and
the cells of these lines, so that a desk that died is where it was.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from gpubench_kit.desk.sheet_text import Cells
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan


class NameTaken(Exception):
    """A file of this name is there, and holds something else."""


class Foreign(Exception):
    """Another desk wrote into the journal."""


class Disk:
    """Writes that are whole or not there; ``at`` hears of every point between them, where tests stop it."""

    def __init__(self, at: Callable[[str], None] = lambda point: None):
        self.at = at

    def append(self, file: Path, content: bytes) -> None:
        """Add bytes at the end of a file and flush them to the disk."""
        with file.open("ab") as out:
            self._write(out, content, file.name)

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
        except FileExistsError:
            raise NameTaken(file.name) from None
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

    def add(self, did: str, about: Mapping) -> dict:
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
        found = self._file.stat().st_size if self._file.exists() else 0
        if found != self._size:
            raise Foreign(str(self._file))
        line = {"n": len(self.lines) + 1, "did": did, **about}
        text = json.dumps(line, ensure_ascii=False, separators=(",", ":")).encode()
        raw = f"{zlib.crc32(text):08x} ".encode() + text + b"\n"
        try:
            self._disk.append(self._file, raw)
        except OSError:
            if self._file.exists():
                os.truncate(self._file, self._size)
            raise
        self._size += len(raw)
        self.lines.append(line)
        return line


def digest(content: bytes) -> str:
    """Return the hash of a file's bytes."""
    return hashlib.sha256(content).hexdigest()


#: Steps that can be taken back.
CAN_UNDO = ("take", "repeat", "leave_out", "count", "no_repeat", "later", "note", "crash", "stop", "drop",
            "restart", "warm_up")  # fmt: skip
#: Steps after which a file, or a part of it, is not offered again.
_USES = ("take", "crash", "found", "unused")
#: Cells that a repeat has from the run that it repeats.
_KEPT = ("tuning", "game", "card", "bench", "setting", "purpose", "session", "launch", "round", "game_version")


@dataclass(frozen=True)
class Evening:
    """The session so far.

    Attributes
    ----------
    rows : cells by run, as the desk has them, in the order of the sheet
    kept : steps that stand, of all sessions
    steps : of these, the steps of this session
    used : hash of a recording -> its run, or empty where no row names it
    offered : hashes of recordings whose taking was taken back
    """

    rows: Cells
    kept: list[dict]
    steps: list[dict]
    used: dict[str, str]
    offered: set[str]

    def of(self, *kinds: str) -> list[dict]:
        """Return the steps of some kinds, oldest first."""
        return [one for one in self.steps if one["did"] in kinds]

    def takes(self) -> list[dict]:
        """Return the steps that took a recording for a row that is still there, oldest first."""
        return [one for one in self.of("take") if one["run"] in self.rows]

    @property
    def last_run(self) -> str:
        """The run that was taken last; empty for none."""
        return self.takes()[-1]["run"] if self.takes() else ""

    @property
    def is_paused(self) -> bool:
        """Whether the session stands still."""
        return [one["did"] for one in self.of("pause", "go_on")][-1:] == ["pause"]

    @property
    def is_closed(self) -> bool:
        """Whether no session is open: the last one ended with its goodbye."""
        return [one["did"] for one in self.of("open", "close")][-1:] != ["open"]

    @property
    def stopped(self) -> set[str]:
        """Tunings that are not asked for tonight."""
        return {one["tuning"] for one in self.of("stop")}

    def is_recorded(self, run: str) -> bool:
        """Return whether a row has a log, typed numbers or a cause that leaves it out."""
        names = ("frame_log", "sensor_log", "excluded", *(name for name in METRICS if name != "sound_dba"))
        return any(self.rows[run].get(name) for name in names)

    def due(self) -> list[str]:
        """Return the runs to record, in order: a repeat follows at once, what was put off ends its game."""
        dropped, stopped = {run for one in self.of("drop") for run in one["runs"]}, self.stopped
        return [
            run for run in self.in_order() if run not in dropped and self.rows[run].get("tuning") not in stopped
        ]

    def in_order(self) -> list[str]:
        """Return all rows that are not recorded, in order, those dropped or stopped among them."""
        roots = {run: self.root(run) for run in self.rows}
        place = {run: (_whole(row.get("order")), number) for number, (run, row) in enumerate(self.rows.items())}
        blocks: dict[str, int] = {}
        before, block = None, 0
        for run in sorted((run for run in self.rows if roots[run] == run), key=place.__getitem__):
            visit = tuple(self.rows[run].get(name, "") for name in ("card", "bench", "session", "game", "setting"))
            block, before = block + (visit != before), visit
            blocks[run] = block
        later = {one["run"]: one["n"] for one in self.of("later")}
        warm_up = [one["rows"][0]["run"] for one in self.of("warm_up")][-1:]
        card = [one["card"] for one in self.of("restart") if one.get("card")][-1:]
        waiting = [
            run for run, row in self.rows.items() if not self.is_recorded(run) and row.get("purpose") != "idle"
        ]
        # Rows of a card that is not in come last.
        is_out = {run: bool(card) and self.rows[run].get("card", "") not in ("", *card) for run in waiting}
        return sorted(waiting, key=lambda run: ([run] != warm_up, is_out[run], blocks.get(roots[run], 0),
                                                later.get(run, 0), place[roots[run]], place[run]))  # fmt: skip

    def root(self, run: str) -> str:
        """Return the run that a repeat, or a repeat of a repeat, stands for."""
        seen = {run}
        while (earlier := self.rows[run].get("replaces", "")) in self.rows and earlier not in seen:
            run = earlier
            seen.add(run)
        return run

    def repeats(self, run: str, *, is_open: bool = True) -> list[str]:
        """Return the rows that repeat a run; only those that are not recorded, unless told otherwise."""
        return [name for name, row in self.rows.items()
                if row.get("replaces") == run and not (is_open and self.is_recorded(name))]  # fmt: skip

    def repeat_of(self, run: str) -> dict[str, str]:
        """Return a new row that repeats a run."""
        row = self.rows[run]
        stem, number = re.sub(r"-\d+$", "", run) if row.get("replaces") else run, 2
        while f"{stem}-{number}" in self.rows:
            number += 1
        orders = [int(one["order"]) for one in self.rows.values() if (one.get("order") or "").strip().isdecimal()]
        cells = {name: row.get(name, "") for name in _KEPT}
        return {"run": f"{stem}-{number}", **cells, "order": str(max(orders, default=0) + 1), "replaces": run}

    def of_game(self, run: str) -> tuple[str, ...]:
        """Return card, bench, game and setting of a row; empty for no run."""
        return tuple(self.rows[run].get(name, "") for name in ("card", "bench", "game", "setting")) if run else ()

    def progress(self) -> tuple[int, int]:
        """Return how many rows are done, and of how many; repeats count with the run that they repeat."""
        every = {self.root(run) for run, row in self.rows.items() if row.get("purpose") != "idle"}
        return len(every - {self.root(run) for run in self.in_order()}), len(every)


def _whole(text: str | None) -> int:
    """Return a whole number of the sheet; one above all others where there is none."""
    return int(text) if text and text.strip().isdecimal() else 1_000_000


def with_card(row: Mapping[str, str], plan: ReviewPlan) -> dict[str, str]:
    """Return the cells of a row with the name of its card, which a review of one card need not write."""
    return {**row, "card": row.get("card") or plan.cards[0].name}


def evening_of(lines: Sequence[dict], base: Cells) -> Evening:
    """Return what the journal makes of a sheet.

    Parameters
    ----------
    lines : of the journal, oldest first
    base : cells that the sheet had when the desk wrote it last; applying steps twice changes nothing
    """
    rows = {run: dict(cells) for run, cells in base.items()}
    undone: set[int] = set()
    for line in lines:
        for row in line.get("removed", ()):
            rows.pop(row["run"], None)
        for row in line.get("rows", ()):
            rows[row["run"]] = dict(row)
        for run, cells in line.get("cells", {}).items():
            if run in rows:
                rows[run].update({name: after for name, (_, after) in cells.items()})
        undone ^= {line["of"]} if line["did"] in ("undo", "redo") else set()
    opened = max((line["n"] for line in lines if line["did"] == "open"), default=1)
    kept = [line for line in lines if line["n"] not in undone and line["did"] not in ("undo", "redo")]
    used = {line["file"]["hash"]: line["run"] for line in kept if line["did"] in _USES and line.get("file")}
    back = {
        line["file"]["hash"] for line in lines if line["n"] in undone and line["n"] > opened and line.get("file")
    }
    return Evening(rows, kept, [one for one in kept if one["n"] >= opened], used, back - set(used))


def inverse(line: Mapping) -> dict:
    """Return what takes a step back; done to that, it puts the step back.

    Parameters
    ----------
    line : the step
    """
    cells = {run: {name: [after, before] for name, (before, after) in changed.items()}
             for run, changed in line.get("cells", {}).items()}  # fmt: skip
    return {"of": line["n"], "cells": cells, "rows": line.get("removed", []), "removed": line.get("rows", [])}
