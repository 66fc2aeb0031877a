"""Up to three large figures for each tuning: for pictures that are seen for some seconds."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from gpubench_kit.page.charts.fonts import clean, fitted, text_width
from gpubench_kit.page.charts.marks import Drawn

_NAME, _LABEL, _WORD = 17.0, 13.0, 13.5
#: Largest and smallest size of a figure, and the air between two columns.
_LARGEST, _SMALLEST, _GAP = 36.0, 15.0, 12.0


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
        told = [
            f"{clean(row.name)}: "
            + "; ".join(
                f"{label} {one.text}{f' ({one.interval})' if one.interval else ''} {one.word}".rstrip()
                for label, one in zip(self.columns, row.figures, strict=True)
            )
            for row in self.rows
        ]
        return f"{clean(self.title)}. {'. '.join(told)}."

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

    def x(self, number: int) -> float:
        """Return where a column begins."""
        return self.left + number * self.column_width

    def label(self, number: int) -> str:
        """Return the heading of a column as it fits."""
        return fitted(self.columns[number], self.column_width - _GAP / 2, _LABEL)

    @property
    def row_height(self) -> float:
        """Height of one row."""
        return (self.height - 18) / max(len(self.rows), 1)

    def top(self, number: int) -> float:
        """Return where a row begins, below the headings."""
        return 18 + number * self.row_height

    @cached_property
    def size(self) -> float:
        """Size of the figures: as large as the widest one allows."""
        texts = [one.text for row in self.rows for one in row.figures]
        widest = max((text_width(one, 1.0, face="bold") for one in texts), default=1.0)
        room = self.row_height - 40 - (22 if self.is_narrow else 0)
        return max(_SMALLEST, min(_LARGEST, (self.column_width - _GAP) / widest, room))

    @property
    def word_size(self) -> float:
        """Size of the words of verdicts: as large as the widest one allows, never below the text size."""
        texts = [one.told for row in self.rows for one in row.figures]
        widest = max((text_width(one, 1.0, face="semibold") for one in texts), default=1.0)
        return max(9.0, min(_WORD, (self.column_width - 4) / (widest or 1.0)))

    def name(self, row: FigureRow) -> str:
        """Return the name of a tuning as it fits."""
        return fitted(row.name, (self.width if self.is_narrow else self.left - 8) - 16, _NAME, face="bold")
