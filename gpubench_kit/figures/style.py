"""One calm look: colours, marker shapes and dashes, in light and dark, checked for contrast.

Series colours are derived from the colour sequences of Petroff (2021) by moving lightness until every
one has at least 3:1 against its ground and any two keep apart for all kinds of colour sight. Shapes
and dashes repeat what colour says. There is no green for good and no red for bad.

References
----------
Petroff, M. A. (2021): Accessible color sequences for data visualization, arXiv:2107.02270.
Machado, G. M., Oliveira, M. M., Fernandes, L. A. F. (2009): A physiologically-based model for
simulation of color vision deficiency, doi:10.1109/TVCG.2009.113 (used by the tests).
WCAG 2.2, W3C Recommendation (2023): contrast ratio and relative luminance.
"""

from __future__ import annotations

import colorsys
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from matplotlib.colors import is_color_like, to_hex

from gpubench_kit.model.findings import Finding
from gpubench_kit.model.plan.sections import Style

#: Role -> colour on a light ground, colour on a dark ground.
COLOURS: dict[str, tuple[str, str]] = {
    "ground": ("#ffffff", "#14191f"),
    "ink": ("#1c232b", "#eceff2"),
    "muted": ("#55606c", "#a9b4bf"),
    "rule": ("#dde2e7", "#303943"),
    "axis": ("#8a949e", "#6f7a86"),
    "band": ("#e8eef1", "#24303a"),
    "series-0": ("#3c434c", "#cdd4db"),
    "series-1": ("#2f6f8f", "#6cb2d6"),
    "series-2": ("#c27513", "#fc9a29"),
    "series-3": ("#841aac", "#d35df6"),
    "series-4": ("#603423", "#fcccab"),
    "series-5": ("#7b928e", "#6a898a"),
    "series-6": ("#857055", "#a29371"),
    "series-7": ("#8c2a07", "#a77535"),
}

#: Role -> the paint in which it is drawn where one drawing serves every theme: no line between two of them comes
#: near a line between two others, so that `gpubench_kit.figures.mixtures` finds what a mixed pixel is made of.
PAINTS = dict(
    zip(
        COLOURS,
        (
            "#2d33d3",
            "#ffd924",
            "#4a0072",
            "#41d9d9",
            "#e028ff",
            "#ecc789",
            "#036d3e",
            "#ffd3d4",
            "#1cffef",
            "#ecd558",
            "#72b98c",
            "#ff3cb9",
            "#2e1a0f",
            "#53cc5c",
        ),
        strict=True,
    )
)

#: The role that a plan's accent colour takes.
ACCENT = "series-1"
SHAPES = ("o", "D", "s", "^", "v", "P", "X", "h")
#: On and off lengths in stroke widths; None is a solid line.
_ON_OFF = (None, (5, 1.6), (1.5, 1.5), (6, 1.5, 1.5, 1.5), (3, 3), (8, 2), (1, 3), (9, 4))
DASHES = tuple("-" if one is None else (0, one) for one in _ON_OFF)
THEMES = ("light", "dark")
#: Smallest contrast of a mark against its ground (WCAG 2.2, 1.4.11).
MARK_CONTRAST = 3.0

_SERIES = sum(role.startswith("series-") for role in COLOURS)
_FONT_SCALES = (0.8, 1.6)


@dataclass(frozen=True)
class Look:
    """What a drawing needs to know about colours, sizes and the shape of its sheet.

    Attributes
    ----------
    colours : colour of each role, as hex
    shape : ``page`` (narrow, as tall as needed) or ``picture`` (1920 by 1080)
    scale : factor on the size of text
    mark : text set small into the corner of a picture; empty for none
    """

    colours: Mapping[str, str] = field(repr=False)
    shape: str = "page"
    scale: float = 1.0
    mark: str = ""

    @property
    def is_picture(self) -> bool:
        """Whether the sheet is a picture for films and articles."""
        return self.shape == "picture"

    def series(self, place: int) -> str:
        """Return the colour of the series at a place; 0 is the reference."""
        return self.colours[f"series-{place % _SERIES}"]


def series_shape(place: int) -> str:
    """Return the marker of the series at a place, so that colour is never the only key."""
    return SHAPES[place % len(SHAPES)]


def series_dash(place: int):
    """Return the dash of the series at a place."""
    return DASHES[place % len(DASHES)]


def page_look() -> Look:
    """Return the look of a chart inside a page: in paints, see `as_css_variables`."""
    return Look(PAINTS, scale=1.0)


def picture_look(style: Style | None = None, *, theme: str = "light") -> Look:
    """Return the look of a picture in one theme, with the plan's accent, text size and mark.

    Parameters
    ----------
    style : the plan's section ``style`` (``accent``, ``font_scale``, ``mark``), or None
    theme : ``light`` or ``dark``
    """
    low, high = _FONT_SCALES
    scale = min(max(float(getattr(style, "font_scale", 1.0) or 1.0), low), high)
    mark = str(getattr(style, "mark", "") or "")
    return Look(themed_colours(style, theme=theme), "picture", scale, mark)


