"""What all charts share: fonts and widths of text, axes and scales, places of colours, drawing by the macros.

The faces are cut once from an open font by ``tools/cut_fonts.py``; scripts that they lack fall to DejaVu Sans,
which matplotlib ships, then to the fonts of the reader's system.
"""

from __future__ import annotations

import base64
import json
import math
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import TypeGuard

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import change_text, is_missing, number_text
from gpubench_kit.wording.terms import metric_of

FAMILY, SIGNS_FAMILY = "Review Sans", "Review Signs"
#: Weight in a style sheet -> face. A weight between takes the next one that CSS finds.
FACES = {400: "regular", 600: "semibold", 700: "bold"}
ELLIPSIS = "…"

_FOLDER = resources.files("gpubench_kit.page.charts").joinpath("fonts")
#: What control, format and half characters of a user's text become; a line of text stays one line.
_HARMLESS = {"Cc": " ", "Cf": "", "Cs": "\ufffd", "Cn": "\ufffd", "Co": "\ufffd", "Zl": " ", "Zp": " "}
#: Width of a character that the face lacks, in thousandths of the size: as wide as a letter of another script.
_LETTER, _IDEOGRAPH = 620, 1000


@lru_cache(maxsize=1)
def font_faces() -> str:
    """Return the ``@font-face`` rules of all faces, the fonts within."""
    faces = [(FAMILY, weight, name) for weight, name in FACES.items()] + [(SIGNS_FAMILY, 700, "signs")]
    return "".join(
        f'@font-face{{font-family:"{family}";font-weight:{weight};src:url(data:font/woff2;base64,{_encoded(name)}) '
        'format("woff2")}\n'
        for family, weight, name in faces
    )


def font_files() -> list[Path]:
    """Return the font files that pictures are drawn with."""
    return [Path(str(_FOLDER.joinpath(f"{name}.ttf"))) for name in (*FACES.values(), "signs")]


def clean(text: object) -> str:
    """Return text as one line of printable characters, composed (NFC).

    Marks of direction and other invisible characters are dropped: they could turn what stands beside the text.
    """
    composed = unicodedata.normalize("NFC", str(text))
    kept = (one if one == "\u00a0" else _HARMLESS.get(unicodedata.category(one), one) for one in composed)
    return " ".join(part for part in "".join(kept).split(" ") if part)


def is_covered(text: str) -> bool:
    """Return whether the faces have every character of a text; spaces and line ends aside."""
    known = _advances()
    return all(one in known["regular"] or one in known["signs"] or one.isspace() for one in set(text))


@lru_cache(maxsize=8192)
def text_width(text: str, size: float = 12.0, *, face: str = "regular") -> float:
    """Return the width of one line of text, in the unit of ``size``.

    Parameters
    ----------
    text : one line
    size : size of the letters
    face : ``regular``, ``semibold`` or ``bold``
    """
    widths = _advances()[face]
    return sum(widths[one] if one in widths else _guessed(one) for one in text) * size / 1000


@lru_cache(maxsize=8192)
def fitted(text: str, width: float, size: float = 12.0, *, face: str = "regular") -> str:
    """Return text that is no wider than ``width``: its beginning and an ellipsis where the whole is too long."""
    text = clean(text)
    if text_width(text, size, face=face) <= width:
        return text
    room, taken = width - text_width(ELLIPSIS, size, face=face), 0
    while taken < len(text) and text_width(text[: taken + 1], size, face=face) <= room:
        taken += 1
    # A mark that belongs to the letter before it is not left without it.
    while 0 < taken < len(text) and unicodedata.category(text[taken]) in ("Mn", "Me", "Mc"):
        taken -= 1
    return text[: max(taken, 1)].rstrip() + ELLIPSIS


