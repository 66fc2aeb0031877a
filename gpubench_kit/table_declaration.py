"""How a table is declared and checked; the declarations themselves are in ``tables``.

A table has a fixed set of columns, in order, each with a type, a unit and a meaning. Options change
values, never columns. The Data Package schema of a report is made from these declarations.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import pandas as pd

from gpubench_kit.errors import Fault, TableError

#: pandas type of each declared type. ``number`` and ``integer`` may hold missing values (nan, <NA>).
_DTYPES = {"text": "str", "number": "float64", "integer": "Int64", "truth": "boolean"}


@dataclass(frozen=True)
class Column:
    """One column: its name, type (``text``, ``number``, ``integer``, ``truth``), meaning and unit."""

    name: str
    kind: str
    meaning: str
    unit: str = ""
    allowed: tuple[str, ...] = ()


@dataclass(frozen=True)
class Table:
    """One table: its name, what a row is, the columns that identify a row, and all columns."""

    name: str
    row: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]

    @property
    def names(self) -> list[str]:
        """Names of all columns, in order."""
        return [column.name for column in self.columns]

    def frame(self, rows: Iterable[Mapping] | pd.DataFrame = ()) -> pd.DataFrame:
        """Return the rows as a DataFrame with exactly the declared columns and types.

        Columns that the rows lack are filled with missing values; others are dropped.
        """
        frame = pd.DataFrame(rows if isinstance(rows, pd.DataFrame) else list(rows))
        frame = frame.reindex(columns=self.names)
        for column in self.columns:
            frame[column.name] = _typed(frame[column.name], column.kind)
        return frame.reset_index(drop=True)


def check_table(frame: pd.DataFrame, table: Table) -> None:
    """Raise one error that lists every way in which a table breaks its declaration.

    Parameters
    ----------
    frame : DataFrame to check
    table : its declaration

    Raises
    ------
    TableError : a declared column is missing, a key is not unique, or a value is not allowed
    """
    faults = list(_missing_columns(frame, table))
    if not faults:
        faults = [*_repeated_keys(frame, table), *_values_not_allowed(frame, table)]
    if faults:
        raise TableError(faults)


def _typed(series: pd.Series, kind: str) -> pd.Series:
    """Return the series with the pandas type of a declared type."""
    if kind == "text" and series.dtype == _DTYPES["text"]:
        return series.fillna("")
    if kind == "text":
        return series.astype("object").where(series.notna(), "").astype(str).astype("str")
    return series.astype(_DTYPES[kind])


def _missing_columns(frame: pd.DataFrame, table: Table) -> Iterable[Fault]:
    """Yield a fault for each declared column that is not there."""
    for name in table.names:
        if name not in frame.columns:
            yield Fault(f"table '{table.name}'", f"column '{name}' is missing (found: {_listed(frame.columns)}).")


def _repeated_keys(frame: pd.DataFrame, table: Table) -> Iterable[Fault]:
    """Yield a fault for the first rows that share a key."""
    repeated = frame[frame.duplicated(list(table.key), keep=False)]
    if len(repeated):
        first = ", ".join(f"{name} = {repeated.iloc[0][name]!r}" for name in table.key)
        problem = f"{len(repeated)} rows share their key, first: {first}. One row per {table.row} is expected."
        yield Fault(f"table '{table.name}'", problem)


def _values_not_allowed(frame: pd.DataFrame, table: Table) -> Iterable[Fault]:
    """Yield a fault for each column with a value outside its list."""
    for column in (column for column in table.columns if column.allowed):
        found = set(map(str, frame[column.name].dropna().unique())) - set(column.allowed) - {""}
        if found:
            problem = f"column '{column.name}' holds {_listed(sorted(found))}; allowed: {_listed(column.allowed)}."
            yield Fault(f"table '{table.name}'", problem)


def _listed(names: Iterable) -> str:
    """Return names in quotes, separated by commas."""
    return ", ".join(f"'{name}'" for name in names)
