"""Rows of a run sheet, each checked by itself: one frozen model, many rows in one call."""

from __future__ import annotations

import itertools
import re
from collections import namedtuple
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from functools import partial
from types import MappingProxyType
from typing import Annotated, Any

from pydantic import AfterValidator, ConfigDict, Field, PlainValidator, TypeAdapter, ValidationError, create_model

from gpubench_kit.model.errors import Fault, listed, shown, suggestion
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan.fields import Name, Section, Text, kit_error
from gpubench_kit.sheet.numbers import TypedNumber, parse_count, parse_metric

PURPOSES = ("measure", "warm_up", "soak", "idle", "pilot")
CAUSES = ("crash", "wrong_settings", "not_completed", "background_load", "log_gap", "tuning_lost")

#: Columns of whole sentences, which may end in a question mark.
_OWN_WORDS = ("note", "corrected")

#: A question mark beside a proposed value, or alone.
_OPEN = re.compile(r"^\?(?:\s+|$)|\s+\?$")


def _purpose(text: str) -> str:
    """Return the purpose; an empty cell means that the run measures."""
    return _one_of(text or "measure", PURPOSES)


def _cause(text: str) -> str:
    """Return the cause for which a run is left out; an empty cell means that it counts."""
    return _one_of(text, CAUSES) if text else ""


def _one_of(text: str, allowed: Sequence[str]) -> str:
    """Return the text if it is one of those allowed."""
    if text not in allowed:
        problem = f"{shown(text)} was found; one of {listed(allowed)} is expected."
        raise kit_error(problem, suggestion(text, allowed) or "Correct it, or leave the cell empty.")
    return text


Whole = Annotated[int | None, PlainValidator(parse_count)]


class _RowOfText(Section):
    """One row of a run sheet as written; empty cells are empty texts, or None where a number is expected."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    line: int
    run: Name
    tuning: Name
    game: Text = ""
    card: Text = ""
    bench: Text = ""
    setting: Text = ""
    purpose: Annotated[str, AfterValidator(_purpose)] = "measure"
    session: Text = ""
    launch: Text = ""
    tuning_change: Text = ""
    round: Whole = None
    order: Whole = None
    started_at: Text = ""
    frame_log: Text = ""
    sensor_log: Text = ""
    excluded: Annotated[str, AfterValidator(_cause)] = ""
    replaces: Text = ""
    corrected: Text = ""
    game_version: Text = ""
    note: Text = ""


#: The row with one field for each metric, since each metric limits what its numbers can be.
_RowOfNumbers = create_model(
    "_RowOfNumbers",
    __base__=_RowOfText,
    **{
        name: (Annotated[TypedNumber | None, PlainValidator(partial(parse_metric, metric=name))], Field(None))
        for name in METRICS
    },
)

_ROWS = TypeAdapter(list[_RowOfNumbers])
#: The model of a row takes 3 kB, so that thousands of them are not held at a time.
_ROWS_AT_A_TIME = 250
_NO_NUMBERS: Mapping[str, TypedNumber] = MappingProxyType({})


class SheetRow(namedtuple("_CheckedCells", (*_RowOfText.model_fields, "numbers"))):
    """A row that was checked: the cells of text, and ``numbers``, the metrics typed into it, by name."""

    __slots__ = ()

    @property
    def is_used(self) -> bool:
        """Whether the run can enter verdicts, as far as the sheet tells."""
        return self.purpose == "measure" and not self.excluded


def check_rows(rows: Iterable[Mapping[str, Any]], *, file: str) -> tuple[list[SheetRow], list[tuple[int, Fault]]]:
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
    checked: list[SheetRow] = []
    faults: list[tuple[int, Fault]] = []
    rows = iter(rows)
    while part := list(itertools.islice(rows, _ROWS_AT_A_TIME)):
        models, found = _models(part, file)
        checked += [_as_checked(model) for model in models]
        faults += found
    return checked, faults


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
        where = f"{row_name(row.get('run', ''), row['line'], file=file)}, column {shown(column)}"
        proposed = _OPEN.sub("", cell)
        action = f"If {shown(proposed)} is right, take the question mark away." if proposed else "Fill it in."
        yield row["line"], Fault(where, f"{shown(cell)} is a question that is still open.", action)


def _models(rows: Sequence[Mapping[str, Any]], file: str) -> tuple[list[_RowOfText], list[tuple[int, Fault]]]:
    """Return the models of rows, those with faults without the cells at fault, and the faults."""
    try:
        return _ROWS.validate_python(rows), []
    except ValidationError as error:
        errors = error.errors(include_url=False)
    faults = [(rows[one["loc"][0]]["line"], _fault(one, rows[one["loc"][0]], file)) for one in errors]
    cells = {position: dict(row) for position, row in enumerate(rows)}
    for position, column, *_ in (one["loc"] for one in errors):
        cells.get(position, {}).pop(column, None)
        if column in ("run", "tuning"):
            cells.pop(position, None)
    return _ROWS.validate_python(list(cells.values())), faults


def _as_checked(model: _RowOfText) -> SheetRow:
    """Return what is kept of a row."""
    given = model.model_fields_set & METRICS.keys()
    typed = {name: getattr(model, name) for name in METRICS if name in given}
    numbers: dict[str, TypedNumber] = {name: number for name, number in typed.items() if number is not None}
    return SheetRow(*(getattr(model, name) for name in _RowOfText.model_fields), numbers or _NO_NUMBERS)


def row_name(run: str, line: int, *, file: str) -> str:
    """Return how messages name a row: by its run, else by its line."""
    return f"{file}, run {shown(run)}" if run else f"{file}, line {line}"


def _fault(error: Mapping[str, Any], row: Mapping[str, Any], file: str) -> Fault:
    """Return one error of pydantic as a fault; every check of a row raises the kit's own wording."""
    column = error["loc"][1]
    where = row_name(row.get("run", ""), row["line"], file=file)
    wording = {"problem": error["msg"], "action": "", **error.get("ctx", {})}
    return Fault(f"{where}, column {shown(column)}", wording["problem"], wording["action"])
