"""The rules that decide which games get a verdict, and by which numbers."""

import numpy as np
import pandas as pd
import pytest
from run_tables import CASES, balanced, closed, games, make_plan, reference_runs, reference_table, run_table
from scipy import stats
from simulated_runs import Design, make_review

from gpubench_kit.model.errors import DesignError
from gpubench_kit.model.table_checks import check_table
from gpubench_kit.model.tables import COMPARISONS, NOISE, OVERALL, USABLE
from gpubench_kit.statistics.compare import compare_over_games, compare_tunings, estimate_noise


def rows_of(table, plan=None, **options):
    rows = compare_tunings(table, plan or make_plan(), **options)
    check_table(rows, COMPARISONS)
    return rows


def only(table, plan=None, **options):
    return rows_of(table, plan, **options).iloc[0]


def test_tables_have_their_declared_columns_even_when_empty():
    nothing = run_table("A1 B1 B2 A2").head(0)
    assert list(compare_tunings(nothing, make_plan(), may_be_empty=True).columns) == COMPARISONS.names
    assert list(compare_over_games(nothing, make_plan(), may_be_empty=True).columns) == OVERALL.names
    assert list(estimate_noise(nothing, make_plan()).columns) == NOISE.names


def test_noise_lists_the_tunings_of_a_game_in_the_order_of_the_plan_whichever_was_run_first():
    table = balanced(3, 3)
    noise = estimate_noise(table, make_plan())
    assert list(noise["tuning"]) == ["factory", "quiet"] * 3
    assert list(noise["game"]) == sorted(noise["game"], key=list(dict.fromkeys(table["game"])).index)
    other = estimate_noise(table, make_plan(("quiet", "factory")))
    assert list(other["tuning"]) == ["quiet", "factory"] * 3


def test_full_usable_tables_give_the_same_as_sparse_ones():
    sparse = balanced(6, 4, effect=0.01)
    full = USABLE.frame(sparse).assign(order_known=True)
    pd.testing.assert_frame_equal(rows_of(full), rows_of(sparse))


def test_few_games_with_few_rounds_are_compared_as_two_groups():
    assert only(balanced(5, 4))["df"] == 6
    assert only(balanced(5, 5))["df"] == 4
    assert only(balanced(6, 4))["own_ci_low"] < only(balanced(6, 4))["ci_low"]


def test_six_games_borrow_and_five_do_not():
    assert rows_of(balanced(6, 4))["borrowed"].any()
    assert not rows_of(balanced(5, 4))["borrowed"].any()
    assert not rows_of(balanced(6, 4), make_plan(strict=True))["borrowed"].any()


def test_strict_numbers_come_from_own_runs_alone():
    plain, strict = rows_of(balanced(8, 4)), rows_of(balanced(8, 4), make_plan(strict=True))
    for name in ("ci_low", "ci_high", "equivalence_ci_low", "equivalence_ci_high"):
        assert plain[f"own_{name}"].to_numpy() == pytest.approx(strict[name].to_numpy(), rel=1e-12)
    assert (plain["borrowed"] & (plain["df"] > 3)).any()


def test_groups_are_never_pooled():
    one, other = balanced(6, 4), balanced(6, 4, noise=0.05)
    other = other.assign(group="4k", setting="4k", run="x" + other["run"], order=other["order"] + 100)
    both = rows_of(pd.concat([one, other], ignore_index=True))
    alone = rows_of(one)
    pd.testing.assert_frame_equal(both[both["group"] == "all"].reset_index(drop=True), alone)


def test_adjustment_is_over_games_and_tunings_of_one_group():
    plan = make_plan(("factory", "quiet", "brisk"), adjust="holm")
    rows = rows_of(reference_runs("c_rounds", "quiet", "brisk"), plan)
    assert len(rows) == 12
    smallest = rows["p_difference"].idxmin()
    assert rows.loc[smallest, "p_difference_adjusted"] == pytest.approx(12 * rows.loc[smallest, "p_difference"])


