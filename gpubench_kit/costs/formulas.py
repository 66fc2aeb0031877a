"""What watts cost: formulas from power, hours and prices to money and years. All results are estimates."""

from __future__ import annotations

import math
from dataclasses import dataclass

from gpubench_kit.model.plan.uses import Costs
from gpubench_kit.wording.numbers import number_text

DAYS_PER_YEAR = 365
_WATTS_PER_KILOWATT = 1000


@dataclass(frozen=True)
class Span:
    """A value with the interval carried through from the measurements."""

    value: float
    low: float
    high: float

    def times(self, factor: float) -> Span:
        """Return the span multiplied by a known factor; a negative one exchanges the ends."""
        ends = sorted((self.low * factor, self.high * factor))
        return Span(self.value * factor, *ends)

    def plus(self, amount: float) -> Span:
        """Return the span moved by a known amount."""
        return Span(self.value + amount, self.low + amount, self.high + amount)


def hours_of(costs: Costs) -> float:
    """Return the hours played over the years of the plan [h]."""
    return costs.hours_per_day * DAYS_PER_YEAR * costs.years


def energy_kwh(power_w: Span, hours: float) -> Span:
    """Return the energy [kWh] that a power [W] takes in some hours [h]."""
    return power_w.times(hours / _WATTS_PER_KILOWATT)


def break_even_years(extra_price: float, saved_per_year: Span) -> Span:
    """Return after how many years a dearer but thriftier card has saved its extra price.

    Parameters
    ----------
    extra_price : what the card costs more; known exactly, of any sign
    saved_per_year : what it saves in a year, in the same money; negative where it costs more to run

    Returns
    -------
    Span [years]: infinite where the saving never makes up for the price; an end is infinite where the
        interval of the saving holds zero

    Notes
    -----
    ``T = P / s`` with a known ``P``: the set of ``T`` that agree with the interval of ``s``, which is what
    Fieller's theorem gives for an exact numerator, so ``T`` is covered exactly as often as ``s``. With both
    negative it is the time after which a cheaper but thirstier card has lost its advantage.

    References
    ----------
    Fieller, E. C. (1954). Some problems in interval estimation. Journal of the Royal Statistical Society B
    16, 175-185.
    """
    sign = math.copysign(1.0, extra_price)
    saved = saved_per_year.times(sign)
    return Span(*(_years(abs(extra_price), one) for one in (saved.value, saved.high, saved.low)))


def value_for_money(performance_pct: Span, price: float, *, against_price: float) -> Span:
    """Return the change of performance per price [%].

    Parameters
    ----------
    performance_pct : change of performance [%]
    price, against_price : what the two cards cost; known exactly
    """
    share = against_price / price
    return Span(*(100 * ((1 + end / 100) * share - 1) for end in _parts(performance_pct)))


def plain_text(value: float) -> str:
    """Return hours or years without idle zeros: ``4``, ``2.5``."""
    text = number_text(value, decimals=2)
    return text.rstrip("0").rstrip(".")


def _years(price: float, saved: float) -> float:
    """Return the years in which a saving makes up for a price; infinite where it never does."""
    if price == 0:
        return 0.0
    return price / saved if saved > 0 else math.inf


def _parts(span: Span) -> tuple[float, float, float]:
    """Return value, low and high."""
    return span.value, span.low, span.high
