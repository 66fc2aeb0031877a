"""What a number of rounds can show: the planner's published table, and what follows from it."""

import numpy as np
import pandas as pd
import pytest

from gpubench_kit.schedule.design import PLANNED_NOISE
from gpubench_kit.schedule.needs import (
    DIFFERENCES_PCT,
    level_over_games,
    needs_of,
    needs_over_games,
    rounds_by_pilot,
    verdict_chances,
)
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.statistics.planning import (
    DEFAULT_ROUNDS,
    chance_decided,
    chance_of_difference,
    chance_of_same,
    chance_of_verdict,
    degrees_of_freedom,
    overall_half_width,
    rounds_to_decide,
    rounds_to_plan,
)

SCREENED = {"metrics": ["avg_fps"], "adjust": "fdr_bh"}


def _noise(plan, cv_pct: float, *, df: float = 4.0) -> pd.DataFrame:
    """Return the same noise for every game."""
    sd = cv_pct / 100
    rows = [
        {"game": game.name, "setting": one.name, "metric": metric, "group": one.group, "source": "pilot", "runs": 6,
         "sd": sd, "df": df, "unit": "%", "noise": cv_pct, "restart_sd": 0.0}
        for game in plan.games for one in game.settings for metric in plan.analysis.metrics
    ]  # fmt: skip
    return PLANNED_NOISE.frame(rows)


def _rounds(plan, rounds: int = 5) -> dict:
    """Return so many rounds for every game."""
    return {(game.name, one.name): rounds for game in plan.games for one in game.settings}


@pytest.mark.parametrize("cv_pct", [0.3, 0.5, 1.0])
@pytest.mark.parametrize("n_games", [5, 6], ids=["own noise", "borrowed noise"])
def test_chance_and_rounds_are_those_of_the_test_that_the_table_leaves_to_a_game(folder, cv_pct, n_games):
    plan = folder(n_games, analysis=SCREENED).plan
    needs = needs_of(_noise(plan, cv_pct), plan, rounds=_rounds(plan, 4), in_blocks=False).iloc[0]
    level, borrowing = 0.8 * level_of_looks(plan)[0], n_games == 6
    options = {"n": 4, "level": level, "df": degrees_of_freedom(4, borrowing=borrowing)}
    margin, sigma = -np.log(0.98), cv_pct / 100
    same = chance_of_same(0.0, sigma, margin=margin, **options)
    assert needs["chance"] == pytest.approx(min(same, chance_of_difference(margin, sigma, **options)))
    assert needs["rounds_to_decide"] == rounds_to_decide(sigma, margin, level=level, borrowing=borrowing)
    assert (needs["outlook"] == "yes") == (needs["rounds_to_decide"] <= 4)


def test_smallest_detectable_difference_is_the_published_one(folder):
    plan = folder(5, analysis={"looks": 1}).plan
    needs = needs_of(_noise(plan, 1.0), plan, rounds=_rounds(plan, 5), in_blocks=False).iloc[0]
    assert 100 * np.log1p(needs["detectable"] / 100) == pytest.approx(2.3787, abs=1e-4)


def test_noise_of_three_percent_is_not_decidable_in_practice(folder):
    plan = folder(10).plan
    needs = needs_of(_noise(plan, 3.0), plan, rounds=_rounds(plan), in_blocks=False).iloc[0]
    assert pd.isna(needs["rounds_to_decide"])
    assert needs["margin_of_twelve"] > 2


def test_a_declared_frame_limit_leaves_nothing_to_judge(folder):
    made = folder(2, analysis={"metrics": ["avg_fps", "board_w"]})
    made.sections["games"][0]["settings"] = [{"frame_limit_fps": 60.0}]
    needs = needs_of(_noise(made.plan, 0.5), made.plan, rounds=_rounds(made.plan), in_blocks=False)
    outlook = {(row.game, row.metric): row.outlook for row in needs.itertuples()}
    assert outlook["Low Tide Racers", "avg_fps"] == "none"
    assert outlook["Low Tide Racers", "board_w"] != "none"
    assert outlook["Salt Orchard", "avg_fps"] != "none"


def test_more_looks_need_more_rounds(folder):
    plans = [folder(10, analysis=SCREENED | {"looks": looks}).plan for looks in (1, 5)]
    one, two = (
        needs_of(_noise(plan, 1.0), plan, rounds=_rounds(plan), in_blocks=False)["rounds_to_decide"].iloc[0]
        for plan in plans
    )
    assert two >= one


