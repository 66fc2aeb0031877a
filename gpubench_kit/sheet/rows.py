"""Headings and rows of a run sheet: which column is which, numbers as typed, each row checked by itself."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Annotated, Any, NamedTuple

from pydantic import AfterValidator, PlainValidator, TypeAdapter, ValidationError
from pydantic_core import PydanticCustomError

from gpubench_kit.model.errors import Fault, listed, nearest, shown, suggestion
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan.fields import Name, Text, kit_error
from gpubench_kit.model.tables import Finding
from gpubench_kit.sheet.text import SheetCells
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.notes import note

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
CLOSE = 0.84


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
    names = [plain_heading(heading) for heading in cells.headings]
    place = {name: position for position, name in enumerate(names) if name in KNOWN}
    own = [heading for heading, name in zip(cells.headings, names, strict=True) if name not in KNOWN]
    file = cells.file
    twice = [name for name, times in Counter(names).items() if times > 1 and name in KNOWN]
    faults = [
        Fault(file, f"two columns are called {shown(name)}; one is expected.", "Rename one.") for name in twice
    ]
    for heading in own:
        near = nearest(plain_heading(heading), KNOWN, cutoff=CLOSE)
        if near:
            action = f"Did you mean {shown(near)}? A column of your own needs a name less like it."
            faults.append(Fault(file, f"unknown column {shown(heading)}.", action))
    told = [fault.problem for fault in faults]
    for name in (name for name in NEEDED if name not in place):
        near = nearest(name, own)
        action = f"Is it the column {shown(near)}? Then rename it." if near else "Add it."
        problem = f"column {shown(name)} is missing (found: {listed(cells.headings, most=30)})."
        if not (near and any(shown(near) in problem for problem in told)):
            faults.append(Fault(file, problem, action))
    has_values = any(name in METRICS for name in place)
    if not ("frame_log" in place or "started_at" in place or has_values or logs_by_pattern):
        problem = f"neither a column 'frame_log' nor a metric's column was found (found: {listed(cells.headings)})."
        action = f"Add 'frame_log', or numbers under a metric's name ({listed(METRICS, most=4)})."
        faults.append(Fault(cells.file, problem, action))
    named = [heading for heading in own if heading]
    findings = []
    if named:
        own_ones = listed(named, most=30)
        findings.append(note("sheet.ignored.columns", check="columns_ignored", file=cells.file, columns=own_ones))
    bare = [position for position, heading in enumerate(cells.headings) if not heading]
    if any(row[position] for _, row in cells.rows for position in bare):
        findings.append(note("sheet.ignored.bare", check="columns_ignored", file=cells.file))
    lacking = [shown(name) for name in ORDERING if name not in place]
    if lacking:
        findings.append(note("sheet.layout_not_stated", file=file, columns=say("list.or").join(lacking)))
    return SheetColumns(place, tuple(faults), tuple(findings))


def plain_heading(heading: str) -> str:
    """Return a heading in small letters, blanks and hyphens as underscores.

    Parameters
    ----------
    heading : as written
    """
    return "_".join(heading.casefold().replace("-", " ").split())


_NUMBER = re.compile(r"([+-]?)([0-9]*)(?:([.,])([0-9]*))?(?:[eE]([+-]?[0-9]{1,3}))?")
_COUNT = re.compile(r"[0-9]{1,9}")
_MAYBE_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")
#: Between several readings of one run.
_BETWEEN_READINGS = re.compile(r"[\s/|;]+")


class TypedNumber(NamedTuple):
    """A number as typed.

    Attributes
    ----------
    value : the number
    step : one unit of its last written decimal
    mark : decimal mark used: ``.``, ``,`` or empty
    thousands : whether its comma could also be a thousands mark
    """

    value: float
    step: float
    mark: str
    thousands: bool


def parse_metric(text: str, metric: str) -> TypedNumber:
    """Return a metric's value as typed.

    Several readings of the sound level in one cell (``38.1 / 38.4``) are averaged on the energy scale,
    10 log10(mean(10^(L/10))).

    Parameters
    ----------
    text : the cell
    metric : name of the metric, which limits what it can be

    Raises
    ------
    PydanticCustomError : not a number, or one that the metric cannot have
    """
    parts = _BETWEEN_READINGS.split(text) if metric == "sound_dba" else [text]
    readings = [_parse_one(one, metric) for one in parts]
    if len(readings) == 1:
        return readings[0]
    value = 10 * math.log10(sum(10 ** (one.value / 10) for one in readings) / len(readings))
    marks = "".join(sorted({one.mark for one in readings}))
    return TypedNumber(value, max(one.step for one in readings), marks, any(one.thousands for one in readings))


def parse_count(text: str) -> int:
    """Return a round or an order: a whole number.

    Raises
    ------
    PydanticCustomError : anything else
    """
    if not _COUNT.fullmatch(text):
        problem = f"{shown(text)} was found; a positive whole number is expected."
        raise kit_error(problem, "Correct it, or leave the cell empty where it is not known.")
    return int(text)


def _parse_one(text: str, metric: str) -> TypedNumber:
    """Return one number as typed, held against what the metric can be."""
    found = _NUMBER.fullmatch(text.replace("−", "-"))
    if not found or not (found[2] or found[4]):
        problem = f"{shown(text)} was found; a number is expected."
        raise kit_error(problem, "Write it without unit, blanks and thousands marks, or leave the cell empty.")
    sign, whole, mark, decimals, exponent = (part or "" for part in found.groups())
    value = float(f"{sign}{whole or '0'}.{decimals or '0'}e{exponent or '0'}")
    kind = METRICS[metric]
    limits = (
        ("a number above 0", 0 < value < math.inf) if kind.scale == "ratio"
        else ("a temperature above -273", -273 < value < math.inf) if kind.unit == "°C"
        else ("a level from 0 to 200", 0 <= value <= 200) if metric == "sound_dba"
        else ("a number of at least 0", 0 <= value < math.inf)
    )  # fmt: skip
    if not limits[1]:
        problem = f"{shown(text)} was found; {limits[0]} is expected."
        raise kit_error(problem, "Correct it, or leave the cell empty where it was not measured.")
    step = float(f"1e{int(exponent or 0) - len(decimals)}")
    return TypedNumber(value, step, mark, bool(_MAYBE_THOUSANDS.fullmatch(text)))


PURPOSES = ("measure", "warm_up", "soak", "idle", "pilot")
CAUSES = ("crash", "wrong_settings", "not_completed", "background_load", "log_gap", "tuning_lost")

#: Columns that a draft never leaves open: of whole sentences, which may end in a question mark, and of own names.
_OWN_WORDS = ("run", "note", "corrected")

#: A question mark beside a proposed value, or alone.
_OPEN = re.compile(r"^\?(?:\s+|$)|\s+\?$")


def _one_of(text: str, *, allowed: Sequence[str]) -> str:
    """Return the text if it is one of those allowed."""
    if text not in allowed:
        problem = f"{shown(text)} was found; one of {listed(allowed)} is expected."
        raise kit_error(problem, suggestion(text, allowed) or "Correct it, or leave the cell empty.")
    return text


Whole = Annotated[int | None, PlainValidator(parse_count)]


@dataclass(frozen=True, slots=True)
class SheetRow:
    """A row that was checked: cells of text (empty ones are empty texts), and ``numbers``, the metrics, by name."""

    line: int
    run: Name
    tuning: Name
    game: Text = ""
    card: Text = ""
    bench: Text = ""
    setting: Text = ""
    purpose: Annotated[str, AfterValidator(partial(_one_of, allowed=PURPOSES))] = "measure"
    session: Text = ""
    launch: Text = ""
    tuning_change: Text = ""
    round: Whole = None
    order: Whole = None
    started_at: Text = ""
    frame_log: Text = ""
    sensor_log: Text = ""
    excluded: Annotated[str, AfterValidator(partial(_one_of, allowed=CAUSES))] = ""
    replaces: Text = ""
    corrected: Text = ""
    game_version: Text = ""
    note: Text = ""
    numbers: Any = field(default_factory=dict)

    @property
    def is_used(self) -> bool:
        """Whether the run can enter verdicts, as far as the sheet tells."""
        return self.purpose == "measure" and not self.excluded


_ROWS = TypeAdapter(list[SheetRow])


def check_rows(
    rows: Sequence[Mapping[str, Any]], *, file: str
) -> tuple[Sequence[SheetRow], list[tuple[int, Fault]]]:
    """Check each row by itself.

    Parameters
    ----------
    rows : cells by known column, and ``line``
    file : name of the file, for messages

    Returns
    -------
    list of SheetRow: rows with faults are there without the cells at fault, so that their names can still
    be checked, but for those without a run or a tuning; list of (line, Fault)
    """
    given, faults = [], []

    def fault(row: Mapping[str, Any], column: str, wording: Mapping[str, Any]) -> None:
        """Note what is wrong with a cell; every check raises the kit's own wording."""
        where = f"{row_name(row.get('run', ''), row['line'], file=file)}, column {shown(column)}"
        faults.append((row["line"], Fault(where, wording["problem"], wording["action"])))

    for row in rows:
        texts = {name: cell for name, cell in row.items() if name not in METRICS and (cell or name in NEEDED[:2])}
        numbers: dict[str, TypedNumber] = {}
        for name, cell in row.items():
            try:
                numbers |= {name: parse_metric(cell, name)} if name in METRICS and cell else {}
            except PydanticCustomError as error:
                fault(row, name, error.context or {})
        given.append({**texts, "numbers": numbers})
    try:
        return _ROWS.validate_python(given), faults
    except ValidationError as error:
        errors: Sequence[Mapping[str, Any]] = error.errors(include_url=False)
    for one in errors:
        place, column = one["loc"]
        fault(rows[place], column, {"problem": one["msg"], "action": "", **one.get("ctx", {})})
        given[place].pop(column, None)
    sound = [row for row in given if all(name in row for name in NEEDED[:2])]
    return _ROWS.validate_python(sound), faults


