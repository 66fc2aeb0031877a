"""What was done at the desk, one line a step, on the disk before the screen says so; and what follows from it.

A step is one line of ``desk/journal.jsonl``: its checksum, and plain JSON. What the session is (rows, what is due,
what was taken, stopped, dropped and paused) follows from these lines alone, so that a desk that died is where it
was.
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
from itertools import groupby
from pathlib import Path
from typing import BinaryIO

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.schedule.order import MOUNTED, RESTART
from gpubench_kit.schedule.run_sheet import Cells


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


#: Steps that can be taken back.
CAN_UNDO = ("take", "repeat", "leave_out", "count", "no_repeat", "later", "note", "crash", "stop", "drop",
            "restart", "warm_up")  # fmt: skip
#: What one recording of a game is; and cells that a repeat has from the run that it repeats.
PLACE = ("card", "bench", "game", "setting")
_KEPT = (*PLACE, "tuning", "purpose", "session", "launch", "round", "game_version")
_RECORDED = ("frame_log", "sensor_log", "excluded", *(name for name in METRICS if name != "sound_dba"))


@dataclass(frozen=True)
class Session:
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
        return next((one["run"] for one in reversed(self.takes())), "")

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

    @property
    def questions(self) -> list[list[str]]:
        """Cells that another program and the desk changed both, not answered yet: (run, column, theirs, ours).

        An empty column stands for a row that is recorded, and is gone from the sheet.
        """
        found: dict[tuple[str, str], list[str]] = {}
        for line in self.kept:
            found |= {(run, column): [run, column, *texts] for run, column, *texts in line.get("asked", ())}
            found.pop((line["run"], line["column"]) if line["did"] == "answer" else ("", ""), None)
        return list(found.values())

    def is_recorded(self, run: str) -> bool:
        """Return whether a row has a log, typed numbers or a cause that leaves it out."""
        return any(self.rows[run].get(name) for name in _RECORDED)

    def is_measured(self, run: str) -> bool:
        """Return whether a row is of a run for verdicts."""
        return self.rows[run].get("purpose", "") in ("", "measure")

    def due(self) -> list[str]:
        """Return the runs to record, in order: a repeat follows at once, what was put off ends its game."""
        dropped = {run for one in self.of("drop") for run in one["runs"]}
        return [run for run in self.in_order() if run not in dropped and self.tuning(run) not in self.stopped]

    def in_order(self) -> list[str]:
        """Return all rows that are not recorded, in order, those dropped or stopped among them."""
        rows, root = self.rows, {run: self.root(run) for run in self.rows}
        place = {run: (_whole(row.get("order")), number) for number, (run, row) in enumerate(rows.items())}
        roots = sorted((run for run in rows if root[run] == run), key=place.__getitem__)
        visits = groupby(roots, key=lambda run: (rows[run].get("session", ""), self.of_game(run)))
        visit = {run: number for number, (_, runs) in enumerate(visits) for run in runs}
        later = {one["run"]: one["n"] for one in self.of("later")}
        warm_up = [one["rows"][0]["run"] for one in self.of("warm_up")][-1:]
        card = [one["card"] for one in self.of("restart") if one.get("card")][-1:]
        open_runs = [run for run in rows if not self.is_recorded(run) and rows[run].get("purpose") != "idle"]
        # Rows of a card that is not in come last.
        is_out = {run: bool(card) and rows[run].get("card", "") not in ("", *card) for run in open_runs}
        return sorted(open_runs, key=lambda run: ([run] != warm_up, is_out[run], visit.get(root[run], 0),
                                                  later.get(run, 0), place[root[run]], place[run]))  # fmt: skip

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
        orders = [whole for one in self.rows.values() if (whole := _whole(one.get("order"))) < _NO_ORDER]
        cells = {name: row.get(name, "") for name in _KEPT}
        return {"run": f"{stem}-{number}", **cells, "order": str(max(orders, default=0) + 1), "replaces": run}

    def tuning(self, run: str) -> str:
        """Return the tuning of a row; empty for no run."""
        return self.rows.get(run, {}).get("tuning", "")

    def of_game(self, run: str) -> tuple[str, ...]:
        """Return card, bench, game and setting of a row; empty for no run."""
        return tuple(self.rows[run].get(name, "") for name in PLACE) if run else ()

    def last_on(self, run: str) -> dict[str, str]:
        """Return the row taken last, or the card that was said to be in since; empty for neither."""
        last = [one for one in self.of("take", "restart") if one.get("card") or one.get("run") in self.rows][-1:]
        if not last or not run:
            return {}
        return (
            self.rows[last[0]["run"]] if last[0]["did"] == "take" else {**self.rows[run], "card": last[0]["card"]}
        )

    def progress(self) -> tuple[int, int]:
        """Return how many rows are done, and of how many; repeats count with the run that they repeat."""
        every = {self.root(run) for run, row in self.rows.items() if row.get("purpose") != "idle"}
        return len(every - {self.root(run) for run in self.in_order()}), len(every)


_NO_ORDER = 1_000_000


def _whole(text: str | None) -> int:
    """Return a whole number of the sheet; one above all others where there is none."""
    return int(text) if text and text.strip().isdecimal() else _NO_ORDER


def with_card(row: Mapping[str, str], plan: ReviewPlan) -> dict[str, str]:
    """Return the cells of a row with the name of its card, which a review of one card need not write."""
    return {**row, "card": row.get("card") or plan.cards[0].name}


def card_step(row: Mapping[str, str], earlier: Mapping[str, str], plan: ReviewPlan) -> str:
    """Return what is to be done with the cards before a run: ``begin``, ``mount``, ``again``, or nothing.

    Parameters
    ----------
    row, earlier : cells of the run, and of the one before it; empty for none
    plan : of a review that may have several cards
    """
    if len(plan.cards) < 2 or not row:
        return ""
    if not earlier:
        return "begin"
    row, earlier = with_card(row, plan), with_card(earlier, plan)
    if row["card"] != earlier["card"]:
        return "mount"
    mountings = {one.get("session", "").partition(RESTART)[0] for one in (row, earlier)}
    return "again" if len(mountings) > 1 and MOUNTED.format(card=row["card"]) in row["session"] else ""


def session_of(lines: Sequence[dict]) -> Session:
    """Return what the journal says.

    Parameters
    ----------
    lines : of the journal, oldest first; one that was taken back, and not put back, counts for nothing
    """
    undone: set[int] = set()
    for line in lines:
        undone ^= {line["of"]} if line["did"] == "undo" else set()
    kept = [line for line in lines if line["n"] not in undone and line["did"] != "undo"]
    rows: Cells = {}
    for line in kept:
        for row in line.get("removed", ()):
            rows.pop(row["run"], None)
        rows |= {row["run"]: dict(row) for row in line.get("rows", ())}
        for run, cells in line.get("cells", {}).items():
            rows.get(run, {}).update(cells)
    opened = max((line["n"] for line in lines if line["did"] == "open"), default=1)
    used = {line["file"]["hash"]: line.get("run", "") for line in kept if line.get("file")}
    back = {line["file"]["hash"] for line in lines
            if line["n"] in undone and line["n"] > opened and line.get("file")}  # fmt: skip
    return Session(rows, kept, [one for one in kept if one["n"] >= opened], used, back - set(used))


_UNITS = {"pct": "%", "mhz": "MHz", "mv": "mV", "w": "W", "c": "°C", "rpm": "RPM", "v": "V", "a": "A"}


def changes_text(changes: Mapping[str, float]) -> str:
    """Return what a tuning sets: ``core +140 MHz   power limit −12 %``.

    Parameters
    ----------
    changes : amounts by name, the unit at its end
    """
    parts = []
    for name, value in changes.items():
        words = name.split("_")
        unit = f" {_UNITS[words[-1]]}" if words[-1] in _UNITS and len(words) > 1 else ""
        parts.append(f"{' '.join(words[:-1] if unit else words)} {value:+g}{unit}".replace("-", "−"))
    return "   ".join(parts) or "as it is named: the plan states no values"
