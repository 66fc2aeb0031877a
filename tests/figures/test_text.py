"""Text is measured, wrapped and made safe."""

import matplotlib as mpl
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from gpubench_kit.figures import text as chart_text
from gpubench_kit.figures.described import SETTINGS
from gpubench_kit.figures.text import clean, fallback_family, lacks_glyphs, shown, text_width, wrap


@pytest.mark.parametrize("bold", [False, True])
def test_measured_width_is_the_drawn_width(bold):
    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=(6, 1), dpi=72)
        weight = "bold" if bold else "normal"
        artist = figure.text(0, 0, "Widow's Aqueduct AVAT", fontsize=30, weight=weight, parse_math=False)
        drawn = artist.get_window_extent(FigureCanvasAgg(figure).get_renderer()).width
    assert text_width("Widow's Aqueduct AVAT", 30, bold=bold) == pytest.approx(drawn, rel=0.01)


def test_wrapped_lines_fit_and_lose_nothing_when_there_is_room():
    name = "Low Tide Racers and the long way home past the old mill"
    lines = wrap(name, 150, size=12.5, lines=9)
    assert " ".join(lines) == name
    assert max(text_width(line, 12.5) for line in lines) <= 150


def test_what_does_not_fit_ends_in_an_ellipsis():
    line = wrap("x" * 300, 100, size=12)[0]
    assert line.endswith("…")
    assert text_width(line, 12) <= 100


def test_empty_text_is_one_empty_line():
    assert wrap("", 100, size=12) == [""]


def test_control_characters_and_halves_of_pairs_are_made_harmless():
    assert clean("a\nb\t\x00c\u202ed\ud800") == "a b cd\ufffd"
    clean("a\ud800").encode("utf-8")


def test_characters_that_the_font_lacks_are_placeholders():
    assert shown("鉄 Névé") == "□ Névé"
    assert lacks_glyphs("鉄")
    assert not lacks_glyphs("Névé Crossing – −2 % ← → Ω Ж ش")


def test_a_local_font_with_all_characters_is_found(monkeypatch, tmp_path):
    fonts = {"a.ttf": {1, 2}, "b.ttf": {ord("鉄"), ord("海")}}
    entries = [type("Entry", (), {"name": name, "fname": name}) for name in fonts]
    monkeypatch.setattr(chart_text, "_installed", lambda: entries)
    monkeypatch.setattr(chart_text, "_has_all", lambda path, codes: codes <= fonts[path])
    fallback_family.cache_clear()
    assert fallback_family("海鉄") == "b.ttf"
    assert fallback_family("ก") is None
    fallback_family.cache_clear()