def test_values_and_changes_are_those_of_the_cells():
    wanted = reference_table("cells", case="a_tidy", metric="avg_fps").set_index(["game", "arm"])
    for row in rows_of(reference_runs("a_tidy", "quiet")).itertuples():
        of, against = wanted.loc[(row.game, "quiet")], wanted.loc[(row.game, "factory")]
        assert closed([of["geo_mean"], against["geo_mean"], of["n"]])([row.of_value, row.against_value, row.n])
        assert closed(100 * (of["geo_mean"] / against["geo_mean"] - 1))(row.change)


@pytest.mark.parametrize("case", CASES)
def test_noise_agrees_with_r(case):
    wanted = reference_table("cells", case=case).set_index(["metric", "game", "arm"])
    noise = estimate_noise(reference_runs(case), make_plan(("factory", *CASES[case])))
    check_table(noise, NOISE)
    names = {"board_w": "board_power_w", "frames_per_j": "frames_per_joule"}
    keys = list(zip(noise["metric"].replace(names), noise["game"], noise["tuning"], strict=True))
    found = wanted.loc[keys]
    assert closed(found["geo_mean"])(noise["mean"])
    assert closed(found["sd_log"], absolute=1e-12)(noise["sd"])
    assert closed(found["cv_log_pct"])(noise["cv_pct"])


def test_noise_of_pilot_runs_can_be_asked_for():
    pilot = run_table("A1 B1 B2 A2", purpose="pilot")
    assert estimate_noise(pilot, make_plan()).empty
    assert len(estimate_noise(pilot, make_plan(), purpose="pilot")) == 2


def test_noise_of_a_difference_metric_is_in_its_unit():
    table = run_table("A1 B1 B2 A2", metric="core_c", purpose="soak", value=[70.0, 72.0, 73.0, 71.0])
    row = estimate_noise(table, make_plan()).set_index("tuning").loc["quiet"]
    assert (row["mean"], row["sd"]) == (70.5, pytest.approx(np.sqrt(0.5)))
    assert np.isnan(row["cv_pct"])


def test_confounded_runs_get_no_verdict_but_a_difference():
    rows = rows_of(reference_runs("h_confounded", "quiet"))
    assert set(rows["verdict"]) == {"no_verdict"}
    assert set(rows["reason"]) == {"confounded"}
    assert rows["change"].notna().all()
    assert rows[["ci_low", "ci_high", "se", "df", "p_difference"]].isna().all(axis=None)


def test_an_assumed_restart_spread_gives_a_verdict_that_says_so():
    plan = make_plan(restart_spread={"avg_fps": 0.5, "restarts": 0})
    row = only(run_table("A1 A2 A3 B1 B2 B3", effect=0.1), plan)
    own = only(run_table("A1 B1 B2 A2 A3 B3", effect=0.1), plan)
    assert (row["verdict"], row["reason"]) == ("better", "assumed_restart_spread")
    assert row["restart_se"] ** 2 == pytest.approx(2 * 0.005**2)
    assert np.isnan(row["restart_df"])
    assert (own["reason"], own["restart_se"]) == ("", pytest.approx(np.nan, nan_ok=True))
    half = np.sqrt(
        (stats.t.ppf(0.975, row["df"]) * row["se"]) ** 2 + (stats.norm.ppf(0.975) * row["restart_se"]) ** 2
    )
    assert np.log1p(row["ci_high"] / 100) == pytest.approx(np.log1p(row["change"] / 100) + half)
    like = compare_over_games(games("A1 A2 A3 B1 B2 B3", 4, effect=0.1), plan)
    assert set(like["reason"]) == {"assumed_restart_spread"}


def test_a_spread_is_used_from_two_measured_restarts_on():
    plan = make_plan(restart_spread={"avg_fps": 0.5, "restarts": 1})
    assert only(run_table("A1 A2 A3 B1 B2 B3"), plan)["reason"] == "confounded"
    for restarts in (2, 3):
        plan = make_plan(restart_spread={"avg_fps": 0.5, "restarts": restarts})
        row = only(run_table("A1 A2 A3 B1 B2 B3"), plan)
        assert (row["reason"], row["restart_df"]) == ("measured_restart_spread", restarts - 1)


