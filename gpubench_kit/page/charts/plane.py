"""Curves and dots over two axes: frame times, percentiles, sensors, sweeps, costs, watts against frame rate."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

from gpubench_kit.page.charts.marks import NBSP, RIVAL, Axis, Drawn, Scale, clean, fitted, is_known, px, text_width
from gpubench_kit.wording.catalogue import say

_LINE, _SAMPLE, _BETWEEN = 16.0, 13.0, 10.0
#: Points of a curve that its words name.
_POINTS_TOLD = 12
#: Height of a line of words of marks.
_MARK_LINE = 13.0
#: Shorter arrows say nothing.
_SHORTEST_ARROW = 30.0
#: Where a label may stand beside its dot: anchor, step right, step down; the first one that is free is taken.
_SPOTS = (
    ("start", 11, -1), ("start", 8, -21), ("start", 8, 20), ("end", -11, -1), ("end", -8, -21), ("end", -8, 20),
    ("middle", 0, -25), ("middle", 0, 23), ("start", 26, -34), ("end", -26, -34), ("start", 26, 34),
    ("end", -26, 34),
)  # fmt: skip


@dataclass(frozen=True)
class _Plane(Drawn):
    """Two axes with their ticks."""

    title: str
    x: Axis
    y: Axis
    #: Room of a tick across.
    apart = 58.0

    @property
    def heading(self) -> str:
        """What stands above the plane: the label of y and its unit."""
        return fitted(self.y.heading, self.width, face="semibold")

    @property
    def x_label(self) -> str:
        """What stands below the plane."""
        return fitted(self.x.heading, self.width) if self.x.label else ""

    @property
    def top(self) -> float:
        """Top of the plane, below heading and key."""
        raise NotImplementedError

    @property
    def bottom(self) -> float:
        """Bottom of the plane, above ticks and label."""
        return max(self.height - 22 - (15 if self.x.label else 0), self.top + 20)

    @property
    def x_ends(self) -> tuple[float, float]:
        """The ends of x."""
        raise NotImplementedError

    @property
    def y_ends(self) -> tuple[float, float]:
        """The ends of y."""
        raise NotImplementedError

    @cached_property
    def across(self) -> Scale:
        """Values of x onto places."""
        left = max((text_width(text) for _, text in self.y_ticks), default=0.0) + 9
        return Scale(*self.x_ends, left, self.width - 5, self.x.scale)

    @cached_property
    def upward(self) -> Scale:
        """Values of y onto places."""
        return Scale(*self.y_ends, self.bottom, self.top, self.y.scale)

    @cached_property
    def x_ticks(self) -> list[tuple[float, str, str]]:
        """Place, words and anchor of the ticks of x; the unit stands at the first one where no label says it."""
        scale, out = self.across, []
        for number, value in enumerate(scale.ticks(max(2, int((scale.end - scale.start) / self.apart)))):
            with_unit = not self.x.label and self.x.unit and (number == 0 or self.x.scale == "tail")
            place = scale(value)
            anchor = "start" if place < scale.start + 6 else "end" if place > scale.end - 6 else "middle"
            out.append((place, self.x.tick(value) + (NBSP + self.x.unit if with_unit else ""), anchor))
        return out

    @cached_property
    def y_ticks(self) -> list[tuple[float, str]]:
        """Place and words of the ticks of y."""
        return [(self.upward(one), self.y.tick(one)) for one in self.upward.ticks(self.ticks_up)]

    @property
    def ticks_up(self) -> int:
        """How many ticks there is room for upward."""
        return max(2, int((self.bottom - self.top) / 38))


@dataclass(frozen=True)
class Series:
    """One curve or cloud.

    Attributes
    ----------
    name, place : what it is, and the place of its colour
    points : (x, y), in order; a y that is not a number breaks the curve
    kind : ``line``, ``thin`` or ``dots``
    spikes : (x, from, to), strokes up
    band : (x, low, high), a shade
    intervals : (x, low, high), a stroke through a dot
    note : its numbers in words
    labels : words of each dot; empty: its values
    """

    name: str
    place: int | None
    points: tuple[tuple[float, float], ...]
    kind: str = "line"
    spikes: tuple[tuple[float, float, float], ...] = ()
    band: tuple[tuple[float, float, float], ...] = ()
    intervals: tuple[tuple[float, float, float], ...] = ()
    note: str = ""
    labels: tuple[str, ...] = ()

    def words(self, x: Axis, y: Axis) -> str:
        """Return the numbers in words: the note, or some of the points."""
        told = self.note or "; ".join(self.labels)
        if not told:
            step = max(1, math.ceil(len(self.points) / _POINTS_TOLD))
            points = [(a, b) for a, b in self.points[::step] if is_known(a, b)]
            told = ", ".join(say("charts.point", y=y.text(b), x=x.text(a)) for a, b in points)
        return f"{clean(self.name)}: {told or say('answer.no_value')}"


@dataclass(frozen=True)
class Mark:
    """A line across a plot at one value of x or of y, with a word."""

    text: str = ""
    x: float | None = None
    y: float | None = None


@dataclass(frozen=True)
class Plot(_Plane):
    """Curves and dots over two axes.

    Attributes
    ----------
    title : what it shows, in words
    x, y : the axes; the label of y is the heading
    series : what is drawn, first at the bottom
    marks : lines with words
    key : whether the names of the series are written
    """

    series: tuple[Series, ...]
    marks: tuple[Mark, ...] = ()
    width: float = 360.0
    height: float = 190.0
    key: bool = True
    macro = "plot"

    @property
    def alternative_text(self) -> str:
        """The numbers of every curve, and what is marked."""
        told = [one.words(self.x, self.y) for one in self.series]
        for mark in self.marks:
            text = clean(mark.text)
            told += [text if mark.x is None else say("charts.point", y=text, x=self.x.text(mark.x))] * bool(text)
        return ". ".join([clean(self.title), *told]) + "."

    @cached_property
    def entries(self) -> list[tuple[float, float, str, Series]]:
        """The key: left end and line of each sample, name, series; beside the heading where there is room."""
        # A curve and the dots on it are one entry.
        named = list({(one.name, one.place): one for one in self.series if one.name and self.key}.values())
        named.sort(key=lambda one: (one.place is None, one.place == RIVAL, one.place or 0))
        most = self.width - _SAMPLE if len(named) < 2 else self.width / 2 - _SAMPLE - _BETWEEN
        texts = [(fitted(one.name, most), one) for one in named]
        widths = [_SAMPLE + text_width(text) for text, _ in texts]
        whole = sum(widths) + _BETWEEN * (len(widths) - 1)
        beside = whole <= self.width - text_width(self.heading, face="semibold") - 14
        left, line = (self.width - whole, 0.0) if beside else (0.0, 1.0)
        out = []
        for (text, series), wide in zip(texts, widths, strict=True):
            if not beside and left + wide > self.width and left:
                left, line = 0.0, line + 1
            out.append((left, 9 + _LINE * line, text, series))
            left += wide + _BETWEEN
        return out

    @property
    def top(self) -> float:
        """Top of the plane, below heading and key, with room for words of marks."""
        lines = max((line for _, line, _, _ in self.entries), default=9.0)
        return lines + 13 + _MARK_LINE * len({line for *_, line in self._mark_lines})

    @cached_property
    def _mark_lines(self) -> list[tuple[float, str, bool, int]]:
        """Marks of x with words: their x, words as they fit, whether they stand to the right, and their line."""
        ends: list[float] = []
        out = []
        low, high = self.x_ends
        room = self.width - 40
        for x, words in sorted((one.x, one.text) for one in self.marks if one.x is not None and one.text):
            text = fitted(words, room)
            at = 30 + room * min(max((x - low) / ((high - low) or 1.0), 0.0), 1.0)
            wide = text_width(text)
            is_right = at + wide <= self.width
            left = at - 3 if is_right else max(0.0, at - wide)
            line = next((number for number, end in enumerate(ends) if end + 8 <= left), len(ends))
            ends[line : line + 1] = [left + wide]
            out.append((x, text, is_right, line))
        return out

    @property
    def mark_labels(self) -> list[tuple[float, float, str, str]]:
        """Place, height, anchor and words of the marks of x."""
        last = max((line for *_, line in self._mark_lines), default=0)
        return [
            (
                self.across(at) + (-3 if is_right else 3), self.top - 5 - _MARK_LINE * (last - line),
                "start" if is_right else "end", text,
            )
            for at, text, is_right, line in self._mark_lines
        ]  # fmt: skip

    @cached_property
    def x_ends(self) -> tuple[float, float]:
        """The ends of x, off which dots must keep."""
        values = [one[0] for series in self.series for one in (*series.points, *series.band, *series.intervals)]
        has_dots = any(one.kind == "dots" for one in self.series)
        return self.x.ends([*values, *(one.x for one in self.marks)], pad=0.04 if has_dots else 0.0)

    @cached_property
    def y_ends(self) -> tuple[float, float]:
        """The ends of y."""
        rows = [row for one in self.series for row in (*one.points, *one.band, *one.intervals)]
        return self.y.ends([*(value for row in rows for value in row[1:]), *(one.y for one in self.marks)])

    def line(self, series: Series) -> str:
        """Return the path of a curve, broken where a value is missing."""
        out, pen = [], "M"
        for x, y in series.points:
            if is_known(x, y):
                out.append(f"{pen}{px(self.across(x))} {px(self.upward(y))}")
            pen = "L" if is_known(x, y) else "M"
        return "".join(out)

    def strokes(self, rows: tuple[tuple[float, float, float], ...]) -> str:
        """Return the path of strokes up: spikes, or intervals through dots."""
        known = [
            (self.across(x), self.upward(low), self.upward(end)) for x, low, end in rows if is_known(x, low, end)
        ]
        return "".join(f"M{px(x)} {px(low)}V{px(end)}" for x, low, end in known)

    def shade(self, series: Series) -> str:
        """Return the path of a shade."""
        known = [(x, low, high) for x, low, high in series.band if is_known(x, low, high)]
        edge = [(x, high) for x, _, high in known] + [(x, low) for x, low, _ in reversed(known)]
        places = [f"{px(self.across(x))} {px(self.upward(y))}" for x, y in edge]
        return f"M{'L'.join(places)}z" if len(known) > 1 else ""

    def dot_words(self, series: Series, number: int) -> str:
        """Return the words of one dot."""
        if number < len(series.labels):
            return series.labels[number]
        x, y = series.points[number]
        return f"{clean(series.name)}: {say('charts.point', y=self.y.text(y), x=self.x.text(x))}"

    def mark_text(self, mark: Mark) -> str:
        """Return the words of a mark as they fit."""
        return fitted(mark.text, self.across.end - self.across.start)


@dataclass(frozen=True)
class ScatterPoint:
    """One state of a card on two axes; further words of its mark in ``note``."""

    name: str
    place: int
    x: float
    y: float
    note: str = ""


@dataclass(frozen=True)
class Label:
    """Words beside a dot."""

    x: float
    y: float
    anchor: str
    name: str
    values: str


@dataclass(frozen=True)
class Scatter(_Plane):
    """States of a card by watts and frame rate: an arrow from the reference to each tuning of the same card.

    Attributes
    ----------
    title : what it shows, in words
    x, y : the axes
    points : the reference first; a point of place `RIVAL` has no arrow
    """

    points: tuple[ScatterPoint, ...]
    width: float = 460.0
    height: float = 300.0
    macro = "scatter"
    apart, top, ticks_up = 70.0, 36.0, 4

    @property
    def alternative_text(self) -> str:
        """Both values of every state."""
        told = "; ".join(f"{clean(one.name)} {self.words(one)}" for one in self.points)
        return f"{clean(self.title)}. {told}."

    def words(self, point: ScatterPoint) -> str:
        """Return the values of a point in words."""
        return ", ".join(filter(None, (self.x.text(point.x), self.y.text(point.y), point.note)))

    @property
    def x_label(self) -> str:
        """What stands below the plane."""
        return fitted(say("charts.not_from_zero", axis=self.x.heading), self.width)

    @property
    def x_ends(self) -> tuple[float, float]:
        """The ends of x, with room for the labels."""
        return _with_room([one.x for one in self.points], 0.22, 0.34)

    @property
    def y_ends(self) -> tuple[float, float]:
        """The ends of y."""
        return _with_room([one.y for one in self.points], 0.24, 0.22)

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
        taken = [_around(self.at(one), 7) for one in self.points]
        for one in self.points:
            arrow = (self.at(self.points[0]), self.at(one))
            taken += _boxes_along(*arrow, steps=14, reach=4) if self.arrow(one) else []
        ends = self.equal_ends
        taken += _boxes_along(ends[:2], ends[2:], steps=60, reach=3) if ends else []
        out = []
        for point in sorted(self.points, key=lambda one: (-one.y, one.x)):
            label, box = self._placed(point, taken)
            taken.append(box)
            out.append(label)
        return out

    def _placed(self, point: ScatterPoint, taken: list[_Box]) -> tuple[Label, _Box]:
        """Return the label of a point where it covers least, and what it takes."""
        name = fitted(point.name, 0.4 * self.width, face="bold")
        values = f"{self.x.text(point.x)}, {self.y.text(point.y)}"
        wide = max(text_width(name, face="bold"), text_width(values))
        x, y = self.at(point)
        found = []
        for rank, (anchor, right, down) in enumerate(_SPOTS):
            left = x + right - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
            box = (left - 2, y + down - 11, left + wide + 2, y + down + 18)
            is_out = box[0] < self.across.start or box[2] > self.width
            is_out = is_out or box[1] < self.top - 2 or box[3] > self.bottom + 2
            cost = sum(_shared(box, other) for other in taken) + 2 * rank + 1e4 * is_out
            found.append((cost, Label(x + right, y + down, anchor, name, values), box))
        _, label, box = min(found, key=lambda one: one[0])
        return label, box


#: A rectangle that is taken: left, top, right, bottom.
_Box = tuple[float, float, float, float]


def _around(place: tuple[float, float], reach: float) -> _Box:
    """Return a square around a place."""
    return place[0] - reach, place[1] - reach, place[0] + reach, place[1] + reach


def _boxes_along(start: tuple[float, float], end: tuple[float, float], *, steps: int, reach: float) -> list[_Box]:
    """Return squares along a line, its ends apart."""
    (x0, y0), (x1, y1) = start, end
    shares = [step / steps for step in range(1, steps)]
    return [_around((x0 + (x1 - x0) * share, y0 + (y1 - y0) * share), reach) for share in shares]


def _shared(first: _Box, second: _Box) -> float:
    """Return the area that two rectangles share."""
    wide, high = (min(first[n + 2], second[n + 2]) - max(first[n], second[n]) for n in (0, 1))
    return max(0.0, wide) * max(0.0, high)


def _with_room(values: list[float], below: float, above: float) -> tuple[float, float]:
    """Return the ends of values with room on both sides, as shares of the span; some room where all are one."""
    low, high = min(values, default=0.0), max(values, default=1.0)
    room = abs(high) * 0.03 or 1.0
    low, high = (low, high) if high - low > 0.25 * room else (low - room, high + room)
    return low - below * (high - low), high + above * (high - low)
