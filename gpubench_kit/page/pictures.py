"""Pictures for films and articles: a chart under its finding, as SVG and PNG, and what its file is called."""

from __future__ import annotations

import importlib.util
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

from markupsafe import Markup

from gpubench_kit.files import slug, transliterated
from gpubench_kit.model.errors import ReportError
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.sections import Style
from gpubench_kit.page.charts import Figures, Lanes, Plot, Scatter, draw
from gpubench_kit.page.charts.marks import (
    clean,
    css_place,
    fitted,
    font_faces,
    font_files,
    is_covered,
    px,
    text_width,
    wrapped,
)
from gpubench_kit.page.elements import render
from gpubench_kit.page.results import Pair, Results
from gpubench_kit.palette import THEMES, colours

try:
    import resvg_py
except ImportError:  # There is no build of it for this machine: reports are made without PNG files.
    resvg_py = None  # type: ignore[assignment]

#: Shape -> width, height, margin [px].
SHAPES = {"wide": (1920, 1080, 96), "tall": (1080, 1920, 72), "third": (1920, 260, 96)}
#: Smallest size of text [px], and how often 12 units go into it.
_TEXT = 40.0
_SCALE = _TEXT / 12.0
#: Charts of few rows are enlarged up to this.
_LARGEST_SCALE = 5.6
#: Rows are set apart up to this many units, by shape.
_HIGHEST_ROW = {"wide": 30.0, "tall": 80.0}
#: Size of the title on one line, and on two.
_TITLE, _TITLE_SMALL = 88.0, 60.0
#: What can stand in a picture.
Body = Lanes | Plot | Scatter | Figures
_VARIABLE = re.compile(r"var\(--(\w+)\)")


@dataclass(frozen=True)
class Picture:
    """A chart with title and foot.

    Attributes
    ----------
    game, setting, chart : what its file is called by; no game is all games
    title : the finding
    foot : card, driver, day, channel, runs
    body : the chart; None for a lower third
    place : the place of the colour of a lower third's bar
    shape : a key of `SHAPES`
    """

    game: str
    setting: str
    chart: str
    title: str
    foot: str
    body: Body | None = None
    place: int | None = None
    shape: str = "wide"

    @property
    def alternative_text(self) -> str:
        """Title, and the numbers of the chart."""
        told = self.foot if self.body is None else self.body.alternative_text
        return f"{clean(self.title)}. {clean(told)}"


def picture_svg(picture: Picture, *, theme: str, style: Style | None = None, with_fonts: bool = True) -> str:
    """Return a picture as the text of an SVG file.

    Parameters
    ----------
    picture : what it shows
    theme : ``light`` or ``dark``
    style : the plan's section ``style``, gives the accent and the size of the letters
    with_fonts : whether the fonts are within

    Returns
    -------
    str : the same characters for the same picture
    """
    tokens = colours(theme, style)
    css = _VARIABLE.sub(lambda found: tokens[found[1]], _film_css())
    values = {
        "picture": picture, "laid": _laid(picture, style), "tokens": tokens, "css": Markup(css), "px": px,
        "bar": tokens[f"t{css_place(picture.place or 0)}"], "fonts": Markup(font_faces() if with_fonts else ""),
    }  # fmt: skip
    return str(render("film.svg.j2", values))


def picture_png(picture: Picture, *, theme: str, style: Style | None = None) -> bytes:
    """Return a picture as the bytes of a PNG file.

    Parameters
    ----------
    picture, theme, style : as in `picture_svg`

    Raises
    ------
    ReportError : what draws them is not installed; see `can_draw_png`
    """
    if resvg_py is None:
        raise ReportError("pictures: PNG files need 'resvg-py', which is not installed. Use the SVG files.")
    svg = picture_svg(picture, theme=theme, style=style, with_fonts=False)
    # Fonts of the machine are looked at only for what neither the kit's faces nor DejaVu Sans may have.
    shown = f"{picture.title}{picture.foot}{re.sub('<[^>]*>', '', str(svg))}"
    known = is_covered(shown)
    files = [str(path) for path in (*font_files(), *([] if known else _dejavu()))]
    drawn = resvg_py.svg_to_bytes(
        svg_string=svg, font_files=files, font_family="Review Sans", skip_system_fonts=known
    )
    return bytes(drawn)


def can_draw_png() -> bool:
    """Return whether what draws PNG files is installed."""
    return resvg_py is not None


def _laid(picture: Picture, style: Style | None) -> dict[str, Any]:
    """Return where everything of a picture stands: its size and margin, title, foot and chart."""
    width, height, margin = SHAPES[picture.shape]
    room, more_lines = width - 2 * margin, int(picture.shape == "tall")
    laid = {"width": width, "height": height, "margin": margin, "chart": "", "foot_at": 0.0}
    if picture.shape == "third":
        inner = room - 110.0
        size = _shrunk(picture.title, inner, _TITLE)
        title = [fitted(picture.title, inner, size, face="bold")]
        return laid | {"size": size, "title": title, "foot": [fitted(picture.foot, inner, _TEXT)]}
    size = _shrunk(picture.title, room, _TITLE_SMALL if more_lines else _TITLE)
    lines, size = (1, size) if size >= _TITLE_SMALL else (2 + more_lines, _TITLE_SMALL)
    title = wrapped(picture.title, room, size, face="bold", lines=lines)
    foot = wrapped(picture.foot, room, _TEXT, lines=2 + more_lines)
    top = margin + len(title) * 1.12 * size + 30
    bottom = height - margin - len(foot) * 1.35 * _TEXT + 4
    laid |= {"size": size, "title": title, "foot": foot, "foot_at": bottom + 1.1 * _TEXT}
    if picture.body:
        # Smaller letters than the plan's usual ones could not be read on a screen.
        larger = min(max(style.font_scale if style else 1.0, 1.0), 1.4)
        area = (margin, top, room, bottom - top - 26)
        laid["chart"] = _placed(picture.body, area, larger, highest_row=_HIGHEST_ROW[picture.shape])
    return laid


