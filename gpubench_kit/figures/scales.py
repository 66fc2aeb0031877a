"""From values to pixels, and the ticks between them."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from matplotlib.ticker import MaxNLocator

from gpubench_kit.figures.sheet import Sizes
from gpubench_kit.figures.text import text_width
from gpubench_kit.wording.numbers import number_text

_STEPS = (1, 2, 2.5, 5, 10)


@dataclass(frozen=True)
class Scale:
    """A straight scale: ``low`` lies at pixel ``start``, ``high`` at pixel ``end``."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value):
        """Return the pixel of a value or of an array of values."""
        return self.start + (value - self.low) * (self.end - self.start) / (self.high - self.low)

    def inside(self, value: float) -> bool:
        """Return whether a value lies on the scale, with a hair of tolerance for its ends."""
        hair = 1e-9 * (self.high - self.low)
        return self.low - hair <= value <= self.high + hair

    def clamp(self, value: float) -> float:
        """Return the value, moved to the nearer end if it lies outside."""
        return min(max(value, self.low), self.high)


def ticks_of(scale: Scale, *, most: int) -> list[float]:
    """Return at most about ``most`` round values on a scale."""
    found = MaxNLocator(nbins=max(most, 1), steps=_STEPS).tick_values(scale.low, scale.high)
    return [float(value) for value in found if scale.inside(value)]


def tick_texts(ticks: Iterable[float]) -> list[str]:
    """Return ticks as text, all with the decimals that their step needs."""
    values = list(ticks)
    step = min(np.diff(values), default=abs(values[0]) if values else 1.0) or 1.0
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    if decimals < 6 and abs(round(step, decimals) - step) > 1e-9 * step:
        decimals += 1
    return [number_text(value, decimals=decimals) for value in values]


def horizontal_ticks(scale: Scale, sizes: Sizes) -> list[tuple[float, str]]:
    """Return ticks and their texts for a horizontal scale, as many as stand well apart."""
    for most in (8, 6, 5, 4, 3, 2, 1):
        ticks = ticks_of(scale, most=most)
        texts = tick_texts(ticks)
        widest = max((text_width(text, sizes.text) for text in texts), default=0.0)
        apart = abs(scale(ticks[1]) - scale(ticks[0])) if len(ticks) > 1 else math.inf
        if apart > widest + 2.2 * sizes.gap:
            break
    return list(zip(ticks, texts, strict=True))


def tick_place(x: float, text: str, *, size: float, bounds: tuple[float, float]) -> float:
    """Return where a centred tick text goes: at ``x``, moved so that it stays within ``bounds``."""
    half = text_width(text, size) / 2
    return min(max(x, bounds[0] + half), bounds[1] - half)


def padded_range(values: Iterable[float], *, include: Iterable[float] = (), pad: float = 0.05):
    """Return the range (low, high) of the finite values and of ``include``, a little wider; never of no width."""
    finite = [float(value) for value in (*values, *include) if value is not None and math.isfinite(value)]
    if not finite:
        return 0.0, 1.0
    low, high = min(finite), max(finite)
    room = pad * (high - low) or 0.05 * abs(high) or 1.0
    return low - room, high + room
