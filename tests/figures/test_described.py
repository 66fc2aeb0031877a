"""A figure that describes itself: HTML, SVG, files, determinism."""

import concurrent.futures
import pickle
import re
import warnings
from functools import partial

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from PIL import Image

from gpubench_kit.figures.described import SETTINGS, DescribedFigure, _render_svg, _svg_element
from gpubench_kit.figures.sheet import Heading, open_sheet
from gpubench_kit.figures.style import PAINTS, THEMES, picture_look
from gpubench_kit.file_names import slug
from gpubench_kit.model.errors import ReportError


def _draw(look, label="Salt Orchard"):
    """Return a small figure."""
    sheet, box = open_sheet(look, Heading("Title", "Subtitle"), height=60)
    sheet.text((box.left, box.top + 20), label)
    sheet.marker((box.left + 20, box.top + 40), "D", role="series-1", hollow=True)
    sheet.line([box.left, box.right], [box.top, box.bottom], role="series-2")
    return sheet.figure


def _figure(name="salt", label="Salt Orchard", alternative="The quiet tuning loses nothing."):
    """Return a described figure."""
    return DescribedFigure(name, pd.DataFrame({"x": [1.0]}), "A caption.", alternative, partial(_draw, label=label))


def test_html_is_a_figure_with_a_named_image_and_a_caption():
    html = _figure()._repr_html_()
    assert html.startswith("<figure")
    assert '<svg role="img" aria-label="The quiet tuning loses nothing."' in html
    assert "<figcaption>A caption.</figcaption>" in html


def test_colours_are_variables_of_the_page_with_a_colour_to_fall_back_on():
    svg = _figure().to_svg()
    assert "var(--chart-ink,#1c232b)" in svg
    assert "var(--chart-series-1,#2f6f8f)" in svg
    assert not re.findall(r"(?:fill|stroke): ?#", svg)
    assert not any(paint in svg for paint in PAINTS.values())


def test_ids_of_two_figures_do_not_meet():
    first, second = (set(re.findall(r' id="([^"]*)"', _figure(name).to_svg())) for name in ("one", "two"))
    assert first
    assert not first & second


def test_every_reference_inside_the_svg_has_its_target():
    svg = _figure().to_svg()
    targets = set(re.findall(r' id="([^"]*)"', svg))
    assert set(re.findall(r'(?:href="|url\()#([^")]+)', svg)) <= targets


def test_svg_names_no_address_and_no_date():
    svg = _figure().to_svg()
    assert "://" not in svg
    assert "<!--" not in svg
    assert "matplotlib" not in svg.lower()


def test_same_figure_gives_same_bytes_whatever_the_users_settings(tmp_path):
    first = _figure().to_svg()
    _figure().save(tmp_path / "a.png")
    with mpl.rc_context({"svg.fonttype": "none", "font.size": 30, "text.hinting": "default", "savefig.dpi": 300}):
        assert _figure().to_svg() == first
        _figure().save(tmp_path / "b.png")
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


def test_drawing_leaves_the_users_settings_alone():
    before = dict(mpl.rcParams)
    _figure().to_svg()
    assert dict(mpl.rcParams) == before


def test_figures_drawn_in_threads_are_those_drawn_alone():
    names = [f"figure-{number}" for number in range(12)]
    alone = [_figure(name).to_svg() for name in names]
    with concurrent.futures.ThreadPoolExecutor(4) as pool:
        assert list(pool.map(lambda name: _figure(name).to_svg(), names)) == alone


def test_figures_cross_process_borders():
    assert pickle.loads(pickle.dumps(_figure())).to_svg() == _figure().to_svg()


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_pictures_are_1920_by_1080_in_both_themes(tmp_path, theme):
    path = _figure().save(tmp_path / f"{theme}.png", theme=theme)
    with Image.open(path) as picture:
        assert picture.size == (1920, 1080)
        corner = picture.convert("RGBA").getpixel((2, 2))
    assert corner == {"light": (255, 255, 255, 255), "dark": (20, 25, 31, 255)}[theme]