def test_overall_half_widths_are_those_of_the_planner(folder):
    # One pair, FPS alone: .8 of the page's level of .04 are its own, for want of a low.
    plan = folder(10).plan
    row = needs_over_games(_noise(plan, 0.6), plan, rounds=_rounds(plan), in_blocks=False).iloc[0]
    assert level_over_games(plan, "avg_fps", "all") == pytest.approx(0.8 * 0.04)
    these = overall_half_width(np.full(10, 0.006**2), n=5, level=0.8 * 0.04)
    wide = overall_half_width(np.full(10, 0.006**2), n=5, spread_of_games=np.log(1.01))
    assert np.log1p(row["these_games"] / 100) == pytest.approx(these)
    assert np.log1p(row["games_like_these"] / 100) == pytest.approx(wide)
    assert row["is_enough"]


@pytest.mark.parametrize(("df", "spread", "rounds"), [(2, 0.6, (3, 8)), (4, 1.0, (4, 12))])
def test_a_pilot_sets_the_rounds_of_every_game(folder, df, spread, rounds):
    plan = folder(10, analysis=SCREENED).plan
    pilot = _noise(plan, spread, df=df)
    found, why = rounds_by_pilot(pilot, plan)
    level = level_of_looks(plan)[0]
    expected = rounds_to_plan(
        pilot["sd"].to_numpy(), -np.log(0.98), level=0.8 * level, borrowing=True,
        overall=(np.full(10, (spread / 100) ** 2), 0.8 * level),  # one pair, one metric
    )  # fmt: skip
    assert found == expected.rounds
    assert rounds[0] <= found <= rounds[1]
    assert f"about {100 * expected.share:.0f} % will be decided" in why
    assert "differ by nothing, or by the margin or more" in why


def test_games_with_a_declared_limit_or_without_a_pilot_do_not_set_the_rounds(folder):
    made = folder(3, analysis={"metrics": ["avg_fps"]})
    made.sections["games"][0]["settings"] = [{"frame_limit_fps": 60.0}]
    plan = made.plan
    pilot = _noise(plan, 0.4)
    noisy = pilot.assign(sd=[0.08, 0.004, 0.004])
    assert rounds_by_pilot(noisy, plan)[0] == rounds_by_pilot(pilot.iloc[1:], plan)[0]
    assert rounds_by_pilot(pilot.iloc[:0], plan)[0] == DEFAULT_ROUNDS == 4


def test_one_game_has_no_overall_result(folder):
    plan = folder(1).plan
    assert not len(needs_over_games(_noise(plan, 0.6), plan, rounds=_rounds(plan), in_blocks=False))


def test_blocks_count_two_groups_of_restarts(folder):
    plan = folder(1).plan
    needs = needs_of(_noise(plan, 1.0), plan, rounds=_rounds(plan, 3), in_blocks=True).iloc[0]
    n, level, margin = needs["rounds_to_decide"], level_of_looks(plan)[0], -np.log(0.98)
    chances = [chance_decided(0.01, margin=margin, n=one, level=level, df=2 * (one - 1)) for one in (n - 1, n)]
    assert chances[0] < 0.8 <= chances[1]


def test_chances_rise_with_rounds_and_cover_the_four_differences(folder):
    plan = folder(10).plan
    table = verdict_chances(_noise(plan, 0.6), plan, rounds=_rounds(plan), in_blocks=False)
    assert sorted(set(table["difference_pct"])) == list(DIFFERENCES_PCT)
    for _, part in table.groupby("difference_pct"):
        assert part["chance"].between(0, 1).all()
        assert part["chance"].iloc[-1] > part["chance"].iloc[0]


def test_a_verdict_is_a_difference_or_none_and_never_counted_twice():
    sigma, margin, n = 0.01, 0.020203, np.arange(2, 30)
    for effect in (0.0, 0.01, 0.02, 0.05):
        either = chance_of_verdict(effect, sigma, margin=margin, n=n)
        found = chance_of_difference(effect, sigma, n=n)
        same = chance_of_same(effect, sigma, margin=margin, n=n)
        assert (either >= np.maximum(found, same) - 1e-9).all()
        assert (either <= np.minimum(found + same, 1) + 1e-9).all()


def test_the_chance_of_a_verdict_agrees_with_simulation(rng):
    effect, sigma, margin, n = 0.01, 0.006, 0.020203, 4
    differences = effect + sigma * np.sqrt(2) * rng.standard_normal((40_000, n))
    mean, error = differences.mean(axis=1), differences.std(axis=1, ddof=1) / np.sqrt(n)
    # t quantiles with 3 df: 0.975 and 0.95.
    decided = (np.abs(mean) > 3.182446 * error) | (np.abs(mean) + 2.353363 * error < margin)
    assert float(chance_of_verdict(effect, sigma, margin=margin, n=n)) == pytest.approx(decided.mean(), abs=0.008)
