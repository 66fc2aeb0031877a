"""Over all games, held against published figures and against R."""

import numpy as np
import pandas as pd
import pytest
from run_tables import (
    CASES,
    ONE_RESULT,
    REFERENCE_METRICS,
    balanced,
    closed,
    games,
    make_plan,
    reference_runs,
    reference_table,
)
from scipy import stats
from simulated_runs import Design, make_review

from gpubench_kit.statistics.compare import compare_over_games, compare_tunings
from gpubench_kit.statistics.testing import adjust_in_families, half_width, uncertainty_of
from gpubench_kit.statistics.variance import in_percent

CONTRASTS = [
    (case, metric, arm) for case, arms in CASES.items() if case != "h_confounded"
    for metric in REFERENCE_METRICS for arm in arms
]  # fmt: skip


def overall(table, plan=None, scope="these_games", **options):
    confidence = ONE_RESULT if scope == "these_games" else 0.95
    rows = compare_over_games(table, plan or make_plan(confidence=confidence), **options)
    return rows[rows["scope"] == scope].iloc[0]


def logs(row, *columns):
    return [100 * np.log1p(row[column] / 100) for column in columns]


def published_case():
    """Return six games with the published differences and variances, three rounds each."""
    change = np.array([1.2, 0.4, -0.3, 2.1, 0.9, 0.6]) / 100
    variance = np.array([0.2, 0.5, 0.3, 1.1, 0.15, 0.4]) / 1e4
    table = balanced(6, 3)
    # Differences of a round with mean `change` and variance twice that of a run.
    shape = np.array([-1.0, 0.0, 1.0])
    for game in range(6):
        inside = table["game"] == f"game {game + 1}"
        differences = change[game] + shape * np.sqrt(2 * variance[game])
        of = inside & (table["tuning"] == "quiet")
        table.loc[inside, "value"] = 100.0
        table.loc[of, "value"] = 100 * np.exp(differences[table.loc[of, "round"].astype(int) - 1])
    return table


def test_these_games_give_the_published_figures():
    row = overall(published_case())
    assert logs(row, "change") == pytest.approx([0.816667], abs=1e-6)
    assert 100 * row["se"] == pytest.approx(0.221527, abs=1e-6)
    assert row["df"] == pytest.approx(7.923836, abs=1e-6)
    assert logs(row, "ci_low", "ci_high") == pytest.approx([0.304969, 1.328364], abs=1e-6)


def test_games_like_these_give_the_published_figures():
    row = overall(published_case(), scope="games_like_these")
    assert 100 * row["se"] == pytest.approx(0.330067, abs=1e-6)
    assert row["df"] == 5
    assert logs(row, "ci_low", "ci_high") == pytest.approx([-0.031798, 1.665132], abs=1e-6)
    spread = np.sqrt(6 * 0.330067**2 - 2 * 2.65 / 6 / 3)
    assert logs(row, "spread_of_games") == pytest.approx([spread], abs=1e-5)


# R's Welch over games takes each cell's own variance. The kit pairs runs by round, so its estimate must
# agree exactly and its standard error is its own; games as a sample are the same t test in both.
@pytest.mark.parametrize(("case", "metric", "arm"), CONTRASTS)
def test_overall_estimates_agree_with_r(case, metric, arm):
    plan = make_plan(("factory", arm), metrics=[metric])
    wanted = reference_table("overall", case=case, metric=REFERENCE_METRICS[metric], arm=arm)
    row = overall(reference_runs(case, arm), plan)
    welch = wanted[wanted["method"] == "welch"].iloc[0]
    assert closed(welch["ratio_pct"])(row["change"])
    assert row["n_games"] == welch["games"]
    sample = wanted[(wanted["method"] == "one_sample_t") & (wanted["status"] == "ok")]
    for one in sample.itertuples():
        like = overall(reference_runs(case, arm), plan, scope="games_like_these")
        assert closed([one.ratio_pct, one.ci_lo_pct, one.ci_hi_pct])(like[["change", "ci_low", "ci_high"]])
        inner = half_width(0.1, uncertainty_of(like.to_frame().T))[0]
        ends = [np.log1p(like["change"] / 100) + way * inner for way in (-1, 1)]
        assert closed([one.ci90_lo_pct, one.ci90_hi_pct])(in_percent(np.array(ends)))
        assert closed([one.se_log, one.df])(like[["se", "df"]])
        assert closed(one.p, relative=1e-5, absolute=1e-10)(like["p_difference"])


