"""Pictures with the reviewer's own text size and mark, and the charts of the bundled reviews."""

import pytest

from gpubench_kit.figures.energy import draw_rate_against_power
from gpubench_kit.figures.intervals import draw_game_intervals, draw_overall
from gpubench_kit.figures.levels import draw_everyday, draw_levels
from gpubench_kit.figures.noise import draw_noise
from gpubench_kit.figures.order import draw_run_order
from gpubench_kit.figures.style import picture_look
from gpubench_kit.figures.traces import draw_frame_times
from gpubench_kit.statistics.levels import levels_of_games

MARK = "Bench notes, all measurements under a licence that is free to share"


@pytest.fixture(params=[0.8, 1.6])
def charts(request, make):
    """One chart of each kind, with small and with large text and a mark."""
    plan = make.plan(font_scale=request.param, mark=MARK)
    levels = levels_of_games(make.noise(), plan)
    runs, facts = make.runs()
    return [
        draw_everyday(levels, plan, game=""),
        draw_levels(levels, plan, metric="board_w", game="Salt Orchard"),
        draw_game_intervals(make.comparisons(), plan, pair=make.pair, metric="avg_fps"),
        draw_overall(make.overall(), plan, metric="avg_fps"),
        draw_rate_against_power(levels, plan),
        draw_noise(make.noise(), plan, metric="avg_fps"),
        draw_run_order(make.usable(), plan, metric="avg_fps"),
        draw_frame_times(facts, plan, runs=runs, game="Salt Orchard"),
    ]


def test_charts_stay_legible_with_any_text_size_and_a_mark(charts, assert_legible):
    for chart in charts:
        assert_legible(chart)


def test_the_mark_stands_in_pictures_only(charts):
    for chart in charts:
        figure = chart.drawing(picture_look(chart.style))
        assert any(getattr(child, "get_text", str)().startswith("Bench notes") for child in figure.get_children())
        assert "Bench" not in chart.to_svg()


def test_names_of_charts_are_distinct_and_fit_for_files(charts):
    names = [chart.name for chart in charts]
    assert len(set(names)) == len(names)
    assert all(name.replace("-", "").isalnum() for name in names)


def test_every_chart_states_its_finding_in_words(charts):
    for chart in charts:
        assert any(character.isdigit() for character in chart.alternative_text)
        assert len(chart.alternative_text) > 40
        assert "chart" not in chart.alternative_text.lower()
        assert len(chart.data)