def test_two_blocks_show_what_would_explain_their_difference():
    row = only(run_table("A1 A2 A3 B1 B2 B3", effect=0.05))
    assert (row["verdict"], row["reason"]) == ("no_verdict", "confounded")
    change, half = (
        np.log1p(row["change"] / 100),
        np.log1p(row["change"] / 100) - np.log1p(row["bench_change_pct"] / 100),
    )
    spread = np.sqrt((change**2 - half**2) / 2) / stats.norm.ppf(0.975)
    assert np.log1p(row["restart_spread_pct"] / 100) == pytest.approx(spread)
    assert 0 < row["restart_spread_pct"] < row["bench_change_pct"] < row["change"]


def test_a_difference_within_the_noise_of_two_blocks_needs_no_restart_to_explain_it():
    row = only(run_table("A1 A2 A3 B1 B2 B3", value=[100.0, 101.0, 99.0, 100.5, 99.5, 100.0]))
    assert row["bench_change_pct"] == row["restart_spread_pct"] == 0


def test_visible_drift_leaves_the_difference_alone():
    table = games("A1 A2 A3 A4 B1 B2 B3 B4", 3)
    drifting = table.assign(value=table["value"] * np.exp(0.01 * table["order"].astype(float)))
    assert rows_of(drifting)[["bench_change_pct", "restart_spread_pct"]].isna().all(axis=None)


def test_visible_drift_is_not_explained_by_restarts():
    plan = make_plan(restart_spread={"avg_fps": 0.5, "restarts": 0})
    table = games("A1 A2 A3 A4 B1 B2 B3 B4", 3)
    drifting = table.assign(value=table["value"] * np.exp(0.01 * table["order"].astype(float)))
    assert set(rows_of(drifting, plan)["reason"]) == {"drift_visible"}


def test_one_run_shows_its_difference_only():
    row = only(run_table("A1 B1"))
    assert (row["verdict"], row["reason"], row["n_blocks"]) == ("no_verdict", "one_run", 1)
    assert np.isfinite(row["change"])
    assert np.isnan(row["se"])


def test_two_runs_are_judged_and_named():
    row = only(run_table("A1 B1 B2 A2", effect=0.2))
    assert (row["verdict"], row["reason"], row["df"]) == ("better", "two_runs_only", 2)


def test_an_order_not_stated_gives_no_verdict_but_what_would_explain_the_difference():
    row = only(run_table("A1 B1 B2 A2 A3 B3", effect=0.1).drop(columns=["order", "round"]))
    assert (row["layout"], row["verdict"], row["reason"]) == ("confounded", "no_verdict", "not_stated")
    assert row["restart_spread_pct"] > 1
    rounds = only(run_table("A1 B1 B2 A2 A3 B3", effect=0.1).drop(columns=["order"]))
    assert rounds["reason"] == "not_stated"
    alternated = make_plan(typed_order="alternated")
    row = only(run_table("A1 B1 B2 A2 A3 B3", effect=0.1).drop(columns=["order", "round"]), alternated)
    assert (row["layout"], row["reason"]) == ("rounds", "order_stated_alternated")
    back = make_plan(typed_order="back_to_back")
    assert only(run_table("A- A- B- B-"), back)["reason"] == "confounded"


def test_the_same_order_every_time_is_a_caution_per_game():
    assert set(rows_of(games("A1 B1 A2 B2 A3 B3", 2))["reason"]) == {"order_same_every_time"}