def wrapped(text: str, width: float, size: float = 12.0, *, face: str = "regular", lines: int = 2) -> list[str]:
    """Return text in at most so many lines no wider than ``width``, broken at spaces; the last one may be cut."""
    words, out = clean(text).split(" "), [""]
    while words:
        longer = f"{out[-1]} {words[0]}".strip()
        if text_width(longer, size, face=face) <= width or not out[-1]:
            out[-1] = longer
            words.pop(0)
        elif len(out) < lines:
            out.append("")
        else:
            out[-1] = " ".join([out[-1], *words])
            break
    return [fitted(line, width, size, face=face) for line in out]


def _guessed(character: str) -> int:
    """Return the width of a character that no face has."""
    if unicodedata.combining(character):
        return 0
    is_wide = unicodedata.east_asian_width(character) in "WF" or ord(character) > 0xFFFF
    return _IDEOGRAPH if is_wide else _LETTER


@lru_cache(maxsize=1)
def _advances() -> dict[str, dict[str, int]]:
    """Return how far each character of each face moves on."""
    return json.loads(_FOLDER.joinpath("advances.json").read_text(encoding="utf-8"))


def _encoded(name: str) -> str:
    """Return a face as text for a style sheet."""
    return base64.b64encode(_FOLDER.joinpath(f"{name}.woff2").read_bytes()).decode("ascii")


#: Place of another card that tunings are compared with.
RIVAL = -1
#: Colours of tunings beside the reference.
_COLOURS = 5
#: Between a number and its unit.
NBSP = "\u00a0"
MINUS = "−"
#: What is larger than this is drawn no more than what is infinite.
_LARGEST = 1e12
_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)


class Drawn:
    """A chart that knows its macro, its size and itself in words."""

    macro: str
    width: float

    @property
    def height(self) -> float:
        """Whole height."""
        raise NotImplementedError

    @property
    def alternative_text(self) -> str:
        """The chart in words."""
        raise NotImplementedError

    def __html__(self) -> str:
        """Return the chart as one SVG element with live text, its colours the CSS variables of the page."""
        return draw(self)

    _repr_html_ = __html__


def draw(chart: Drawn) -> Markup:
    """Return a chart as one SVG element, for an HTML page or inside another SVG: the same characters every time."""
    return Markup(getattr(_macros(), chart.macro)(chart))


def px(length: float) -> Markup:
    """Return a length with at most one decimal."""
    text = f"{length:.1f}".removesuffix(".0")
    return Markup("0" if text == "-0" else text)


def css_place(place: int | None) -> str:
    """Return the end of the class names of a place: the number of its colour, ``n`` for none."""
    if place is None:
        return "n"
    return "6" if place == RIVAL else str(place if place <= _COLOURS else (place - 1) % _COLOURS + 1)


def is_hollow(place: int | None) -> bool:
    """Return whether marks of a place are hollow and lines dashed: a rival, or a colour used again."""
    return place is not None and (place == RIVAL or place > _COLOURS)


