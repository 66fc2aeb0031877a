"""Plots with two value axes, and labels that stand beside their marks without meeting."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from gpubench_kit.figures.scales import Scale, horizontal_ticks, tick_place, tick_texts, ticks_of
from gpubench_kit.figures.sheet import PAGE_WIDTH, PICTURE_SIZE, Box, Heading, Sheet, Sizes, open_sheet, sizes_of
from gpubench_kit.figures.style import Look, series_dash, series_shape
from gpubench_kit.figures.text import clean, text_width, wrap

#: Height of a plot on a page [px].
PLOT_HEIGHT = 250
#: Directions in which a label may stand from its mark, best first: (x, y) in label sizes and gaps.
_DIRECTIONS = ((1, 0), (-1, 0), (0, -1), (0, 1), (1, -1), (-1, -1), (1, 1), (-1, 1))
_FARTHEST = 14


@dataclass(frozen=True)
class Ends:
    """Ends of an axis, and what it shows."""

    low: float
    high: float
    label: str = ""


@dataclass
class Plot:
    """A plot on a sheet: its area and scales, the boxes that labels must not touch, and those they should avoid."""

    sheet: Sheet
    box: Box
    x: Scale
    y: Scale
    taken: list[Box] = field(default_factory=list)
    crossed: list[Box] = field(default_factory=list)

    def block(self, x: float, y: float, *, size: float | None = None) -> None:
        """Keep labels off a mark at a place [px]."""
        half = (size or self.sheet.sizes.marker) / 2 + self.sheet.sizes.stroke
        self.taken.append(Box(x - half, y - half, x + half, y + half))

    def block_line(self, xs: Sequence[float], ys: Sequence[float]) -> None:
        """Keep labels off a line between two places [px] where there is room elsewhere."""
        pace = self.sheet.sizes.gap
        steps = max(2, int(max(abs(xs[1] - xs[0]), abs(ys[1] - ys[0])) / pace))
        for step in range(steps + 1):
            x, y = (one[0] + step / steps * (one[1] - one[0]) for one in (xs, ys))
            self.crossed.append(Box(x - pace / 4, y - pace / 4, x + pace / 4, y + pace / 4))

    def label(self, mark: tuple[float, float], text: str, *, role: str = "ink", near_only: bool = False) -> bool:
        """Write a label beside a mark at a place [px].

        Where it has to stand off, a thin line leads to it, unless ``near_only``. Returns whether there was
        a free place inside the plot.
        """
        sizes = self.sheet.sizes
        line = wrap(text, 0.6 * self.box.width, size=sizes.text)[0]
        width = text_width(clean(line), sizes.text)
        found = _candidates(*mark, width=width, sheet=self.sheet)
        choices = [one for one in found if one[1] or not near_only]
        for taken in ([*self.taken, *self.crossed], self.taken):
            free = next((one for one in choices if _is_free(one[0], taken, within=self.box)), None)
            if free is not None:
                self._write_label(mark, line, role=role, box=free[0], is_near=free[1])
                return True
        return False

    def _write_label(self, mark: tuple[float, float], line: str, *, role: str, box: Box, is_near: bool) -> None:
        """Write a label into a free box."""
        sizes = self.sheet.sizes
        if not is_near:
            end = (min(max(mark[0], box.left), box.right), min(max(mark[1], box.top), box.bottom))
            self.sheet.segments([(*mark, *end)], role="axis", width=sizes.stroke / 2)
        self.sheet.text((box.left, box.bottom - 0.26 * sizes.line), line, role=role)
        self.taken.append(box)


def open_plot(look: Look, *, heading: Heading, x: Ends, y: Ends, key: Sequence[tuple[str, int]] = (),
              is_line: bool = False) -> Plot:  # fmt: skip
    """Return an empty plot with grid, ticks, axis labels and, where marks cannot be labelled, their key.

    Parameters
    ----------
    look : colours, sizes and shape
    heading : title, subtitle and note
    x, y : ends and labels of the axes
    key : name and series of each kind of mark, or of line (``is_line``)
    """
    sizes = sizes_of(look)
    width = (PICTURE_SIZE[0] if look.is_picture else PAGE_WIDTH) - 2 * sizes.margin
    lines = key_lines(key, sizes, width=width)
    sheet, box = open_sheet(look, heading, height=PLOT_HEIGHT + (3.4 + len(lines)) * sizes.line)
    for number, entries in enumerate(lines):
        write_key(sheet, entries, left=box.left, middle=box.top + (number + 0.5) * sizes.line, is_line=is_line)
    top = box.top + len(lines) * sizes.line
    plot = lay_plot(sheet, Box(box.left, top, box.right, box.bottom - 2 * sizes.line), x=x, y=y)
    write_x_axis(plot, x.label)
    return plot


def key_lines(key: Sequence[tuple[str, int]], sizes: Sizes, *, width: float) -> list[list[tuple[str, int]]]:
    """Return the entries of a key in lines that fit."""
    lines: list[list[tuple[str, int]]] = []
    used = width
    for name, place in key:
        text = wrap(name, width - _entry_width("", sizes), size=sizes.text)[0]
        needed = _entry_width(text, sizes)
        if used + needed > width:
            lines.append([])
            used = 0.0
        lines[-1].append((text, place))
        used += needed
    return lines


def _entry_width(text: str, sizes: Sizes) -> float:
    """Return the width of one entry of a key, with the space after it."""
    return 2.5 * sizes.marker + text_width(text, sizes.text) + 3 * sizes.gap


def write_key(sheet: Sheet, entries: Sequence[tuple[str, int]], *, left: float, middle: float,
              is_line: bool = False) -> None:  # fmt: skip
    """Write one line of a key: marker, or piece of line, and name of each series."""
    sizes = sheet.sizes
    for text, place in entries:
        role, end = f"series-{place % 8}", left + 2.5 * sizes.marker
        if is_line:
            sheet.line([left, end], [middle, middle], role=role, dash=series_dash(place))
        else:
            sheet.marker((left + sizes.marker, middle), series_shape(place), role=role)
        start = end + sizes.gap / 2 if is_line else left + 1.5 * sizes.marker + sizes.gap
        sheet.text((start, middle + 0.3 * sizes.line), text)
        left += _entry_width(text, sizes)


def lay_plot(sheet: Sheet, box: Box, *, x: Ends, y: Ends, indent: float = 0.0) -> Plot:
    """Return a plot in a part of a sheet: the y label above it, y ticks to its left, the grid behind it.

    ``indent`` is the least room for tick texts, by which plots below each other agree.
    """
    sizes = sheet.sizes
    scale, ticks = _value_axis(box, y, sizes=sizes)
    left = box.left + max(indent, _ticks_width(ticks, sizes))
    area = Box(left, scale.end, box.right, box.bottom)
    plot = Plot(sheet, area, Scale(x.low, x.high, left + sizes.marker, box.right - sizes.marker), scale)
    places = [(scale(tick), text) for tick, text in ticks]
    sheet.segments([(left, at, box.right, at) for at, _ in places], role="rule", width=sizes.stroke / 2)
    for at, text in places:
        sheet.text((left - sizes.gap, at + 0.28 * sizes.line), text, role="muted", align="right")
    if y.label:
        label = wrap(y.label, box.width, size=sizes.text)[0]
        sheet.text((box.left, box.top + 0.8 * sizes.line), label, role="muted")
    return plot


def tick_room(box: Box, y: Ends, *, sizes: Sizes) -> float:
    """Return the room that the tick texts of a value axis need [px]."""
    return _ticks_width(_value_axis(box, y, sizes=sizes)[1], sizes)


def _value_axis(box: Box, y: Ends, *, sizes: Sizes) -> tuple[Scale, list[tuple[float, str]]]:
    """Return scale and ticks of a value axis in a box, below its label."""
    scale = Scale(y.low, y.high, box.bottom, box.top + (1.4 if y.label else 0.5) * sizes.line)
    ticks = ticks_of(scale, most=max(1, int((scale.start - scale.end) / (1.7 * sizes.line))))
    return scale, list(zip(ticks, tick_texts(ticks), strict=True))


def _ticks_width(ticks: Sequence[tuple[float, str]], sizes: Sizes) -> float:
    """Return the width of the widest tick text, with the gap after it."""
    return max((text_width(text, sizes.text) for _, text in ticks), default=0.0) + sizes.gap


def write_x_axis(plot: Plot, label: str) -> None:
    """Draw the x axis below a plot, with ticks and label."""
    sheet, box, sizes = plot.sheet, plot.box, plot.sheet.sizes
    sheet.segments([(box.left, box.bottom, box.right, box.bottom)], role="axis")
    ticks = horizontal_ticks(plot.x, sizes)
    marks = [(plot.x(value), box.bottom, plot.x(value), box.bottom + sizes.gap / 2) for value, _ in ticks]
    sheet.segments(marks, role="axis")
    for value, text in ticks:
        x = tick_place(plot.x(value), text, size=sizes.text, bounds=(0.0, box.right))
        sheet.text((x, box.bottom + sizes.line), text, role="muted", align="center")
    text = wrap(label, box.right - sizes.margin, size=sizes.text)[0]
    x = tick_place((box.left + box.right) / 2, text, size=sizes.text, bounds=(0.0, box.right))
    sheet.text((x, box.bottom + 1.95 * sizes.line), text, role="muted", align="center")


def clipped(xs: Sequence[float], ys: Sequence[float], *, plot: Plot) -> tuple[list[float], list[float]] | None:
    """Return the part of a straight line through two points (values) that lies in the plot, or None."""
    shares = [_inside_shares(*ends, scale=scale) for ends, scale in ((xs, plot.x), (ys, plot.y))]
    start, end = max(0.0, *(one[0] for one in shares)), min(1.0, *(one[1] for one in shares))
    if start >= end:
        return None
    return tuple([first + one * (last - first) for one in (start, end)] for first, last in (xs, ys))


def _inside_shares(first: float, last: float, *, scale: Scale) -> tuple[float, float]:
    """Return from which to which share of the way between two values a scale is met; empty: (1, 0)."""
    if first == last:
        return (-math.inf, math.inf) if scale.low <= first <= scale.high else (1.0, 0.0)
    shares = sorted((end - first) / (last - first) for end in (scale.low, scale.high))
    return shares[0], shares[1]


def _candidates(x: float, y: float, *, width: float, sheet: Sheet) -> Iterable[tuple[Box, bool]]:
    """Yield boxes for a label around a mark, near ones first, and whether they are near."""
    sizes = sheet.sizes
    height = 1.1 * sizes.line
    for far in range(_FARTHEST):
        reach = 0.65 * sizes.marker + sizes.gap * (0.8 + far)
        for right, down in _DIRECTIONS:
            left = x + right * reach - (width if right < 0 else width / 2 if right == 0 else 0.0)
            top = y + down * (reach + height / 2) - height / 2
            yield Box(left, top, left + width, top + height), far < 2


def _is_free(box: Box, taken: Iterable[Box], *, within: Box) -> bool:
    """Return whether a box lies inside another and touches none of those taken."""
    is_inside = box.left >= within.left and box.right <= within.right and box.top >= within.top
    is_inside = is_inside and box.bottom <= within.bottom
    return is_inside and not any(_meet(box, other) for other in taken)


def _meet(one: Box, other: Box) -> bool:
    """Return whether two boxes overlap."""
    is_apart = (
        one.right <= other.left or other.right <= one.left or one.bottom <= other.top or other.bottom <= one.top
    )
    return not is_apart
