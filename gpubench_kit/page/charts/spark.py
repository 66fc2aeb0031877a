"""A change with its interval, as large as a word."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from gpubench_kit.page.charts.marks import Drawn, value_text
from gpubench_kit.page.charts.scales import Scale, is_known
from gpubench_kit.wording.numbers import change_text, interval_text


@dataclass(frozen=True)
class Spark(Drawn):
    """A change with its interval, the band of the margin and zero.

    Attributes
    ----------
    change, low, high : change and its interval, in ``unit``
    verdict : word of the verdict's table
    margin : half the width of the band, in ``unit``
    limit : half the width of the axis; what lies beyond is cut at the edge
    level : what the interval promises, in words
    """

    change: float
    low: float
    high: float
    verdict: str
    margin: float
    limit: float
    unit: str = "%"
    level: str = "95 %"
    width: float = 120.0
    height: float = 20.0
    macro = "spark"

    @property
    def alternative_text(self) -> str:
        """Change, interval and margin."""
        ends = interval_text(self.low, self.high, self.unit) if is_known(self.low, self.high) else "no interval"
        margin = f", margin ±{value_text(self.margin, self.unit, decimals=1)}" if is_known(self.margin) else ""
        return f"{change_text(self.change, self.unit)}, {self.level}: {ends}{margin}"

    @property
    def x(self) -> Scale:
        """Values onto places, zero in the middle."""
        return Scale(-self.limit, self.limit, 5.0, self.width - 5.0)

    @property
    def has_interval(self) -> bool:
        """Whether there is an interval to draw."""
        return is_known(self.low, self.high)

    @property
    def has_band(self) -> bool:
        """Whether there is a margin to draw."""
        return is_known(self.margin)


def spark_limit(rows: Iterable[tuple[float | None, float | None, float | None]]) -> float:
    """Return half the width of an axis that holds (low, high, margin) of every row; 1 where there is none."""
    most = 0.0
    for low, high, margin in rows:
        most = max([most, *(abs(one) for one in (low, high) if is_known(one))])
        most = max(most, 1.6 * abs(margin)) if is_known(margin) else most
    return 1.04 * most or 1.0