@pytest.mark.parametrize(
    ("metric", "columns", "reason"),
    [
        ("avg_fps", {"withheld_for": ["", "held_by_cap", "", ""]}, "held_by_cap"),
        ("board_w", {"withheld_for": ["", "held_by_cap", "", ""]}, "two_runs_only"),
        ("board_w", {"withheld_for": ["", "tuning_not_applied", "", ""]}, "tuning_not_applied"),
        ("low_1pct_fps", {"frame_limit_fps": 60.0}, "frame_limit_declared"),
        ("energy_per_frame_j", {"frame_limit_fps": 60.0}, "two_runs_only"),
        ("avg_fps", {"frames_counted": ["shown", "rendered", "shown", "shown"]}, "different_frames_counted"),
        ("energy_per_frame_j", {"generated_per_rendered": [0, 1, 0, 0]}, "different_frames_counted"),
        ("board_w", {"generated_per_rendered": [0, 1, 0, 0]}, "two_runs_only"),
        ("avg_fps", {"bench": ["old", "new", "new", "new"]}, "different_bench"),
        ("avg_fps", {"game_version": ["1.0", "1.1", "1.0", "1.0"]}, "different_game_version"),
        ("avg_fps", {"game_version": ["1.0", "", "1.0", "1.0"]}, "two_runs_only"),
        ("board_w", {"power_measured_at": ["wall", "inline", "wall", "wall"]}, "two_runs_only"),
        ("avg_fps", {"value": [100.0, 0.0, 99.0, 98.0]}, "value_not_usable"),
        ("avg_fps", {"value": [100.0, np.inf, 99.0, 98.0]}, "value_not_usable"),
        ("avg_fps", {"value": 60.0}, "held_by_cap"),
        ("avg_fps", {"value": [90.0, 90.1, 90.1, 90.0], "step": 0.1}, "held_by_cap"),
        ("avg_fps", {"value": [60.0, 60.1, 60.1, 60.0], "step": 0.1}, "two_runs_only"),
        ("avg_fps", {"value": [30.0, 31.0, 31.0, 30.0], "step": 1.0}, "typed_too_coarsely"),
        ("core_mhz", {"value": 2700.0}, "no_spread"),
        ("avg_fps", {"value": [61.0, 60.0, 60.0, 61.0]}, "no_spread"),
    ],
)
def test_what_runs_are_can_rule_out_a_verdict(metric, columns, reason):
    row = only(run_table("A1 B1 B2 A2", metric=metric, **columns), make_plan(metrics=[metric]))
    assert row["reason"] == reason
    assert (row["verdict"] == "no_verdict") == (reason != "two_runs_only")


def test_what_is_never_compared_shows_no_difference():
    row = only(run_table("A1 B1 B2 A2", frames_counted=["shown", "rendered", "shown", "shown"]))
    assert np.isnan(row["change"])
    assert np.isfinite(row["of_value"])


def test_a_game_of_one_side_is_not_measured():
    table = pd.concat([balanced(2, 3), run_table("A1 A2", seed=3, game="only quiet")], ignore_index=True)
    rows = rows_of(table).set_index("game")
    assert rows.loc["only quiet", "reason"] == "not_measured"
    assert rows.loc["only quiet", "n_against"] == 0


def test_a_capped_game_is_left_out_of_the_others_noise():
    table = balanced(8, 4)
    table["withheld_for"] = np.where(table["game"] == "game 8", "held_by_cap", "")
    with_cap = rows_of(table)
    flat = table.assign(value=np.where(table["game"] == "game 8", 60 + table["order"] * 1e-6, table["value"]))
    rest = [name for name in COMPARISONS.names if name not in ("of_value", "against_value", "change")]
    pd.testing.assert_frame_equal(with_cap[rest], rows_of(flat)[rest])


def test_a_game_at_its_floor_is_left_out_of_the_others_noise():
    table = balanced(7, 4)
    is_last = table["game"] == "game 7"
    table = table.assign(step=np.where(is_last, 1.0, 0.0), value=np.where(is_last, 100.0, table["value"]))
    table.loc[is_last & (table["tuning"] == "quiet"), "value"] = 103.0
    rows, alone = rows_of(table), rows_of(table[~is_last])
    assert rows["se"].iloc[:6].to_numpy() == pytest.approx(alone["se"].to_numpy(), rel=1e-12)
    last = rows.iloc[6]
    assert not last["borrowed"]
    assert last["se"] == pytest.approx(np.sqrt(2 * (1 / 101.5) ** 2 / 12 / 4), rel=0.01)


