"""Units that a log states: in a row below the heading, behind the numbers of cells, or in a heading's brackets."""

from __future__ import annotations

import re

from gpubench_kit.reading.text_table import LogTable

#: Unit as logs write it, in lower case -> the unit of the kit's metrics, and the factor to it.
_KNOWN = {
    "w": ("W", 1.0),
    "mw": ("W", 1e-3),
    "c": ("°C", 1.0),
    "°c": ("°C", 1.0),
    "degc": ("°C", 1.0),
    "mhz": ("MHz", 1.0),
    "ghz": ("MHz", 1000.0),
    "hz": ("MHz", 1e-6),
    "rpm": ("rpm", 1.0),
    "%": ("%", 1.0),
    "pct": ("%", 1.0),
    "v": ("mV", 1000.0),
    "mv": ("mV", 1.0),
    "gb": ("GB", 1.0),
    "gib": ("GB", 1.0),
    "mb": ("GB", 1 / 1024),
    "mib": ("GB", 1 / 1024),
}

#: Units of time as logs write them, in lower case.
_SAME_TIME = {"s": "s", "sec": "s", "ms": "ms", "us": "us", "µs": "us", "μs": "us", "ns": "ns"}

_IN_BRACKETS = re.compile(r".*[\[(]\s*([^\[\]()]{1,5}?)\s*[\])]\s*")


def stated_unit(table: LogTable, column: int) -> tuple[str, str, float] | None:
    """Return the unit of a sensor as written, the kit's unit of its kind, and the factor to it; None where unknown.

    Parameters
    ----------
    table : the log
    column : its place, from 0
    """
    written = _written(table, column)
    known = _KNOWN.get(written.lower())
    return None if known is None else (written, *known)


def states_time_unit(table: LogTable, column: int, unit: str) -> bool:
    """Return whether a log states that a column is in a unit of time.

    Parameters
    ----------
    table : the log
    column : its place, from 0
    unit : ``s``, ``ms``, ``us`` or ``ns``
    """
    return _SAME_TIME.get(_written(table, column).lower()) == unit


def _written(table: LogTable, column: int) -> str:
    """Return the unit of a column as it is written; empty where there is none."""
    in_heading = _IN_BRACKETS.fullmatch(table.dialect.names[column])
    return table.dialect.units[column].strip("[]() ") or (in_heading[1] if in_heading else "")
