"""A figure that says what it shows: data, caption, and a text alternative that states the finding."""

from __future__ import annotations

import hashlib
import html
import io
import os
import re
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import matplotlib as mpl
import pandas as pd
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from gpubench_kit.figures.pixels import png_files
from gpubench_kit.figures.sheet import DPI, LIVE_TEXT, PICTURE_SIZE
from gpubench_kit.figures.style import (
    PAINTS,
    THEMES,
    Look,
    as_css_variables,
    coloured,
    page_look,
    painted_picture_look,
    themed_colours,
)
from gpubench_kit.figures.text import FAMILY, shown, text_width
from gpubench_kit.model.errors import ReportError

#: matplotlib settings that reach into the bytes; a user's own settings must not.
SETTINGS = {
    "svg.fonttype": "path", "svg.hashsalt": "gpubench_kit", "text.usetex": False, "font.family": FAMILY,
    "path.simplify": True, "path.simplify_threshold": 0.4, "path.sketch": None, "path.effects": [],
    "text.hinting": "none", "text.antialiased": True, "savefig.bbox": None, "savefig.transparent": False,
    "lines.antialiased": True, "lines.scale_dashes": True, "lines.dash_capstyle": "butt",
}  # fmt: skip

_NO_SVG_METADATA = {"Date": None, "Creator": None, "Format": None, "Type": None}
#: The path that matplotlib fills a picture's sheet with.
_GROUND = re.compile(r'<path d="M0 \d+L\d+ \d+L\d+ 0L0 0z" style="[^"]*"/>')
# The settings above are global to matplotlib, so only one drawing may have them at a time.
_ONE_AT_A_TIME = threading.RLock()


@dataclass(frozen=True, eq=False)
class DescribedFigure:
    """A chart with the data drawn, its caption and its text alternative.

    Attributes
    ----------
    name : predictable and unique, lower case with hyphens; the stem of its files, and hashed the prefix of its ids
    data : the rows drawn, full precision
    caption : one sentence or two, shown below the chart
    alternative_text : the finding in words, for readers who do not see the chart
    drawing : function from a `Look` to a matplotlib figure
    style : the plan's section ``style``, or None
    """

    name: str
    data: pd.DataFrame = field(repr=False)
    caption: str
    alternative_text: str
    drawing: Callable[[Look], Figure] = field(repr=False)
    style: object = field(default=None, repr=False)

    def to_svg(self) -> str:
        """Return the chart for a page: one SVG element whose colours follow the page, ids all its own."""
        svg = _svg_element(_render_svg(self.drawing, page_look()), self.name)
        return self._labelled(as_css_variables(svg, self.style))

    def save(self, path: str | os.PathLike, *, theme: str = "light", transparent: bool = False) -> Path:
        """Write the chart as a picture of 1920 by 1080, SVG or PNG by the suffix of the path.

        Parameters
        ----------
        path : file to write, ending in ``.svg`` or ``.png``; its folder must exist
        theme : ``light`` or ``dark``
        transparent : whether the ground is left out

        Raises
        ------
        ReportError : the suffix or theme is not one of these, or the file cannot be written
        """
        target = Path(path)
        if target.suffix not in (".svg", ".png") or theme not in THEMES:
            problem = f"cannot be written as '{target.suffix}' in theme '{theme}' (.svg or .png; light or dark)."
            raise ReportError(f"picture '{target.name}': {problem}")
        files = self._svg_files() if target.suffix == ".svg" else self._png_files()
        return _written(target, files[THEMES.index(theme)][transparent])

    def save_all(self, folder: str | os.PathLike) -> list[Path]:
        """Write the chart as a picture in every form, each drawn once for all that show the same.

        Parameters
        ----------
        folder : where the files go; it must exist

        Returns
        -------
        list of Path: ``<name>-<light or dark>.<svg or png>``, and ``<name>-<light or dark>-transparent.<...>``

        Raises
        ------
        ReportError : a file cannot be written
        """
        made = []
        for ending, drawn in ((".svg", self._svg_files()), (".png", self._png_files())):
            for theme, files in zip(THEMES, drawn, strict=True):
                names = (f"{self.name}-{theme}{ending}", f"{self.name}-{theme}-transparent{ending}")
                made += [_written(Path(folder) / name, content) for name, content in zip(names, files, strict=True)]
        return made

    def _repr_html_(self) -> str:
        """Return the chart and its caption as an HTML figure."""
        return (
            f'<figure class="chart" id="chart-{self.name}" style="margin:0;max-width:34rem">{self.to_svg()}'
            f"<figcaption>{html.escape(self.caption)}</figcaption></figure>"
        )

    def _svg_files(self) -> list[tuple[bytes, bytes]]:
        """Return the bytes of an SVG file on its ground, and without one, for each theme."""
        svg = _svg_element(_painted_picture(self)[0], self.name)
        width, height = PICTURE_SIZE
        head = '<?xml version="1.0" encoding="utf-8"?>\n<svg xmlns="http://www.w3.org/2000/svg"'
        head += f' width="{width}" height="{height}"'
        files = []
        for colours in self._themes():
            whole = head + self._labelled(coloured(svg, colours)).removeprefix("<svg") + "\n"
            files.append((whole.encode("utf-8"), _GROUND.sub("", whole, count=1).encode("utf-8")))
        return files

    def _png_files(self) -> list[tuple[bytes, bytes]]:
        """Return the bytes of a PNG file on its ground, and without one, for each theme."""
        pixels = _painted_picture(self)[1]
        return png_files(pixels, PICTURE_SIZE, paints=tuple(PAINTS.values()), themes=self._themes(), dpi=DPI)

    def _themes(self) -> list[dict[str, str]]:
        """Return the colour of each role in each theme."""
        return [themed_colours(self.style, theme=theme) for theme in THEMES]

    def _labelled(self, svg: str) -> str:
        """Return the SVG element with its role and text alternative."""
        label = html.escape(self.alternative_text, quote=True)
        return svg.replace("<svg", f'<svg role="img" aria-label="{label}" style="stroke-linejoin:round"', 1)


