"""The colours of page and pictures: far apart for every kind of colour sight, legible on every ground."""

from __future__ import annotations

from itertools import combinations

import pytest

from gpubench_kit.model.plan.sections import Style
from gpubench_kit.palette import THEMES, TOKENS, colours, contrast, readable, tokens_css

#: Machado, Oliveira, Fernandes (2009), severity 1, on linear RGB.
SIGHT = {
    "normal": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "protan": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deutan": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
    "tritan": ((1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900)),
}
#: Ottosson (2020): linear RGB to cone responses, and their cube roots to OKLab.
CONES = (
    (0.4122214708, 0.5363325363, 0.0514459929),
    (0.2119034982, 0.6806995451, 0.1073969566),
    (0.0883024619, 0.2817188376, 0.6299787005),
)
LAB = (
    (0.2104542553, 0.7936177850, -0.0040720468),
    (1.9779984951, -2.4285922050, 0.4505937099),
    (0.0259040371, 0.7827717662, -0.8086757660),
)
TUNINGS = [f"t{number}" for number in range(7)]


def times(matrix, vector) -> list[float]:
    return [sum(a * b for a, b in zip(row, vector, strict=True)) for row in matrix]


def oklab(colour: str, sight: str) -> list[float]:
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in parts]
    seen = [min(max(one, 0.0), 1.0) for one in times(SIGHT[sight], linear)]
    return times(LAB, [one ** (1 / 3) for one in times(CONES, seen)])


def distance(first: str, second: str, sight: str) -> float:
    pairs = zip(oklab(first, sight), oklab(second, sight), strict=True)
    return 100 * sum((a - b) ** 2 for a, b in pairs) ** 0.5


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize("theme", THEMES)
def test_any_two_tunings_keep_apart(theme, sight):
    tokens = colours(theme)
    apart = {(a, b): distance(tokens[a], tokens[b], sight) for a, b in combinations(TUNINGS, 2)}
    assert min(apart.values()) >= 9.5
    first = ["t0", "t1", "t2", "t3", "t6"]
    assert min(apart[pair] for pair in combinations(first, 2)) >= 12.9


@pytest.mark.parametrize("theme", THEMES)
def test_marks_and_words_are_legible(theme):
    tokens = colours(theme)
    for ground in "gs":
        assert all(contrast(tokens[one], tokens[ground]) >= 3.04 for one in TUNINGS)
        assert all(contrast(tokens[one], tokens[ground]) >= 6 for one in "im")
        assert all(contrast(tokens[one], tokens[ground]) >= 4.5 for one in ("good", "bad"))
    for verdict, tints in (("good", ("gt", "gs")), ("bad", ("bt", "bs"))):
        assert all(contrast(tokens[verdict], tokens[tint]) >= 4.5 for tint in tints)
    assert all(contrast(tokens["m"], tokens[tint]) >= 4.5 for tint in ("gt", "gs", "bt", "bs", "band"))


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize("theme", THEMES)
def test_good_and_bad_keep_apart(theme, sight):
    tokens = colours(theme)
    assert distance(tokens["good"], tokens["bad"], sight) >= 12


def test_black_on_white_has_the_contrast_of_the_standard():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert distance("#000000", "#ffffff", "normal") == pytest.approx(100, abs=0.01)


def test_an_accent_takes_the_place_of_the_first_tuning_and_is_made_legible():
    style = Style(accent="#ffee88")
    assert colours("light", style)["t1"] == readable("#ffee88", ground=TOKENS["g"][0])
    assert contrast(colours("light", style)["t1"], TOKENS["g"][0]) >= 3
    assert colours("dark", style)["t1"] == "#ffee88"


def test_a_plan_without_an_accent_has_the_house_colour():
    assert colours("light", Style()) == colours("light")


def test_tokens_are_given_for_light_and_dark():
    css = tokens_css()
    assert css.index("--g:#fbfaf8") < css.index("prefers-color-scheme:dark") < css.index("--g:#141517")
