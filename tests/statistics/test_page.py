"""Results over games that hold together: levels, degrees of freedom far out, watts, one game's influence."""

import numpy as np
import pandas as pd
import pytest
from run_tables import ONE_RESULT, balanced, make_plan
from scipy import stats
from simulated_runs import Design, Noise, make_review

from gpubench_kit.statistics.compare import compare_over_games, compare_tunings
from gpubench_kit.statistics.overall import member_levels

METRICS = ["avg_fps", "low_1pct_fps", "board_w", "energy_per_frame_j"]
THREE = ("factory", "quiet", "brisk")


def these(table, plan, metric="avg_fps"):
    rows = compare_over_games(table, plan)
    return rows[(rows["scope"] == "these_games") & (rows["metric"] == metric)].iloc[0]


def games_of(*groups):
    """Return plan sections with games in these groups: number of games by group."""
    return {
        "games": [
            {"name": f"{group} {number}", "settings": [{"name": group, "group": group}]}
            for group, count in groups
            for number in range(count)
        ]
    }


def test_two_pairs_and_four_metrics_have_the_published_levels():
    found = member_levels(make_plan(THREE, metrics=METRICS), 0.05)
    assert [found.of(place, "avg_fps", "all") for place in (0, 1)] == pytest.approx([0.01, 0.01])
    assert found.of(1, "low_1pct_fps", "all") == pytest.approx(0.01)
    assert found.of(0, "board_w", "all") == found.every_game(1) == pytest.approx(0.05 * 0.2 / 6)


@pytest.mark.parametrize(
    ("options", "metric", "wanted"),
    [
        ({"metrics": ["avg_fps", "board_w"]}, "avg_fps", 0.8),
        ({"metrics": ["avg_fps", "pacing_ms"]}, "pacing_ms", 0.4),
        ({"metrics": ["avg_fps", "low_0p1pct_fps", "low_1pct_fps"]}, "low_1pct_fps", 0.4),
        ({"metrics": ["low_1pct_fps", "low_0p1pct_fps"]}, "low_0p1pct_fps", 0.4),
        ({"metrics": ["low_1pct_fps"]}, "low_1pct_fps", 0.8),
        ({"metrics": ["core_mhz"]}, "core_mhz", np.nan),
        ({"metrics": ["core_mhz", "board_w"]}, "board_w", 1.0),
    ],
)
def test_shares_without_members_go_to_the_first(options, metric, wanted):
    found = member_levels(make_plan(**options), 0.05)
    assert found.of(0, metric, "all") == pytest.approx(0.05 * wanted, nan_ok=True)


@pytest.mark.parametrize("tunings", [THREE, ("factory", "quiet")])
@pytest.mark.parametrize("groups", [[("one", 3)], [("one", 2), ("two", 5)], [("one", 3), ("two", 3)]])
def test_all_levels_add_up_to_that_of_the_page(tunings, groups):
    found = member_levels(make_plan(tunings, metrics=METRICS, sections=games_of(*groups)), 0.04)
    assert sum(found.levels.values()) == pytest.approx(0.04)
    most = max(groups, key=lambda one: one[1])[0]
    assert found.of(0, "avg_fps", most) == pytest.approx(0.4 * 0.04 / (len(tunings) - 1))


def test_benches_share_the_level_of_a_pair():
    sections = {"benches": [{"name": "desk"}, {"name": "tower"}]}
    found = member_levels(make_plan(sections=sections), 0.05)
    assert [found.of(place, "avg_fps", "all") for place in (0, 1)] == pytest.approx([0.02, 0.02])


def test_steps_of_a_ladder_are_no_members():
    tunings = [
        {"name": "factory", "reference": True},
        {"name": "p90", "changes": {"power_limit_pct": -10}},
        {"name": "p80", "changes": {"power_limit_pct": -20}},
        {"name": "quiet", "changes": {"voltage_mv": -60}},
    ]
    plan = make_plan(sections={"tunings": tunings, "sweep": {"ladder": "power_limit_pct"}})
    found, names = member_levels(plan, 0.05), [pair.of.tuning for pair in plan.pairs()]
    levels = {name: found.of(place, "avg_fps", "all") for place, name in enumerate(names)}
    assert levels == pytest.approx({"p90": np.nan, "p80": np.nan, "quiet": 0.04}, nan_ok=True)


def test_missing_data_change_no_level():
    plan = make_plan(THREE, metrics=METRICS)
    row = these(balanced(4, 4), plan)
    assert row["confidence"] == pytest.approx(1 - 0.01)


def test_one_interval_decides_the_verdict_and_the_adjusted_p_values_follow_it():
    for effect in (0.0, 0.003, 0.006, 0.02):
        row = these(balanced(6, 4, effect=effect), make_plan())
        real = row["ci_low"] > 0 or row["ci_high"] < 0
        inside = row["ci_low"] > -2 and row["ci_high"] < 100 * (1 / 0.98 - 1)
        assert real == (row["p_difference_adjusted"] <= row["level"])
        assert inside == (row["p_equivalence_adjusted"] <= row["level"])
        words = {(True, True): "better_but_small", (True, False): "better", (False, True): "same_within_margin"}
        assert row["verdict"] == words.get((real, inside), "undecided")
        assert row["no_loss"] == (row["ci_low"] > -2)