def test_too_many_looks_leave_the_numbers_but_no_verdict():
    row = only(run_table("A1 B1 B2 A2", effect=0.2), looks_made=9)
    assert (row["verdict"], row["reason"], row["own_verdict"]) == ("no_verdict", "too_many_looks", "no_verdict")
    assert np.isfinite(row["ci_low"])
    assert row["confidence"] == 1 - 0.01
    over = compare_over_games(run_table("A1 B1 B2 A2", effect=0.2), make_plan(), looks_made=9)
    assert set(over["reason"]) == {"too_many_looks"}


def test_a_difference_that_counts_only_alone_is_undecided():
    rows = rows_of(reference_runs("a_tidy"), make_plan(("factory", "quiet", "brisk"), adjust="holm"))
    alone = rows[rows["reason"] == "alone_it_would_count"]
    assert len(alone) > 3
    assert set(alone["verdict"]) == {"undecided"}
    assert (alone["p_difference"] <= 0.05).all()
    assert (alone["p_difference_adjusted"] > 0.05).all()


@pytest.mark.parametrize("adjust", ["none", "fdr_bh"])
def test_adjustment_can_be_switched(adjust):
    rows = rows_of(reference_runs("a_tidy", "quiet"), make_plan(adjust=adjust))
    holm = rows_of(reference_runs("a_tidy", "quiet"), make_plan(adjust="holm"))
    assert (rows["p_difference_adjusted"] <= holm["p_difference_adjusted"] + 1e-15).all()
    assert (rows["p_difference_adjusted"] == rows["p_difference"]).all() == (adjust == "none")


def test_only_what_is_undecided_needs_more_runs():
    rows = rows_of(balanced(8, 3, noise=0.008))
    undecided = rows["verdict"] == "undecided"
    assert undecided.any()
    assert rows.loc[~undecided, "more_runs"].isna().all()
    assert (rows.loc[undecided, "more_runs"].dropna() >= 1).all()
    assert rows_of(balanced(8, 3, noise=0.2))["more_runs"].isna().all()


def test_metrics_without_a_direction_are_higher_or_lower():
    row = only(run_table("A1 B1 B2 A2 A3 B3", metric="core_mhz", effect=0.1), make_plan(metrics=["core_mhz"]))
    assert row["verdict"] == "higher"
    assert pd.isna(row["no_loss"])
    assert np.isnan(row["p_non_inferiority"])


def test_heat_is_judged_on_long_runs_only():
    plan = make_plan(metrics=["core_c"], primary="core_c", margins={"core_c": 3.0})
    short = run_table("A1 B1 B2 A2 A3 B3", metric="core_c", value=[60.0, 70.0, 71.0, 61.0, 62.0, 70.5])
    row = only(short, plan)
    assert (row["verdict"], row["reason"], row["n"]) == ("no_verdict", "no_soak_runs", 0)
    assert np.isnan(row["change"])
    row = only(short.assign(purpose="soak"), plan)
    assert (row["verdict"], row["unit"], row["scale"]) == ("better", "°C", "difference")
    assert row["change"] == pytest.approx(61 - 70.5)


def test_heat_without_any_run_of_one_side_is_not_shown():
    plan = make_plan(metrics=["core_c"], primary="core_c")
    with pytest.raises(DesignError, match="no pair of the plan has runs of its metrics on both sides"):
        rows_of(run_table("A1 A2", metric="core_c"), plan)


def test_drift_is_looked_for_on_the_ratio_scale_only():
    plan = make_plan(metrics=["core_c"], primary="core_c", restart_spread={"core_c": 0.5, "restarts": 0})
    values = [60.0, 62.0, 64.0, 66.0, 68.0, 70.0]
    row = only(run_table("A1 A2 A3 B1 B2 B3", metric="core_c", purpose="soak", value=values), plan)
    assert row["reason"] == "assumed_restart_spread"


def test_without_a_margin_nothing_is_the_same():
    plan = make_plan(metrics=["core_c"], primary="core_c")
    table = run_table(
        "A1 B1 B2 A2 A3 B3", metric="core_c", purpose="soak", value=[70.0, 70.1, 70.2, 70.1, 70.0, 70.0]
    )
    row = only(table, plan)
    assert row["verdict"] == "undecided"
    assert row[["p_equivalence", "p_non_inferiority", "margin"]].isna().all()
    assert np.isfinite(row["equivalence_ci_low"])
    assert pd.isna(row["no_loss"])


