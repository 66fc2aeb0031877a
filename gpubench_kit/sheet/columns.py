"""Headings of a run sheet: which column is which, which are unknown, which are missing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from gpubench_kit.model.errors import Fault, listed, nearest, shown
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.sheet.text import SheetCells

NEEDED = ("run", "tuning", "game")
#: Without these the order in which runs were done is not stated; verdicts then say so.
ORDERING = ("round", "order")
OPTIONAL = (
    "card", "bench", "setting", "purpose", "session", "launch", "tuning_change", "frame_log", "sensor_log",
    "started_at", "replaces", "excluded", "corrected", "game_version", "note",
)  # fmt: skip
#: What a draft says about where its cells come from: for the reviewer's eyes.
UNREAD = ("evidence",)
KNOWN = frozenset((*NEEDED, *ORDERING, *OPTIONAL, *UNREAD, *METRICS))

#: Headings at least this like a known one are taken for a slip; others are the reviewer's own columns.
_CLOSE = 0.84


@dataclass(frozen=True)
class SheetColumns:
    """Which column is which.

    Attributes
    ----------
    place : known name -> position
    faults : missing, repeated and misspelt headings
    findings : columns that are ignored, and what is not stated
    """

    place: dict[str, int]
    faults: tuple[Fault, ...]
    findings: tuple[Finding, ...]

    @property
    def is_complete(self) -> bool:
        """Whether every needed column is there, so that rows can be judged."""
        return all(name in self.place for name in NEEDED)


def read_columns(cells: SheetCells, *, logs_by_pattern: bool) -> SheetColumns:
    """Return which column is which.

    Parameters
    ----------
    cells : the sheet
    logs_by_pattern : whether the plan finds logs by a pattern, so that the sheet need not name them

    Notes
    -----
    Capitals count as small letters, and blanks as underscores: ``Frame log`` is ``frame_log``.
    """
    names = [_plain(heading) for heading in cells.headings]
    place = {name: position for position, name in enumerate(names) if name in KNOWN}
    own = [heading for heading, name in zip(cells.headings, names, strict=True) if name not in KNOWN]
    faults = [*_repeated(names, cells.file), *_misspelt(own, cells.file)]
    faults += _missing(place, [fault.problem for fault in faults], cells=cells)
    has_values = any(name in METRICS for name in place)
    if not ("frame_log" in place or "started_at" in place or has_values or logs_by_pattern):
        problem = f"neither a column 'frame_log' nor a metric's column was found (found: {listed(cells.headings)})."
        action = f"Add 'frame_log', or numbers under a metric's name ({listed(METRICS, most=4)})."
        faults.append(Fault(cells.file, problem, action))
    return SheetColumns(place, tuple(faults), (*_ignored(own, cells), *_not_stated(place, cells.file)))


def _plain(heading: str) -> str:
    """Return a heading in small letters, blanks and hyphens as underscores."""
    return "_".join(heading.casefold().replace("-", " ").split())


def _repeated(names: Iterable[str], file: str) -> list[Fault]:
    """Return a fault for each known heading that stands above two columns."""
    twice = [name for name, times in Counter(names).items() if times > 1 and name in KNOWN]
    return [Fault(file, f"two columns are called {shown(name)}; one is expected.", "Rename one.") for name in twice]


def _misspelt(own: Iterable[str], file: str) -> list[Fault]:
    """Return a fault for each unknown heading that is almost a known one."""
    faults = []
    for heading in own:
        near = nearest(_plain(heading), KNOWN, cutoff=_CLOSE)
        if near:
            action = f"Did you mean {shown(near)}? A column of your own needs a name less like it."
            faults.append(Fault(file, f"unknown column {shown(heading)}.", action))
    return faults


def _missing(place: Iterable[str], told: list[str], *, cells: SheetCells) -> list[Fault]:
    """Return a fault for each needed column that is not there, with the heading that may be meant."""
    faults = []
    for name in (name for name in NEEDED if name not in place):
        near = nearest(name, [heading for heading in cells.headings if _plain(heading) not in KNOWN])
        action = f"Is it the column {shown(near)}? Then rename it." if near else "Add it."
        problem = f"column {shown(name)} is missing (found: {listed(cells.headings, most=30)})."
        if not (near and any(shown(near) in problem for problem in told)):
            faults.append(Fault(cells.file, problem, action))
    return faults


def _ignored(own: Iterable[str], cells: SheetCells) -> list[Finding]:
    """Return a note on the columns that the kit does not read."""
    named = [heading for heading in own if heading]
    findings = []
    if named:
        message = f"{cells.file}: columns that the kit does not read are ignored: {listed(named, most=30)}."
        findings.append(Finding("note", "columns_ignored", message))
    bare = [position for position, heading in enumerate(cells.headings) if not heading]
    if any(row[position] for _, row in cells.rows for position in bare):
        message = f"{cells.file}: cells without a heading above them are ignored."
        findings.append(Finding("note", "columns_ignored", message, action="Give the column a heading."))
    return findings


def _not_stated(place: Iterable[str], file: str) -> list[Finding]:
    """Return a note if the sheet does not say in which order runs were done."""
    lacking = [name for name in ORDERING if name not in place]
    if not lacking:
        return []
    message = f"{file}: no column {' or '.join(shown(name) for name in lacking)}, so the layout is not stated."
    return [Finding("note", "layout_not_stated", message, action="Add round and order where they are known.")]
