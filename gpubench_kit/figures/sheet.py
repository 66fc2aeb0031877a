"""A drawing sheet in pixels: origin top left, one unit is one pixel of a picture or of a narrow phone page.

Artists are placed on a `matplotlib.figure.Figure` of its own, without pyplot, so nothing has to be
closed and drawings in several threads do not meet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon, Rectangle
from matplotlib.transforms import Affine2D

from gpubench_kit.figures.style import Look
from gpubench_kit.figures.text import FAMILY, clean, fallback_family, lacks_glyphs, missing, shown, text_width, wrap
from gpubench_kit.figures.text_line import TextLine

PAGE_WIDTH = 360
PICTURE_SIZE = (1920, 1080)
DPI = 72
#: Group id under which text with characters that DejaVu Sans lacks is found again in the SVG.
LIVE_TEXT = "live-text-"


@dataclass(frozen=True)
class Box:
    """A part of the sheet [px]."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def width(self) -> float:
        """Width [px]."""
        return self.right - self.left

    @property
    def height(self) -> float:
        """Height [px]."""
        return self.bottom - self.top

    @property
    def middle(self) -> float:
        """Middle of the height [px from the top of the sheet]."""
        return (self.top + self.bottom) / 2


@dataclass(frozen=True)
class Sizes:
    """Sizes of one sheet [px]: text, title, height of a text line, margin, gap, marker and stroke."""

    text: float
    title: float
    line: float
    margin: float
    gap: float
    marker: float
    stroke: float


@dataclass(frozen=True)
class Heading:
    """What stands around a drawing: title, subtitle (what is drawn) and note (how to read it)."""

    title: str
    subtitle: str = ""
    note: str = ""


def sizes_of(look: Look) -> Sizes:
    """Return the sizes of a look; on a page no text is under 12 px on a phone 390 px wide."""
    if look.is_picture:
        text = 30 * look.scale
        return Sizes(text, 46 * look.scale, text * 1.35, 64, 18, 17, 4)
    return Sizes(12.5, 14.5, 17.0, 4, 7, 7, 1.6)


class Sheet:
    """A figure that takes marks in pixels from the top left corner; later marks lie on earlier ones."""

    def __init__(self, look: Look, *, width: float, height: float):
        self.look, self.sizes, self.width, self.height = look, sizes_of(look), width, height
        self.figure = Figure(figsize=(width / DPI, height / DPI), dpi=DPI, facecolor=look.colours["ground"])
        self._transform = Affine2D().scale(1, -1).translate(0, height).scale(1 / DPI) + self.figure.dpi_scale_trans
        self._marks = 0

    def text(self, place: tuple[float, float], text: str, *, role: str = "ink", align: str = "left",
             size: float | None = None, bold: bool = False) -> None:  # fmt: skip
        """Write one line of text; ``place`` is its left, middle or right end on the base line."""
        line = clean(text)
        artist = TextLine(*place, shown(line), color=self.look.colours[role], fontsize=size or self.sizes.text,
                      ha=align, va="baseline", family=FAMILY, weight="bold" if bold else "normal",
                      parse_math=False)  # fmt: skip
        if lacks_glyphs(line):
            self._keep_original(artist, line)
        self._add(artist)

    def line(self, xs: Sequence[float], ys: Sequence[float], *, role: str = "ink", width: float | None = None,
             dash="-", alpha: float = 1.0) -> None:  # fmt: skip
        """Draw a line through points; ``dash`` as matplotlib's line style."""
        self._add(Line2D(xs, ys, color=self.look.colours[role], linewidth=width or self.sizes.stroke,
                         linestyle=dash, alpha=alpha, solid_capstyle="butt"))  # fmt: skip

    def segments(self, ends: Sequence[tuple[float, float, float, float]], *, role: str = "ink",
                 width: float | None = None) -> None:  # fmt: skip
        """Draw straight pieces (x, y, x, y) as one mark, which is quicker and smaller than one by one."""
        gap = float("nan")
        xs = [x for one in ends for x in (one[0], one[2], gap)]
        ys = [y for one in ends for y in (one[1], one[3], gap)]
        if ends:
            self.line(xs, ys, role=role, width=width)

    def rectangle(self, box: Box, *, role: str, alpha: float = 1.0) -> None:
        """Fill a box."""
        self._add(Rectangle((box.left, box.top), box.width, box.height, linewidth=0, alpha=alpha,
                            facecolor=self.look.colours[role]))  # fmt: skip

    def area(self, points: Sequence[tuple[float, float]], *, role: str, alpha: float = 1.0) -> None:
        """Fill a closed outline."""
        self._add(Polygon(points, closed=True, linewidth=0, alpha=alpha, facecolor=self.look.colours[role]))

    def marker(self, place: tuple[float, float], shape: str, *, role: str, hollow: bool = False,
               size: float | None = None) -> None:  # fmt: skip
        """Draw a marker; a hollow one shows the ground inside."""
        colour = self.look.colours[role]
        inside = self.look.colours["ground"] if hollow else colour
        self._add(Line2D([place[0]], [place[1]], linestyle="none", marker=shape, color=colour,
                         markersize=size or self.sizes.marker, markeredgewidth=self.sizes.stroke,
                         markeredgecolor=colour, markerfacecolor=inside))  # fmt: skip

    def _keep_original(self, artist: TextLine, line: str) -> None:
        """Keep what the placeholders stand for: for the browser (SVG) and, if there is one, a local font (PNG)."""
        artist.set_gid(LIVE_TEXT + line.encode("utf-8").hex())
        family = fallback_family(missing(line)) if self.look.is_picture else None
        if family:
            artist.set(text=line, family=[FAMILY, family])

    def _add(self, artist) -> None:
        """Put an artist on top of the others."""
        self._marks += 1
        artist.set_zorder(self._marks)
        artist.set_transform(self._transform)
        self.figure.add_artist(artist)