def _shrunk(text: str, room: float, size: float) -> float:
    """Return the size at which a text fits, never below the smallest."""
    wide = text_width(clean(text), size, face="bold")
    # A hair smaller than just fits: widths are sums, and what is rounded up would be cut.
    return max(_TEXT, min(size, 0.999 * size * room / wide if wide else size))


def _placed(body: Body, area: tuple[float, float, float, float], larger: float, *, highest_row: float) -> Markup:
    """Return a chart in its place, as large as it fits."""
    left, top, width, height = area
    scale = _SCALE * larger
    if isinstance(body, Lanes):
        fitting = height / max(body.height, 1.0)
        scale = min(max(scale, min(fitting, _LARGEST_SCALE, width / 300)), fitting)
        room = height / scale - body.height + body.row_height * len(body.lanes)
        row = min(max(body.row_height, room / max(len(body.lanes), 1)), highest_row)
        lanes = replace(body, width=width / scale, row=row)
        high, drawn = min(height, lanes.height * scale), draw(lanes)
    else:
        high, drawn = height, draw(replace(body, width=width / scale, height=height / scale))
    # Cut at no edge: that would take as long to draw as all the rest.
    top += (height - high) / 3
    place = f'x="{px(left)}" y="{px(top)}" width="{px(width)}" height="{px(high)}" overflow="visible"'
    # Within an SVG file the element takes its place from attributes.
    return Markup(str(drawn).replace('<svg class="ch"', f'<svg class="ch" {place}', 1))


@lru_cache(maxsize=1)
def _film_css() -> str:
    """Return the style sheet of charts without what lays them out on a page."""
    text = resources.files("gpubench_kit.page.charts").joinpath("charts.css").read_text(encoding="utf-8")
    return "\n".join(line for line in text.splitlines() if not line.startswith(".ch{"))


def _dejavu() -> list[Path]:
    """Return DejaVu Sans, which comes with matplotlib, without loading that."""
    found = importlib.util.find_spec("matplotlib")
    if found is None or found.origin is None:
        return []
    folder = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf"
    return [path for name in ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf") if (path := folder / name).is_file()]


#: Folder of the pictures within a report, and of those over all games within it.
FOLDER, OVER_GAMES = "pictures", "all-games"
#: Tunings of one picture with large figures.
TUNINGS_OF_A_PICTURE = 2


def picture_name(plan: ReviewPlan, chart: str, *, game: str = "", setting: str = "") -> str:
    """Return folder and name of a picture below ``pictures/``, without theme and ending.

    Parameters
    ----------
    plan : gives all games, settings and groups: names that are written alike in the plain alphabet get a hash each
    chart : name of the chart
    game : empty for all games
    setting : setting of the game, or the group where all games are shown
    """
    folder = game_in_name(plan, game) if game else OVER_GAMES
    shown = "" if setting in ("", "all") else setting_in_name(plan, setting)
    return f"{folder}/{'_'.join(part for part in (folder, shown, transliterated(chart)) if part)}"


def game_in_name(plan: ReviewPlan, game: str) -> str:
    """Return a game in the plain alphabet, as folders and addresses on the page have it."""
    return _told_apart(game, [one.name for one in plan.games], taken=(OVER_GAMES,))


def setting_in_name(plan: ReviewPlan, setting: str) -> str:
    """Return a setting, or a group of settings, in the plain alphabet."""
    return _told_apart(
        setting, [name for one in plan.games for part in one.settings for name in (part.name, part.group)]
    )


def pair_in_name(results: Results, pair: Pair) -> str:
    """Return a pair as part of a chart's name: its tuning, with more where other pairs share that.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    pair : what is compared
    """
    pairs = [one for block in results.blocks for one in block.pairs]
    of = _told_apart(results.short(pair.of), [results.short(one.of) for one in pairs])
    if sum(one.of.tuning == pair.of.tuning for one in pairs) == 1:
        return of
    return f"{of}-{slug(*pair.of, *pair.against)}"


def picture_links(
    results: Results, chart: str, *, game: str = "", setting: str = "", in_film: bool = True
) -> list[tuple[str, str]]:
    """Return kind and address of the files of a picture that the report has; none where it was not asked for.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    chart, game, setting : as in `picture_name`
    in_film : whether the picture is among those that a film uses
    """
    if not (results.pictures == "all" or (in_film and results.pictures == "film")):
        return []
    name = picture_name(results.plan, chart, game=game, setting=setting)
    kinds = ("png", "svg") if can_draw_png() else ("svg",)
    return [(kind.upper(), f"{FOLDER}/{name}_{THEMES[0]}.{kind}") for kind in kinds]


def _told_apart(name: str, others: Sequence[str], *, taken: Sequence[str] = ()) -> str:
    """Return a name in the plain alphabet; with a hash where another one is written alike."""
    written = transliterated(name)
    alike = {one for one in others if transliterated(one) == written}
    # A second part makes sure of the hash, which `slug` gives only to what it could not write without loss.
    return slug(name, "\u00b7") if len(alike) > 1 or written in taken else written