def test_transparent_pictures_have_no_ground(tmp_path):
    with Image.open(_figure().save(tmp_path / "clear.png", transparent=True)) as picture:
        assert picture.convert("RGBA").getpixel((2, 2))[3] == 0
    clear, filled = (
        _figure().save(tmp_path / f"{clear}.svg", transparent=clear).read_text(encoding="utf-8")
        for clear in (True, False)
    )
    ground = re.search(r'<path d="M0 1080L1920 1080L1920 0L0 0z" style="fill:#ffffff"/>', filled)[0]
    assert clear == filled.replace(ground, "", 1)


def test_svg_files_stand_alone(tmp_path):
    text = _figure().save(tmp_path / "a.svg", theme="dark").read_text(encoding="utf-8")
    assert text.startswith("<?xml")
    assert 'xmlns="http://www.w3.org/2000/svg"' in text
    assert 'width="1920" height="1080"' in text
    assert "var(" not in text


@pytest.mark.parametrize(("name", "theme"), [("a.jpg", "light"), ("a.svg", "sepia")])
def test_other_formats_and_themes_are_refused(tmp_path, name, theme):
    with pytest.raises(ReportError, match=r"\.svg or \.png; light or dark"):
        _figure().save(tmp_path / name, theme=theme)


def test_a_folder_that_is_not_there_is_reported_with_the_picture(tmp_path):
    with pytest.raises(ReportError, match=r"picture 'a\.svg': cannot be written"):
        _figure().save(tmp_path / "missing" / "a.svg")


def test_markup_and_quotes_in_texts_stay_text():
    html = DescribedFigure(
        "x", pd.DataFrame(), "<b>&", '"><script>', partial(_draw, label="<i>$x$</i>")
    )._repr_html_()
    assert "<script>" not in html
    assert "&lt;b&gt;&amp;" in html
    assert "<i>" not in html


def test_scripts_that_the_font_lacks_are_left_to_the_readers_fonts():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        svg = _figure(label="鉄の海 <b>").to_svg()
    found = re.search(r"<text [^>]*>([^<]*)</text>", svg)
    assert found[1] == "鉄の海 &lt;b&gt;"
    assert "textLength=" in found[0]


def test_scripts_that_the_font_lacks_do_not_warn_in_pictures(tmp_path):
    _figure(label="鉄の海").save(tmp_path / "a.png")


def test_slugs_are_readable_and_distinct():
    assert slug("per-game", "avg_fps", "quiet vs factory") == "per-game-avg-fps-quiet-vs-factory"
    assert slug("鉄") != slug("海")
    assert slug("x" * 300) != slug("x" * 299)
    assert re.fullmatch(r"[a-z0-9-]+", slug("../<b>", "鉄"))
    assert len(slug("y" * 300)) <= 80


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_a_picture_coloured_afterwards_is_the_one_drawn_in_its_colours(tmp_path, theme):
    chart = _figure()
    drawn = _svg_element(_render_svg(chart.drawing, picture_look(theme=theme)), chart.name)
    saved = chart.save(tmp_path / "a.svg", theme=theme).read_text(encoding="utf-8")
    assert drawn[drawn.index(">") :] == saved[saved.index(">", saved.index("<svg")) :].rstrip("\n")


def test_themes_follow_one_another_with_their_own_colours(tmp_path):
    chart = _figure()
    light, dark = (chart.save(tmp_path / f"{theme}.svg", theme=theme).read_text("utf-8") for theme in THEMES)
    assert not any(paint in light + dark for paint in PAINTS.values())
    assert light != dark


@pytest.mark.parametrize("theme", THEMES)
def test_pixels_coloured_afterwards_are_those_drawn_in_their_colours(tmp_path, theme):
    chart = _figure()
    look = picture_look(theme=theme)
    with mpl.rc_context(SETTINGS):
        canvas = FigureCanvasAgg(chart.drawing(look))
        canvas.draw()
    drawn = np.asarray(canvas.buffer_rgba())[..., :3].astype(int)
    with Image.open(chart.save(tmp_path / "a.png", theme=theme)) as picture:
        saved = np.asarray(picture.convert("RGB")).astype(int)
    difference = np.abs(saved - drawn).max(axis=-1)
    assert difference.max() <= 9
    assert (difference > 2).mean() < 1e-3
