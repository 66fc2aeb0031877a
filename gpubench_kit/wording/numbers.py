"""Numbers as text: the one place of the kit that rounds.

Tables keep full precision; what a viewer reads comes from here. All functions are pure. Half is
rounded away from zero, as on paper, from the shortest decimal that names the number. A missing
value (None, nan, <NA>) becomes an en dash. Minus is the true minus sign. A plain space stands
between number and unit.

::

    number_text(value, decimals=1)                  '1234.5'
    significant_text(value, digits=3)               '0.0123'
    unit_text(value, unit)                          '142.3 fps', '0.412 J', '71.0 °C'
    value_text(value, metric)                       the same, unit by the metric's name
    percent_text(value)                             '2 %', '2.5 %': levels, margins, shares
    change_text(change, unit='%')                   '+2.1 %', '−0.3 °C', '0.0 %'
    watts_text(change)                              '−41 W', '+3.2 W'
    bound_text(value, unit='%', up=False)           '2.1 %': rounded down, for "at least"
    interval_text(low, high, unit='%')              '−0.4 to +1.2 %'
    change_and_interval_text(change, low, high)     '+2.1 % (+1.4 to +2.7 %)'
    p_text(p, level=0.05)                           'p = 0.032', 'p < 0.001'
    count_text(n, one='', many='')                  '12,345', '1 run', '5 runs'
    duration_text(seconds)                          '45 s', '3 min 20 s', '2 h 05 min'
    money_text(value, currency)                     '12.40 EUR'
"""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Decimal
from typing import TYPE_CHECKING

import pandas as pd

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.wording.catalogue import has, say

if TYPE_CHECKING:
    from typing_extensions import TypeIs

MISSING = "–"
MINUS = "−"

#: Decimals of a value by its unit; a unit that is not named gets three significant digits.
_DECIMALS = {
    "fps": 1, "ms": 2, "ms/min": 0, "W": 1, "°C": 1, "rpm": 0, "dBA": 1, "MHz": 0, "mV": 0, "%": 1, "GB": 2, "s": 1,
}  # fmt: skip

#: Decimals of a change by its unit; a unit that is not named gets as many as its values in `_DECIMALS`.
_CHANGE_DECIMALS = {"%": 1, "ms/min": 1}

#: More decimals than this are never printed to keep a small number apart from zero.
_MOST_DECIMALS = 6


def number_text(value: float | None, *, decimals: int = 1) -> str:
    """Return a number with a fixed count of decimals.

    Parameters
    ----------
    value : number, or a missing value
    decimals : digits after the point

    Returns
    -------
    str : ``'1234.5'``, ``'−0.5'``, ``'0.0'`` (never a negative zero), ``'∞'``, or an en dash for a missing value
    """
    if is_missing(value):
        return MISSING
    if math.isinf(value):
        return "∞" if value > 0 else f"{MINUS}∞"
    rounded = _rounded(value, decimals)
    sign = MINUS if rounded < 0 else ""
    return f"{sign}{abs(rounded):f}"


def significant_text(value: float | None, *, digits: int = 3) -> str:
    """Return a number with a fixed count of significant digits, never with an exponent.

    Digits before the point are kept whole: 12345 with three digits is ``'12345'``, since a viewer
    reads zeros as measured ones.

    Parameters
    ----------
    value : number, or a missing value
    digits : significant digits, at least one
    """
    if is_missing(value) or math.isinf(value) or value == 0:
        return number_text(value, decimals=digits - 1)
    return number_text(value, decimals=_decimals_for(value, digits))


def unit_text(value: float | None, unit: str) -> str:
    """Return a value with its unit, with the decimals usual for that unit.

    Parameters
    ----------
    value : number in ``unit``, or a missing value
    unit : as in `metrics.METRICS`; empty for none

    Returns
    -------
    str : ``'142.3 fps'``; a missing value is an en dash without unit
    """
    text = number_text(value, decimals=_DECIMALS[unit]) if unit in _DECIMALS else significant_text(value)
    return _with_unit(text, unit)


