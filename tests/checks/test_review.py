"""All checks together, and what they mean for the runs."""

import numpy as np
import pandas as pd
import pytest

from gpubench_kit.checks.review import check_review, exclude_runs, used_runs
from gpubench_kit.model.table_checks import check_table
from gpubench_kit.model.tables import FINDINGS, RUNS, USABLE, Finding, findings_table


def check(small, **review):
    """Return the findings, less the note on the layout that every review has."""
    findings = check_review(small.review(**review), small.metrics, small.plan)
    return findings[findings["check"] != "layout"]


def usable_of(small, findings, **options):
    return exclude_runs(small.review(), small.metrics, findings, **options)


def test_review_in_which_nothing_is_wrong_has_no_findings(small):
    assert check(small).empty


def test_layout_found_is_told_once_for_the_pair(small):
    findings = check_review(small.review(), small.metrics, small.plan)
    (message,) = findings["message"]
    assert "rounds in 2 of 2 games" in message


def test_findings_of_reading_stand_beside_those_of_checking(small):
    small.spoil("r03", n_gaps=1, gaps_ms=1500.0, longest_ms=1500.0, first_gap_s=1.0)
    findings = check(small, findings=[Finding("note", "aligned_by_edge", "s.csv: lined up.", run="r01")])
    assert findings["check"].tolist() == ["aligned_by_edge", "gap"]
    check_table(findings, FINDINGS)


def test_every_recorded_value_is_usable_where_nothing_is_wrong(small):
    usable = usable_of(small, check(small))
    check_table(usable, USABLE)
    assert len(usable) == len(small.metrics)
    assert (usable["withheld_for"] == "").all()
    assert not usable["flagged"].any()


@pytest.mark.parametrize(
    "spoiled",
    [
        {"excluded": "crash"},
        {"purpose": "warm_up"},
        {"purpose": "idle"},
        {"purpose": "pilot"},
        {"is_recorded": False},
    ],
    ids=lambda cells: next(iter(cells.items()))[1],
)
def test_run_that_may_not_enter_verdicts_is_not_usable(small, spoiled):
    small.spoil("r03", **spoiled)
    usable = usable_of(small, check(small))
    assert "r03" not in set(usable["run"])
    assert usable["run"].nunique() == 15


def test_planner_may_ask_for_pilot_runs(small):
    small.spoil("r03", purpose="pilot")
    assert "r03" in set(usable_of(small, check(small), purposes=("measure", "pilot"))["run"])


def test_excluded_run_changes_nothing_else(small):
    before = usable_of(small, check(small)).query("run != 'r03'").reset_index(drop=True)
    small.spoil("r03", excluded="crash", duration_s=2.0)
    small.put("r03", "avg_fps", 1.0)
    after = usable_of(small, check(small))
    assert after.equals(before)


def test_rule_of_the_plan_leaves_the_run_out_and_says_so(small):
    small.set_plan(exclude={"min_duration_s": 27})
    small.spoil("r03", duration_s=20.0)
    findings = check(small)
    assert findings[["severity", "check", "run"]].to_numpy().tolist() == [["exclude", "min_duration_s", "r03"]]
    assert "r03" not in set(usable_of(small, findings)["run"])
    runs = used_runs(small.review(), findings).set_index("run")
    assert (bool(runs.loc["r03", "used"]), runs.loc["r03", "excluded_for"]) == (False, "min_duration_s")


def test_run_left_out_by_a_rule_is_nobodys_fellow(small):
    small.set_plan(exclude={"min_duration_s": 27})
    for run in ("r01", "r02", "r05", "r06", "r09"):
        small.spoil(run, duration_s=5.0)
    assert set(check(small)["check"]) == {"min_duration_s"}


def test_lost_tuning_withholds_every_value_of_the_run_and_keeps_it(small):
    for metric, value in {"core_mv": 1050.0, "core_mhz": 2650.0, "board_w": 300.0}.items():
        small.put("r10", metric, value)
    findings = check(small)
    usable = usable_of(small, findings)
    assert set(usable.query("run == 'r10'")["withheld_for"]) == {"tuning_not_applied"}
    assert set(usable.query("run != 'r10'")["withheld_for"]) == {""}
    runs = used_runs(small.review(), findings).set_index("run")
    assert runs.loc["r10", "used"]


