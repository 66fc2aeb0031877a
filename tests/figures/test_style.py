"""Colours are safe for all kinds of colour sight and have contrast; the plan's look is checked."""

from itertools import combinations
from types import SimpleNamespace

import numpy as np
import pytest

from gpubench_kit.figures.style import (
    COLOURS,
    PAINTS,
    chart_css,
    check_style,
    contrast,
    picture_look,
    readable,
    series_dash,
    series_shape,
    themed_colours,
)
from gpubench_kit.model.plan.sections import Style

# Machado, Oliveira and Fernandes (2009), severity 1.0, on linear sRGB.
SIGHT = {
    "usual": np.eye(3),
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
SERIES = [role for role in COLOURS if role.startswith("series-")]


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize("theme", [0, 1], ids=["light", "dark"])
def test_series_keep_apart_for_all_kinds_of_colour_sight(theme, sight):
    seen = [_lab(np.array(SIGHT[sight]) @ _linear(COLOURS[role][theme])) for role in SERIES]
    # matplotlib's default colours come down to 5 on this measure (CIE 1976), for deutan sight to 7.
    assert min(np.linalg.norm(one - other) for one, other in combinations(seen, 2)) > 18


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_text_has_contrast_of_4_5_and_marks_of_3(theme):
    colours = themed_colours(theme=theme)
    assert min(contrast(colours[role], colours["ground"]) for role in ("ink", "muted")) >= 4.5
    assert min(contrast(colours[role], colours["band"]) for role in ("ink", "muted")) >= 4.5
    assert min(contrast(colours[role], colours["ground"]) for role in SERIES) >= 3
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize(("roles", "apart"), [(9, 20), (11, 7), (14, 3)])
def test_mixtures_of_two_paints_are_told_from_those_of_any_two_others(roles, apart):
    """The first roles, which nearly every chart uses, keep furthest apart."""
    shares = np.linspace(0, 1, 101)[:, None]
    paints = [_channels_of(paint) for paint in list(PAINTS.values())[:roles]]
    lines = {
        pair: (1 - shares) * paints[pair[0]] + shares * paints[pair[1]] for pair in combinations(range(roles), 2)
    }
    nearest = min(
        np.linalg.norm(first[:, None] - second, axis=2).min()
        for (pair, first), (other, second) in combinations(lines.items(), 2)
        if not set(pair) & set(other)
    )
    assert nearest > apart


def test_no_paint_is_a_colour_of_a_theme():
    assert not set(PAINTS.values()) & {colour for pair in COLOURS.values() for colour in pair}


def test_neighbouring_series_differ_in_shape_and_dash():
    assert len({series_shape(place) for place in range(6)}) == 6
    assert len({str(series_dash(place)) for place in range(6)}) == 6


def test_a_faint_accent_is_made_legible_and_reported():
    style = SimpleNamespace(accent="#ffff66", font_scale=1.0, mark="")
    findings = check_style(style)
    assert [one.check for one in findings] == ["accent_contrast"]
    assert "light ground" in findings[0].message
    drawn = themed_colours(style, theme="light")["series-1"]
    assert drawn in findings[0].message
    assert contrast(drawn, "#ffffff") >= 3


def test_a_plan_without_a_look_of_its_own_has_the_house_colours():
    assert check_style(Style()) == ()
    assert [picture_look(Style(), theme=theme).series(1) for theme in ("light", "dark")] == list(
        COLOURS["series-1"]
    )


def test_a_legible_accent_is_used_as_written():
    style = SimpleNamespace(accent="#7b6f8f", font_scale=1.0, mark="")
    assert check_style(style) == ()
    assert picture_look(style).series(1) == "#7b6f8f"
    assert "--chart-series-1:#7b6f8f" in chart_css(style)


def test_an_accent_that_is_no_colour_and_text_that_would_not_fit_are_reported():
    style = SimpleNamespace(accent="sea", font_scale=9.0, mark="")
    assert [one.check for one in check_style(style)] == ["accent_not_a_colour", "font_scale_out_of_range"]
    assert picture_look(style).series(1) == COLOURS["series-1"][0]
    assert picture_look(style).scale == 1.6


def test_readable_moves_towards_contrast_on_both_grounds():
    for ground in ("#ffffff", "#14191f"):
        assert contrast(readable("#808080", ground), ground) >= 3


def test_style_sheet_follows_the_reader_and_stays_light_on_paper():
    css = chart_css()
    assert "@media screen and (prefers-color-scheme:dark)" in css
    assert css.count("--chart-ground:") == 2
    assert "://" not in css


def _linear(colour):
    """Return linear red, green and blue of a hex colour."""
    channels = np.array([int(colour[place : place + 2], 16) for place in (1, 3, 5)]) / 255
    return np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)


def _lab(linear):
    """Return CIE 1976 L*a*b* (D65) of linear sRGB."""
    to_xyz = [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
    x, y, z = np.array(to_xyz) @ np.clip(linear, 0, 1) / [0.95047, 1, 1.08883]
    fx, fy, fz = (np.cbrt(one) if one > 0.008856 else 7.787 * one + 16 / 116 for one in (x, y, z))
    return np.array([116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)])


def _channels_of(colour: str) -> np.ndarray:
    """Return red, green and blue of a colour, 0 to 255."""
    return np.array([int(colour[place : place + 2], 16) for place in (1, 3, 5)], dtype=float)
