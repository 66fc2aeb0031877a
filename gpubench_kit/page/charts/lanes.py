"""Charts in lanes: every run as a dot, intervals by game, bars."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property

from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.page.charts.fonts import clean, fitted, text_width
from gpubench_kit.page.charts.marks import Axis, Drawn, Scale, is_known
from gpubench_kit.wording.catalogue import say

_GAP, _TOP, _TICKS = 18.0, 21.0, 17.0
#: Most rows whose runs are marks of their own.
_ROWS_IN_FULL = 4


@dataclass(frozen=True)
class Cell:
    """What a lane shows on one axis.

    Attributes
    ----------
    runs : name and value of each run, a dot each
    centre, low, high : mean and its interval; None for none
    verdict : colours the mark; empty: the colour of the lane
    text : words at the right of the lane; empty for none
    bar : whether the centre is a bar from zero
    notch : the 1 % low, marked on the bar
    """

    runs: tuple[tuple[str, float], ...] = ()
    centre: float | None = None
    low: float | None = None
    high: float | None = None
    verdict: str = ""
    text: str = ""
    bar: bool = False
    notch: float | None = None

    @property
    def values(self) -> list[float]:
        """All values that the axis must hold."""
        every = (*(value for _, value in self.runs), self.centre, self.low, self.high, self.notch)
        return [one for one in every if is_known(one)]

    @property
    def known_runs(self) -> list[tuple[str, float]]:
        """The runs whose value is a number."""
        return [(name, value) for name, value in self.runs if is_known(value)]

    def words(self, axis: Axis, *, with_runs: bool = True) -> str:
        """Return the numbers in words."""
        parts = [axis.text(self.centre)] if is_known(self.centre) else []
        if is_known(self.low, self.high):
            parts.append(say("charts.between", low=axis.text(self.low), high=axis.text(self.high)))
        if is_known(self.notch):
            parts.append(say("charts.low", low=axis.text(self.notch)))
        if self.runs and with_runs:
            runs = ", ".join(f"{clean(name)} {axis.text(value)}" for name, value in self.runs)
            parts.append(say("charts.runs", runs=runs))
        verdict = VERDICTS[self.verdict].word if self.verdict else ""
        return ", ".join(filter(None, (" ".join(parts), verdict))) or say("answer.not_measured")


@dataclass(frozen=True)
class Lane:
    """One row: a name, the place of its colour, and a cell on each axis (None: not measured)."""

    name: str
    place: int | None = None
    cells: tuple[Cell | None, ...] = ()


@dataclass(frozen=True)
class Panel:
    """One axis with its place: its number, the words above it, where its words at the right end."""

    number: int
    axis: Axis
    heading: str
    x: Scale
    text_end: float

    @property
    def ticks(self) -> list[tuple[float, str, str]]:
        """Place, words and anchor of each tick; words keep within the axis, and apart from each other."""
        values = self.x.ticks(max(2, int((self.x.end - self.x.start) / 52)))
        if self.axis.margin:
            values = sorted([0.0, *(round(end, 1) for end in self.axis.margin if self.x.low <= end <= self.x.high)])
        places = [(self.x(one), self.axis.tick(one)) for one in values]
        if self.axis.margin and not _are_apart(places):
            places = [one for one, value in zip(places, values, strict=True) if value]
        if self.axis.margin and not _are_apart(places):
            places = [(self.x(0.0), f"±{places[-1][1].lstrip('+')}" if values[0] == -values[-1] else "0")]
        return [(place, text, "end" if place > self.x.end - 4 else "middle") for place, text in places]


def _are_apart(places: list[tuple[float, str]]) -> bool:
    """Return whether words in the middle of their places leave a gap between each other."""
    halves = [(place, text_width(text) / 2) for place, text in places]
    return all(b - a >= half + other + 3 for (a, half), (b, other) in itertools.pairwise(halves))


@dataclass(frozen=True)
class Lanes(Drawn):
    """Rows that share one to three axes side by side.

    Attributes
    ----------
    title : what it shows, in words
    axes : the axes
    lanes : the rows, top first
    width : whole width
    row : height of a lane; None by their number
    """

    title: str
    axes: tuple[Axis, ...]
    lanes: tuple[Lane, ...]
    width: float = 360.0
    row: float | None = None
    macro = "lanes"
    top = _TOP

    @property
    def is_dense(self) -> bool:
        """Whether the runs of a row are drawn as one mark that names them all, so that many rows stay light."""
        return len(self.lanes) > _ROWS_IN_FULL

    @property
    def alternative_text(self) -> str:
        """Every number of every row."""
        parts = [clean(self.title)]
        for number, axis in enumerate(self.axes):
            cells = [(clean(lane.name), self.cell(lane, number)) for lane in self.lanes]
            rows = [f"{name} {cell.words(axis) if cell else say('answer.not_measured')}" for name, cell in cells]
            parts.append(f"{axis.label}: {'; '.join(rows) or say('charts.nothing_measured')}")
        return f"{'. '.join(parts)}."

    def cell(self, lane: Lane, number: int) -> Cell | None:
        """Return what a lane shows on an axis."""
        return lane.cells[number] if number < len(lane.cells) else None

    @property
    def row_height(self) -> float:
        """Height of a lane; many tunings stand closer."""
        return self.row or (19.0 if len(self.lanes) < 5 or len(self.axes) == 1 else 16.0)

    @property
    def bottom(self) -> float:
        """Where the lanes end."""
        return _TOP + self.row_height * len(self.lanes)

    @property
    def height(self) -> float:
        """Whole height, ticks included."""
        return self.bottom + (_TICKS + 1 if self.has_ticks else 3.0)

    @property
    def has_ticks(self) -> bool:
        """Whether the axis has ticks; bars carry their values as words."""
        return not all(cell.bar for lane in self.lanes for cell in lane.cells if cell)

    def middle(self, number: int) -> float:
        """Return the middle of a lane."""
        return _TOP + self.row_height * (number + 0.5)

    @cached_property
    def label_width(self) -> float:
        """Room for the names."""
        widest = max((text_width(clean(lane.name)) for lane in self.lanes), default=0.0)
        return min(widest, self.width * (0.4 if len(self.axes) == 1 else 0.27)) + 9

    def label(self, lane: Lane) -> str:
        """Return the name of a lane as it fits."""
        return fitted(lane.name, self.label_width - 9)

    @cached_property
    def panels(self) -> list[Panel]:
        """The axes with their places, side by side; the heading of a single one may stand above the names."""
        count = len(self.axes)
        room = (self.width - self.label_width - _GAP * (count - 1)) / max(count, 1)
        out = []
        for number, axis in enumerate(self.axes):
            cells = [cell for lane in self.lanes if (cell := self.cell(lane, number))]
            words = max((text_width(cell.text, face="semibold") for cell in cells), default=0.0)
            left = self.label_width + number * (room + _GAP)
            held = [0.0, *(1.5 * one for one in axis.margin or (-1.0, 1.0))] if axis.signed else []
            values = [value for cell in cells for value in cell.values]
            low, high = axis.ends(values, pad=0.04 if axis.signed else 0.06, include=held)
            x = Scale(low, high, left + 4, left + room - (words + 8 if words else 5))
            heading = fitted(axis.label, self.width if count == 1 else room + _GAP - 4, face="semibold")
            out.append(Panel(number, axis, heading, x, left + room))
        return out
