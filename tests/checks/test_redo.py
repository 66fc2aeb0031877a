"""The list of runs to redo, as it is taken back to the bench."""

from gpubench_kit.checks.readiness import runs_to_repeat
from gpubench_kit.checks.review import check_review
from gpubench_kit.model.tables import Finding


def redo(small, *findings):
    review = small.review(findings)
    return runs_to_repeat(review, check_review(review, small.metrics, small.plan))


def test_nothing_is_redone_where_nothing_is_wrong(small):
    assert redo(small).empty


def test_excluded_run_without_a_repeat_is_needed(small):
    small.spoil("r03", excluded="crash")
    (row,) = redo(small).itertuples()
    assert (row.run, row.is_needed, row.why) == ("r03", True, "crash")
    assert "crash" in row.message


def test_run_repeated_already_is_not_listed(small):
    small.spoil("r03", excluded="crash")
    small.spoil("r07", replaces="r03")
    assert redo(small).empty


def test_place_in_a_round_filled_by_another_run_is_not_listed(small):
    small.spoil("r03", excluded="crash")
    small.spoil("r08", round=1)
    assert redo(small).empty


def test_repeat_that_failed_too_fills_nothing(small):
    small.spoil("r03", excluded="crash")
    small.spoil("r07", replaces="r03", excluded="crash")
    assert redo(small).query("is_needed")["run"].tolist() == ["r03", "r07"]


def test_run_too_short_by_the_plan_is_needed(small):
    small.set_plan(exclude={"min_duration_s": 27})
    small.spoil("r03", duration_s=20.0)
    (row,) = redo(small).itertuples()
    assert (row.run, row.is_needed, row.why) == ("r03", True, "min_duration_s")
    assert "20.0 s" in row.message


def test_warm_up_runs_left_out_by_the_plan_are_not_redone(small):
    small.set_plan(exclude={"warm_up_runs_per_launch": 1})
    assert redo(small).empty


def test_stopped_run_comes_before_one_that_only_asks_for_a_cause(small):
    small.spoil("r01", n_gaps=1, gaps_ms=1500.0, longest_ms=1500.0, first_gap_s=3.0)
    small.spoil("r15", share_at_interval=0.97, interval_ms=8.3333)
    listed = redo(small)
    assert listed[["run", "is_needed", "why"]].to_numpy().tolist() == [
        ["r15", True, "held_by_cap"],
        ["r01", False, "gap"],
    ]


def test_several_reasons_of_one_run_are_one_row(small):
    small.spoil("r05", n_gaps=1, gaps_ms=1500.0, longest_ms=1500.0, first_gap_s=3.0, duration_s=10.0)
    (row,) = redo(small).itertuples()
    assert row.why == "gap; too_short"


def test_notes_that_ask_for_nothing_are_not_listed(small):
    assert redo(small, Finding("note", "aligned_by_edge", "s.csv: lined up.", run="r01")).empty


def test_games_are_kept_together(small):
    for run in ("r01", "r04", "r05", "r08"):
        small.spoil(run, excluded="wrong_settings")
    games = small.runs.set_index("run")["game"]
    listed = redo(small)["run"]
    assert [games[run] for run in listed] == sorted(games[run] for run in listed)