def _written(target: Path, content: bytes) -> Path:
    """Write a file whole or not at all, and return its path."""
    part = target.with_name(target.name + ".part")
    try:
        part.write_bytes(content)
        part.replace(target)
    except OSError as error:
        raise ReportError(f"picture '{target.name}': cannot be written ({error.strerror}).") from error
    return target


@lru_cache(maxsize=1)
def _painted_picture(chart: DescribedFigure) -> tuple[str, bytes]:
    """Return a picture in paints, as SVG text and as pixels without a ground: kept for the file asked for next."""
    with _ONE_AT_A_TIME, mpl.rc_context(SETTINGS):
        figure = chart.drawing(painted_picture_look(chart.style))
        svg = _printed_svg(figure)
        figure.set_dpi(DPI)
        figure.patch.set_visible(False)
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        return svg, bytes(canvas.buffer_rgba())


def _render_svg(drawing: Callable[[Look], Figure], look: Look) -> str:
    """Return matplotlib's SVG text of a drawing."""
    with _ONE_AT_A_TIME, mpl.rc_context(SETTINGS):
        return _printed_svg(drawing(look))


def _printed_svg(figure: Figure) -> str:
    """Return matplotlib's SVG text of a figure."""
    out = io.StringIO()
    # Not by way of ``savefig``, which lays every text out twice.
    FigureCanvasSVG(figure).print_svg(out, metadata=_NO_SVG_METADATA)
    return out.getvalue()