def test_what_is_no_member_stands_alone_at_the_plans_confidence():
    plan = make_plan(metrics=["avg_fps", "core_mhz"])
    table = balanced(4, 4)
    table = pd.concat([table, table.assign(metric="core_mhz", run="x" + table["run"])])
    rows = compare_over_games(table, plan)
    alone = rows[(rows["scope"] == "games_like_these") | (rows["metric"] == "core_mhz")]
    assert len(alone) == 3
    assert set(alone["confidence"]) == {0.95}
    assert alone[["level", "p_difference_adjusted", "p_equivalence_adjusted"]].isna().all(axis=None)


def noisy_last_game(*, quiet_where_it_counts):
    """Return three metrics of six games, the last of which is far noisier; once it shows little noise by chance."""
    parts = []
    for place, metric in enumerate(("avg_fps", "low_1pct_fps", "board_w")):
        made = make_review({"factory": 0.0, "quiet": 0.0}, Design(games=6, rounds=4, metric=metric), seed=place,
                           noise=Noise(games_df=np.inf, by_game=(1, 1, 1, 1, 1, 7.0)))  # fmt: skip
        if metric == "avg_fps" and quiet_where_it_counts:
            last = made["game"] == "game 06"
            made.loc[last, "value"] = 100 + 0.2 * (made.loc[last, "value"] - made.loc[last, "value"].mean())
        parts.append(made.assign(group="all", setting=""))
    return pd.concat(parts, ignore_index=True)


def test_the_degrees_of_freedom_follow_the_noise_that_a_game_shows_elsewhere():
    plan = make_plan(metrics=["avg_fps", "low_1pct_fps", "board_w"])
    table = noisy_last_game(quiet_where_it_counts=True)
    row = these(table, plan)
    alone = these(table[table["metric"] == "avg_fps"], plan)
    assert row["se"] == alone["se"]
    assert row["df"] < 0.7 * alone["df"]
    games = compare_tunings(table, plan)
    variance = games.assign(s2=games["own_se"] ** 2).pivot(index="game", columns="metric", values="s2")
    ratio = (variance / variance.median()).prod(axis=1) ** (1 / 3)
    df = games[games["metric"] == "avg_fps"]["own_df"].to_numpy()
    assert row["df"] == pytest.approx(ratio.sum() ** 2 / (ratio**2 / df).sum())


def test_one_pair_and_metric_has_satterthwaites_degrees_of_freedom():
    games = compare_tunings(balanced(7, 4), make_plan(strict=True))
    error = games["se"] ** 2
    wanted = error.sum() ** 2 / (error**2 / games["df"]).sum()
    assert these(balanced(7, 4), make_plan())["df"] == pytest.approx(wanted)


def watts(values, effect_w, *, rounds=4, noise=0.002, seed=1):
    """Return runs of games at these watts, of which the quiet tuning takes some off."""
    table, rng = balanced(len(values), rounds), np.random.default_rng(seed)
    level = table["game"].map(dict(zip(table["game"].unique(), values, strict=True)))
    level = level - effect_w * (table["tuning"] == "quiet")
    return table.assign(metric="board_w", value=level * np.exp(noise * rng.standard_normal(len(table))))


def test_watts_are_the_mean_of_the_differences_with_an_interval_at_the_same_level():
    plan = make_plan(metrics=["board_w"], confidence=ONE_RESULT)
    table = watts([100.0, 200.0, 300.0, 250.0, 150.0, 400.0], 20.0)
    row = these(table, plan, "board_w")
    games = compare_tunings(table, plan)
    of, against = games["of_value"].to_numpy(), games["against_value"].to_numpy()
    parts = (of**2 + against**2) / 2 * games["own_se"].to_numpy() ** 2 / 36
    df = parts.sum() ** 2 / (parts**2 / games["own_df"].to_numpy()).sum()
    half = stats.t.ppf(0.975, df) * np.sqrt(parts.sum())
    assert row["change_w"] == pytest.approx((of - against).mean())
    assert [row["change_w_ci_low"], row["change_w_ci_high"]] == pytest.approx(
        [row["change_w"] - half, row["change_w"] + half]
    )
    assert these(balanced(4, 4), make_plan())[["change_w", "change_w_ci_low"]].isna().all()


def one_game_apart(change, *, games=10, others=0.0, rounds=4):
    """Return runs of games of which the first changes by another amount [natural log]."""
    table = balanced(games, rounds, effect=others, noise=0.004)
    odd = (table["game"] == "game 1") & (table["tuning"] == "quiet")
    return table.assign(value=np.where(odd, table["value"] * np.exp(change - others), table["value"]))


def test_a_difference_that_one_game_makes_is_carried_by_it():
    row = these(one_game_apart(-0.114), make_plan())
    assert row["verdict"].startswith("worse")
    assert row["carried_by"] == "game 1"
    rest = these(one_game_apart(-0.114)[lambda rows: rows["game"] != "game 1"], make_plan())
    assert row["change_without"] == pytest.approx(rest["change"])


def test_a_sameness_that_one_game_makes_by_cancelling_the_others_is_carried_by_it():
    row = these(one_game_apart(-0.25, others=0.028), make_plan())
    assert (row["verdict"], row["carried_by"]) == ("same_within_margin", "game 1")


def test_a_difference_in_every_game_is_carried_by_none():
    assert these(balanced(10, 4, effect=0.02), make_plan())["carried_by"] == ""
    assert these(one_game_apart(0.05, others=0.02), make_plan())["carried_by"] == ""


def test_two_games_are_too_few_to_leave_one_out():
    assert these(one_game_apart(-0.114, games=2), make_plan())["carried_by"] == ""


def test_other_games_are_never_carried():
    rows = compare_over_games(one_game_apart(-0.114), make_plan())
    assert rows[rows["scope"] == "games_like_these"]["carried_by"].tolist() == [""]
