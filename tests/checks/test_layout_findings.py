"""Notes on layouts and on what the plan says about restarts."""

import pandas as pd
from run_tables import balanced, find_layouts, make_plan, reference_runs, run_table
from simulated_runs import Design, make_review


def messages(table, plan=None):
    found = find_layouts(table, plan or make_plan())
    assert {finding.severity for finding in found} <= {"note"}
    return {finding.check: finding.message for finding in found}


def test_the_layout_and_the_source_of_tuning_changes_are_named():
    found = messages(balanced(3, 3))
    assert found["layout"] == (
        "quiet vs factory: rounds in 3 of 3 games; tuning changes as the "
        "order done tells: every change of card, tuning, session, game or round is one."
    )
    assert "before each run" in messages(balanced(3, 3), make_plan(applied="each_run"))["layout"]


def test_mixed_layouts_are_counted():
    table = pd.concat([balanced(2, 3), run_table("A- B- A-", game="typed").assign(order=pd.NA)], ignore_index=True)
    assert "rounds in 2 and one block of each side in 1 of 3 games" in messages(table)["layout"]
    alone = run_table("A- B- A-").drop(columns="order")
    assert messages(alone)["layout"].endswith(
        "one block of each side in 1 of 1 games; the order of the runs is not stated."
    )


def test_shared_rounds_are_named():
    table = make_review({"factory": 0.0, "quiet": 0.0}, Design(games=3, rounds=3, layout="shared-rounds"), seed=1)
    assert messages(table)["layout"].endswith("as declared in the run sheet; rounds or blocks serve several games.")


def test_groups_are_named_where_there_are_several():
    table = make_review({"factory": 0.0, "quiet": 0.0}, Design(games=3, rounds=3, suites=2), seed=1)
    found = [finding.message for finding in find_layouts(table, make_plan())]
    assert sum("group suite 00002:" in message for message in found) == 1


def test_a_missing_session_is_one_session_and_said_so():
    assert "count as one" in messages(balanced(2, 3))["session_not_given"]
    assert "session_not_given" not in messages(reference_runs("a_tidy"))


def test_few_measured_restarts_are_noted():
    few = make_plan(restart_spread={"avg_fps": 0.5, "restarts": 1})
    assert "measured on a single restart" in messages(balanced(2, 3), few)["few_restarts"]
    enough = make_plan(restart_spread={"avg_fps": 0.5, "restarts": 2})
    assert "few_restarts" not in messages(balanced(2, 3), enough)


def test_a_pair_without_runs_is_passed_over():
    assert messages(run_table("A1 A2")) == {"session_not_given": messages(run_table("A1 A2"))["session_not_given"]}
    assert messages(run_table("A1").head(0)) == {}