@lru_cache(maxsize=1)
def _macros():
    """Return the module of all macros."""
    templates = Environment(
        loader=PackageLoader("gpubench_kit.page.charts", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    templates.filters |= {"px": px, "clean": clean, "place": css_place, "hollow": is_hollow}
    templates.filters["colour"] = lambda verdict: VERDICTS[verdict].colour
    templates.globals |= {"known": is_known, "say": say}
    return templates.get_template("charts.svg.j2").module


def is_known(value: float | None, *others: float | None) -> TypeGuard[float]:
    """Return whether all values are there and can be drawn."""
    return all(one is not None and abs(one) <= _LARGEST for one in (value, *others))


def known_ends(low: float | None, high: float | None) -> tuple[float | None, float | None]:
    """Return both ends of an interval as numbers; an end that is missing is None."""
    first, second = (None if is_missing(one) or not is_known(float(one)) else float(one) for one in (low, high))
    return first, second


@dataclass(frozen=True)
class Axis:
    """One axis.

    Attributes
    ----------
    label, unit : what it shows, and the unit of its values
    low, high : its ends; None by the values
    decimals : of its values in words; None by their size
    signed : whether values are changes, with signs
    margin : ends of the band; None for no band
    scale : ``linear`` or ``tail``
    """

    label: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    decimals: int | None = None
    signed: bool = False
    margin: tuple[float, float] | None = None
    scale: str = "linear"

    @property
    def heading(self) -> str:
        """Label and unit."""
        return f"{self.label}, {self.unit}" if self.unit else self.label

    def text(self, value: float | None) -> str:
        """Return a value of this axis in words."""
        if self.signed and is_known(value):
            return change_text(value, self.unit)
        return value_text(value, self.unit, decimals=self.decimals)

    def tick(self, value: float) -> str:
        """Return a tick as short as it can be: ``'−2'``, ``'+0.5'``, ``'1200'``."""
        return ("+" if self.signed and value > 0 else "") + f"{value:.10g}".replace("-", MINUS)

    def ends(
        self, values: Iterable[float | None], *, pad: float = 0.06, include: Sequence[float] = ()
    ) -> tuple[float, float]:
        """Return the ends of the axis: its own, or those that hold all values; see `padded`."""
        low, high = padded(values, include=include, pad=pad)
        return (low if self.low is None else self.low), (high if self.high is None else self.high)


def value_text(value: float | None, unit: str = "", *, decimals: int | None = None) -> str:
    """Return a value with its unit; decimals by its size where none are asked for: ``'9.8 FPS'``, ``'142 W'``."""
    if not is_known(value):
        return "–"
    if decimals is None:
        decimals = 0 if abs(value) >= 99.95 else 1 if abs(value) >= 9.995 or unit == "FPS" else 2
    return number_text(value, decimals=decimals) + (NBSP + unit if unit else "")


def unit_of(metric: str) -> str:
    """Return the unit of a metric as charts write it."""
    unit = metric_of(metric).unit
    return "FPS" if unit == "fps" else unit


@dataclass(frozen=True)
class Scale:
    """Values from ``low`` to ``high`` onto places from ``start`` to ``end``; what lies outside stops at the end."""

    low: float
    high: float
    start: float
    end: float
    kind: str = "linear"

    def __call__(self, value: float) -> float:
        """Return the place of a value."""
        low, high, inside = map(self._bent, (self.low, self.high, min(max(float(value), self.low), self.high)))
        return self.start + (inside - low) / ((high - low) or 1.0) * (self.end - self.start)

    def ticks(self, most: int = 4) -> list[float]:
        """Return round values on the scale, about so many."""
        if self.kind == "tail":
            return [one for one in (50.0, 90.0, 99.0, 99.9) if self.low <= one <= self.high]
        return round_ticks(self.low, self.high, most=most)

    def _bent(self, value: float) -> float:
        """Return the value on a straight scale: on the tail, each further nine is one step."""
        return -math.log10(1 - min(value, 99.999) / 100) if self.kind == "tail" else value


def round_ticks(low: float, high: float, *, most: int = 4) -> list[float]:
    """Return round values between two ends, at most one more than ``most``, and two at least: one is no scale."""
    span = high - low
    if not (math.isfinite(span) and span > 0):
        return []
    power = 10.0 ** math.floor(math.log10(span / most))
    place = next(place for place, one in enumerate(_STEPS) if span / (power * one) <= most + 0.5)
    for step in (power * one for one in _STEPS[max(place - 1, 0) : place + 1][::-1]):
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        if first < last:
            break
    return [round(number * step, 10) + 0.0 for number in range(first, last + 1)]


def padded(
    values: Iterable[float | None], *, include: Sequence[float] = (), pad: float = 0.06
) -> tuple[float, float]:
    """Return ends that hold all finite values with some room; 0 to 1 where there is none.

    Parameters
    ----------
    values : values to hold; what is missing or not finite is skipped
    include : further values to hold, without room beyond them
    pad : room at either end, as a share of the span
    """
    known = [float(one) for one in values if is_known(one)]
    if not known:
        return (min(include), max(include)) if len(set(include)) > 1 else (0.0, 1.0)
    low, high = min(known), max(known)
    room = (high - low) * pad or abs(high) * 0.02 or 1.0
    return min([low - room, *include]), max([high + room, *include])
