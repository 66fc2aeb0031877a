"""Rivals, several samples of a model, benches, and flagged runs."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from run_tables import balanced, make_plan, run_table
from scipy import stats

from gpubench_kit.model.table_checks import check_table
from gpubench_kit.model.tables import COMPARISONS, OVERALL
from gpubench_kit.statistics.compare import compare_over_games, compare_tunings
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.wording.terms import units_text

OURS, RIVAL = "Larkmoor 4", "Fernholt 3"


def rival_plan(*, power=("board_sensor", "board_sensor"), **analysis):
    cards = [
        {"name": OURS, "power_measured_at": power[0]},
        {"name": RIVAL, "role": "rival", "power_measured_at": power[1]},
    ]
    return make_plan(("factory",), cards=cards, **analysis)


def installed(pattern, *, metric="avg_fps", runs=2, effect=0.05, **columns):
    """Return runs of both cards, installed in turn: A is ours, B the rival; each installation is a session."""
    tokens = " ".join(f"{side}{number}" for side in pattern for number in range(1, runs + 1))
    table = run_table(tokens, effect=effect, metric=metric, **columns)
    sessions = np.repeat([f"s{number}" for number in range(len(pattern))], runs)
    cards = [OURS if token[0] == "A" else RIVAL for token in tokens.split()]
    return table.assign(card=cards, tuning="factory", session=sessions)


def only(table, plan):
    rows = compare_tunings(table, plan)
    check_table(rows, COMPARISONS)
    assert len(rows) == 1
    return rows.iloc[0]


def test_a_rival_measured_once_is_confounded():
    row = only(installed("AB", runs=4), rival_plan())
    assert (row["verdict"], row["reason"]) == ("no_verdict", "confounded")


def test_a_rival_installed_several_times_is_compared_by_installation():
    table = installed("ABBAAB")
    row = only(table, rival_plan())
    means = np.log(table["value"]).groupby([table["card"], table["session"]]).mean()
    wanted = stats.ttest_ind(means[OURS], means[RIVAL])
    assert (row["layout"], row["n_blocks"], row["df"]) == ("restarts", 3, 4)
    assert row["p_difference"] == pytest.approx(wanted.pvalue)
    assert (row["of_card"], row["against_card"]) == (OURS, RIVAL)


def test_an_undecided_rival_asks_for_installations_and_not_for_rounds():
    plan = rival_plan()
    row = only(installed("ABBAAB", noise=0.007, effect=0.01, seed=2), plan)
    sigma, (level, _) = row["se"] * np.sqrt(3 / 2), level_of_looks(plan, looks_made=2)
    # Four degrees of freedom: the upper 80 % limit is 1.558 times the noise.
    n = np.arange(4, 17)
    reach = (stats.t.ppf(1 - level / 2, 2 * (n - 1)) + 1.282) * 1.558 * sigma * np.sqrt(2 / n)
    wanted = n[(reach <= -np.log(0.98)).argmax()] - 3
    assert (row["verdict"], row["more_runs"]) == ("undecided", wanted)
    assert units_text(wanted, row, plan) == f"{wanted} further installations of each card in turns"
    assert units_text(20, row, plan, is_further=False) == "20 installations of each card in turns"


def test_what_a_game_is_measured_in_follows_its_layout():
    cards = [{"name": f"Larkmoor {letter}", "model": "Larkmoor"} for letter in "ab"]
    cards.append({"name": RIVAL, "role": "rival"})
    sampled = SimpleNamespace(layout="restarts", of_card="Larkmoor", against_card=RIVAL)
    alone = SimpleNamespace(layout="restarts", of_card=OURS, against_card=OURS)
    rounds = SimpleNamespace(layout="rounds", of_card=OURS, against_card=OURS)
    assert units_text(1, sampled, make_plan(cards=cards)) == "1 further sample of each model"
    assert units_text(2, alone, make_plan()) == "2 further blocks of runs of each side"
    assert units_text(2, rounds, make_plan()) == "2 further rounds"


@pytest.mark.parametrize("points", [("wall", "inline"), ("wall", "")])
@pytest.mark.parametrize("metric", ["board_w", "energy_per_frame_j", "frames_per_j"])
def test_power_measured_at_different_points_is_not_compared(points, metric):
    table = installed("ABBA", metric=metric)
    table["power_measured_at"] = np.where(table["card"] == OURS, *points)
    row = only(table, rival_plan(metrics=[metric]))
    assert (row["verdict"], row["reason"]) == ("no_verdict", "different_power_points")
    assert np.isnan(row["change"])


def test_the_whole_machine_is_measured_at_the_wall_whatever_the_card():
    table = installed("ABBA", metric="wall_w", effect=0.3)
    table["power_measured_at"] = np.where(table["card"] == OURS, "inline", "")
    assert only(table, rival_plan(metrics=["wall_w"]))["verdict"] == "worse"


def samples_plan():
    cards = [
        {"name": "L a", "model": "Larkmoor 4"},
        {"name": "L b", "model": "Larkmoor 4"},
        {"name": "T a", "model": "Fernholt 3", "role": "rival"},
        {"name": "T b", "model": "Fernholt 3", "role": "rival"},
    ]
    return make_plan(("factory", "quiet"), cards=cards, metrics=["avg_fps"])


def sample_runs(effect=0.0):
    """Return three games; every card does rounds of both tunings, the models in turn."""
    parts, order = [], 0
    offsets = {"L a": 0.0, "T a": 0.20, "T b": 0.21, "L b": 0.01}
    for card, offset in offsets.items():
        for game in range(3):
            part = run_table("A1 B1 B2 A2 A3 B3", seed=17 * game + len(card + str(offset)), effect=effect)
            part["value"] *= np.exp(offset)
            model = "Larkmoor 4" if card[0] == "L" else "Fernholt 3"
            part = part.assign(game=f"game {game}", card=card, model=model, session=card)
            parts.append(part.assign(order=part["order"] + order))
            order += len(part)
    table = pd.concat(parts, ignore_index=True)
    return table.assign(run=[f"r{number}" for number in range(len(table))])


def row_between(rows, of, against, tunings=("factory", "factory")):
    wanted = {"of_card": of, "against_card": against, "of_tuning": tunings[0], "against_tuning": tunings[1]}
    for column, value in wanted.items():
        rows = rows[rows[column] == value]
    return rows


def test_with_several_samples_of_a_model_the_card_is_the_unit():
    table = sample_runs()
    rows = row_between(compare_tunings(table, samples_plan()), "Larkmoor 4", "Fernholt 3")
    factory = table[table["tuning"] == "factory"]
    means = np.log(factory["value"]).groupby([factory["game"], factory["card"]]).mean()
    for row in rows.itertuples():
        cards = means[row.game]
        wanted = stats.ttest_ind(cards[["L a", "L b"]], cards[["T a", "T b"]])
        assert (row.n_blocks, row.df) == (2, 2)
        assert row.p_difference == pytest.approx(wanted.pvalue)
    assert set(rows["verdict"]) <= {"worse", "undecided"}


def test_over_games_the_card_is_the_unit_too():
    table = sample_runs()
    rows = compare_over_games(table, samples_plan())
    check_table(rows, OVERALL)
    row = row_between(rows, "Larkmoor 4", "Fernholt 3").iloc[0]
    factory = table[table["tuning"] == "factory"]
    cards = np.log(factory["value"]).groupby([factory["card"], factory["game"]]).mean().groupby("card").mean()
    assert row["df"] == 2
    assert row["p_difference"] == pytest.approx(
        stats.ttest_ind(cards[["L a", "L b"]], cards[["T a", "T b"]]).pvalue
    )


def test_a_tuning_of_several_samples_is_compared_within_each_card():
    table = sample_runs(effect=-0.05)
    rows = compare_tunings(table, samples_plan())
    rows = row_between(rows, "Larkmoor 4", "Larkmoor 4", ("quiet", "factory"))
    ours = table[table["model"] == "Larkmoor 4"]
    means = np.log(ours["value"]).groupby([ours["game"], ours["card"], ours["tuning"]]).mean().unstack()
    for row in rows.itertuples():
        differences = (means["quiet"] - means["factory"])[row.game]
        assert (row.layout, row.n_blocks, row.df, row.borrowed) == ("rounds", 2, 1, False)
        assert row.p_difference == pytest.approx(stats.ttest_1samp(differences, 0).pvalue)


def test_one_card_of_a_model_is_no_sample():
    table = sample_runs()
    rows = compare_tunings(table[table["card"] != "T b"], samples_plan())
    assert set(row_between(rows, "Larkmoor 4", "Fernholt 3")["reason"]) == {"one_card"}


def bench_plan():
    sections = {
        "benches": [{"name": "old driver"}, {"name": "new driver"}],
        "comparisons": [
            {
                "of": {"tuning": "factory", "bench": "new driver"},
                "against": {"tuning": "factory", "bench": "old driver"},
            }
        ],
    }
    return make_plan(("factory",), sections=sections)


def test_benches_are_compared_where_the_plan_names_them():
    table = run_table("A1 A2 B1 B2 B3 B4 A3 A4", effect=0.1)
    table = table.assign(
        bench=np.where(table["tuning"] == "quiet", "new driver", "old driver"), tuning="factory",
        session=np.repeat(["s1", "s2", "s3", "s4"], 2),
    )  # fmt: skip
    row = only(table, bench_plan())
    assert (row["of_bench"], row["verdict"], row["layout"]) == ("new driver", "better", "restarts")
    versions = np.where(table["bench"] == "new driver", "2.0", "1.9")
    assert only(table.assign(game_version=versions), bench_plan())["reason"] == "different_game_version"


def with_a_bad_run(*, change, flagged=True):
    table = balanced(1, 6, effect=0.03, noise=0.001)
    place = table.index[table["tuning"] == "quiet"][2]
    table.loc[place, "value"] *= 1 + change
    return table.assign(flagged=[flagged and row == place for row in table.index])


def test_a_flagged_run_that_changes_the_verdict_leaves_the_weaker_one():
    row = only(with_a_bad_run(change=-0.12), make_plan())
    assert row["verdict"] == "undecided"
    assert row["reason"] == "flagged_run:undecided/better"
    assert not row["no_loss"]
    over = compare_over_games(with_a_bad_run(change=-0.12), make_plan()).iloc[0]
    assert over["reason"] == "flagged_run:undecided/better"


def test_a_flagged_run_that_changes_nothing_is_not_mentioned():
    row = only(with_a_bad_run(change=-0.002), make_plan())
    assert (row["verdict"], row["reason"]) == ("better", "")


def test_numbers_are_those_with_every_run():
    flagged = only(with_a_bad_run(change=-0.12), make_plan())
    plain = only(with_a_bad_run(change=-0.12, flagged=False), make_plan())
    for name in ("change", "ci_low", "ci_high", "n", "p_difference"):
        assert flagged[name] == plain[name]


def test_nothing_left_without_flagged_runs_is_no_verdict():
    table = run_table("A1 B1 B2 A2", effect=0.2).assign(flagged=[True, False, False, False])
    row = only(table, make_plan())
    assert (row["verdict"], row["reason"]) == ("no_verdict", "flagged_run:better/no_verdict")
    assert pd.isna(row["no_loss"])
    every = run_table("A1 B1 B2 A2", effect=0.2).assign(flagged=[True, False, False, True])
    assert only(every, make_plan())["reason"] == "flagged_run:better/no_verdict"