def painted_picture_look(style: Style | None = None) -> Look:
    """Return the look of a picture in paints: one drawing serves every theme."""
    return replace(picture_look(style), colours=PAINTS)


def themed_colours(style: Style | None = None, *, theme: str) -> dict[str, str]:
    """Return the colour of each role in one theme, the accent made legible where it is not."""
    place = THEMES.index(theme)
    colours = {role: pair[place] for role, pair in COLOURS.items()}
    accent = str(getattr(style, "accent", "") or "")
    # The house accent has a dark sibling of its own; any other is only made legible.
    if is_color_like(accent) and to_hex(accent) != COLOURS[ACCENT][0]:
        colours[ACCENT] = readable(to_hex(accent), colours["ground"])
    return colours


def check_style(style: Style | None) -> tuple[Finding, ...]:
    """Return a finding for each way in which the plan's look could not be used as written."""
    accent, scale = str(getattr(style, "accent", "") or ""), float(getattr(style, "font_scale", 1.0) or 1.0)
    out = []
    if accent and not is_color_like(accent):
        message = f"The accent '{accent}' is not a colour; the house colour is used."
        out.append(Finding("note", "accent_not_a_colour", message, action="Write it as '#rrggbb'."))
    elif accent and to_hex(accent) != COLOURS[ACCENT][0]:
        out += [_contrast_finding(accent, theme) for theme in THEMES if _too_faint(accent, theme)]
    low, high = _FONT_SCALES
    if not low <= scale <= high:
        message = f"Text scaled by {scale:g} would not fit; pictures use the nearest of {low:g} to {high:g}."
        limit = high if scale > high else low
        out.append(Finding("note", "font_scale_out_of_range", message, found=scale, limit=limit))
    return tuple(out)


def contrast(first: str, second: str) -> float:
    """Return the contrast ratio of two hex colours, 1 to 21 (WCAG 2.2)."""
    low, high = sorted((_luminance(first), _luminance(second)))
    return (high + 0.05) / (low + 0.05)


def readable(colour: str, ground: str) -> str:
    """Return the colour, its lightness moved away from the ground until it has 3:1 against it."""
    hue, light, full = colorsys.rgb_to_hls(*_channels(colour))
    step = -0.01 if _luminance(ground) > 0.2 else 0.01
    while contrast(colour, ground) < MARK_CONTRAST and 0 <= light + step <= 1:
        light += step
        colour = to_hex(colorsys.hls_to_rgb(hue, light, full))
    return colour


def as_css_variables(svg: str, style: Style | None = None) -> str:
    """Return SVG text whose paints are CSS variables with the light colours to fall back on."""
    light = themed_colours(style, theme="light")
    return coloured(svg, {role: _variable(role, light) for role in light})


def coloured(svg: str, colours: Mapping[str, str]) -> str:
    """Return SVG text with the colour of each role in the place of its paint."""
    roles = {colour: role for role, colour in PAINTS.items()}
    pattern = re.compile("|".join(roles), re.IGNORECASE)
    return pattern.sub(lambda found: colours[roles[found.group().lower()]], svg)


def chart_css(style: Style | None = None) -> str:
    """Return the style sheet that lets inline charts follow the reader's light or dark setting.

    Paper is white whatever the setting. A page needs it once; without it charts are light.
    """
    light, dark = (_declarations(themed_colours(style, theme=theme)) for theme in THEMES)
    return (
        f":root{{{light}}}\n@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
        ".chart{margin:0;max-width:34rem}.chart svg{display:block;width:100%;height:auto}\n"
    )


def _variable(role: str, light: Mapping[str, str]) -> str:
    """Return the CSS variable of a role."""
    return f"var(--chart-{role},{light[role]})"


def _declarations(colours: Mapping[str, str]) -> str:
    """Return CSS declarations of all roles."""
    return ";".join(f"--chart-{role}:{colour}" for role, colour in colours.items())


def _too_faint(accent: str, theme: str) -> bool:
    """Return whether a colour lacks contrast on the ground of a theme."""
    return contrast(to_hex(accent), COLOURS["ground"][THEMES.index(theme)]) < MARK_CONTRAST


def _contrast_finding(accent: str, theme: str) -> Finding:
    """Return the finding on an accent that lacks contrast in a theme."""
    found = contrast(to_hex(accent), COLOURS["ground"][THEMES.index(theme)])
    drawn = themed_colours(Style(accent=accent), theme=theme)[ACCENT]
    message = f"The accent '{accent}' is too faint on the {theme} ground; it is drawn as '{drawn}' there."
    return Finding("note", "accent_contrast", message, found=round(found, 2), limit=MARK_CONTRAST, unit=":1")


def _channels(colour: str) -> tuple[float, float, float]:
    """Return red, green and blue, 0 to 1, of a hex colour."""
    return tuple(int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5))


def _luminance(colour: str) -> float:
    """Return the relative luminance of a hex colour (WCAG 2.2)."""
    linear = [one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in _channels(colour)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
