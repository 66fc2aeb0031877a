"""Curves and dots over two axes: frame times, percentiles, sensors, sweeps, costs, the order of runs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

from gpubench_kit.page.charts.fonts import clean, fitted, text_width
from gpubench_kit.page.charts.marks import NBSP, RIVAL, Drawn, Scale, is_known, padded, px, tick_text, value_text

_LINE = 16.0
_SAMPLE = 13.0
_BETWEEN = 10.0
#: Points of a curve that its words name.
_POINTS_TOLD = 12


@dataclass(frozen=True)
class Axis:
    """One axis: what it shows, its unit, its ends (None: by the values), ``linear`` or ``tail``."""

    label: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    scale: str = "linear"
    from_zero: bool = False
    decimals: int | None = None
    signed: bool = False

    def text(self, value: float) -> str:
        """Return a value of this axis in words."""
        return value_text(value, self.unit, decimals=self.decimals)

    def ends(self, values: list[float | None], *, pad: float) -> tuple[float, float]:
        """Return the ends of the axis."""
        low, high = padded(values, include=[0.0] if self.from_zero else [], pad=pad)
        return (low if self.low is None else self.low), (high if self.high is None else self.high)


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
        if self.note or self.labels:
            told = self.note or "; ".join(self.labels)
        else:
            step = max(1, math.ceil(len(self.points) / _POINTS_TOLD))
            told = ", ".join(f"{y.text(b)} at {x.text(a)}" for a, b in self.points[::step] if is_known(a, b))
        return f"{clean(self.name)}: {told or 'no value'}"

    @property
    def known_points(self) -> list[tuple[int, float, float]]:
        """Number, x and y of each point that is there."""
        return [(number, a, b) for number, (a, b) in enumerate(self.points) if is_known(a, b)]


@dataclass(frozen=True)
class Mark:
    """A line across a plot at one value of x or of y, with a word."""

    text: str = ""
    x: float | None = None
    y: float | None = None


@dataclass(frozen=True)
class Plot(Drawn):
    """Curves and dots over two axes.

    Attributes
    ----------
    title : what it shows, in words
    x, y : the axes; the label of y is the heading
    series : what is drawn, first at the bottom
    marks : lines with words
    key : whether the names of the series are written
    """

    title: str
    x: Axis
    y: Axis
    series: tuple[Series, ...]
    marks: tuple[Mark, ...] = ()
    width: float = 360.0
    height: float = 214.0
    key: bool = True
    macro = "plot"

    @property
    def alternative_text(self) -> str:
        """The numbers of every curve, and what is marked."""
        told = [one.words(self.x, self.y) for one in self.series]
        marked = [
            (clean(one.text) + (f" at {self.x.text(one.x)}" if one.x is not None else ""))
            for one in self.marks
            if one.text
        ]
        return ". ".join([clean(self.title), *told, *marked]) + "."

    @property
    def heading(self) -> str:
        """What stands above it: the label of y and its unit."""
        unit = f", {self.y.unit}" if self.y.unit else ""
        return fitted(f"{self.y.label}{unit}", self.width, face="semibold")

    @cached_property
    def entries(self) -> list[tuple[float, float, str, Series]]:
        """The key: left end and line of each sample, name, series; beside the heading where there is room."""
        named = [one for one in self.series if one.name] if self.key else []
        # A curve and the dots on it are one entry.
        named = list({(one.name, one.place): one for one in named}.values())
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
        return lines + 13 + 13 * (max((line for *_, line in self._mark_lines), default=-1) + 1)

    @cached_property
    def _mark_lines(self) -> list[tuple[float, str, bool, int]]:
        """Marks of x with words: their x, words as they fit, whether they stand to the right, and their line."""
        ends: list[float] = []
        out = []
        room = self.width - 40
        marked = [(one.x, one.text) for one in self.marks if one.x is not None and one.text]
        for x, words in sorted(marked, key=lambda one: one[0]):
            text = fitted(words, room)
            share = (x - self._x_ends[0]) / ((self._x_ends[1] - self._x_ends[0]) or 1.0)
            at, wide = 30 + room * min(max(share, 0.0), 1.0), text_width(text)
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
        out = []
        for at, text, is_right, line in self._mark_lines:
            x = self.across(at)
            out.append(
                (
                    x - 3 if is_right else x + 3,
                    self.top - 5 - 13 * (last - line),
                    "start" if is_right else "end",
                    text,
                )
            )
        return out

    @property
    def bottom(self) -> float:
        """Bottom of the plane, above ticks and label."""
        return max(self.height - 22 - (15 if self.x.label else 0), self.top + 20)

    @cached_property
    def _x_ends(self) -> tuple[float, float]:
        """The ends of x."""
        known = [one[0] for series in self.series for one in (*series.points, *series.band, *series.intervals)]
        return self.x.ends([*known, *(one.x for one in self.marks)], pad=0.0 if not self._has_dots else 0.04)

    @cached_property
    def across(self) -> Scale:
        """Values of x onto places."""
        low, high = self._x_ends
        texts = [text_width(text) for _, text in self.y_ticks]
        return Scale(low, high, max(texts, default=0.0) + 9, self.width - 5, self.x.scale)

    @cached_property
    def upward(self) -> Scale:
        """Values of y onto places."""
        values: list[float | None] = [one for series in self.series for _, one in series.points]
        values += [one for series in self.series for row in (*series.band, *series.intervals) for one in row[1:]]
        values += [one.y for one in self.marks]
        low, high = self.y.ends(values, pad=0.06)
        return Scale(low, high, self.bottom, self.top, self.y.scale)

    @property
    def _has_dots(self) -> bool:
        """Whether dots must keep off the ends of x."""
        return any(one.kind == "dots" for one in self.series)

    @property
    def _most(self) -> int:
        """How many ticks there is room for upward."""
        return max(2, int((self.bottom - self.top) / 38))

    @property
    def x_ticks(self) -> list[tuple[float, str, str]]:
        """Place, words and anchor of the ticks of x; the unit stands at the first one where no label says it."""
        scale = self.across
        most = max(2, int((scale.end - scale.start) / 58))
        out = []
        for number, value in enumerate(scale.ticks(most)):
            with_unit = not self.x.label and self.x.unit and (number == 0 or self.x.scale == "tail")
            place = scale(value)
            anchor = "start" if place < scale.start + 6 else "end" if place > scale.end - 6 else "middle"
            out.append((place, tick_text(value) + (NBSP + self.x.unit if with_unit else ""), anchor))
        return out

    @property
    def y_ticks(self) -> list[tuple[float, str]]:
        """Place and words of the ticks of y."""
        values = self.upward.ticks(self._most)
        return [
            (self.upward(one), f"+{tick_text(one)}" if self.y.signed and one > 0 else tick_text(one))
            for one in values
        ]

    def line(self, series: Series) -> str:
        """Return the path of a curve, broken where a value is missing."""
        out, pen = [], "M"
        for x, y in series.points:
            if is_known(x, y):
                out.append(f"{pen}{px(self.across(x))} {px(self.upward(y))}")
                pen = "L"
            else:
                pen = "M"
        return "".join(out)

    def strokes(self, rows: tuple[tuple[float, float, float], ...]) -> str:
        """Return the path of strokes up: spikes, or intervals through dots."""
        return "".join(
            f"M{px(self.across(x))} {px(self.upward(low))}V{px(self.upward(high))}"
            for x, low, high in rows
            if is_known(x, low, high)
        )

    def shade(self, series: Series) -> str:
        """Return the path of a shade."""
        known = [(x, low, high) for x, low, high in series.band if is_known(x, low, high)]
        up = [f"{px(self.across(x))} {px(self.upward(high))}" for x, _, high in known]
        down = [f"{px(self.across(x))} {px(self.upward(low))}" for x, low, _ in reversed(known)]
        return f"M{'L'.join(up + down)}z" if len(known) > 1 else ""

    def dot_words(self, series: Series, number: int) -> str:
        """Return the words of one dot."""
        if number < len(series.labels):
            return series.labels[number]
        x, y = series.points[number]
        return f"{clean(series.name)}: {self.y.text(y)} at {self.x.text(x)}"

    def mark_text(self, mark: Mark) -> str:
        """Return the words of a mark as they fit."""
        return fitted(mark.text, self.across.end - self.across.start)
