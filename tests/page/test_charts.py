"""Charts of the page: whole SVG whatever the names and numbers, every number in words, the same bytes twice."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gpubench_kit.page.charts import (
    RIVAL,
    Axis,
    Cell,
    Lane,
    Lanes,
    Mark,
    Plot,
    Scatter,
    ScatterPoint,
    Series,
    Spark,
    chart_css,
    draw,
    font_faces,
    spark_limit,
)
from gpubench_kit.page.charts.marks import (
    Scale,
    clean,
    fitted,
    font_files,
    padded,
    round_ticks,
    text_width,
    wrapped,
)
from gpubench_kit.palette import tokens_css

HOSTILE = [
    "<script>alert(1)</script>", "\u202eevil\u202c", "a" * 300, "🎮🕹️ quest",
    "שלום עולם", "غابة الزجاج", "日本語のゲーム",
    'quote " and \' and & and ]]>', "\x00\x08\n\t", "{{ 7 * 7 }}{% raw %}", "", "\ud800", "e\u0301" * 90, "－２％",
]  # fmt: skip
names = st.one_of(st.sampled_from(HOSTILE), st.text(max_size=60))
rates = st.floats(7, 900)
any_number = st.one_of(st.floats(allow_nan=True, allow_infinity=True), st.none())


def parsed(chart) -> ET.Element:
    """Return a chart as XML: it must be whole, and label itself."""
    svg = str(draw(chart))
    root = ET.fromstring(svg)
    assert root.tag == "svg"
    assert root.get("role") == "img"
    assert root.get("aria-label")
    return root


def numbers_in(svg: str) -> list[float]:
    """Return all numbers of places and lengths."""
    lengths = re.findall(r' (?:x|y|cx|cy|width|height|d|points)="([^"]*)"', svg)
    return [float(one) for part in lengths for one in re.findall(r"-?\d+\.?\d*(?:e-?\d+)?", part)]


def strips(name="quiet", runs=(101.0, 102.5), axis=None) -> Lanes:
    cell = Cell(tuple((f"r{n}", one) for n, one in enumerate(runs)), sum(runs) / len(runs), min(runs), max(runs))
    return Lanes("Every run", (axis or Axis("FPS", "FPS"),), (Lane("factory", 0, (cell,)), Lane(name, 1, (cell,))))


@pytest.mark.parametrize("name", HOSTILE, ids=[f"name {n}" for n in range(len(HOSTILE))])
def test_hostile_names_give_whole_svg_without_markup_of_their_own(name):
    for chart in (
        strips(name),
        Plot(name, Axis(name, "s"), Axis(name, "ms"), (Series(name, 3, ((0, 1), (1, 2))),), (Mark(name, x=0.5),)),
        Scatter(name, Axis(name), Axis(name), (ScatterPoint(name, 0, 200, 60), ScatterPoint(name, RIVAL, 250, 70))),
    ):
        tags = {one.tag for one in parsed(chart).iter()}
        assert tags <= {"svg", "g", "path", "text", "title", "circle", "rect"}


@settings(max_examples=60, deadline=None)
@given(name=names, runs=st.lists(rates, min_size=1, max_size=8))
def test_strips_of_any_rate_stay_within_their_width(name, runs):
    chart = strips(name, tuple(runs))
    root = parsed(chart)
    for dot in root.iter("circle"):
        assert chart.label_width <= float(dot.get("cx")) <= chart.width
    width = float(root.get("viewBox").split()[2])
    assert width == chart.width


@settings(max_examples=80, deadline=None)
@given(change=any_number, low=any_number, high=any_number, margin=any_number)
def test_missing_and_unbounded_numbers_never_reach_the_places(change, low, high, margin):
    cell = Cell((("r1", change), ("r2", low)), change, low, high, "undecided", "?")
    shown = [
        Lanes("t", (Axis("c", "%", signed=True),), (Lane("a", 1, (cell, None)),)),
        Plot("t", Axis("x"), Axis("y"), (Series("a", 1, ((0.0, change or 0.0), (1.0, low or 0.0))),)),
    ]
    for chart in shown:
        svg = str(draw(chart))
        ET.fromstring(svg)
        places = re.sub(r'aria-label="[^"]*"|<title>.*?</title>|<text.*?</text>', "", svg, flags=re.DOTALL)
        assert not re.search(r"nan|inf", places)


@pytest.mark.parametrize(
    "chart",
    [
        Lanes("nothing", (Axis("FPS"),), ()),
        Lanes("nothing", (), ()),
        Lanes("nothing measured", (Axis("FPS"),), (Lane("factory", 0, (None,)), Lane("quiet", 1))),
        Plot("nothing", Axis("x"), Axis("y"), ()),
        Plot("nothing", Axis("x"), Axis("y"), (Series("a", 0, ()),)),
        Scatter("nothing", Axis("x"), Axis("y"), ()),
        Scatter("one", Axis("x"), Axis("y"), (ScatterPoint("a", 0, 0.0, 0.0),)),
    ],
    ids=["no lanes", "no columns", "not measured", "no series", "no points", "no states", "one at zero"],
)
def test_empty_charts_are_drawn(chart):
    assert parsed(chart) is not None


def test_the_same_chart_gives_the_same_bytes():
    assert draw(strips()) == draw(strips())


def test_alternative_text_holds_every_run_mean_and_interval():
    text = strips(runs=(101.25, 98.5, 99.0)).alternative_text
    for told in ("r0 101", "r1 98.5", "r2 99.0", "99.6", "(98.5", "to 101"):
        assert told in text.replace("\u00a0", " "), told


def test_every_mark_names_its_value_when_pointed_at():
    root = parsed(strips())
    titles = [one.text for one in root.iter("title")]
    assert sum("r0" in one for one in titles) == 2
    assert any("quiet" in one and "102" in one for one in titles)


def test_a_chart_stands_in_a_template_unescaped():
    assert strips().__html__() == draw(strips())


def test_interval_ends_and_centre_stand_at_their_values():
    axis = Axis("change", "%", margin=(-2.0, 2.0), signed=True, low=-10.0, high=10.0)
    chart = Lanes("t", (axis,), (Lane("game", None, (Cell(centre=-3.7, low=-4.5, high=-3.0, verdict="worse"),)),))
    x = chart.panels[0].x
    line = next(one for one in parsed(chart).iter("path") if "iv" in one.get("class"))
    start, end = map(float, re.match(r"M([\d.]+) [\d.]+H([\d.]+)", line.get("d")).groups())
    share = lambda value: x.start + (value + 10) / 20 * (x.end - x.start)  # noqa: E731
    assert start == pytest.approx(share(-4.5), abs=0.06)
    assert end == pytest.approx(share(-3.0), abs=0.06)
    assert "qbad" in line.get("class")


@pytest.mark.parametrize(
    ("verdict", "css"),
    [
        ("better", "qgood"),
        ("worse", "qbad"),
        ("worse_but_small", "qi"),
        ("same_within_margin", "qi"),
        ("undecided", "qn"),
    ],
)
def test_only_changes_beyond_the_margin_take_the_colours_of_verdicts(verdict, css):
    dot = next(parsed(Spark(-0.9, -1.4, -0.4, verdict, 2.0, 6.5, "%", "95 %")).iter("circle"))
    assert css in dot.get("class").split()


def test_a_spark_says_change_interval_and_margin():
    spark = Spark(-0.93, -1.4, -0.42, "worse_but_small", 2.0, 6.5, "%", "together 95 %")
    assert spark.alternative_text.replace("\u00a0", " ") == ("−0.9 %, together 95 %: −1.4 to −0.4 %, margin ±2.0 %")


def test_spark_limit_holds_every_interval_and_the_margins():
    rows = [(-5.7, 3.2, 2.0), (None, None, 3.0), (float("nan"), 1.0, 2.0)]
    assert spark_limit(rows) == pytest.approx(1.04 * 5.7)
    assert spark_limit([(None, None, None)]) == 1.0


def test_a_sixth_tuning_is_hollow_and_dashed():
    series = tuple(Series(f"t{place}", place, ((0, 1), (1, 2))) for place in range(8))
    root = parsed(Plot("t", Axis("x"), Axis("y"), series))
    dashed = [one for one in root.iter("path") if one.get("class") == "ln da"]
    assert len(dashed) == 2


def test_arrows_start_at_the_reference_and_short_ones_are_left_out():
    points = (ScatterPoint("a", 0, 286, 109), ScatterPoint("b", 1, 244, 108), ScatterPoint("c", 2, 286.5, 109.02))
    chart = Scatter("t", Axis("board power", "W"), Axis("FPS"), (*points, ScatterPoint("rival", RIVAL, 260, 111)))
    arrows = [chart.arrow(one) is not None for one in chart.points]
    assert arrows == [False, True, False, False]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.floats(100, 400), st.floats(7, 900)), min_size=1, max_size=7))
def test_scatter_labels_keep_within_the_chart(values):
    points = tuple(ScatterPoint(f"tuning {n}", n, x, y) for n, (x, y) in enumerate(values))
    chart = Scatter("t", Axis("board power", "W"), Axis("FPS", "FPS"), points)
    for label in chart.labels:
        wide = max(text_width(label.name, face="bold"), text_width(label.values))
        left = label.x - {"start": 0, "middle": wide / 2, "end": wide}[label.anchor]
        assert left >= 0
        assert left + wide <= chart.width + 1
        assert 0 <= label.y <= chart.height


def test_the_line_of_equal_efficiency_goes_through_the_reference():
    chart = Scatter("t", Axis("W"), Axis("FPS"), (ScatterPoint("a", 0, 286, 109), ScatterPoint("b", 1, 244, 108)))
    x0, y0, x1, y1 = chart.equal_ends
    x, y = chart.at(chart.points[0])
    assert (y - y0) * (x1 - x0) == pytest.approx((x - x0) * (y1 - y0), rel=1e-6)


@settings(max_examples=200, deadline=None)
@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6), st.integers(2, 5))
def test_ticks_are_round_few_and_inside(low, span, most):
    ticks = round_ticks(low, low + span, most=most)
    assert 2 <= len(ticks) <= most + 2
    assert all(low - 1e-6 * span <= one <= low + span * (1 + 1e-6) for one in ticks)


def test_the_tail_scale_gives_each_further_nine_one_step():
    scale = Scale(90.0, 99.9, 0.0, 100.0, "tail")
    assert scale(90) == pytest.approx(0)
    assert scale(99) == pytest.approx(50)
    assert scale(99.9) == pytest.approx(100)


def test_padded_ends_pass_over_what_is_missing():
    assert padded([None, math.nan, 1.0, 3.0], pad=0.5) == (0.0, 4.0)
    assert padded([]) == (0.0, 1.0)


@given(names, st.floats(20, 400))
@settings(max_examples=100, deadline=None)
def test_fitted_text_is_no_wider_than_its_room(text, width):
    short = fitted(text, width)
    assert text_width(short) <= max(width, text_width("W…") + 12)
    assert short == clean(text) or short.endswith("…")


def test_wrapped_text_breaks_at_spaces_and_ends_with_an_ellipsis():
    assert wrapped("one two three", text_width("one two")) == ["one two", "three"]
    assert wrapped("one two three four", text_width("one two") + 1)[-1].endswith("…")


def test_invisible_characters_cannot_turn_the_line_around():
    assert clean("a\u202eb\u2066c\u200bd\ne") == "abcd e"


def test_fonts_are_whole_and_small():
    css = font_faces()
    assert css.count("@font-face") == 4
    assert len(css) < 62_000
    assert all(path.is_file() for path in font_files())
    folder = font_files()[0].parent
    assert "SIL OPEN FONT LICENSE" in (folder / "LICENSE_ARCHIVO").read_text(encoding="utf-8").upper()
    assert (folder / "LICENSE_DEJAVU").is_file()


def test_figures_are_all_of_one_width():
    for face in ("regular", "semibold", "bold"):
        assert len({text_width(one, face=face) for one in "0123456789"}) == 1


def test_every_colour_of_the_style_sheet_is_a_token():
    used = set(re.findall(r"var\(--(\w+)\)", chart_css()))
    assert used <= set(re.findall(r"--(\w+):", tokens_css()))
    assert not re.search(r"#[0-9a-f]{3,6}\b", chart_css())
