"""What a claim is held against: groups, benches, the other side, units, games that the card limits."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from judged_results import GAMES, claim_plan, game_rows, overall_rows
from run_tables import balanced, make_plan

from gpubench_kit.claims.check import check_claims
from gpubench_kit.claims.classify import over_limited_games
from gpubench_kit.claims.targets import both_ways, find_targets
from gpubench_kit.model.tables import COMPARISONS, OVERALL
from gpubench_kit.statistics.compare import compare_over_games, compare_tunings
from gpubench_kit.statistics.contrasts import game_in_unit, games_in_unit, has_entered, mirrored, over_part

TWO_GROUPS = [
    {
        "name": "Salt Orchard",
        "settings": [{"name": "1440p", "group": "plain"}, {"name": "traced", "group": "traced"}],
    }
]


def held(claim: dict, games: list[dict], *, overall: list[dict], **plan_changes) -> pd.Series:
    """Return the row of one claim."""
    plan = claim_plan(claim, **plan_changes)
    return check_claims(game_rows(plan, *games), overall_rows(plan, *overall), plan).iloc[0]


def test_a_claim_without_a_group_must_hold_in_each():
    overall = [{"change": 3.0, "group": "plain", "n_games": 1}, {"change": 0.0, "group": "traced", "n_games": 1}]
    games = [
        one | {"game": "Salt Orchard", "setting": name}
        for one, name in zip(overall, ("1440p", "traced"), strict=True)
    ]
    both = held({"says": "better"}, games, overall=overall, scenes=TWO_GROUPS)
    plain = held({"says": "better", "group": "plain"}, games, overall=overall, scenes=TWO_GROUPS)
    assert [both["verdict"], plain["verdict"]] == ["not_shown", "supported"]
    assert plain["over"] == "these games, plain"
    assert plain["suggested_text"].startswith(
        "“quiet” was at least 1.5 % faster than “factory” over 1 game at plain, on"
    )
    assert "at traced" in both["evidence"]
    assert "at traced" not in plain["evidence"]


def test_a_claim_about_a_game_must_hold_at_each_of_its_settings():
    games = [{"game": "Salt Orchard", "setting": "1440p", "group": "plain", "change": 3.0},
             {"game": "Salt Orchard", "setting": "traced", "group": "traced", "change": -3.0}]  # fmt: skip
    claim = {"says": "better", "over": "Salt Orchard"}
    assert held(claim, games, overall=[{"change": 0.0}], scenes=TWO_GROUPS)["verdict"] == "contradicted"
    assert (
        held(claim | {"group": "plain"}, games, overall=[{"change": 0.0}], scenes=TWO_GROUPS)["verdict"]
        == "supported"
    )


def test_a_group_of_two_games_does_not_forbid_a_claim_about_games_like_these():
    overall = [{"change": 3.0, "group": "plain", "scope": "games_like_these"}, {"change": 3.0, "group": "traced"}]
    games = [
        {"change": 3.0, "group": "plain"},
        {"change": 3.0, "group": "traced", "game": "Salt Orchard", "setting": "traced"},
    ]
    row = held({"says": "better", "over": "games_like_these"}, games, overall=overall)
    assert row["verdict"] == "supported"
    assert "in games like these at plain (judged by 4 games)" in row["suggested_text"]


def test_a_pair_that_was_not_compared_is_said_to_be_lacking():
    row = held({"says": "better", "against": {"tuning": "brisk"}}, [{"change": 3.0}], overall=[{"change": 3.0}])
    assert row["verdict"] == "not_shown"
    assert row["evidence"].startswith("This pair was not compared")


def test_a_metric_or_group_without_results_is_said_to_be_lacking():
    games, overall = (
        [{"change": 3.0, "group": "plain", "game": "Salt Orchard"}],
        [{"change": 3.0, "group": "plain"}],
    )
    row = held({"says": "better", "metric": "low_1pct_fps"}, games, overall=overall, scenes=TWO_GROUPS)
    assert row["evidence"] == "There is no 1 % low of both sides."
    row = held({"says": "better", "group": "traced"}, games, overall=overall, scenes=TWO_GROUPS)
    assert row["evidence"] == "Nothing was compared at traced."


def test_a_claim_must_hold_on_every_bench():
    benches = [{"name": "driver A"}, {"name": "driver B"}]
    rows = [{"change": change, "of_bench": name, "against_bench": name}
            for change, name in ((3.0, "driver A"), (0.0, "driver B"))]  # fmt: skip
    both = held({"says": "better"}, rows, overall=rows, benches=benches)
    one = held(
        {"says": "better", "of": {"tuning": "quiet", "bench": "driver A"}}, rows, overall=rows, benches=benches
    )
    assert [both["verdict"], one["verdict"]] == ["not_shown", "supported"]


def test_the_other_side_of_a_pair_has_the_opposite_verdicts():
    claim = {"of": {"tuning": "factory"}, "against": {"tuning": "quiet"}}
    outcomes = {
        says: held(claim | {"says": says}, [{"change": 3.0}] * 4, overall=[{"change": 3.0}])["verdict"]
        for says in ("better", "worse", "no_loss")
    }
    assert outcomes == {"better": "contradicted", "worse": "supported", "no_loss": "contradicted"}


@pytest.mark.parametrize(("compare", "declared"), [(compare_tunings, COMPARISONS), (compare_over_games, OVERALL)])
@pytest.mark.parametrize("metric", ["avg_fps", "core_c"])
def test_a_table_seen_from_the_other_side_is_that_of_the_pair_asked_for_the_other_way(compare, declared, metric):
    runs = balanced(7, effect=-0.011).assign(metric=metric, purpose="soak" if metric == "core_c" else "measure")
    sides = ({"tuning": "quiet"}, {"tuning": "factory"})
    tables = []
    for of, against in (sides, sides[::-1]):
        asked = {"comparisons": [{"of": of, "against": against}]}
        plan = make_plan(metrics=[metric], margins={metric: 2.0}, sections=asked)
        tables.append(compare(runs, plan))
    pd.testing.assert_frame_equal(declared.frame(mirrored(tables[0], plan)), tables[1], rtol=1e-9)


def test_a_verdict_that_hangs_on_a_flagged_run_does_so_from_the_other_side_too():
    plan = claim_plan()
    row = mirrored(game_rows(plan, {"change": 3.0, "cautions": "flagged_run:better/undecided"}), plan).iloc[0]
    assert row["reason"] == "flagged_run:worse/undecided"
    assert not row["no_loss"]


def test_watts_less_are_held_against_the_difference_of_the_means():
    # 300 W, 20 % less: 240 W. The half-width is that of the log change times sqrt((300^2 + 240^2)/2) = 271.66 W.
    games = [{"change": -20.0, "se": 0.5, "metric": "board_w", "against_value": 300.0}] * 4
    claim = {"metric": "board_w", "says": "at_most"}
    half = 271.662 * 2.13185 * 0.005
    for over in ("these_games", GAMES[0]):
        rows = {"games": games, "overall": [games[0]]}
        assert held(claim | {"by": -60 + half + 0.01, "over": over}, **rows)["verdict"] == "supported"
        assert held(claim | {"by": -60 + half - 0.01, "over": over}, **rows)["verdict"] == "not_shown"
        assert held(claim | {"by": -60 - half - 0.01, "over": over}, **rows)["verdict"] == "contradicted"


def test_watts_are_said_in_watts():
    games = [{"change": -20.0, "se": 0.5, "metric": "board_w", "against_value": 300.0}] * 4
    row = held({"metric": "board_w", "says": "at_most", "by": -45.0}, games, overall=[games[0]])
    assert (row["says"], row["by"]) == ("saves_at_least", "45.0 W")
    assert row["suggested_text"] == (
        "Board power was at least 56.2 W lower with “quiet” than with “factory” over 4 games, on our Larkmoor 4 "
        "(−60.0 W, 95 % interval −63.8 to −56.2 W)."
    )


def test_the_mean_difference_in_watts_counts_every_game_once():
    plan = claim_plan()
    rows = [{"game": "Salt Orchard", "setting": "1440p", "change": -10.0, "against_value": 100.0},
            {"game": "Salt Orchard", "setting": "traced", "change": -10.0, "against_value": 300.0},
            {"game": "Glass Tundra", "change": -20.0, "against_value": 400.0}]  # fmt: skip
    games = game_rows(plan, *[one | {"metric": "board_w"} for one in rows])
    row = next(overall_rows(plan, {"change": -15.0, "metric": "board_w"}).itertuples())
    found = games_in_unit(games, row)
    assert found.against_value == pytest.approx((200 + 400) / 2)
    assert found.change == pytest.approx((-20 - 80) / 2)


def test_a_difference_on_the_scale_of_the_unit_is_its_own_unit():
    plan = claim_plan()
    row = next(game_rows(plan, {"change": -7.0, "se": 0.4, "metric": "core_c", "against_value": 70.0}).itertuples())
    found = game_in_unit(row)
    assert (found.change, found.ci_low, found.equivalence_ci_high) == pytest.approx(
        (row.change, row.ci_low, row.equivalence_ci_high)
    )


def test_an_interval_in_watts_holds_the_true_mean_difference(rng):
    # Twelve games of unlike power, independent noise on both sides: 95 % of the intervals hold the truth.
    levels, ratio, n, sd = rng.uniform(150, 400, 12), np.exp(rng.normal(-0.2, 0.05, 12)), 4, 0.02
    truth, plan, held_by = np.mean(levels * (ratio - 1)), claim_plan(), 0
    for _ in range(200):
        of, against = (
            np.log(levels * side)[:, None] + sd * rng.standard_normal((12, n)) for side in (ratio, np.ones(12))
        )
        change, variance = (of - against).mean(axis=1), (of.var(axis=1, ddof=1) + against.var(axis=1, ddof=1)) / n
        specs = [{"game": f"g{k}", "change": 100 * np.expm1(change[k]), "se": 100 * np.sqrt(variance[k]),
                  "df": 2 * (n - 1.0), "metric": "board_w", "against_value": np.exp(against[k].mean())}
                 for k in range(12)]  # fmt: skip
        df = variance.sum() ** 2 / (variance**2 / (2 * (n - 1))).sum()
        over = {"change": 100 * np.expm1(change.mean()), "se": 100 * np.sqrt(variance.sum()) / 12, "df": df}
        row = next(overall_rows(plan, over | {"metric": "board_w"}).itertuples())
        found = games_in_unit(game_rows(plan, *specs), row)
        held_by += found.ci_low <= truth <= found.ci_high
    assert 0.92 <= held_by / 200 <= 0.98


def test_watts_of_other_games_are_not_spoken_of():
    games = [{"change": -20.0, "metric": "board_w"}] * 4
    row = held(
        {"metric": "board_w", "says": "at_most", "by": -45.0, "over": "games_like_these"}, games, overall=games[:1]
    )
    assert row["verdict"] == "not_shown"
    assert row["evidence"].endswith(
        "An amount in W can be held against the games measured only; say it in percent."
    )


PARTLY_LIMITED = [
    {"name": name, "limited_by": "card" if place < 2 else "processor"} for place, name in enumerate(GAMES)
]


def limited_case(changes: list[float], *, scenes=PARTLY_LIMITED, **columns) -> pd.Series:
    """Return a claim of no loss over games of which the first two are limited by the card."""
    rows = [{"change": change, "se": 0.3} | columns for change in changes]
    overall = {"change": float(np.mean(changes)), "se": 0.15, "df": 12.0} | columns
    return held({"says": "no_loss"}, rows, overall=[overall], scenes=scenes)


def test_games_limited_by_the_processor_do_not_hide_a_loss():
    row = limited_case([-2.0, -2.0, 1.9, 1.9])
    assert row["verdict"] == "not_shown"
    assert "Over the 2 games that are GPU-limited: −2.0 %, any loss smaller than 2.4 %." in row["evidence"]


def test_no_loss_stands_where_it_also_holds_over_the_games_limited_by_the_card():
    assert limited_case([0.0, 0.0, 0.1, 0.1])["verdict"] == "supported"


def test_where_the_card_limits_every_game_nothing_more_is_asked():
    row = limited_case([-0.1, 0.1, 0.0, 0.0], scenes=GAMES)
    assert row["verdict"] == "supported"
    assert "GPU-limited" not in row["evidence"]


def test_where_the_card_limits_no_game_a_loss_could_not_show():
    games = [{"name": name, "limited_by": "processor"} for name in GAMES]
    row = limited_case([0.0] * 4, scenes=games)
    assert row["verdict"] == "not_shown"
    assert "None of these games is GPU-limited, so a loss could not show." in row["evidence"]


def test_other_games_need_three_that_the_card_limits():
    overall = {"change": 0.0, "se": 0.2, "scope": "games_like_these"}
    claim = {"says": "no_loss", "over": "games_like_these"}
    row = held(claim, [{"change": 0.0, "se": 0.2}] * 4, overall=[overall], scenes=PARTLY_LIMITED)
    assert row["verdict"] == "not_shown"
    assert "Whether it also holds over the 2 games that are GPU-limited is not known." in row["evidence"]


def test_power_is_not_asked_about_the_games_limited_by_the_card():
    plan = claim_plan({"says": "no_loss", "metric": "board_w"}, scenes=PARTLY_LIMITED)
    rows = [{"change": 0.0, "metric": "board_w"}] * 4
    results = both_ways(game_rows(plan, *rows), overall_rows(plan, rows[0]), plan=plan)
    target = find_targets(plan.claims[0], results, plan=plan).targets[0]
    assert over_limited_games(plan.claims[0], target, plan=plan) is None


def test_a_part_of_the_games_is_judged_by_their_own_noise():
    # Two games, se 0.3 and 0.4 on 4 df: se of the mean 0.25, df (0.09 + 0.16)^2 / ((0.09^2 + 0.16^2)/4) = 7.42.
    plan = claim_plan()
    rows = [{"change": 1.0, "own": (0.3, 4.0), "se": 9.0, "df": 8.0}, {"change": 1.0, "own": (0.4, 4.0), "se": 9.0}]
    part = over_part(game_rows(plan, *rows), scope="these_games", layout="rounds")
    assert 100 * part.se == pytest.approx(0.25, rel=1e-9)
    assert part.df == pytest.approx(0.25**2 / ((0.09**2 + 0.16**2) / 4), rel=1e-9)
    assert part.change == pytest.approx(np.log(1.01))


def test_games_that_share_their_restarts_are_taken_to_err_together():
    plan = claim_plan()
    games = game_rows(plan, {"change": 1.0, "se": 0.3}, {"change": 1.0, "se": 0.4})
    part = over_part(games, scope="these_games", layout="restarts")
    assert (100 * part.se, part.df) == pytest.approx((0.35, 4.0))


def test_a_part_of_games_like_these_is_judged_by_how_the_games_differ():
    plan = claim_plan()
    games = game_rows(plan, *({"change": change, "se": 0.3} for change in (1.0, 2.0, 3.0)))
    part = over_part(games, scope="games_like_these", layout="rounds")
    assert part.se == pytest.approx(np.log([1.01, 1.02, 1.03]).std(ddof=1) / np.sqrt(3))
    assert part.df == pytest.approx(2.0)
    shared = over_part(games, scope="games_like_these", layout="shared-rounds")
    assert shared.se == pytest.approx(np.hypot(part.se, 0.003))


def test_no_part_of_the_games_has_no_result():
    games = game_rows(claim_plan(), {"change": 1.0}).iloc[:0]
    assert np.isnan(over_part(games, scope="these_games", layout="rounds").p_loss(0.02, direction=1))


def test_more_rounds_do_not_settle_what_other_games_would_do():
    overall = {"change": 0.5, "se": 1.0, "scope": "games_like_these"}
    row = held({"says": "better", "over": "games_like_these"}, [{"change": 0.5}] * 4, overall=[overall])
    assert row["verdict"] == "not_shown"
    assert row.isna()["more_runs"]


def test_a_gain_over_the_games_limited_by_the_card_is_no_loss():
    assert (
        "Over the 2 games that are GPU-limited: +3.0 %, no loss." in limited_case([3.0, 3.0, 0.1, 0.1])["evidence"]
    )


def test_many_games_against_a_claim_are_counted():
    names = [f"Game {place}" for place in range(7)]
    rows = [{"game": name, "change": -3.0} for name in names]
    row = held({"says": "better", "over": "every_game"}, rows, overall=[{"change": -3.0}], scenes=names)
    assert "Game 3 (−3.0 %, 95 % interval −4.3 to −1.6 %) and 3 others." in row["evidence"]


def test_games_left_out_of_a_result_do_not_enter_its_difference_in_the_unit():
    plan = claim_plan()
    games = game_rows(plan, *({"change": -10.0, "metric": "board_w"} for _ in GAMES))
    overall = {"change": -10.0, "metric": "board_w", "games_left_out": "Salt Orchard; Glass Tundra (traced)"}
    row = next(overall_rows(plan, overall).itertuples())
    entered = [game.game for game in games.itertuples() if has_entered(game, row)]
    assert entered == [
        "Low Tide Racers",
        "Copper Monsoon",
        "Glass Tundra",
    ]
