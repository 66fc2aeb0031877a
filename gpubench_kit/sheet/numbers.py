"""Numbers typed into a run sheet: value, resolution and decimal mark."""

from __future__ import annotations

import math
import re
from typing import NamedTuple

from gpubench_kit.model.errors import shown
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan.fields import kit_error

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


def parse_metric(text: str, metric: str) -> TypedNumber | None:
    """Return a metric's value as typed; None for an empty cell.

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
    if not text:
        return None
    if metric == "sound_dba":
        readings = [_parse_one(one, metric) for one in _BETWEEN_READINGS.split(text)]
        value = 10 * math.log10(sum(10 ** (one.value / 10) for one in readings) / len(readings))
        marks = "".join(sorted({one.mark for one in readings}))
        step = max(one.step for one in readings)
        single = readings[0].value if len(readings) == 1 else value
        return TypedNumber(single, step, marks, any(one.thousands for one in readings))
    return _parse_one(text, metric)


def parse_count(text: str) -> int | None:
    """Return a round or an order: a whole number, or None for an empty cell.

    Raises
    ------
    PydanticCustomError : anything else
    """
    if not text:
        return None
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
    _check_range(value, text, metric)
    step = float(f"1e{int(exponent or 0) - len(decimals)}")
    return TypedNumber(value, step, mark, bool(_MAYBE_THOUSANDS.fullmatch(text)))


def _check_range(value: float, text: str, metric: str) -> None:
    """Raise if a metric cannot have this value."""
    kind = METRICS[metric]
    if kind.scale == "ratio":
        expected, right = "a number above 0", 0 < value < math.inf
    elif kind.unit == "°C":
        expected, right = "a temperature above -273", -273 < value < math.inf
    elif metric == "sound_dba":
        expected, right = "a level from 0 to 200", 0 <= value <= 200
    else:
        expected, right = "a number of at least 0", 0 <= value < math.inf
    if not right:
        problem = f"{shown(text)} was found; {expected} is expected."
        raise kit_error(problem, "Correct it, or leave the cell empty where it was not measured.")