@pytest.mark.parametrize("case", ["a_tidy", "c_rounds"])
def test_holm_over_the_results_of_several_tunings_is_that_of_r(case):
    plan = make_plan(("factory", *CASES[case]))
    rows = compare_over_games(reference_runs(case, *CASES[case]), plan)
    rows = rows[rows["scope"] == "games_like_these"].set_index("of_tuning")
    wanted = reference_table("overall", case=case, metric="avg_fps", method="one_sample_t").set_index("arm")
    assert closed(wanted["p_holm"], relative=1e-5, absolute=1e-10)(
        adjust_in_families(rows.loc[wanted.index, "p_difference"], np.zeros(len(wanted)), method="holm")
    )


@pytest.mark.parametrize("case", ["a_tidy", "c_rounds", "j_equal"])
def test_the_margin_over_games_is_tested_as_by_r(case):
    arm = CASES[case][0]
    for margin in (1, 2, 3):
        plan = make_plan(("factory", arm), margin_pct=float(margin))
        row = overall(reference_runs(case, arm), plan, scope="games_like_these")
        wanted = reference_table(
            "tost", case=case, metric="avg_fps", arm=arm, method="one_sample_t", variant="sym_down"
        )
        one = wanted[wanted["margin_pct"] == margin].iloc[0]
        assert closed([one["p_tost"], one["p_lower"]], relative=1e-5, absolute=1e-10)(
            row[["p_equivalence", "p_non_inferiority"]]
        )


@pytest.mark.parametrize("case", [case for case in CASES if case != "h_confounded"])
def test_ratios_of_geometric_means_agree_with_r(case):
    for arm in CASES[case]:
        wanted = reference_table("geo_means", case=case, metric="avg_fps", arm=arm).iloc[0]
        assert closed(wanted["ratio_pct_games"])(
            overall(reference_runs(case, arm), make_plan(("factory", arm)))["change"]
        )


def test_one_game_is_its_own_overall_result():
    table = balanced(1, 4, effect=0.01)
    row, game = overall(table), compare_tunings(table, make_plan()).iloc[0]
    for name in ("change", "se", "df", "p_difference", "p_equivalence", "verdict"):
        assert row[name] == game[name]
    assert len(compare_over_games(table, make_plan())) == 1
    assert closed([game["ci_low"], game["ci_high"]])(row[["ci_low", "ci_high"]])


def test_fewer_than_three_games_do_not_speak_of_others():
    assert set(compare_over_games(balanced(2, 4), make_plan())["scope"]) == {"these_games"}
    assert len(compare_over_games(balanced(3, 4), make_plan())) == 2


def test_a_game_with_one_run_enters_only_games_like_these():
    table = balanced(6, 4)
    table = table[(table["game"] != "game 2") | (table["round"] == 1)]
    these, like = overall(table), overall(table, scope="games_like_these")
    assert (these["n_games"], these["games_left_out"]) == (5, "game 2")
    assert (like["n_games"], like["games_left_out"]) == (6, "")


def test_settings_of_one_game_count_once():
    table = balanced(3, 4)
    other = table[table["game"] == "game 1"].assign(setting="4k", order=lambda rows: rows["order"] + 100)
    other = other.assign(
        run="x" + other["run"], value=other["value"] * np.where(other["tuning"] == "quiet", 1.1, 1)
    )
    row = overall(pd.concat([table, other], ignore_index=True))
    changes = np.log1p(compare_tunings(pd.concat([table, other]), make_plan())["change"] / 100).to_numpy()
    by_game = [(changes[0] + changes[1]) / 2, *changes[2:]]
    assert row["n_games"] == 3
    assert np.log1p(row["change"] / 100) == pytest.approx(np.mean(by_game), rel=1e-12)


def test_a_setting_left_out_is_named_with_its_game():
    table = balanced(2, 4)
    other = table[(table["game"] == "game 1") & (table["round"] == 1)]
    other = other.assign(setting="4k", run="x" + other["run"], order=other["order"] + 100)
    assert overall(pd.concat([table, other], ignore_index=True))["games_left_out"] == "game 1 (4k)"


def test_shared_rounds_are_averaged_over_games_first():
    table = make_review({"factory": 0.0, "quiet": 1.0}, Design(games=4, rounds=5, layout="shared-rounds"), seed=4)
    row, like = overall(table), overall(table, scope="games_like_these")
    wide = np.log(table.pivot(index=["game", "round"], columns="tuning", values="value").astype(float))
    differences = wide["quiet"] - wide["factory"]
    by_round = differences.groupby("round").mean()
    wanted = stats.ttest_1samp(by_round, 0)
    assert row["layout"] == "shared-rounds"
    assert (row["p_difference"], row["df"]) == (pytest.approx(wanted.pvalue), 4)
    of_games = differences.groupby("game").mean()
    parts = np.array([of_games.var() / 4, by_round.var() / 5])
    assert like["se"] == pytest.approx(np.sqrt(parts.sum()))
    assert like["df"] == pytest.approx(parts.sum() ** 2 / (parts**2 / [3, 4]).sum())


