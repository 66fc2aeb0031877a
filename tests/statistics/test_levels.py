"""How high each tuning stands, worked by hand: per game from its own runs, over the games that all have."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from run_tables import make_plan

from gpubench_kit.statistics.compare import LEVELS, levels_of_games

# Student's t, 97.5 %, from printed tables.
T3, T4 = 3.182446, 2.776445


def _noise(*rows: tuple, metric: str = "avg_fps") -> pd.DataFrame:
    """Return a noise table from (tuning, game, setting, n, mean, sd)."""
    names = ["tuning", "game", "setting", "n", "mean", "sd"]
    return pd.DataFrame(rows, columns=names).assign(card="Larkmoor 4", bench="", metric=metric)


def _plan(games: dict[str, tuple[str, ...]]):
    """Return a plan of games with settings, all of group `all`."""
    sections = [{"name": game, "settings": [{"name": one} for one in settings]} for game, settings in games.items()]
    return make_plan(sections={"games": sections})


ONE_SETTING = _plan({"Salt Orchard": ("",), "Low Tide Racers": ("",)})
TWO_GAMES = _noise(
    ("factory", "Salt Orchard", "", 4, 100.0, 0.02), ("factory", "Low Tide Racers", "", 5, 64.0, 0.01),
    ("quiet", "Salt Orchard", "", 4, 99.0, 0.0), ("quiet", "Low Tide Racers", "", 5, 64.0, 0.0),
)  # fmt: skip


def _row(table: pd.DataFrame, tuning: str, game: str) -> pd.Series:
    """Return the only row of a tuning and game."""
    (row,) = table[(table["tuning"] == tuning) & (table["game"] == game)].iloc
    return row


def test_a_game_has_the_interval_of_its_own_runs():
    row = _row(levels_of_games(TWO_GAMES, ONE_SETTING), "factory", "Salt Orchard")
    half = T3 * 0.02 / math.sqrt(4)
    assert row["value"] == pytest.approx(100)
    assert [row["ci_low"], row["ci_high"]] == pytest.approx([100 * math.exp(-half), 100 * math.exp(half)], rel=1e-6)
    assert (row["n"], row["unit"], row["group"]) == (4, "fps", "all")


def test_all_games_are_a_geometric_mean_with_pooled_degrees_of_freedom():
    row = _row(levels_of_games(TWO_GAMES, ONE_SETTING), "factory", "")
    assert row["n"] == 2
    assert row["value"] == pytest.approx(80)  # the square root of 100 times 64
    # v = 0.02^2 / 4 and 0.01^2 / 5; df = (v1 + v2)^2 / (v1^2 / 3 + v2^2 / 4), between 4 and 5
    first, second = 1e-4, 2e-5
    df = (first + second) ** 2 / (first**2 / 3 + second**2 / 4)
    assert df == pytest.approx(4.1941748)
    half = math.log(row["ci_high"] / row["value"])
    t_found = half / (math.sqrt(first + second) / 2)
    assert 2.570582 < t_found < T4  # of 5 and of 4 degrees of freedom
    assert half == pytest.approx(math.log(row["value"] / row["ci_low"]))


def test_runs_that_do_not_differ_have_no_interval_over_games():
    row = _row(levels_of_games(TWO_GAMES, ONE_SETTING), "quiet", "")
    assert row["value"] == pytest.approx(math.sqrt(99 * 64))
    assert np.isnan(row["ci_low"])
    assert np.isnan(row["ci_high"])


def test_one_run_has_a_level_and_no_interval():
    table = _noise(("factory", "Salt Orchard", "", 1, 100.0, np.nan), ("quiet", "Salt Orchard", "", 4, 90.0, 0.01))
    found = levels_of_games(table, ONE_SETTING)
    for game in ("Salt Orchard", ""):
        row = _row(found, "factory", game)
        assert row["value"] == pytest.approx(100)
        assert np.isnan(row["ci_low"])


def test_a_game_that_one_tuning_lacks_counts_for_none():
    found = levels_of_games(TWO_GAMES.iloc[:3], ONE_SETTING)
    assert _row(found, "factory", "")["value"] == pytest.approx(100)
    assert _row(found, "factory", "")["n"] == 1
    without_common = levels_of_games(TWO_GAMES.iloc[[0, 3]], ONE_SETTING)
    assert (without_common["game"] != "").all()


def test_a_games_settings_count_as_one_game():
    plan = _plan({"Salt Orchard": ("high", "low"), "Low Tide Racers": ("",)})
    table = _noise(
        ("factory", "Salt Orchard", "high", 3, 50.0, 0.01), ("factory", "Salt Orchard", "low", 3, 200.0, 0.01),
        ("factory", "Low Tide Racers", "", 3, 25.0, 0.01),
    )  # fmt: skip
    row = _row(levels_of_games(table, plan), "factory", "")
    assert row["n"] == 2
    assert row["value"] == pytest.approx(50)  # 100 for the game of two settings, then with 25


def test_degrees_are_averaged_as_they_are():
    table = _noise(
        ("factory", "Salt Orchard", "", 4, 60.0, 2.0),
        ("factory", "Low Tide Racers", "", 4, 70.0, 2.0),
        metric="core_c",
    )
    found = levels_of_games(table, ONE_SETTING)
    one = _row(found, "factory", "Salt Orchard")
    assert [one["ci_low"], one["ci_high"]] == pytest.approx([60 - T3, 60 + T3], rel=1e-6)
    assert _row(found, "factory", "")["value"] == pytest.approx(65)


def test_without_runs_there_are_no_levels():
    assert list(levels_of_games(TWO_GAMES.iloc[:0], ONE_SETTING).columns) == LEVELS.names