def open_cells(
    row: Mapping[str, Any], known: Mapping[str, Container[str]], *, file: str
) -> Iterator[tuple[int, Fault]]:
    """Yield a fault for each cell that a draft left open: ``?``, or ``quiet ?`` where a value is proposed.

    Parameters
    ----------
    row : cells by known column, and ``line``
    known : names that a column can hold; one that looks like an open cell is a name
    file : name of the file, for messages
    """
    for column, cell in row.items():
        is_open = column not in _OWN_WORDS and isinstance(cell, str) and _OPEN.search(cell)
        if not is_open or cell in known.get(column, ()):
            continue
        # What was found stands with the place, so that the same question in many rows is one line.
        where = f"{row_name(row.get('run', ''), row['line'], file=file)}, column {shown(column)} ({shown(cell)})"
        is_proposed = _OPEN.sub("", cell)
        action = "Where the value beside the question mark is right, take the mark away; else correct it."
        yield row["line"], Fault(where, "a question is still open.", action if is_proposed else "Fill it in.")


def as_proposed(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return a row whose open cells hold what is proposed, or nothing; for what no result depends on.

    Parameters
    ----------
    row : cells by known column, and ``line``
    """
    return {
        column: _OPEN.sub("", cell) if isinstance(cell, str) and column not in _OWN_WORDS else cell
        for column, cell in row.items()
    }


def row_name(run: str, line: int, *, file: str) -> str:
    """Return how messages name a row: by its run, else by its line."""
    return f"{file}, run {shown(run)}" if run else f"{file}, line {line}"
