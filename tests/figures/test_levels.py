"""The everyday chart, and bars for one metric."""

import numpy as np
import pandas as pd
import pytest

from gpubench_kit.figures.levels import draw_everyday, draw_levels
from gpubench_kit.model.tables import check_table
from gpubench_kit.statistics.levels import LEVELS, levels_of_games


def test_every_text_of_the_everyday_chart_is_legible(hard_review, assert_legible):
    levels = levels_of_games(hard_review.noise, hard_review.plan)
    assert_legible(draw_everyday(levels, hard_review.plan))


@pytest.mark.parametrize("metric", ["board_w", "energy_per_frame_j"])
def test_every_text_of_a_metrics_bars_is_legible(hard_review, assert_legible, metric):
    levels = levels_of_games(hard_review.noise, hard_review.plan)
    game = hard_review.noise["game"].iloc[-1]
    assert_legible(draw_levels(levels, hard_review.plan, metric=metric, game=game))


def test_two_cards_stay_legible_with_their_names(make, assert_legible):
    cards = ("Larkmoor 4", "Tern Ridge 70 with a long suffix in its name")
    plan = make.plan(cards=cards)
    assert_legible(draw_everyday(levels_of_games(make.noise(cards=cards), plan), plan))


def test_rows_of_each_game_run_from_best_to_worst(make):
    drawn = draw_everyday(levels_of_games(make.noise(), make.plan()), make.plan())
    for block in drawn.drawing.keywords["chart"].blocks:
        averages = [row.marks[0].value for row in block.rows]
        assert averages == sorted(averages, reverse=True)


def test_power_runs_from_least_to_most(make):
    drawn = draw_levels(
        levels_of_games(make.noise(), make.plan()), make.plan(), metric="board_w", game="Salt Orchard"
    )
    values = [row.marks[0].value for row in drawn.drawing.keywords["chart"].blocks[0].rows]
    assert values == sorted(values)


def test_bars_start_at_zero(make):
    levels = levels_of_games(make.noise(size=900.0), make.plan())
    assert draw_everyday(levels, make.plan()).drawing.keywords["chart"].axis.low == 0.0


def test_level_of_one_game_is_its_mean_with_the_t_interval(make):
    noise = make.noise(games=("Salt Orchard",), tunings=("factory",))
    row = levels_of_games(noise, make.plan()).query("metric == 'avg_fps' and game == 'Salt Orchard'").iloc[0]
    source = noise[noise["metric"] == "avg_fps"].iloc[0]
    # t quantile of 0.975 with 4 df: 2.776445
    assert row["value"] == pytest.approx(source["mean"])
    assert np.log(row["ci_high"] / row["value"]) == pytest.approx(2.776445 * source["sd"] / np.sqrt(5), rel=1e-6)
    assert row["value"] / row["ci_low"] == pytest.approx(row["ci_high"] / row["value"])


def test_level_over_games_is_the_geometric_mean_of_the_games(make):
    noise = make.noise(tunings=("factory",))
    row = levels_of_games(noise, make.plan()).query("metric == 'avg_fps' and game == ''").iloc[0]
    games = noise[noise["metric"] == "avg_fps"]
    assert row["value"] == pytest.approx(np.exp(np.log(games["mean"]).mean()))
    assert row["n"] == 10
    error = np.sqrt((games["sd"] ** 2 / 5).sum()) / 10
    assert 1.96 < np.log(row["ci_high"] / row["value"]) / error < 2.2


def test_a_game_that_one_tuning_lacks_leaves_the_level_over_games(make):
    noise = make.noise()
    lacks = (noise["tuning"] == "quiet") & (noise["game"] == "Salt Orchard")
    everywhere = levels_of_games(noise[~lacks], make.plan()).query("metric == 'avg_fps' and game == ''")
    assert set(everywhere["n"]) == {9}


def test_two_settings_of_a_game_count_as_one_game(make):
    noise = make.noise(games=("Salt Orchard", "Glass Tundra"), tunings=("factory",)).query("metric == 'avg_fps'")
    twice = pd.concat([noise.assign(setting="A"), noise.iloc[:1].assign(setting="B")])
    row = levels_of_games(twice, make.plan()).query("game == ''").iloc[0]
    assert row["n"] == 2
    assert row["value"] == pytest.approx(np.exp(np.log(noise["mean"]).mean()))


def test_a_single_run_has_a_value_and_no_interval(make):
    noise = make.noise(games=("Salt Orchard",)).assign(n=1, sd=np.nan)
    levels = levels_of_games(noise, make.plan())
    assert levels["value"].notna().all()
    assert levels["ci_low"].isna().all()
    assert (
        "no interval"
        in draw_everyday(levels, make.plan(), game="Salt Orchard").drawing.keywords["chart"].heading.note
    )


def test_levels_keep_their_declaration(make):
    levels = levels_of_games(make.noise(), make.plan())
    check_table(levels, LEVELS)
    assert (levels.loc[levels["metric"] == "board_w", "unit"] == "W").all()


def test_alternative_text_gives_levels_and_who_leads(make):
    text = draw_everyday(levels_of_games(make.noise(), make.plan()), make.plan()).alternative_text
    assert "All games (10 games): " in text
    assert "Highest by game: " in text


def test_reviews_without_frame_rate_have_no_everyday_chart(make):
    noise = make.noise().query("metric == 'board_w'")
    levels = levels_of_games(noise, make.plan())
    assert draw_everyday(levels, make.plan()) is None
    assert draw_levels(levels, make.plan(), metric="core_c") is None


def test_the_caption_names_no_test_of_pairs(make):
    caption = draw_everyday(levels_of_games(make.noise(), make.plan()), make.plan()).caption
    assert caption.endswith("whether two tunings differ is told further down.")
