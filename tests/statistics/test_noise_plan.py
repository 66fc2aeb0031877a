"""What the noise found so far means for the plan; never a difference."""

import math

import numpy as np
import pandas as pd
import pytest

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.table_checks import check_table
from gpubench_kit.model.tables import NOISE
from gpubench_kit.schedule.needs import NOISE_PLAN, plan_from_noise
from gpubench_kit.statistics.planning import chance_of_same, level_of_game, rounds_to_decide

GAMES = [f"Game {k}" for k in range(7)]


def make_plan(**analysis):
    return ReviewPlan.from_dict({
        "review": {"title": "Noise"},
        "cards": [{"name": "Larkmoor 4"}],
        "tunings": [{"name": "factory", "reference": True}, {"name": "quiet"}],
        "games": [{"name": game} for game in GAMES],
        "analysis": {"looks": 1} | analysis,
    })  # fmt: skip


def make_noise(games, *, sd=0.006, n=3, metric="avg_fps", means=(100.0, 95.0)):
    return NOISE.frame([
        {"card": "Larkmoor 4", "bench": "", "tuning": tuning, "game": game, "setting": "", "metric": metric, "n": n,
         "mean": mean, "sd": sd}
        for game in games for tuning, mean in zip(("factory", "quiet"), means, strict=True)
    ])  # fmt: skip


def test_variances_of_the_tunings_are_pooled():
    noise = make_noise(GAMES[:1])
    noise["sd"] = [0.003, 0.005]
    noise["n"] = [3, 5]
    (row,) = plan_from_noise(noise, make_plan()).itertuples()
    sigma = math.sqrt((2 * 0.003**2 + 4 * 0.005**2) / 6)
    assert (row.df, row.runs, row.unit) == (6, 3, "%")
    assert row.noise == pytest.approx(100 * math.expm1(sigma))


def test_runs_needed_are_those_of_the_planner():
    (row,) = plan_from_noise(make_noise(GAMES[:1], sd=0.01), make_plan()).itertuples()
    margin = -math.log(0.98)
    level = level_of_game(0.05, adjust=make_plan().analysis.adjust, comparisons=7)
    assert row.runs_needed == rounds_to_decide(0.01, margin, level=level)


def test_six_games_borrow_and_five_do_not():
    for count, runs in ((5, 7), (6, 6)):
        found = plan_from_noise(make_noise(GAMES[:count], sd=0.01), make_plan(adjust="none"))
        assert set(found["runs_needed"]) == {runs}


def test_strict_plan_never_borrows():
    found = plan_from_noise(make_noise(GAMES, sd=0.01), make_plan(strict=True, adjust="none"))
    assert set(found["runs_needed"]) == {7}


def test_more_looks_need_more_runs():
    one, two = (plan_from_noise(make_noise(GAMES[:1], sd=0.01), make_plan(looks=looks)) for looks in (1, 8))
    assert two["runs_needed"][0] > one["runs_needed"][0]


def test_differences_between_tunings_never_enter():
    near, far = (plan_from_noise(make_noise(GAMES, means=(100.0, mean)), make_plan()) for mean in (99.0, 20.0))
    assert near.equals(far)


def test_margin_of_twelve_is_shown_by_twelve_runs():
    plan = make_plan(adjust="none")
    (row,) = plan_from_noise(make_noise(GAMES[:1], sd=0.02, n=4), plan).itertuples()
    margin = -math.log1p(-row.margin_of_twelve / 100)
    assert chance_of_same(0, 0.02, margin=margin, n=12) == pytest.approx(0.8, abs=1e-6)


def test_game_of_single_runs_has_empty_numbers():
    found = plan_from_noise(make_noise(GAMES[:2], sd=np.nan, n=1), make_plan())
    assert found[["noise", "detectable", "runs_needed"]].isna().all(axis=None)
    assert (found["margin"] == 2.0).all()


def test_noise_too_large_to_decide_has_no_number_of_runs():
    (row,) = plan_from_noise(make_noise(GAMES[:1], sd=0.05), make_plan()).itertuples()
    assert row.runs_needed is pd.NA
    assert row.detectable > 5


def test_metric_in_degrees_is_planned_in_degrees():
    found = plan_from_noise(
        make_noise(GAMES[:1], sd=0.4, metric="core_c"),
        make_plan(margins={"core_c": 2.0}, adjust="none"),
    )
    (row,) = found.itertuples()
    assert (row.unit, row.margin, row.noise) == ("°C", 2.0, pytest.approx(0.4))
    assert row.runs_needed == rounds_to_decide(0.4, 2.0)


def test_metric_without_a_margin_has_no_runs_needed():
    (row,) = plan_from_noise(make_noise(GAMES[:1], sd=0.4, metric="core_c"), make_plan()).itertuples()
    assert row.runs_needed is pd.NA
    assert math.isnan(row.margin)
    assert row.detectable > 0


def test_table_keeps_its_columns_without_any_noise():
    found = plan_from_noise(NOISE.frame(), make_plan())
    check_table(found, NOISE_PLAN)
    assert found.empty
