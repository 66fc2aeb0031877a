"""Units that a log states: in a row below the heading, behind the numbers of cells, or at a heading's end."""

from __future__ import annotations

import re
from dataclasses import dataclass

from gpubench_kit.logs.text_table import LogTable
from gpubench_kit.model.metrics import METRICS


@dataclass(frozen=True)
class StatedUnit:
    """A unit that a log states for a sensor.

    Attributes
    ----------
    written : as the log writes it
    unit : unit of the kit's metrics
    factor, zero : ``(value - zero) * factor`` is in that unit
    """

    written: str
    unit: str
    factor: float
    zero: float = 0.0


#: Unit as logs write it, in lower case without blanks -> the unit of the kit's metrics, the factor to it, and
#: where its zero lies.
_KNOWN = {
    "w": ("W", 1.0),
    "mw": ("W", 1e-3),
    "c": ("°C", 1.0),
    "°c": ("°C", 1.0),
    "degc": ("°C", 1.0),
    **dict.fromkeys(("f", "°f", "degf"), ("°C", 5 / 9, 32.0)),
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
#: The last word of a heading; single letters that are also used to tell columns apart are none.
_LAST_WORD = re.compile(r".+[\s_]([^\s_\[\]()]{1,4})")
_NO_WORDS = frozenset({"f", "a"})


def stated_unit(table: LogTable, column: int) -> StatedUnit | None:
    """Return the unit that a log states for a sensor; None where it states none, or one that is unknown.

    Parameters
    ----------
    table : the log
    column : its place, from 0
    """
    written = _written(table, column)
    known = _KNOWN.get(written.lower().replace(" ", ""))
    return None if known is None else StatedUnit(written, *known)


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
    heading = table.dialect.names[column]
    in_brackets, last = _IN_BRACKETS.fullmatch(heading), _LAST_WORD.fullmatch(heading.strip())
    if table.dialect.units[column].strip("[]() ") or in_brackets:
        return table.dialect.units[column].strip("[]() ") or in_brackets[1]
    word = last[1].lower() if last and heading not in METRICS else ""
    return last[1] if word and word not in _NO_WORDS and (word in _KNOWN or word in _SAME_TIME) else ""
