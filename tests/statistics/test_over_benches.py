"""Results within benches, combined over benches."""

import numpy as np
import pandas as pd
import pytest
from run_tables import make_plan
from simulated_runs import Design, Noise, make_review

from gpubench_kit.model.table_checks import check_table
from gpubench_kit.statistics.compare import compare_over_games
from gpubench_kit.statistics.contrasts import OVER_BENCHES, combine_benches

BENCHES = ("desk", "tower")


def bench_plan(**analysis):
    sections = {"benches": [{"name": name} for name in BENCHES]}
    return make_plan(("factory", "quiet"), sections=sections, **analysis)


def on_benches(*effects, design=None, seed=0, noise=None):
    """Return runs of both tunings on each bench, with the true change [%] of each."""
    parts = []
    for place, (bench, effect) in enumerate(zip(BENCHES, effects, strict=True)):
        made = make_review(
            {"factory": 0.0, "quiet": effect}, design or Design(games=4), noise=noise, seed=[seed, place]
        )
        made = made.assign(bench=bench, run=bench + made["run"], order=made["order"] + place * len(made))
        parts.append(made)
    return pd.concat(parts, ignore_index=True)


def combined(table, plan):
    overall = compare_over_games(table, plan)
    found = combine_benches(overall, plan)
    check_table(found, OVER_BENCHES)
    return overall[overall["scope"] == "these_games"], found


def test_the_mean_over_benches_has_the_mean_of_their_ends():
    overall, found = combined(on_benches(-1.0, -3.0), bench_plan())
    (row,) = found.itertuples()
    means = [100 * np.expm1(np.log1p(overall[name] / 100).mean()) for name in ("change", "ci_low", "ci_high")]
    assert (row.n_benches, row.benches, row.n_games) == (2, "desk; tower", 4)
    assert [row.change, row.ci_low, row.ci_high] == pytest.approx(means)
    assert row.verdict == "worse"


def test_the_benches_share_the_level_of_one_result():
    overall, found = combined(on_benches(-1.0, -3.0), bench_plan(looks=1))
    assert overall["confidence"].tolist() == pytest.approx([1 - 0.8 * 0.05 / 2] * 2)
    assert found["confidence"].tolist() == pytest.approx([1 - 0.8 * 0.05])


def test_one_bench_is_not_combined():
    table = on_benches(-1.0, -3.0)
    assert not len(combined(table[table["bench"] == "desk"], bench_plan())[1])


def test_a_bench_without_a_verdict_leaves_none():
    table = on_benches(-1.0, -3.0)
    desk = table[table["bench"] == "desk"].sort_values(["tuning", "order"])
    desk = desk.assign(order=pd.array(range(1, len(desk) + 1), dtype="Int64"), session=desk["tuning"])
    (row,) = combined(pd.concat([desk, table[table["bench"] == "tower"]]), bench_plan())[1].itertuples()
    assert (row.verdict, row.reason) == ("no_verdict", "confounded")
    assert np.isnan(row.ci_low)


def test_benches_with_other_games_are_not_averaged():
    table = on_benches(-1.0, -3.0)
    lacking = (table["bench"] == "desk") & (table["game"] == table["game"].iloc[0])
    (row,) = combined(table[~lacking], bench_plan())[1].itertuples()
    assert (row.verdict, row.reason) == ("no_verdict", "different_games")
    assert np.isnan(row.change)


def test_an_assumption_on_one_bench_stands_beside_the_mean():
    plan = bench_plan(restart_spread={"avg_fps": 0.5, "restarts": 0})
    table = on_benches(-1.0, -3.0)
    desk = table[table["bench"] == "desk"].sort_values(["tuning", "order"])
    desk = desk.assign(order=pd.array(range(1, len(desk) + 1), dtype="Int64"), session=desk["tuning"])
    (row,) = combined(pd.concat([desk, table[table["bench"] == "tower"]]), plan)[1].itertuples()
    assert "assumed_restart_spread" in row.reason


@pytest.mark.slow
def test_intervals_over_benches_hold_the_truth_as_often_as_they_say():
    design, truth = Design(games=4, rounds=4, suites=800), 100 * np.expm1(np.log([0.99, 0.97]).mean())
    _, found = combined(on_benches(-1.0, -3.0, design=design, noise=Noise(run_pct=0.6)), bench_plan())
    held = (found["ci_low"] <= truth) & (truth <= found["ci_high"])
    assert len(found) == 800
    assert held.mean() > 0.96 - 0.01
