"""Results averaged over benches, on the page."""

from __future__ import annotations

import pandas as pd
from run_tables import make_plan
from simulated_runs import Design, make_review

from gpubench_kit.page.matrix import over_benches
from gpubench_kit.page.results import Results
from gpubench_kit.statistics.compare import compare_over_games

BENCHES = ("desk", "tower")


def found(*effects: float):
    """Return the results of two benches with true changes."""
    plan = make_plan(("factory", "quiet"), sections={"benches": [{"name": name} for name in BENCHES]})
    parts = []
    for bench, effect in zip(BENCHES, effects, strict=False):
        made = make_review({"factory": 0.0, "quiet": effect}, Design(games=4), seed=7)
        parts.append(made.assign(bench=bench, run=bench + made["run"], order=made["order"] + 100 * len(parts)))
    none = pd.DataFrame()
    return Results(
        plan, none, none, none, none, overall=compare_over_games(pd.concat(parts, ignore_index=True), plan)
    )


def test_the_mean_over_benches_stands_below_the_result_over_games():
    results = found(-3.0, -5.0)
    html = over_benches(results)
    assert "Each of the 2 setups has a result of its own" in html
    assert "quiet vs factory" in html
    assert "Nothing is compared across setups" in html


def test_a_column_that_says_nothing_is_left_out_and_intervals_stand_below_their_changes():
    results = found(-3.0, -5.0)
    html = over_benches(results)
    assert "What to know" not in html
    assert "<br>(" in html


def test_one_bench_shows_nothing_more():
    results = found(-3.0)
    assert over_benches(results) == ""