def _svg_element(svg: str, name: str) -> str:
    """Return the bare SVG element: no prologue, comments or idle ids, short numbers, ids of its own."""
    svg = _live_text(svg[svg.index("<svg") :])
    svg = re.sub(r"<!--.*?-->|<style[^>]*>.*?</style>", "", svg, flags=re.DOTALL)
    svg = re.sub(r' xmlns(?::xlink)?="[^"]*"| version="[^"]*"', "", svg).replace("xlink:href=", "href=")
    svg = re.sub(r'(<svg[^>]*?) (?:width|height)="[^"]*"([^>]*?) (?:width|height)="[^"]*"', r"\1\2", svg, count=1)
    used = set(re.findall(r'(?:href="|url\()#([^")]+)', svg))
    prefix = "c" + hashlib.sha256(name.encode("utf-8")).hexdigest()[:7]
    keep = {one: f"{prefix}-{place}" for place, one in enumerate(sorted(used))}
    svg = re.sub(r' id="([^"]*)"', lambda found: f' id="{keep[found[1]]}"' if found[1] in keep else "", svg)
    svg = re.sub(r'(href="|url\()#([^")]+)', lambda found: f"{found[1]}#{keep[found[2]]}", svg)
    svg = re.sub(r'( d=| x=| y=|translate\()("?[^")]*)', lambda found: found[1] + _short(found[2]), svg)
    # A glyph's place in its line, in hundredths of the text size: whole numbers are exact enough.
    svg = re.sub(r'transform="translate\((-?[\d.]+) 0\)"', lambda found: f'x="{float(found[1]):.0f}"', svg)
    svg = re.sub(r">\s+<", "><", svg).strip()
    svg = re.sub(r'style="[^"]*"', lambda found: re.sub(r"([;:]) ", r"\1", found[0]), svg)
    svg = re.sub(r"<g>(<path [^>]*/>)</g>", r"\1", svg)
    svg = re.sub(r'<path(?! id)[^>]*transform="scale\(0\.015625\)"/>|<defs></defs>', "", svg)
    return re.sub(r' d="([^"]*)" transform="scale\(0\.015625\)"', lambda found: _coarser_glyph(found[1]), svg)


@lru_cache(maxsize=4096)
def _short(numbers: str) -> str:
    """Return the numbers of a path with at most two decimals, separated by single spaces."""
    rounded = re.sub(r"-?\d+\.\d{3,}", lambda found: f"{float(found[0]):.2f}".rstrip("0").rstrip("."), numbers)
    return re.sub(r" ?([A-Za-z]) ?", r"\1", re.sub(r"\s+", " ", rounded)).strip()


@lru_cache(maxsize=1024)
def _coarser_glyph(outline: str) -> str:
    """Return a glyph's outline on a grid of 512 steps, fine enough at any size of screen text."""
    outline = re.sub(r"-?\d+(?:\.\d+)?", lambda number: f"{float(number[0]) / 8:.0f}", outline)
    return f' d="{outline}" transform="scale(.125)"'


def _live_text(svg: str) -> str:
    """Return the SVG in which names in scripts that DejaVu Sans lacks are text, drawn by the reader's fonts."""
    pattern = rf'<g id="{LIVE_TEXT}([0-9a-f]*)">(.*?)<g style="([^"]*)" transform="([^"]*)">(.*?)</g>'
    return re.sub(pattern, _live_element, svg, flags=re.DOTALL)


def _live_element(found: re.Match) -> str:
    """Return one text element as wide as the placeholders that it replaces."""
    text = bytes.fromhex(found[1]).decode("utf-8")
    size = float(re.search(r"scale\(([\d.]+)", found[4])[1]) * 100
    move = re.search(r"translate\([^)]*\)", found[4])[0]
    bold = "Bold" in found[5]
    kept = "".join(re.findall(r"<defs>.*?</defs>", found[5], re.DOTALL))
    width = text_width(shown(text), size, bold=bold)
    weight = ";font-weight:bold" if bold else ""
    return (
        f'<g>{kept}<text transform="{move}" textLength="{width:.1f}" lengthAdjust="spacingAndGlyphs" '
        f'style="{found[3]};font-family:{FAMILY},sans-serif;font-size:{size:g}px{weight}">{html.escape(text)}</text>'
    )