def value_text(value: float | None, metric: str) -> str:
    """Return a value of a metric with the metric's unit.

    Parameters
    ----------
    value : number in the metric's unit, or a missing value
    metric : name in `metrics.METRICS`

    Raises
    ------
    KeyError : there is no such metric
    """
    return unit_text(value, METRICS[metric].unit)


def percent_text(value: float | None) -> str:
    """Return an unsigned percentage without idle zeros: ``'2 %'``, ``'2.5 %'``, ``'97.25 %'``.

    For margins, confidence and shares (at most three decimals); changes are for `change_text`.
    """
    text = number_text(value, decimals=3)
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return _with_unit(text, "%")


def change_text(change: float | None, unit: str = "%") -> str:
    """Return a change with its sign and unit.

    Parameters
    ----------
    change : number in ``unit``, or a missing value
    unit : ``'%'`` on the ratio scale, else the metric's unit

    Returns
    -------
    str : ``'+2.1 %'``; what rounds to zero has no sign: ``'0.0 %'``
    """
    return _with_unit(_signed_text(change, _change_decimals(unit, change)), unit)


def watts_text(change: float | None) -> str:
    """Return a change of power as it is spoken: whole watts from 9.5 W up, else with one decimal."""
    decimals = 1 if is_missing(change) or abs(change) < 9.5 else 0
    return _with_unit(_signed_text(change, decimals), "W")


def bound_text(value: float | None, unit: str = "%", *, up: bool) -> str:
    """Return a bound without a plus sign, rounded up ("less than") or down ("at least"), so that it stays true."""
    if is_missing(value) or math.isinf(value):
        return _with_unit(number_text(value), unit)
    decimals = _change_decimals(unit, value)
    way = ROUND_CEILING if up else ROUND_FLOOR
    safe = Decimal(repr(float(value))).quantize(Decimal(1).scaleb(-decimals), rounding=way)
    return _with_unit(number_text(float(safe), decimals=decimals), unit)


def interval_text(low: float | None, high: float | None, unit: str = "%") -> str:
    """Return an interval with signs: ``'−0.4 to +1.2 %'``.

    An end that is not zero never reads as zero, so that the text and the verdict agree on
    whether the interval holds zero: decimals are added until it does not (at most six).

    Parameters
    ----------
    low, high : ends in ``unit``; a missing end makes the text an en dash
    unit : ``'%'`` on the ratio scale, else the metric's unit
    """
    if is_missing(low) or is_missing(high):
        return MISSING
    decimals = _interval_decimals(unit, low, high)
    ends = say("number.span", low=_signed_text(low, decimals), high=_signed_text(high, decimals))
    return _with_unit(ends, unit)


def change_and_interval_text(
    change: float | None, low: float | None, high: float | None, *, unit: str = "%"
) -> str:
    """Return a change and its interval, all with the same decimals: ``'+2.1 % (+1.4 to +2.7 %)'``.

    Parameters
    ----------
    change, low, high : numbers in ``unit``; without both ends only the change is printed
    unit : ``'%'`` on the ratio scale, else the metric's unit
    """
    if is_missing(change) or is_missing(low) or is_missing(high):
        return change_text(change, unit)
    decimals = _interval_decimals(unit, low, high)
    return f"{_with_unit(_signed_text(change, decimals), unit)} ({interval_text(low, high, unit)})"


def p_text(p: float | None, *, level: float = 0.05) -> str:
    """Return a p-value: ``'p = 0.032'``, ``'p < 0.001'``, ``'p > 0.99'``.

    Parameters
    ----------
    p : p-value, or a missing value
    level : level it is compared with; a p-value on one side of it never reads as equal to it
    """
    if is_missing(p):
        return MISSING
    if p < 0.001:
        return "p < 0.001"
    if p > 0.99:
        return "p > 0.99"
    decimals = 3 if p < 0.1 else 2
    while float(_rounded(p, decimals)) == level != p and decimals < _MOST_DECIMALS:
        decimals += 1
    return f"p = {_rounded(p, decimals)}"


