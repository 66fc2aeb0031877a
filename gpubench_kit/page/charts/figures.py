"""Large numbers with their verdicts, and a change with its interval as large as a word."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

from gpubench_kit.page.charts.fonts import clean, fitted, text_width
from gpubench_kit.page.charts.marks import Drawn, Scale, is_known, value_text
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import change_text, interval_text

_NAME, _LABEL, _WORD = 17.0, 13.0, 13.5
#: Largest and smallest size of a figure, and the air between two columns.
_LARGEST, _SMALLEST, _GAP = 36.0, 15.0, 12.0
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
        room = self.column_width - _GAP / 2
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
        return max(_SMALLEST, min(room, (self.column_width - _GAP) / self._widest("text", "bold")))

    @property
    def word_size(self) -> float:
        """Size of the words of verdicts: as large as the widest one allows, never below the text size."""
        return max(9.0, min(_WORD, (self.column_width - _GAP) / self._widest("told", "semibold")))

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
