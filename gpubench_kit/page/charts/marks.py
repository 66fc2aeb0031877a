"""What all charts share: colours by place and verdict, values in words, the model that draws itself.

A model holds plain numbers in units and finds its own places; the macros of ``charts.svg.j2`` draw it. All lengths
are in units of which text is 12 high: a page shows one unit as one pixel, a picture of 1920 by 1080 as three and a
third.

Colours are places: 0 is the reference, 1 to 5 the tunings in the plan's order, further ones take the same colours
again, hollow and dashed; `RIVAL` is the other card, None a thing that is no tuning.
"""

from __future__ import annotations

from functools import lru_cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from gpubench_kit.page.charts.fonts import clean
from gpubench_kit.page.charts.scales import is_known
from gpubench_kit.wording.numbers import number_text

#: Place of another card that tunings are compared with.
RIVAL = -1
#: Colours of tunings beside the reference.
_COLOURS = 5
#: Between a number and its unit.
NBSP = "\u00a0"


class Drawn:
    """A chart that knows its macro, its size and itself in words."""

    macro: str
    width: float
    height: float

    @property
    def alternative_text(self) -> str:
        """The chart in words."""
        raise NotImplementedError

    def __html__(self) -> str:
        """Return the chart as one SVG element with live text, its colours the CSS variables of the page."""
        return draw(self)

    def _repr_html_(self) -> str:
        """Return the chart for a notebook."""
        return draw(self)


def draw(chart: Drawn) -> Markup:
    """Return a chart as one SVG element, for an HTML page or inside another SVG: the same characters every time."""
    return Markup(getattr(_macros(), chart.macro)(chart))


def px(length: float) -> str:
    """Return a length with at most one decimal."""
    text = f"{length:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text


def css_place(place: int | None) -> str:
    """Return the end of the class names of a place: the number of its colour, ``n`` for none."""
    if place is None:
        return "n"
    return "6" if place == RIVAL else str(place if place <= _COLOURS else (place - 1) % _COLOURS + 1)


def is_hollow(place: int | None) -> bool:
    """Return whether marks of a place are hollow and lines dashed: a rival, or a colour used again."""
    return place is not None and (place == RIVAL or place > _COLOURS)


def verdict_colour(verdict: str) -> str:
    """Return the class of a verdict: good, bad, n for undecided, i for all else (it is within the margin)."""
    return {"better": "good", "worse": "bad", "undecided": "n", "no_verdict": "n"}.get(verdict, "i")


def value_text(value: float | None, unit: str = "", *, decimals: int | None = None) -> str:
    """Return a value with its unit; decimals by its size where none are asked for: ``'9.8 FPS'``, ``'142 W'``."""
    if not is_known(value):
        return "–"
    if decimals is None:
        decimals = 0 if abs(value) >= 99.95 else 1 if abs(value) >= 9.995 or unit == "FPS" else 2
    return number_text(value, decimals=decimals) + (NBSP + unit if unit else "")


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
    templates.filters["px"] = lambda length: Markup(px(length))
    templates.filters |= {"clean": clean, "place": css_place, "hollow": is_hollow, "colour": verdict_colour}
    return templates.get_template("charts.svg.j2").module
