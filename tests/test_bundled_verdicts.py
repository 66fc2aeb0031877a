"""The bundled reviews, from logs to verdicts: the kit finds what was planted, and no gain where there is none."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

import gpubench_kit as kit
from gpubench_kit.model.metrics import METRICS

DATA = Path(__file__).parent.parent / "data"


def _results(name: str) -> SimpleNamespace:
    """Return every table of a bundled review."""
    plan = kit.load_plan(DATA / name / "plan.toml")
    review = kit.open_review(plan)
    metrics = kit.compute_run_metrics(review, plan)
    findings = kit.check_review(review, metrics, plan)
    usable = kit.exclude_runs(review, metrics, findings)
    return SimpleNamespace(
        runs=review.runs, metrics=metrics, findings=findings, usable=usable,
        comparisons=kit.compare_tunings(usable, plan), overall=kit.compare_over_games(usable, plan),
    )  # fmt: skip


@pytest.fixture(scope="module")
def ten_games() -> SimpleNamespace:
    """Tables of the made-up review."""
    return _results("ten_games")


@pytest.fixture(scope="module")
def real_scenes() -> SimpleNamespace:
    """Tables of the recorded review."""
    return _results("real_scenes")


@pytest.fixture(scope="module")
def recipe():
    """The script that made the ten games, which knows the truth."""
    spec = importlib.util.spec_from_file_location("make_ten_games", DATA / "make_ten_games.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _truth(row, recipe) -> float:
    """Return the true change behind one comparison."""
    factory = recipe.TUNINGS[0]
    tuning = next(one for one in recipe.TUNINGS if one.name == row.of_tuning)
    game = next(one for one in recipe.GAMES if (one.name, one.setting) == (row.game, row.setting))
    rate, power = tuning.fps_factor(game), tuning.power_factor(game)
    factors = {"avg_fps": rate, "low_1pct_fps": rate, "board_w": power, "energy_per_frame_j": power / rate}
    if row.metric in factors:
        return 100 * (factors[row.metric] - 1)
    change = getattr(tuning, row.metric) - getattr(factory, row.metric)
    return 100 * change / factory.core_mhz if row.metric == "core_mhz" else change


def test_about_nineteen_of_twenty_intervals_hold_the_true_effect(ten_games, recipe):
    table = ten_games.comparisons
    truth = np.array([_truth(row, recipe) for row in table.itertuples()])
    is_held = (table["ci_low"] <= truth) & (truth <= table["ci_high"])
    # Twelve settings under four metrics and the clock, two soaked games under three, two tunings.
    assert len(table) == 2 * (12 * 5 + 2 * 3)
    assert is_held.mean() > 0.9
    assert is_held[table["metric"] == "avg_fps"].sum() >= 22


def test_the_overall_result_holds_the_true_mean_over_the_ten_games(ten_games, recipe):
    found = ten_games.overall.set_index(["of_tuning", "group", "scope", "metric"])
    for tuning in recipe.TUNINGS[1:]:
        factors = [tuning.fps_factor(game) for game in recipe.GAMES if game.group == "1440p"]
        row = found.loc[(tuning.name, "1440p", "these_games", "avg_fps")]
        assert row["ci_low"] <= 100 * np.expm1(np.log(factors).mean()) <= row["ci_high"]
        assert row["n_games"] == 10


def test_no_verdict_of_the_ten_games_goes_against_the_truth(ten_games, recipe):
    for row in ten_games.comparisons.itertuples():
        sign = {"better": 1, "better_but_small": 1, "worse": -1, "worse_but_small": -1}.get(row.verdict, 0)
        direction = 1 if METRICS[row.metric].better == "higher" else -1
        assert sign * direction * _truth(row, recipe) >= 0, row


def test_the_quiet_tuning_loses_only_where_the_power_limit_bites(ten_games):
    rates = ten_games.comparisons.query("metric == 'avg_fps' and of_tuning == 'quiet'")
    assert set(rates.loc[rates["verdict"] == "worse", "game"]) == {"Glass Tundra"}
    overall = ten_games.overall.query("metric == 'avg_fps' and of_tuning == 'quiet' and group == '1440p'")
    assert overall["no_loss"].all()


def test_the_two_spoilt_runs_are_left_out_and_their_repeats_are_used(ten_games):
    runs = ten_games.runs.set_index("run")
    spoilt = runs.index[runs["excluded"] != ""]
    repeats = runs.index[runs["replaces"] != ""]
    assert sorted(runs.loc[spoilt, "excluded"]) == ["background_load", "crash"]
    assert sorted(runs.loc[repeats, "replaces"]) == sorted(spoilt)
    assert not set(spoilt) & set(ten_games.usable["run"])
    assert set(repeats) <= set(ten_games.usable["run"])


def test_the_missing_frames_are_a_note_about_their_run_and_exclude_nothing(ten_games):
    runs = ten_games.runs
    holed = runs.query("tuning == 'quiet' and game == 'Salt Orchard' and round == 3")["run"].item()
    found = ten_games.findings.query("run == @holed and unit == 'ms'")
    assert found["severity"].tolist() == ["note"]
    assert found["found"].item() == pytest.approx(2500, abs=50)
    assert holed in set(ten_games.usable["run"])


def test_only_the_planted_trouble_stops_or_excludes_anything(ten_games):
    assert set(ten_games.findings["severity"]) == {"note"}


def test_the_order_done_is_known_from_clocks_in_both_reviews(ten_games, real_scenes):
    for results in (ten_games, real_scenes):
        assert results.runs["order_known"].all()
        assert results.runs["order_done"].tolist() == results.runs["order"].tolist()
        assert set(results.comparisons["layout"]) == {"rounds"}


def test_nothing_is_said_of_the_same_state_but_same_or_undecided_or_carried_by_one_game(real_scenes):
    nothing = {"same_within_margin", "undecided"}
    games, overall = (
        table.query("of_tuning == 'same'") for table in (real_scenes.comparisons, real_scenes.overall)
    )
    assert len(games) == 12
    assert set(games["verdict"]) <= nothing
    assert len(overall) == 8
    assert (overall["verdict"].isin(nothing) | (overall["carried_by"] == "canyon")).all()
    assert set(games.query("metric == 'avg_fps'")["verdict"]) == {"same_within_margin"}


def test_two_percent_more_work_is_found_slower_in_the_lattice(real_scenes):
    heavier = real_scenes.comparisons.query("of_tuning == 'heavier2' and metric == 'avg_fps'").set_index("game")
    assert heavier.loc["lattice", "verdict"] == "worse"
    assert heavier.loc["lattice", "ci_high"] < 0


def test_recorded_power_is_read_after_lining_up_so_that_no_tail_of_another_run_enters(real_scenes):
    power = real_scenes.metrics.query("metric == 'board_w'")["value"]
    assert len(power) == 60
    assert power.between(390, 450).all()
    assert set(real_scenes.findings["check"]) == {"layout", "aligned_by_edge"}