def test_cap_withholds_frame_rates_only(small):
    small.spoil("r05", share_at_interval=0.97, interval_ms=8.3333, mean_load_pct=70.0)
    usable = usable_of(small, check(small)).query("run == 'r05'").set_index("metric")["withheld_for"]
    assert usable.to_dict() == {
        "avg_fps": "held_by_cap", "low_1pct_fps": "held_by_cap", "board_w": "", "core_mhz": "", "core_mv": "",
    }  # fmt: skip


def test_impossible_value_withholds_its_own_metric_only(small):
    small.put("r05", "board_w", 0.0)
    usable = usable_of(small, check(small)).query("run == 'r05'").set_index("metric")["withheld_for"]
    assert usable["board_w"] == "value_not_usable"
    assert usable["avg_fps"] == ""


def test_value_far_from_its_fellows_is_flagged_and_kept(small):
    small.put("r03", "avg_fps", 79.0)
    usable = usable_of(small, check(small))
    assert usable.loc[usable["flagged"], ["run", "metric"]].to_numpy().tolist() == [["r03", "avg_fps"]]
    assert len(usable) == len(small.metrics)


def test_value_that_is_not_defined_is_no_row(small):
    small.put("r03", "board_w", np.nan)
    usable = usable_of(small, check(small))
    assert usable.query("run == 'r03'")["metric"].tolist() == ["avg_fps", "core_mhz", "core_mv", "low_1pct_fps"]


def test_order_is_that_in_which_runs_were_done(small):
    small.spoil("r01", order_done=2)
    small.spoil("r02", order_done=1)
    usable = usable_of(small, check(small)).drop_duplicates("run").set_index("run")["order"]
    assert (usable["r01"], usable["r02"]) == (2, 1)


def test_every_run_of_the_sheet_is_listed_with_its_reason(small):
    for run, cells in {
        "r01": {"excluded": "crash"}, "r02": {"purpose": "warm_up"}, "r03": {"is_recorded": False},
    }.items():  # fmt: skip
        small.spoil(run, **cells)
    findings = findings_table([Finding("stop", "log_unusable", "r04.csv: no rows.", run="r04")])
    runs = used_runs(small.review(), findings)
    check_table(runs, RUNS)
    assert runs["run"].tolist() == small.runs["run"].tolist()
    assert runs.loc[~runs["used"], "excluded_for"].tolist() == ["crash", "warm_up", "not_recorded", "log_unusable"]
    assert (runs.loc[runs["used"], "excluded_for"] == "").all()


def test_order_done_is_empty_where_no_clock_shows_it(small):
    small.spoil(None, order_known=False)
    runs = used_runs(small.review(), check(small))
    assert runs["order_done"].isna().all()


def test_names_with_markup_and_formula_signs_stay_text(small):
    names = {"Low Tide Racers": "=1+1", "Salt Orchard": "<b>" + "x" * 5000}
    small.set_plan(games=[{"name": name} for name in names.values()])
    small.runs["game"] = small.runs["game"].map(names)
    small.spoil("r03", n_gaps=1, gaps_ms=1500.0, longest_ms=1500.0, first_gap_s=1.0)
    (message,) = check(small)["message"]
    assert len(message) < 400


def test_review_without_any_recorded_run_has_no_findings_and_nothing_usable(small):
    small.spoil(None, is_recorded=False)
    small.facts = small.facts.iloc[:0]
    small.metrics = small.metrics.iloc[:0]
    findings = check(small)
    assert findings.empty
    assert usable_of(small, findings).empty


def test_typed_numbers_without_logs_are_served(small):
    small.facts = small.facts.iloc[:0]
    small.spoil(None, frame_log="", frame_log_sha256="", duration_s=np.nan)
    small.spoil(None, n_frames=pd.NA)
    findings = check(small)
    assert findings.empty
    assert len(usable_of(small, findings)) == len(small.metrics)


def test_a_sensor_log_that_cannot_be_used_withholds_what_needs_samples_alone(small):
    findings = findings_table([Finding("stop", "sensor_log_unusable", "s04.csv: no rows.", run="r04")])
    usable = usable_of(small, findings).query("run == 'r04'").set_index("metric")["withheld_for"]
    assert usable["board_w"] == "sensor_log_unusable"
    assert (usable["avg_fps"], usable["low_1pct_fps"]) == ("", "")
