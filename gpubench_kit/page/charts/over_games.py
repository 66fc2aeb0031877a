"""Results over games as charts: intervals by game, watts against frame rate."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import pandas as pd

from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.page.charts.fonts import clean, fitted, text_width
from gpubench_kit.page.charts.games import AVERAGE
from gpubench_kit.page.charts.lanes import Cell, Column, Lane, Lanes
from gpubench_kit.page.charts.marks import RIVAL, Drawn, Scale, css_place, is_known, px, tick_text
from gpubench_kit.page.charts.plot import Axis
from gpubench_kit.page.charts.states import State
from gpubench_kit.wording.numbers import change_text

POWER = "board_w"


def watts_against_fps(
    levels: pd.DataFrame, *, group: str, states: Sequence[State]
) -> tuple[Scatter, Scatter] | None:
    """Return watts against frame rate over all games of a group, wide and for a narrow screen.

    Parameters
    ----------
    levels : DataFrame, see `gpubench_kit.statistics.levels.LEVELS`; both axes are its means over games, which are
        geometric, so that frames per watt are their ratio
    group : group of settings
    states : the reference first

    Returns
    -------
    pair of Scatter, 640 and 360 wide; None unless the reference and one more have both values
    """
    rows = levels[(levels["group"] == group) & (levels["game"] == "")]
    found = []
    for one in states:
        own = one.rows(rows).set_index("metric")["value"]
        x, y = own.get(POWER), own.get(AVERAGE)
        if x is not None and y is not None and is_known(float(x), float(y)):
            found.append(ScatterPoint(one.name, one.place, float(x), float(y)))
    if len(found) < 2 or found[0].name != states[0].name:
        return None
    reference = found[0].y / found[0].x
    more = [f"{change_text(100 * (one.y / one.x / reference - 1))} FPS per watt" for one in found[1:]]
    points = (found[0], *(replace(one, note=note) for one, note in zip(found[1:], more, strict=True)))
    title = "Board power against frame rate, geometric means of the games"
    x, y = Axis("board power", "W", decimals=1), Axis("FPS, geometric mean of the games", "", decimals=1)
    y_narrow = Axis("FPS, geometric mean", "", decimals=1)
    return Scatter(title, x, y, points, 640.0, 380.0), Scatter(title, x, y_narrow, points, 360.0, 340.0)


def intervals_of_games(
    rows: pd.DataFrame,
    *,
    heading: str,
    names: Mapping[tuple[str, str], str],
    limit: float | None = None,
    width: float = 640.0,
) -> Lanes | None:
    """Return the change in each game with the interval that decides it, and the band of the margin.

    Parameters
    ----------
    rows : rows of ``comparisons`` of one pair, metric and group
    heading : what the axis shows
    names : name of each (game, setting)
    limit : half the width of the axis; None by the values
    width : whole width

    Returns
    -------
    Lanes, worst first; None where no game has a change
    """
    known = rows[rows["change"].notna()].sort_values(["change", "game", "setting"], kind="stable")
    if not len(known):
        return None
    unit = "%" if known["scale"].iloc[0] == "ratio" else known["unit"].iloc[0]
    lanes = tuple(
        Lane(names[row.game, row.setting], None, (interval_cell(row, unit=unit),)) for row in known.itertuples()
    )
    margins = [float(one) for one in known["margin"] if pd.notna(one)]
    margin = (-margins[0], margins[0]) if margins and len(set(margins)) == 1 else None
    low = None if limit is None else -limit
    return Lanes(heading, (Column(heading, unit, margin=margin, signed=True, low=low, high=limit),), lanes, width)


def interval_cell(row: Any, *, unit: str = "%") -> Cell:
    """Return change, interval and verdict of one row of ``comparisons`` or ``overall``."""
    low, high = (float(one) if pd.notna(one) else None for one in (row.ci_low, row.ci_high))
    change = float(row.change)
    return Cell(
        centre=change,
        low=low,
        high=high,
        verdict=row.verdict,
        text=f"{sign_of(row.verdict, change)} {change_text(change, unit)}",
    )


def sign_of(verdict: str, change: float) -> str:
    """Return the sign of a verdict: the arrow follows the number, hollow where it is under the margin."""
    return (VERDICTS[verdict].signs or "––")[change < 0]


#: Shorter arrows say nothing.
_SHORTEST_ARROW = 30.0
#: Where a label may stand beside its dot: anchor, step right, step down; the first one that is free is taken.
_SPOTS = (
    ("start", 11, -1), ("start", 8, -21), ("start", 8, 20), ("end", -11, -1), ("end", -8, -21), ("end", -8, 20),
    ("middle", 0, -25), ("middle", 0, 23), ("start", 26, -34), ("end", -26, -34), ("start", 26, 34),
    ("end", -26, 34),
)  # fmt: skip
_NOTE = "axes do not start at zero"


@dataclass(frozen=True)
class ScatterPoint:
    """One state of a card on two axes; further words of its mark in ``note``."""

    name: str
    place: int
    x: float
    y: float
    note: str = ""


@dataclass(frozen=True)
class _Box:
    """A rectangle that is taken."""

    left: float
    top: float
    right: float
    bottom: float

    def overlap(self, other: _Box) -> float:
        """Return the area shared with another."""
        wide = min(self.right, other.right) - max(self.left, other.left)
        high = min(self.bottom, other.bottom) - max(self.top, other.top)
        return max(0.0, wide) * max(0.0, high)


@dataclass(frozen=True)
class Label:
    """Words beside a dot."""

    x: float
    y: float
    anchor: str
    name: str
    values: str


@dataclass(frozen=True)
class Scatter(Drawn):
    """States of a card by watts and frame rate: an arrow from the reference to each tuning of the same card.

    Attributes
    ----------
    title : what it shows, in words
    x, y : the axes
    points : the reference first; a point of place `RIVAL` has no arrow
    """

    title: str
    x: Axis
    y: Axis
    points: tuple[ScatterPoint, ...]
    width: float = 460.0
    height: float = 300.0
    macro = "scatter"

    @property
    def alternative_text(self) -> str:
        """Both values of every state."""
        told = "; ".join(f"{clean(one.name)} {self.words(one)}" for one in self.points)
        return f"{clean(self.title)}. {told}."

    def words(self, point: ScatterPoint) -> str:
        """Return the values of a point in words."""
        note = f", {point.note}" if point.note else ""
        return f"{self.x.text(point.x)}, {self.y.text(point.y)}{note}"

    @property
    def top(self) -> float:
        """Top of the plane."""
        return 36.0

    @property
    def bottom(self) -> float:
        """Bottom of the plane."""
        return self.height - 36

    @cached_property
    def across(self) -> Scale:
        """Watts onto places, with room for the labels."""
        left = max((text_width(tick_text(one)) for one in self.upward.ticks(4)), default=0.0) + 9
        low, high = _spread([one.x for one in self.points])
        return Scale(low - 0.22 * (high - low), high + 0.34 * (high - low), left, self.width - 6)

    @cached_property
    def upward(self) -> Scale:
        """Frame rates onto places."""
        low, high = _spread([one.y for one in self.points])
        return Scale(low - 0.24 * (high - low), high + 0.22 * (high - low), self.bottom, self.top)

    @property
    def x_ticks(self) -> list[tuple[float, str]]:
        """Place and words of the ticks of x."""
        most = max(2, int((self.across.end - self.across.start) / 70))
        return [(self.across(one), tick_text(one)) for one in self.across.ticks(most)]

    @property
    def y_ticks(self) -> list[tuple[float, str]]:
        """Place and words of the ticks of y."""
        return [(self.upward(one), tick_text(one)) for one in self.upward.ticks(4)]

    @property
    def axis_text(self) -> str:
        """What stands below the plane."""
        unit = f", {self.x.unit}" if self.x.unit else ""
        return fitted(f"{self.x.label}{unit}; {_NOTE}", self.width)

    @property
    def heading(self) -> str:
        """What stands above the plane."""
        unit = f", {self.y.unit}" if self.y.unit else ""
        return fitted(f"{self.y.label}{unit}", self.width, face="semibold")

    @cached_property
    def equal_ends(self) -> tuple[float, float, float, float] | None:
        """Ends of the line on which frames per watt are those of the reference; None without a positive one."""
        if not self.points or self.points[0].x <= 0 or self.points[0].y <= 0:
            return None
        slope = self.points[0].y / self.points[0].x
        low = max(self.across.low, self.upward.low / slope)
        high = min(self.across.high, self.upward.high / slope)
        return self.across(low), self.upward(slope * low), self.across(high), self.upward(slope * high)

    def arrow(self, point: ScatterPoint) -> tuple[str, str] | None:
        """Return shaft and head of an arrow from the reference; None where it would say nothing."""
        if point is self.points[0] or point.place == RIVAL:
            return None
        (x0, y0), (x1, y1) = self.at(self.points[0]), self.at(point)
        long = math.hypot(x1 - x0, y1 - y0)
        if long < _SHORTEST_ARROW:
            return None
        u, v = (x1 - x0) / long, (y1 - y0) / long
        shaft = f"M{px(x0 + 8 * u)} {px(y0 + 8 * v)}L{px(x1 - 15 * u)} {px(y1 - 15 * v)}"
        corners = [(x1 - 6 * u, y1 - 6 * v)]
        corners += [(x1 - 17 * u - side * 5 * v, y1 - 17 * v + side * 5 * u) for side in (1, -1)]
        return shaft, "M" + "L".join(f"{px(x)} {px(y)}" for x, y in corners) + "z"

    def at(self, point: ScatterPoint) -> tuple[float, float]:
        """Return the place of a point."""
        return self.across(point.x), self.upward(point.y)

    @cached_property
    def labels(self) -> list[Label]:
        """Words of every point, clear of dots, arrows and each other as far as there is room."""
        taken = [box for one in self.points for box in self._boxes_of(one)] + self._boxes_of_line()
        out = []
        for point in sorted(self.points, key=lambda one: (-one.y, one.x)):
            label, box = self._placed(point, taken)
            taken.append(box)
            out.append(label)
        return out

    def _boxes_of(self, point: ScatterPoint) -> list[_Box]:
        """Return what the dot and the arrow of a point take."""
        x, y = self.at(point)
        out = [_Box(x - 7, y - 7, x + 7, y + 7)]
        if self.arrow(point):
            x0, y0 = self.at(self.points[0])
            places = [(x0 + (x - x0) * step / 14, y0 + (y - y0) * step / 14) for step in range(1, 14)]
            out += [_Box(a - 4, b - 4, a + 4, b + 4) for a, b in places]
        return out

    def _boxes_of_line(self) -> list[_Box]:
        """Return what the dashed line takes."""
        if self.equal_ends is None:
            return []
        x0, y0, x1, y1 = self.equal_ends
        places = [(x0 + (x1 - x0) * step / 60, y0 + (y1 - y0) * step / 60) for step in range(61)]
        return [_Box(x - 3, y - 3, x + 3, y + 3) for x, y in places]

    def _placed(self, point: ScatterPoint, taken: list[_Box]) -> tuple[Label, _Box]:
        """Return the label of a point where it covers least, and what it takes."""
        name = fitted(point.name, 0.4 * self.width, face="bold")
        values = f"{self.x.text(point.x)}, {self.y.text(point.y)}"
        wide = max(text_width(name, face="bold"), text_width(values))
        x, y = self.at(point)
        found = []
        for rank, (anchor, right, down) in enumerate(_SPOTS):
            left = x + right - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
            box = _Box(left - 2, y + down - 11, left + wide + 2, y + down + 18)
            cost = sum(box.overlap(other) for other in taken) + 2 * rank
            is_out = box.left < self.across.start or box.right > self.width
            cost += 1e4 * (is_out or box.top < self.top - 2 or box.bottom > self.bottom + 2)
            found.append((cost, Label(x + right, y + down, anchor, name, values), box))
        _, label, box = min(found, key=lambda one: one[0])
        return label, box

    def css(self, point: ScatterPoint) -> str:
        """Return the number of a point's colour."""
        return css_place(point.place)


def _spread(values: list[float]) -> tuple[float, float]:
    """Return the ends of values; some room where all are one."""
    low, high = min(values, default=0.0), max(values, default=1.0)
    room = abs(high) * 0.03 or 1.0
    return (low, high) if high - low > 0.25 * room else (low - room, high + room)