def count_text(n: int | None, one: str = "", many: str = "") -> str:
    """Return a count, with the counted word in its right form.

    Parameters
    ----------
    n : whole number, or a missing value
    one, many : the word for one and for many; ``many`` defaults to ``one`` with an s; none: only the number. A
        word that the catalogue counts (``count.run``) is said from there

    Returns
    -------
    str : ``'12,345'``, ``'1 run'``, ``'0 runs'``
    """
    if is_missing(n):
        return MISSING
    number, key = f"{int(n):,}".replace("-", MINUS), f"count.{one.replace(' ', '-')}"
    if has(key):
        return say(key, n=1 if n == 1 else number)
    word = one if abs(n) == 1 else (many or (f"{one}s" if one else ""))
    return f"{number} {word}".rstrip()


def duration_text(seconds: float | None) -> str:
    """Return a duration in the two largest units that matter: ``'45 s'``, ``'3 min 20 s'``, ``'2 h 05 min'``.

    Parameters
    ----------
    seconds : duration [s], not negative, or a missing value
    """
    if is_missing(seconds):
        return MISSING
    whole = int(_rounded(seconds, 0))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    minutes = int(_rounded(seconds / 60, 0))
    return f"{minutes // 60:,} h {minutes % 60:02d} min"


def money_text(value: float | None, currency: str) -> str:
    """Return an amount of money with two decimals: ``'12.40 EUR'``."""
    return _with_unit(number_text(value, decimals=2), currency)


def is_missing(value: float | None) -> TypeIs[None]:
    """Return whether a value is None, nan or <NA>."""
    return bool(pd.isna(value))


def _rounded(value: float, decimals: int) -> Decimal:
    """Return the number rounded half away from zero; a negative zero becomes zero."""
    exact = Decimal(repr(float(value))) if not isinstance(value, int) else Decimal(value)
    # A float may need several hundred digits; quantize refuses more than the context holds.
    if abs(exact) >= Decimal(10) ** 20:
        return exact.to_integral_value()
    return exact.quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_UP) + Decimal(0)


def _decimals_for(value: float, digits: int) -> int:
    """Return how many decimals give so many significant digits, also where rounding adds a digit (9.999)."""
    exact = Decimal(repr(float(value)))
    decimals = max(0, digits - 1 - exact.adjusted())
    if _rounded(value, decimals).adjusted() > exact.adjusted():
        decimals -= 1
    return max(0, decimals)


def _signed_text(value: float | None, decimals: int) -> str:
    """Return a number with its sign; what rounds to zero has none."""
    text = number_text(value, decimals=decimals)
    is_positive = not is_missing(value) and value > 0
    return f"+{text}" if is_positive and text.strip("0.") else text


def _change_decimals(unit: str, change: float | None) -> int:
    """Return the decimals of a change in a unit."""
    if unit in _CHANGE_DECIMALS or unit in _DECIMALS:
        return _CHANGE_DECIMALS.get(unit, _DECIMALS.get(unit, 1))
    return 1 if is_missing(change) or change == 0 or math.isinf(change) else _decimals_for(change, 3)


def _interval_decimals(unit: str, low: float, high: float) -> int:
    """Return decimals with which no end that is not zero reads as zero."""
    ends = [end for end in (low, high) if end != 0 and not math.isinf(end)]
    decimals = _change_decimals(unit, max(ends, key=abs, default=0.0))
    while decimals < _MOST_DECIMALS and any(_rounded(end, decimals) == 0 for end in ends):
        decimals += 1
    return decimals


def _with_unit(text: str, unit: str) -> str:
    """Return the text with its unit; a missing value has none."""
    return text if text == MISSING or not unit else f"{text} {unit}"
