"""Charts in rows: every run as a dot, intervals by game, bars; large figures; a change as large as a word."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.page.charts.marks import Axis, Drawn, Scale, clean, fitted, is_known, text_width, value_text
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import change_text, interval_text

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


_NAME, _LABEL, _WORD = 17.0, 13.0, 13.5
#: Largest and smallest size of a figure, and the air between two columns.
_LARGEST, _SMALLEST, _AIR = 36.0, 15.0, 12.0
#: Height of the headings.
_HEAD = 18.0


@dataclass(frozen=True)
class Figure:
    """One figure: the number, the sign and word of its verdict with their class, the interval."""

    text: str
    sign: str = ""
    word: str = ""
    css: str = "i"
    interval: str = ""

    @property
    def told(self) -> str:
        """The verdict with its sign."""
        return f"{self.sign} {self.word}".strip()

    @property
    def in_words(self) -> str:
        """Number, interval and verdict."""
        return f"{self.text}{f' ({self.interval})' if self.interval else ''} {self.word}".rstrip()


@dataclass(frozen=True)
class FigureRow:
    """One tuning: its name, the place of its colour, a figure for each column."""

    name: str
    place: int
    figures: tuple[Figure, ...]


@dataclass(frozen=True)
class Figures(Drawn):
    """Figures in rows and columns.

    Attributes
    ----------
    title : what it shows, in words
    columns : what stands above each column
    rows : the tunings, at most two
    width, height : whole size; names stand above the figures where it is narrow
    """

    title: str
    columns: tuple[str, ...]
    rows: tuple[FigureRow, ...]
    width: float = 518.0
    height: float = 214.0
    macro = "figures"

    @property
    def alternative_text(self) -> str:
        """Every figure with its interval and verdict."""
        told = [clean(self.title)]
        for row in self.rows:
            figures = zip(self.columns, row.figures, strict=True)
            told.append(f"{clean(row.name)}: " + "; ".join(f"{label} {one.in_words}" for label, one in figures))
        return ". ".join(told) + "."

    @property
    def is_narrow(self) -> bool:
        """Whether names stand above the figures."""
        return self.width < 400

    @property
    def left(self) -> float:
        """Where the first column begins."""
        return 0.0 if self.is_narrow else 0.235 * self.width

    @property
    def column_width(self) -> float:
        """Room of one column, the air behind it included."""
        return (self.width - self.left) / max(len(self.columns), 1)

    @property
    def heads(self) -> list[tuple[float, str]]:
        """Place and heading of each column, as it fits."""
        room = self.column_width - _AIR / 2
        return [
            (self.left + n * self.column_width, fitted(one, room, _LABEL)) for n, one in enumerate(self.columns)
        ]

    @property
    def row_height(self) -> float:
        """Height of one row."""
        return (self.height - _HEAD) / max(len(self.rows), 1)

    @cached_property
    def size(self) -> float:
        """Size of the figures: as large as the widest one allows."""
        room = min(_LARGEST, self.row_height - 40 - (22 if self.is_narrow else 0))
        return max(_SMALLEST, min(room, (self.column_width - _AIR) / self._widest("text", "bold")))

    @property
    def word_size(self) -> float:
        """Size of the words of verdicts: as large as the widest one allows, never below the text size."""
        return max(9.0, min(_WORD, (self.column_width - _AIR) / self._widest("told", "semibold")))

    def _widest(self, part: str, face: str) -> float:
        """Return the width of the widest text of all figures, at size 1."""
        texts = [getattr(one, part) for row in self.rows for one in row.figures]
        return max((text_width(one, 1.0, face=face) for one in texts), default=1.0) or 1.0

    def name(self, row: FigureRow) -> str:
        """Return the name of a tuning as it fits."""
        return fitted(row.name, (self.width if self.is_narrow else self.left - 8) - 16, _NAME, face="bold")


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
    unit: str
    level: str
    width: float = 120.0
    height: float = 20.0
    macro = "spark"

    @property
    def alternative_text(self) -> str:
        """Change, interval and margin."""
        has_interval = is_known(self.low, self.high)
        ends = interval_text(self.low, self.high, self.unit) if has_interval else say("charts.no_interval")
        margin = value_text(self.margin, self.unit, decimals=1) if is_known(self.margin) else ""
        told = f"{change_text(self.change, self.unit)}, {self.level}: {ends}"
        return f"{told}, {say('charts.margin', margin=margin)}" if margin else told

    @property
    def x(self) -> Scale:
        """Values onto places, zero in the middle."""
        return Scale(-self.limit, self.limit, 5.0, self.width - 5.0)


def spark_limit(rows: Iterable[tuple[float | None, float | None, float | None]]) -> float:
    """Return half the width of an axis that holds (low, high, margin) of every row; 1 where there is none."""
    known = [
        abs(one) * share
        for low, high, margin in rows
        for one, share in ((low, 1.0), (high, 1.0), (margin, 1.6))
        if is_known(one)
    ]
    return 1.04 * max(known, default=0.0) or 1.0
