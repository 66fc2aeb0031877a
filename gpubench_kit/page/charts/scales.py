"""From values to places on a chart: linear scales, the tail of a distribution, round ticks."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
MINUS = "−"


#: What is larger than this is drawn no more than what is infinite.
_LARGEST = 1e12


def is_known(*values: float | None) -> bool:
    """Return whether all values are there and can be drawn."""
    return all(one is not None and abs(one) <= _LARGEST for one in values)


@dataclass(frozen=True)
class Scale:
    """Values from ``low`` to ``high`` onto places from ``start`` to ``end``; what lies outside stops at the end."""

    low: float
    high: float
    start: float
    end: float
    kind: str = "linear"

    def __call__(self, value: float) -> float:
        """Return the place of a value."""
        low, high, inside = (self._bent(one) for one in (self.low, self.high, self.clamp(value)))
        return self.start + (inside - low) / ((high - low) or 1.0) * (self.end - self.start)

    def clamp(self, value: float) -> float:
        """Return the value, or the end of the scale that it lies beyond."""
        return min(max(float(value), self.low), self.high)

    def ticks(self, most: int = 4) -> list[float]:
        """Return round values on the scale, about so many."""
        if self.kind == "tail":
            return [one for one in (50.0, 90.0, 99.0, 99.9) if self.low <= one <= self.high]
        return round_ticks(self.low, self.high, most=most)

    def _bent(self, value: float) -> float:
        """Return the value on a straight scale: on the tail, each further nine is one step."""
        return -math.log10(1 - min(value, 99.999) / 100) if self.kind == "tail" else value


def round_ticks(low: float, high: float, *, most: int = 4) -> list[float]:
    """Return round values between two ends, at most one more than ``most``."""
    span = high - low
    if not (math.isfinite(span) and span > 0):
        return []
    power = 10.0 ** math.floor(math.log10(span / most))
    step = next(power * one for one in _STEPS if span / (power * one) <= most + 0.5)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [round(number * step, 10) + 0.0 for number in range(first, last + 1)]


def tick_text(value: float) -> str:
    """Return a tick as short as it can be: ``'−2'``, ``'0.5'``, ``'1200'``."""
    return f"{value:.10g}".replace("-", MINUS)


def padded(values: Iterable[float], *, include: Sequence[float] = (), pad: float = 0.06) -> tuple[float, float]:
    """Return ends that hold all finite values with some room; 0 to 1 where there is none.

    Parameters
    ----------
    values : values to hold; what is missing or not finite is passed over
    include : further values to hold, without room beyond them
    pad : room at either end, as a share of the span
    """
    known = [float(one) for one in values if is_known(one)]
    if not known:
        return (min(include), max(include)) if len(set(include)) > 1 else (0.0, 1.0)
    low, high = min(known), max(known)
    room = (high - low) * pad or abs(high) * 0.02 or 1.0
    return min([low - room, *include]), max([high + room, *include])
