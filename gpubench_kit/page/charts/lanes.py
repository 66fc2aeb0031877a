"""Charts in lanes: every run as a dot, intervals by game, bars."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

from gpubench_kit.page.charts.fonts import clean, fitted, text_width
from gpubench_kit.page.charts.marks import Drawn, Scale, is_known, padded, tick_text, value_text
from gpubench_kit.wording.numbers import change_text

_GAP, _TOP, _TICKS = 18.0, 21.0, 17.0
_NOT_MEASURED = "not measured"
#: Most rows whose runs are marks of their own.
_ROWS_IN_FULL = 4


@dataclass(frozen=True)
class Column:
    """One axis.

    Attributes
    ----------
    heading, unit : what stands above it, and the unit of its values
    decimals : of its values in words; None by their size
    margin : ends of the band; None for no band
    signed : whether values are changes, with signs and a line at zero
    low, high : ends of the axis; None by the values
    """

    heading: str
    unit: str = ""
    decimals: int | None = None
    margin: tuple[float, float] | None = None
    signed: bool = False
    low: float | None = None
    high: float | None = None

    def text(self, value: float | None) -> str:
        """Return a value of this axis in words."""
        if self.signed and is_known(value):
            return change_text(value, self.unit)
        return value_text(value, self.unit, decimals=self.decimals)


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
        some = [*(value for _, value in self.runs), self.centre, self.low, self.high, self.notch]
        return [*(one for one in some if is_known(one)), *([0.0] if self.bar else [])]

    @property
    def has_interval(self) -> bool:
        """Whether there is an interval to draw."""
        return is_known(self.low, self.high)

    @property
    def has_centre(self) -> bool:
        """Whether there is a mean to draw."""
        return is_known(self.centre)

    @property
    def has_notch(self) -> bool:
        """Whether there is a 1 % low to mark."""
        return is_known(self.notch)

    @property
    def known_runs(self) -> list[tuple[str, float]]:
        """The runs whose value is a number."""
        return [(name, value) for name, value in self.runs if is_known(value)]

    def words(self, column: Column, *, with_runs: bool = True) -> str:
        """Return the numbers in words."""
        parts = [column.text(self.centre)] if self.has_centre else []
        if self.has_interval:
            parts.append(f"({column.text(self.low)} to {column.text(self.high)})")
        parts += [f"1 % low {column.text(self.notch)}"] if self.has_notch else []
        if self.runs and with_runs:
            parts.append("runs " + ", ".join(f"{clean(name)} {column.text(value)}" for name, value in self.runs))
        words = self.verdict.replace("_", " ")
        return " ".join(parts) + (f", {words}" if words else "") if parts else words or _NOT_MEASURED


@dataclass(frozen=True)
class Lane:
    """One row: a name, the place of its colour, and a cell on each axis (None: not measured)."""

    name: str
    place: int | None = None
    cells: tuple[Cell | None, ...] = ()


@dataclass(frozen=True)
class Panel:
    """One axis with its place."""

    number: int
    column: Column
    x: Scale
    text_end: float

    @property
    def ticks(self) -> list[tuple[float, str, str]]:
        """Place, words and anchor of each tick; words keep within the axis."""
        values = self.x.ticks(max(2, int((self.x.end - self.x.start) / 52)))
        if self.column.margin:
            values = [0.0, *(round(end, 1) for end in self.column.margin if self.x.low <= end <= self.x.high)]
        out = [
            (self.x(one), f"+{tick_text(one)}" if self.column.signed and one > 0 else tick_text(one))
            for one in values
        ]
        return [(place, text, "end" if place > self.x.end - 4 else "middle") for place, text in out]


@dataclass(frozen=True)
class Lanes(Drawn):
    """Rows that share one to three axes side by side.

    Attributes
    ----------
    title : what it shows, in words
    columns : the axes
    lanes : the rows, top first
    width : whole width
    row : height of a lane; None by their number
    """

    title: str
    columns: tuple[Column, ...]
    lanes: tuple[Lane, ...]
    width: float = 360.0
    row: float | None = None
    macro = "lanes"

    @property
    def is_dense(self) -> bool:
        """Whether the runs of a row are drawn as one mark that names them all, so that many rows stay light."""
        return len(self.lanes) > _ROWS_IN_FULL

    @property
    def alternative_text(self) -> str:
        """Every number of every row."""
        parts = []
        for number, column in enumerate(self.columns):
            rows = [(lane.name, self.cell(lane, number)) for lane in self.lanes]
            told = "; ".join(
                f"{clean(name)} {cell.words(column) if cell else _NOT_MEASURED}" for name, cell in rows
            )
            parts.append(f"{column.heading}: {told or 'nothing measured'}")
        return f"{clean(self.title)}. {'. '.join(parts)}."

    def cell(self, lane: Lane, number: int) -> Cell | None:
        """Return what a lane shows on an axis."""
        return lane.cells[number] if number < len(lane.cells) else None

    @property
    def row_height(self) -> float:
        """Height of a lane; many tunings stand closer."""
        if self.row is not None:
            return self.row
        return 19.0 if len(self.lanes) < 5 or len(self.columns) == 1 else 16.0

    @property
    def top(self) -> float:
        """Where the lanes begin, below the headings."""
        return _TOP

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
        return min(widest, self.width * (0.4 if len(self.columns) == 1 else 0.27)) + 9

    def label(self, lane: Lane) -> str:
        """Return the name of a lane as it fits."""
        return fitted(lane.name, self.label_width - 9)

    @cached_property
    def panels(self) -> list[Panel]:
        """The axes with their places, side by side."""
        count = len(self.columns)
        room = (self.width - self.label_width - _GAP * (count - 1)) / max(count, 1)
        out = []
        for number, column in enumerate(self.columns):
            cells = [cell for lane in self.lanes if (cell := self.cell(lane, number))]
            words = max((text_width(cell.text, face="semibold") for cell in cells), default=0.0)
            left = self.label_width + number * (room + _GAP)
            low, high = _ends(column, cells)
            x = Scale(low, high, left + 4, left + room - (words + 8 if words else 5))
            out.append(Panel(number, replace(column, heading=self._heading(column, room)), x, left + room))
        return out

    def _heading(self, column: Column, room: float) -> str:
        """Return the heading of an axis as it fits; the heading of a single axis may stand above the names."""
        return fitted(column.heading, self.width if len(self.columns) == 1 else room, face="semibold")


def _ends(column: Column, cells: list[Cell]) -> tuple[float, float]:
    """Return the ends of an axis."""
    values = [value for cell in cells for value in cell.values]
    if all(cell.bar for cell in cells) and cells:
        low, high = 0.0, max(values, default=1.0) or 1.0
    elif column.signed:
        band = [1.5 * one for one in column.margin or (-1.0, 1.0)]
        low, high = padded(values, include=[0.0, *band], pad=0.04)
    else:
        low, high = padded(values)
    return (low if column.low is None else column.low), (high if column.high is None else column.high)
