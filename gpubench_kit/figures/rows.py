"""What a chart of labelled rows is made of; ``row_layouts`` puts it on a page or into a picture."""

from __future__ import annotations

from dataclasses import dataclass

from gpubench_kit.figures.sheet import Heading


@dataclass(frozen=True)
class Mark:
    """A value with its interval.

    Attributes
    ----------
    value, low, high : in the unit of the axis; missing ends draw no interval
    role : colour
    shape : marker of a point
    is_hollow : whether the point shows the ground inside
    kind : ``point``, ``bar`` (from zero, pale) or ``inner`` (a slim bar from zero, full colour)
    """

    value: float
    low: float = float("nan")
    high: float = float("nan")
    role: str = "series-1"
    shape: str = "o"
    is_hollow: bool = False
    kind: str = "point"


@dataclass(frozen=True)
class Row:
    """One row: its label, the text of its value, its marks, and a short text for where room is scarce."""

    label: str
    text: str
    marks: tuple[Mark, ...]
    short: str = ""


@dataclass(frozen=True)
class Block:
    """Rows under a title; the title may be empty."""

    title: str
    rows: tuple[Row, ...]


@dataclass(frozen=True)
class Axis:
    """The axis shared by all rows.

    Attributes
    ----------
    low, high : its ends
    label : quantity and unit
    zero : whether a line marks zero
    band : ends of the margin band, or None
    band_text : what the band is
    left_text, right_text : what lies to the left and to the right of zero
    """

    low: float
    high: float
    label: str
    zero: bool = False
    band: tuple[float, float] | None = None
    band_text: str = ""
    left_text: str = ""
    right_text: str = ""


@dataclass(frozen=True)
class RowChart:
    """A whole chart: heading, blocks of rows (at least one row) and the axis."""

    heading: Heading
    blocks: tuple[Block, ...]
    axis: Axis
