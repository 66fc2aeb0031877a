"""The colours of page and pictures: one token each, light and dark, checked for contrast.

Colours of tunings (``t0`` to ``t5``, the rival in ink) and of verdicts (``good``, ``bad``) are separate, so that
no tuning looks like a verdict. Any two tunings keep apart for normal, protan, deutan and tritan sight.

References
----------
Ottosson, B. (2020): OKLab, a perceptual colour space (distances, in the tests).
Machado, G. M., Oliveira, M. M., Fernandes, L. A. F. (2009): A physiologically-based model for
simulation of color vision deficiency, doi:10.1109/TVCG.2009.113 (used by the tests).
WCAG 2.2, W3C Recommendation (2023): contrast ratio and relative luminance.
"""

from __future__ import annotations

import colorsys

from gpubench_kit.model.plan.sections import Style

#: Token -> colour on a light ground, colour on a dark ground.
TOKENS: dict[str, tuple[str, str]] = {
    "g": ("#fbfaf8", "#141517"),  # ground
    "s": ("#f1efea", "#1e2023"),  # sheet
    "i": ("#191a1c", "#ededea"),  # ink
    "m": ("#56595e", "#a9acb1"),  # muted ink
    "r": ("#dbd7cf", "#34373b"),  # rule
    "a": ("#87857f", "#7d8187"),  # axis
    "band": ("#e4e0d7", "#2b2e32"),  # band of the margin
    "good": ("#0f56a3", "#8abaf7"),
    "bad": ("#a82c13", "#ff9c82"),
    "gt": ("#dde9f7", "#17304d"),  # tint of good
    "bt": ("#f8e2da", "#45201a"),  # tint of bad
    "gs": ("#edf3fa", "#172332"),  # pale tint of good
    "bs": ("#fbf1ec", "#2b1c19"),  # pale tint of bad
    "t0": ("#5d5d5d", "#a5acb2"),  # reference
    "t1": ("#9e60e9", "#9e65e3"),
    "t2": ("#339795", "#3d8286"),
    "t3": ("#c47321", "#cc910c"),
    "t4": ("#730853", "#da365e"),
    "t5": ("#434605", "#c0d376"),
    "t6": ("#191a1c", "#ededea"),  # rival
}
THEMES = ("light", "dark")

#: The token that a plan's accent colour takes: the first tuning.
ACCENT = "t1"
#: The accent of a plan that asks for none.
_HOUSE_ACCENT = Style().accent
#: Smallest contrast of a mark against its ground (WCAG 2.2, 1.4.11).
MARK_CONTRAST = 3.0


def colours(theme: str, style: Style | None = None) -> dict[str, str]:
    """Return the colour of each token in one theme, the plan's accent made legible where it is not.

    Parameters
    ----------
    theme : ``light`` or ``dark``
    style : the plan's section ``style``, or None
    """
    place = THEMES.index(theme)
    out = {token: pair[place] for token, pair in TOKENS.items()}
    if style is not None and style.accent != _HOUSE_ACCENT:
        out[ACCENT] = readable(style.accent, ground=out["g"])
    return out


def tokens_css(style: Style | None = None) -> str:
    """Return the tokens as CSS variables of the root, by the reader's setting; paper is light.

    Parameters
    ----------
    style : the plan's section ``style``, or None
    """
    light, dark = (";".join(f"--{name}:{one}" for name, one in colours(theme, style).items()) for theme in THEMES)
    return f":root{{{light}}}\n@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"


def contrast(first: str, second: str) -> float:
    """Return the contrast ratio of two hex colours, 1 to 21 (WCAG 2.2)."""
    low, high = sorted((_luminance(first), _luminance(second)))
    return (high + 0.05) / (low + 0.05)


def readable(colour: str, *, ground: str) -> str:
    """Return the colour, its lightness moved away from the ground until it has 3:1 against it."""
    hue, light, full = colorsys.rgb_to_hls(*_channels(colour))
    step = -0.01 if _luminance(ground) > 0.2 else 0.01
    while contrast(colour, ground) < MARK_CONTRAST and 0 <= light + step <= 1:
        light += step
        colour = "#" + "".join(f"{round(255 * one):02x}" for one in colorsys.hls_to_rgb(hue, light, full))
    return colour


def _channels(colour: str) -> tuple[float, float, float]:
    """Return red, green and blue, 0 to 1, of a hex colour."""
    red, green, blue = (int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5))
    return red, green, blue


def _luminance(colour: str) -> float:
    """Return the relative luminance of a hex colour (WCAG 2.2)."""
    linear = [one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in _channels(colour)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
