"""What the journal says of the evening: rows as they are, which run is due, what was used, stopped and dropped."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from gpubench_kit.desk.journal import effective
from gpubench_kit.desk.sheet_text import Cells
from gpubench_kit.model.metrics import METRICS

#: Steps that can be taken back.
CAN_UNDO = (
    "take",
    "repeat",
    "leave_out",
    "count",
    "no_repeat",
    "later",
    "note",
    "crash",
    "stop",
    "drop",
    "restart",
    "warm_up",
)
#: Steps that name a recording that no row has.
_LEFT = ("found", "unused")


@dataclass
class Evening:
    """The evening so far.

    Attributes
    ----------
    rows : cells by run, as the desk has them, in the order of the sheet
    steps : steps that stand, of this evening
    began_at, began_s : when it began, by the wall (text) and by the monotonic clock of that boot [s]
    used : hash of a recording -> its run, or empty where no row names it
    before : path -> bytes there before the evening began
    taken : path -> bytes taken of it
    offered : hashes of recordings whose taking was taken back
    stopped, dropped : tunings, and runs, that are not asked for tonight
    later : run -> how late in its game
    crashes : tuning -> crashes tonight
    started : when a start of a game was noted, monotonic [s]; by game
    card : card that is in, where an exchange was noted
    first : warm-up run that comes before all others
    is_paused, is_closed : whether it stands still; whether it ended with its goodbye
    """

    rows: Cells
    steps: list[dict] = field(default_factory=list)
    began_at: str = ""
    began_s: float = 0.0
    used: dict[str, str] = field(default_factory=dict)
    before: dict[str, int] = field(default_factory=dict)
    taken: dict[str, int] = field(default_factory=dict)
    offered: set[str] = field(default_factory=set)
    stopped: set[str] = field(default_factory=set)
    dropped: set[str] = field(default_factory=set)
    later: dict[str, int] = field(default_factory=dict)
    crashes: dict[str, int] = field(default_factory=dict)
    started: dict[str, float] = field(default_factory=dict)
    card: str = ""
    first: str = ""
    is_paused: bool = False
    is_closed: bool = True

    def is_recorded(self, run: str) -> bool:
        """Return whether a row has a log, typed numbers or a cause that leaves it out."""
        row = self.rows[run]
        return any(
            row.get(name) for name in ("frame_log", "sensor_log", "excluded", *METRICS) if name != "sound_dba"
        )

    def due(self) -> list[str]:
        """Return the runs to record, in order: a repeat follows at once, what was put off ends its game."""
        return [run for run in self.in_order() if run not in self.dropped
                and self.rows[run].get("tuning") not in self.stopped]  # fmt: skip

    def in_order(self) -> list[str]:
        """Return all rows that are not recorded, in order, those dropped or stopped among them."""
        roots = {run: self.root(run) for run in self.rows}
        place = {run: (_whole(row.get("order")), number) for number, (run, row) in enumerate(self.rows.items())}
        blocks: dict[str, int] = {}
        before, block = None, 0
        for run in sorted((run for run in self.rows if roots[run] == run), key=place.__getitem__):
            row = self.rows[run]
            visit = tuple(row.get(name, "") for name in ("card", "bench", "session", "game", "setting"))
            block, before = block + (visit != before), visit
            blocks[run] = block
        waiting = [
            run for run in self.rows if not self.is_recorded(run) and self.rows[run].get("purpose") != "idle"
        ]
        is_out = {run: bool(self.card) and self.rows[run].get("card", "") not in ("", self.card) for run in waiting}
        return sorted(waiting, key=lambda run: (run != self.first, is_out[run], blocks.get(roots[run], 0),
                                                self.later.get(run, 0), place[roots[run]], place[run]))  # fmt: skip

    def root(self, run: str) -> str:
        """Return the run that a repeat, or a repeat of a repeat, stands for."""
        seen = {run}
        while (earlier := self.rows[run].get("replaces", "")) in self.rows and earlier not in seen:
            run = earlier
            seen.add(run)
        return run

    def repeat_of(self, run: str) -> dict[str, str]:
        """Return the row that repeats a run."""
        row = self.rows[run]
        stem, number = re.sub(r"-\d+$", "", run) if row.get("replaces") else run, 2
        while f"{stem}-{number}" in self.rows:
            number += 1
        order = max((_whole(one.get("order")) for one in self.rows.values()), default=0) + 1
        kept = (
            "tuning",
            "game",
            "card",
            "bench",
            "setting",
            "purpose",
            "session",
            "launch",
            "round",
            "game_version",
        )
        cells = {name: row.get(name, "") for name in kept}
        return {"run": f"{stem}-{number}", **cells, "order": str(order), "replaces": run}

    def of_game(self, run: str) -> tuple[str, ...]:
        """Return card, bench, game and setting of a row."""
        return tuple(self.rows[run].get(name, "") for name in ("card", "bench", "game", "setting"))

    def takes(self) -> list[dict]:
        """Return the steps that took a recording, oldest first."""
        return [one for one in self.steps if one["did"] == "take"]


def _whole(text: str | None) -> int:
    """Return a whole number of the sheet; one above all others where there is none."""
    return int(text) if text and text.strip().isdecimal() else 1_000_000


def evening_of(lines: Sequence[Mapping], base: Cells) -> Evening:
    """Return what the journal makes of a sheet.

    Parameters
    ----------
    lines : of the journal, oldest first
    base : cells that the sheet had when the desk wrote it last; applying steps twice changes nothing
    """
    evening = Evening({run: dict(cells) for run, cells in base.items()})
    for line in lines:
        _apply_cells(evening.rows, line)
    opened = max((place for place, line in enumerate(lines) if line["did"] == "open"), default=0)
    tonight = lines[opened:]
    evening.steps = effective(list(tonight))
    undone = {line["of"] for line in tonight if line["did"] == "undo"} - {one["n"] for one in evening.steps}
    evening.offered = {line["file"]["hash"] for line in tonight if line["n"] in undone and line.get("file")}
    for line in effective(list(lines)):
        if line["did"] in ("take", *_LEFT) and line.get("file"):
            evening.used[line["file"]["hash"]] = line.get("run", "")
            evening.taken[line["file"]["source"]] = line["file"]["to"]
    for line in evening.steps:
        _apply(evening, line)
    return evening


def _apply_cells(rows: Cells, line: Mapping) -> None:
    """Do to the rows what a step did."""
    for row in line.get("rows", ()):
        rows[row["run"]] = dict(row)
    for run in line.get("gone", ()):
        rows.pop(run, None)
    for run, cells in line.get("cells", {}).items():
        if run in rows:
            rows[run].update({name: after for name, (_, after) in cells.items()})


def _apply(evening: Evening, line: Mapping) -> None:
    """Keep what a step says beyond cells."""
    did = line["did"]
    if did == "open":
        evening.began_at, evening.began_s = line["at"], line["mono"]
        evening.before, evening.is_closed = line.get("before", {}), False
    elif did == "close":
        evening.is_closed = True
    elif did == "stop":
        evening.stopped.add(line["tuning"])
    elif did == "drop":
        evening.dropped.update(line["runs"])
    elif did == "later":
        evening.later[line["run"]] = line["n"]
    elif did == "crash":
        evening.crashes[line["tuning"]] = evening.crashes.get(line["tuning"], 0) + 1
    elif did == "warm_up":
        evening.first = line["rows"][0]["run"]
    elif did == "pause":
        evening.is_paused = True
    elif did == "go_on":
        evening.is_paused = False
    elif did == "restart":
        evening.card = line.get("card") or evening.card
        if line["what"] == "game":
            evening.started[line["game"]] = line["mono"]


def undo_of(line: Mapping, lines: Iterable[Mapping]) -> dict:
    """Return what takes a step back.

    Parameters
    ----------
    line : the step
    lines : those after it, whose cells stay where they changed the same ones
    """
    later = {(run, name) for one in lines for run, cells in one.get("cells", {}).items() for name in cells}
    cells = {
        run: {name: [after, before] for name, (before, after) in changed.items() if (run, name) not in later}
        for run, changed in line.get("cells", {}).items()
    }
    return {"of": line["n"], "cells": cells, "gone": [row["run"] for row in line.get("rows", ())],
            "rows": [*line.get("removed", ())]}  # fmt: skip
