"""Frame rate against board power."""

import numpy as np
import pytest
from matplotlib.lines import Line2D

from gpubench_kit.figures.energy import draw_rate_against_power
from gpubench_kit.figures.style import picture_look
from gpubench_kit.statistics.levels import levels_of_games


@pytest.fixture
def spread_out(make):
    """Levels of six tunings that differ in power and frame rate."""
    tunings = ("factory", "quiet", "brisk", "cool", "thrifty", "steady at a held point")
    noise = make.noise(tunings=tunings)
    share = noise["tuning"].map(dict(zip(tunings, (1.0, 0.8, 1.15, 0.7, 0.62, 0.9), strict=True)))
    power = {"board_w": 1.0, "avg_fps": 0.25}
    noise["mean"] *= share ** noise["metric"].map(power).fillna(0.0)
    plan = make.plan(tunings=tunings)
    return levels_of_games(noise, plan), plan


def test_every_text_is_legible(hard_review, assert_legible):
    levels = levels_of_games(hard_review.noise, hard_review.plan)
    assert_legible(draw_rate_against_power(levels, hard_review.plan))


def test_every_tuning_is_named_beside_its_mark(spread_out, assert_legible):
    drawn = draw_rate_against_power(*spread_out)
    assert_legible(drawn)
    figure = drawn.drawing(picture_look())
    texts = {child.get_text() for child in figure.get_children() if hasattr(child, "get_text")}
    assert {"factory", "quiet", "brisk", "cool", "thrifty", "steady at a held point"} <= texts


def test_slanted_lines_join_places_of_equal_energy(spread_out):
    levels, plan = spread_out
    drawn = draw_rate_against_power(levels, plan)
    figure = drawn.drawing(picture_look())
    points = drawn.drawing.keywords["points"]
    marks = [
        line
        for line in figure.get_children()
        if isinstance(line, Line2D) and line.get_marker() not in ("None", None)
    ]
    to_power = np.polyfit([mark.get_xdata()[0] for mark in marks], [point.power[0] for point in points], 1)
    to_rate = np.polyfit([mark.get_ydata()[0] for mark in marks], [point.rate[0] for point in points], 1)
    slanted = [line for line in figure.get_children() if isinstance(line, Line2D) and line.get_linestyle() == "--"]
    assert len(slanted) >= 3
    for line in slanted:
        energy = np.polyval(to_power, line.get_xdata()) / np.polyval(to_rate, line.get_ydata())
        assert energy[0] == pytest.approx(energy[1], rel=1e-6)
        assert energy[0] == pytest.approx(round(energy[0], 1), abs=1e-6)


def test_alternative_text_lists_the_thriftiest_first(spread_out):
    text = draw_rate_against_power(*spread_out).alternative_text
    assert text.index("thrifty ") < text.index("cool ") < text.index("factory ") < text.index("brisk ")
    assert "J per frame" in text


def test_without_power_there_is_no_chart(make):
    levels = levels_of_games(make.noise().query("metric != 'board_w'"), make.plan())
    assert draw_rate_against_power(levels, make.plan()) is None