def test_shared_blocks_are_compared_as_two_groups_of_blocks():
    design = Design(games=3, rounds=6, layout="restarts", blocks=3)
    table = make_review({"factory": 0.0, "quiet": 1.0}, design, seed=4)
    row = overall(table)
    means = np.log(table.set_index(["tuning", "session", "game"])["value"]).groupby(["tuning", "session"]).mean()
    wanted = stats.ttest_ind(means["quiet"], means["factory"])
    assert (row["layout"], row["df"]) == ("restarts", 4)
    assert row["p_difference"] == pytest.approx(wanted.pvalue)


def test_a_game_missing_from_a_shared_round_is_left_out():
    table = make_review({"factory": 0.0, "quiet": 0.0}, Design(games=4, rounds=3, layout="shared-rounds"), seed=4)
    gone = (table["game"] == "game 02") & (table["round"] == 3) & (table["tuning"] == "quiet")
    row = overall(table[~gone])
    assert (row["n_games"], row["games_left_out"]) == (3, "game 02")


def test_no_game_in_all_shared_rounds_gives_no_verdict():
    table = make_review({"factory": 0.0, "quiet": 0.0}, Design(games=3, rounds=3, layout="shared-rounds"), seed=4)
    number = table["game"].str[-1].astype(int)
    row = overall(table[(number != table["round"]) | (table["tuning"] == "factory")])
    assert (row["verdict"], row["reason"]) == ("no_verdict", "no_common_games")


def test_confounded_games_give_no_overall_verdict():
    for scope in ("these_games", "games_like_these"):
        row = overall(reference_runs("h_confounded", "quiet"), scope=scope)
        assert (row["verdict"], row["reason"], row["layout"]) == ("no_verdict", "confounded", "confounded")
        assert row["n_games"] == 8
        assert np.isfinite(row["change"])
        assert np.isnan(row["ci_low"])


def test_confounded_games_with_changes_of_their_own_speak_of_games_like_these():
    parts = [games("A1 A2 A3 B4 B5 B6" if n % 2 else "B1 B2 B3 A4 A5 A6", 1, effect=0.05) for n in range(6)]
    table = pd.concat([part.assign(game=f"game {n}") for n, part in enumerate(parts)], ignore_index=True)
    table = table.assign(order=range(1, len(table) + 1), run=[f"r{n}" for n in range(len(table))])
    table["value"] *= 1 + 0.001 * np.random.default_rng(1).standard_normal(len(table))
    assert overall(table)["reason"] == "confounded"
    like = overall(table, scope="games_like_these")
    assert (like["verdict"], like["layout"]) == ("better", "confounded")


def test_confounded_games_among_others_are_left_out():
    table = pd.concat(
        [balanced(4, 4), games("A1 A2 A3 B4 B5 B6", 1).assign(game="odd", run=list("abcdef"))], ignore_index=True
    )
    row = overall(table.assign(order=range(1, len(table) + 1)))
    assert (row["n_games"], row["games_left_out"], row["layout"]) == (4, "odd", "rounds")


def test_the_same_order_every_time_gives_no_overall_verdict():
    row = overall(games("A1 B1 A2 B2 A3 B3", 3, effect=0.05))
    assert (row["verdict"], row["reason"], row["layout"]) == ("no_verdict", "order_same_every_time", "confounded")


def test_order_not_stated_gives_no_overall_verdict():
    row = overall(balanced(4, 4).drop(columns="order"))
    assert (row["verdict"], row["reason"], row["layout"]) == ("no_verdict", "not_stated", "confounded")
    assert np.isfinite(row["change"])


def test_one_run_of_everything_gives_no_verdict_on_these_games():
    table = balanced(5, 1, effect=0.05)
    assert overall(table)["reason"] == "one_run"
    assert overall(table, scope="games_like_these")["verdict"] == "better"


def test_too_few_games_left_give_no_verdict_on_others():
    table = balanced(3, 4)
    table["withheld_for"] = np.where(table["game"] == "game 1", "held_by_cap", "")
    like = overall(table, scope="games_like_these")
    assert (like["verdict"], like["reason"], like["n_games"]) == ("no_verdict", "too_few_games", 2)


def test_borrowed_variance_never_enters_overall():
    table = balanced(8, 4)
    plain, strict = (overall(table, make_plan(strict=strict)) for strict in (False, True))
    assert plain["se"] == strict["se"]