def test_a_margin_on_the_difference_scale_is_in_the_unit():
    plan = make_plan(metrics=["sound_dba"], primary="sound_dba", margins={"sound_dba": 1.0})
    values = [30.0, 30.1, 30.2, 30.1, 30.0, 30.0]
    row = only(run_table("A1 B1 B2 A2 A3 B3", metric="sound_dba", purpose="soak", value=values), plan)
    assert (row["verdict"], row["margin"], bool(row["no_loss"])) == ("same_within_margin", 1.0, True)


def test_zeros_are_legal_on_the_difference_scale():
    plan = make_plan(metrics=["hitch_ms_per_min"], primary="hitch_ms_per_min")
    values = [0.0, 5.0, 6.0, 0.0, 1.0, 5.5]
    row = only(run_table("A1 B1 B2 A2 A3 B3", metric="hitch_ms_per_min", value=values), plan)
    assert row["verdict"] == "better"


def test_restarts_are_compared_by_block():
    design = Design(games=1, rounds=6, layout="restarts", blocks=3)
    row = only(make_review({"factory": 0.0, "quiet": 3.0}, design, seed=1))
    assert (row["layout"], row["n"], row["n_blocks"], row["df"]) == ("restarts", 6, 3, 4)


def test_unequal_blocks_are_compared_by_welch():
    row = only(run_table("A1 A2 B1 B2 A3 A4 B3 B4 A5 A6", effect=0.1))
    assert (row["layout"], row["n_blocks"], row["df"] % 1 != 0) == ("restarts", 2, True)


def test_names_are_those_of_the_plan():
    row = only(run_table("A1 B1 B2 A2"))
    names = ["of_card", "of_tuning", "against_card", "against_tuning", "of_bench"]
    assert row[names].tolist() == ["Larkmoor 4", "quiet", "Larkmoor 4", "factory", ""]


def test_metrics_outside_the_plan_are_not_compared():
    rows = rows_of(reference_runs("a_tidy", "quiet"), make_plan(metrics=["avg_fps", "latency_ms"]))
    assert set(rows["metric"]) == {"avg_fps"}


def test_restarts_known_for_one_metric_leave_the_others_without_a_verdict():
    blocks = run_table(" ".join([f"A{n}" for n in range(1, 6)] + [f"B{n}" for n in range(1, 6)]), effect=0.05)
    both = pd.concat([blocks, blocks.assign(metric="board_w")], ignore_index=True)
    plan = make_plan(metrics=["avg_fps", "board_w"], restart_spread={"avg_fps": 0.3, "restarts": 3})
    for rows in (compare_tunings(both, plan), compare_over_games(both, plan)):
        rows = rows.set_index("metric")
        assert (rows.at["avg_fps", "verdict"], rows.at["avg_fps", "reason"]) == (
            "better",
            "measured_restart_spread",
        )
        assert (rows.at["board_w", "verdict"], rows.at["board_w", "reason"]) == ("no_verdict", "confounded")
        assert np.isnan(rows.at["board_w", "ci_low"])
        assert rows.at["board_w", "restart_spread_pct"] > 0
        assert np.isnan(rows.at["avg_fps", "restart_spread_pct"])


@pytest.mark.parametrize(
    ("sequence", "layout", "verdict"),
    [("A1 A2 A3 B4 B5 B6", "confounded", "no_verdict"), ("A1 B2 A3 B4 A5 B6", "restarts", "better")],
    ids=["in two blocks", "in turns"],
)
def test_a_pair_without_a_complete_round_is_compared_by_its_blocks(sequence, layout, verdict):
    table = run_table(sequence, effect=0.05, noise=0.002)
    for rows in (compare_tunings(table, make_plan()), compare_over_games(table, make_plan())):
        (row,) = rows.itertuples()
        assert (row.layout, row.verdict) == (layout, verdict)
        assert row.change == pytest.approx(5, abs=0.5)
