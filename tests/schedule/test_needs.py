"""What a number of rounds can show: the planner's published table, and what follows from it."""

import numpy as np
import pandas as pd
import pytest

from gpubench_kit.schedule.chances import DIFFERENCES_PCT, verdict_chances
from gpubench_kit.schedule.needs import needs_of, needs_over_games
from gpubench_kit.schedule.tables import PLANNED_NOISE
from gpubench_kit.statistics.planning import chance_of_difference, chance_of_same, overall_half_width
from gpubench_kit.statistics.verdict_chance import chance_of_verdict

#: CV in percent -> rounds for +2 % and for "same within 2 %", by own noise | with borrowed noise.
TABLE = {0.3: ((3, 2), (3, 2)), 0.5: ((4, 3), (3, 3)), 1.0: ((7, 6), (6, 6)), 2.0: ((19, 19), (19, 19))}


def _noise(plan, cv_pct: float, *, df: float = 4.0) -> pd.DataFrame:
    """Return the same noise for every game."""
    sd = cv_pct / 100
    rows = [
        {"game": game.name, "setting": one.name, "metric": metric, "group": one.group, "source": "pilot", "runs": 6,
         "sd": sd, "df": df, "cautious_sd": 1.558 * sd, "unit": "%", "noise": cv_pct, "cautious_noise": cv_pct}
        for game in plan.games for one in game.settings for metric in plan.analysis.metrics
    ]  # fmt: skip
    return PLANNED_NOISE.frame(rows)


def _rounds(plan, rounds: int = 5) -> dict:
    """Return so many rounds for every game."""
    return {(game.name, one.name): rounds for game in plan.games for one in game.settings}


@pytest.mark.parametrize("cv_pct", list(TABLE))
@pytest.mark.parametrize("borrowing", [False, True], ids=["own noise", "borrowed noise"])
def test_rounds_needed_are_those_of_the_published_table(folder, cv_pct, borrowing):
    plan = folder(6 if borrowing else 5).plan
    needs = needs_of(_noise(plan, cv_pct), plan, rounds=_rounds(plan), in_blocks=False).iloc[0]
    find, same = (pair[borrowing] for pair in TABLE[cv_pct])
    assert (needs["rounds_to_find"], needs["rounds_to_show_same"]) == (find, same)


def test_smallest_detectable_difference_is_the_published_one(folder):
    plan = folder(5).plan
    needs = needs_of(_noise(plan, 1.0), plan, rounds=_rounds(plan, 5), in_blocks=False).iloc[0]
    assert 100 * np.log1p(needs["detectable"] / 100) == pytest.approx(2.3787, abs=1e-4)


def test_the_cautious_numbers_are_never_smaller(folder):
    plan = folder(10).plan
    needs = needs_of(_noise(plan, 0.6), plan, rounds=_rounds(plan), in_blocks=False)
    for name in ("detectable", "rounds_to_find", "rounds_to_show_same", "rounds_to_decide"):
        assert (needs[f"cautious_{name}"] >= needs[name]).all()


@pytest.mark.parametrize(("cv_pct", "outlook"), [(0.3, "yes"), (0.6, "perhaps"), (3.0, "no")])
def test_the_outlook_tells_plain_from_cautious(folder, cv_pct, outlook):
    plan = folder(10).plan
    needs = needs_of(_noise(plan, cv_pct), plan, rounds=_rounds(plan, 4), in_blocks=False)
    assert set(needs["outlook"]) == {outlook}


def test_noise_of_three_percent_is_not_decidable_in_practice(folder):
    plan = folder(10).plan
    needs = needs_of(_noise(plan, 3.0), plan, rounds=_rounds(plan), in_blocks=False).iloc[0]
    assert pd.isna(needs["rounds_to_decide"])
    assert needs["margin_of_ten"] > 2


def test_a_declared_frame_limit_leaves_nothing_to_judge(folder):
    made = folder(2, analysis={"metrics": ["avg_fps", "board_w"]})
    made.sections["games"][0]["settings"] = [{"frame_limit_fps": 60.0}]
    needs = needs_of(_noise(made.plan, 0.5), made.plan, rounds=_rounds(made.plan), in_blocks=False)
    outlook = {(row.game, row.metric): row.outlook for row in needs.itertuples()}
    assert outlook["Low Tide Racers", "avg_fps"] == "none"
    assert outlook["Low Tide Racers", "board_w"] != "none"
    assert outlook["Salt Orchard", "avg_fps"] != "none"


def test_more_looks_need_more_rounds(folder):
    plans = [folder(10, analysis={"metrics": ["avg_fps"], "looks": looks}).plan for looks in (1, 2)]
    one, two = (
        needs_of(_noise(plan, 1.0), plan, rounds=_rounds(plan), in_blocks=False)["rounds_to_decide"].iloc[0]
        for plan in plans
    )
    assert two > one


def test_overall_half_widths_are_those_of_the_planner(folder):
    plan = folder(10).plan
    row = needs_over_games(_noise(plan, 0.6), plan, rounds=_rounds(plan), in_blocks=False).iloc[0]
    these = overall_half_width(np.full(10, 0.006**2), n=5)
    wide = overall_half_width(np.full(10, 0.006**2), n=5, spread_of_games=np.log(1.01))
    assert np.log1p(row["these_games"] / 100) == pytest.approx(these)
    assert np.log1p(row["games_like_these"] / 100) == pytest.approx(wide)
    assert row["is_enough"]
    assert row["comparisons"] == 10
    assert row["corrected"] > row["alone"]


def test_one_game_has_no_overall_result(folder):
    plan = folder(1).plan
    assert not len(needs_over_games(_noise(plan, 0.6), plan, rounds=_rounds(plan), in_blocks=False))


def test_blocks_count_two_groups_of_restarts(folder):
    plan = folder(1).plan
    needs = needs_of(_noise(plan, 1.0), plan, rounds=_rounds(plan, 3), in_blocks=True).iloc[0]
    n = needs["rounds_to_find"]
    chances = [float(chance_of_difference(np.log(1.02), 0.01, n=one, df=2 * (one - 1))) for one in (n - 1, n)]
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
