"""Changes game by game and over all games."""

import numpy as np
import pytest

from gpubench_kit.figures.intervals import draw_game_intervals, draw_overall
from gpubench_kit.figures.style import picture_look
from gpubench_kit.wording.terms import pairs_in


def test_every_text_of_the_game_chart_is_legible(hard_review, assert_legible):
    pair = pairs_in(hard_review.comparisons)[0]
    assert_legible(draw_game_intervals(hard_review.comparisons, hard_review.plan, pair=pair, metric="avg_fps"))


def test_every_text_of_the_overall_chart_is_legible(hard_review, assert_legible):
    assert_legible(draw_overall(hard_review.overall, hard_review.plan, metric="avg_fps"))


def test_games_are_sorted_by_their_change(make):
    drawn = draw_game_intervals(make.comparisons(), make.plan(), pair=make.pair, metric="avg_fps")
    assert drawn.data["change"].is_monotonic_decreasing
    assert len(drawn.data) == 10


def test_every_change_is_drawn_where_its_value_lies(make):
    drawn = draw_game_intervals(make.comparisons(), make.plan(), pair=make.pair, metric="avg_fps")
    figure = drawn.drawing(picture_look())
    points = [line for line in figure.get_children() if getattr(line, "get_marker", lambda: "None")() != "None"]
    xs = [float(point.get_xdata()[0]) for point in points]
    slope = np.polyfit(drawn.data["change"], xs, 1)
    assert len(xs) == 10
    assert np.allclose(np.polyval(slope, drawn.data["change"]), xs, atol=1e-6)
    assert slope[0] > 0


def test_alternative_text_states_verdicts_with_their_games(make):
    table = make.comparisons(verdicts=("undecided",))
    text = draw_game_intervals(table, make.plan(), pair=make.pair, metric="avg_fps").alternative_text
    assert "quiet against factory" in text
    assert "undecided in 10 of 10" in text
    assert "and 6 others" in text


def test_chart_says_that_each_game_stands_on_its_own_and_how_many_runs(make):
    svg_texts = _texts(draw_game_intervals(make.comparisons(), make.plan(), pair=make.pair, metric="avg_fps"))
    assert any("Each game on its own" in text for text in svg_texts)
    assert any("n = 5 runs of each" in text for text in svg_texts)
    assert "margin ±2 %" in svg_texts


def test_unequal_runs_stand_in_every_row(make):
    table = make.comparisons()
    table.loc[0, "n"] = 4
    texts = _texts(draw_game_intervals(table, make.plan(), pair=make.pair, metric="avg_fps"))
    assert sum("(n = " in text for text in texts) == 10


@pytest.mark.parametrize(
    ("metric", "left"), [("avg_fps", "← worse"), ("board_w", "← better"), ("core_mhz", "← lower")]
)
def test_directions_follow_the_metric(make, metric, left):
    texts = _texts(draw_game_intervals(make.comparisons(metric=metric), make.plan(), pair=make.pair, metric=metric))
    assert left in texts


def test_one_huge_interval_does_not_squeeze_the_others(make):
    table = make.comparisons()
    table.loc[0, ["ci_low", "ci_high"]] = [-400.0, 400.0]
    drawn = draw_game_intervals(table, make.plan(), pair=make.pair, metric="avg_fps")
    axis = drawn.drawing.keywords["chart"].axis
    assert axis.high - axis.low < 40


def test_nothing_is_drawn_without_a_change(make):
    table = make.comparisons()
    table["change"] = np.nan
    assert draw_game_intervals(table, make.plan(), pair=make.pair, metric="avg_fps") is None
    assert draw_game_intervals(make.comparisons(), make.plan(), pair=make.pair, metric="board_w") is None
    assert draw_overall(make.overall().iloc[:0], make.plan(), metric="avg_fps") is None


def test_overall_chart_shows_both_scopes_and_the_interval_in_words(make):
    drawn = draw_overall(make.overall(), make.plan(), metric="avg_fps")
    assert {"These games", "Games like these"} <= set(_texts(drawn))
    assert "quiet against factory, these games: −0.5 % (−0.9 to −0.1 %), better" in drawn.alternative_text


def test_cards_are_named_where_there_is_more_than_one(make):
    plan = make.plan(cards=("Larkmoor 4", "Tern Ridge 70"))
    drawn = draw_game_intervals(make.comparisons(), plan, pair=make.pair, metric="avg_fps")
    assert "Larkmoor 4, quiet against Larkmoor 4, factory" in drawn.alternative_text


def _texts(described):
    """Return the texts of a figure's picture."""
    return [text.get_text() for text in described.drawing(picture_look()).texts] + [
        child.get_text() for child in described.drawing(picture_look()).get_children() if hasattr(child, "get_text")
    ]