def open_sheet(look: Look, heading: Heading, *, height: float) -> tuple[Sheet, Box]:
    """Return a sheet with its heading written, and the box that is left for the drawing.

    Parameters
    ----------
    look : colours, sizes and shape
    heading : title, subtitle and note
    height : height that the drawing needs [px]; a picture gives what it has
    """
    sizes = sizes_of(look)
    width = PICTURE_SIZE[0] if look.is_picture else PAGE_WIDTH
    room = width - 2 * sizes.margin
    title = wrap(heading.title, room, size=sizes.title, lines=2 if look.is_picture else 4, bold=True)
    subtitle = _lines(heading.subtitle, room, sizes=sizes, lines=2 if look.is_picture else 6)
    mark_width = text_width(clean(look.mark), sizes.text) + 2 * sizes.gap if look.mark else 0.0
    note = _lines(heading.note, room - min(mark_width, room / 3), sizes=sizes, lines=2 if look.is_picture else 8)
    above = sizes.margin + len(title) * sizes.title * 1.25 + len(subtitle) * sizes.line + sizes.gap
    feet = max(len(note), 1 if look.mark else 0)
    below = sizes.margin * 0.75 + feet * sizes.line + (sizes.gap if feet else 0)
    total = PICTURE_SIZE[1] if look.is_picture else above + height + below
    sheet = Sheet(look, width=width, height=total)
    _write_heading(sheet, title, subtitle=subtitle)
    _write_note(sheet, note, above=total - below)
    return sheet, Box(sizes.margin, above, width - sizes.margin, total - below)


def _lines(text: str, room: float, *, sizes: Sizes, lines: int) -> list[str]:
    """Return wrapped lines of a text; none for an empty one."""
    return wrap(text, room, size=sizes.text, lines=lines) if text else []


def _write_heading(sheet: Sheet, title: list[str], *, subtitle: list[str]) -> None:
    """Write title and subtitle from the top."""
    sizes, y = sheet.sizes, sheet.sizes.margin
    for line in title:
        sheet.text((sizes.margin, y + sizes.title), line, size=sizes.title, bold=True)
        y += sizes.title * 1.25
    for number, line in enumerate(subtitle):
        sheet.text((sizes.margin, y + (number + 0.82) * sizes.line), line, role="muted")


def _write_note(sheet: Sheet, note: list[str], *, above: float) -> None:
    """Write the note at the foot, and the reviewer's mark in the corner of a picture."""
    sizes, top = sheet.sizes, above + sheet.sizes.gap
    for number, line in enumerate(note):
        sheet.text((sizes.margin, top + (number + 0.82) * sizes.line), line, role="muted")
    if sheet.look.mark:
        room = (sheet.width - 2 * sizes.margin) / 3
        mark = wrap(sheet.look.mark, room, size=sizes.text, lines=1)[0]
        y = sheet.height - sizes.margin * 0.75 - sizes.line * 0.18
        sheet.text((sheet.width - sizes.margin, y), mark, role="muted", align="right")
