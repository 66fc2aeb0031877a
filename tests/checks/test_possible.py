"""Which verdicts the runs can give: from their order, their logs and what the checks found; and in which words."""

import numpy as np
import pandas as pd
import pytest

from gpubench_kit.checks.readiness import possible_verdicts, runs_to_repeat
from gpubench_kit.checks.review import check_review, exclude_runs, used_runs
from gpubench_kit.model.tables import Finding, findings_table
from gpubench_kit.page.checking import head_sentences, state_of_runs

GAMES = ("Low Tide Racers", "Salt Orchard")
THREE_TUNINGS = {
    "analysis": {"metrics": ["avg_fps", "board_w"], "looks": 1},
    "tunings": [{"name": "factory", "reference": True}, {"name": "quiet"}, {"name": "eco"}],
}


def checked(small, findings=(), *, looks_made=0):
    """Return the table of possible verdicts of a small review, and what the head of the page says."""
    review = small.review(findings)
    for name in ("excluded", "replaces"):
        review.runs[name] = review.runs[name].fillna("")
    found = check_review(review, small.metrics, small.plan, is_blind=True)
    usable, runs = exclude_runs(review, small.metrics, found), used_runs(review, found)
    possible = possible_verdicts(usable, runs, findings=found, plan=small.plan, looks_made=looks_made)
    said = head_sentences(possible, runs, redo=runs_to_repeat(review, found))
    return possible, said, state_of_runs(runs, found)


def reasons(possible, metric):
    """Return the reason of each game."""
    rows = possible[possible["metric"] == metric]
    return dict(zip(rows["game"], rows["reason"], strict=True))


@pytest.fixture
def fps(small):
    """Return the review with one metric, so that words on others do not stand in the way."""
    small.set_plan(analysis={"metrics": ["avg_fps", "board_w"], "looks": 1})
    return small


def test_runs_in_rounds_can_give_every_verdict(fps):
    possible, said, state = checked(fps)
    assert possible["can"].all()
    assert (possible["reason"] == "").all()
    assert said[0] == "These runs can give every verdict of the plan."
    assert any(line.startswith("Order of the runs: ") and "rounds in 2 of 2 games" in line for line in state)


def test_a_game_with_one_run_on_a_side_is_named_and_the_other_stands(fps):
    one = fps.runs.query("game == 'Salt Orchard' and tuning == 'quiet'")["run"][1:]
    for run in one:
        fps.spoil(run, excluded="crash")
    possible, said, state = checked(fps)
    assert reasons(possible, "avg_fps") == {"Low Tide Racers": "", "Salt Orchard": "one_run"}
    assert said[0] == (
        "These runs can give a verdict on FPS and power in 1 of 2 games (Salt Orchard: one run on a side)."
    )
    assert "A single run on one side, which tells nothing about noise: Salt Orchard quiet." in state


def test_a_tuning_without_a_run_is_named_and_the_others_are_judged(fps):
    fps.set_plan(**THREE_TUNINGS)
    possible, said, _ = checked(fps)
    assert possible["can"].all()
    assert set(possible["without"]) == {"eco"}
    assert said[0] == "These runs can give every verdict of the plan but those on eco, of which no run counts yet."
    for run in fps.runs.query("game == 'Salt Orchard' and tuning == 'quiet'")["run"][1:]:
        fps.spoil(run, excluded="crash")
    _, said, _ = checked(fps)
    assert said[:2] == [
        "These runs can give a verdict on FPS and power in 1 of 2 games (Salt Orchard: one run on a side).",
        "Verdicts on eco need runs: none counts yet.",
    ]


def test_where_only_the_reference_was_measured_nothing_is_left_out(fps):
    fps.set_plan(**THREE_TUNINGS)
    for run in fps.runs.query("tuning == 'quiet'")["run"]:
        fps.spoil(run, excluded="crash")
    possible, _, _ = checked(fps)
    assert not possible["can"].any()
    assert set(possible["without"]) == {""}


def test_the_order_of_the_runs_is_told_for_each_group():
    message = "quiet vs factory, group {}: rounds in {} of {} games; tuning changes as declared."
    told = [Finding("note", "layout", message.format(name, n, n)) for name, n in (("1440p", 5), ("4k", 1))]
    runs = pd.DataFrame(columns=["used", "purpose", "card", "bench", "game", "setting", "tuning"])
    assert state_of_runs(runs, findings_table(told)) == [
        "Order of the runs in group 1440p: rounds in 5 of 5 games (quiet vs factory).",
        "Order of the runs in group 4k: rounds in 1 of 1 games (quiet vs factory).",
    ]


def test_watts_without_a_proven_clock_are_no_verdict_and_say_so(fps):
    fps.metrics = fps.metrics[fps.metrics["metric"] != "board_w"]
    line = '[logs] sensor_clock = "same_machine"'
    clock = Finding("note", "clock_not_proven", "evening.csv: it spans 16 runs.", action=f"Say so: {line}")
    possible, said, state = checked(fps, [clock])
    assert f"The clock of evening.csv is not proven. Say so: {line}" in state
    assert said[0] == "These runs can give a verdict on FPS; not on power: sensor clock not proven."
    assert set(possible.loc[possible["metric"] == "board_w", "fix"]) == {
        "If both recorders ran on one machine, each with date and time in its rows: "
        '[logs] sensor_clock = "same_machine"; else the finding on the clock says what to do.'
    }


@pytest.mark.parametrize(
    ("check", "why"),
    [
        ("not_aligned", "samples without a place in the runs"),
        ("samples_missing", "samples without a place in the runs"),
        ("sensor_log_of_another_run", "samples of another time than the runs"),
        ("power_averages", "its sensor averages over seconds"),
        ("power_stands", "its sensor hung"),
    ],
)
def test_watts_whose_samples_are_not_used_are_not_called_unmeasured(fps, check, why):
    fps.metrics = fps.metrics[fps.metrics["metric"] != "board_w"]
    _, said, _ = checked(fps, [Finding("note", check, "no place", run=fps.runs["run"].iloc[0])])
    assert said[0].startswith("These runs can give a verdict on FPS; not on power")
    assert why in said[0]


def test_pilot_runs_alone_are_called_so(fps):
    fps.runs = fps.runs.assign(purpose="pilot")
    possible, said, _ = checked(fps)
    assert set(possible["reason"]) == {"pilots_only"}
    assert said[0] == "These runs cannot give a verdict on FPS and power: only pilot runs so far."


def test_all_runs_of_one_tuning_first_are_no_verdict_whatever_else_is_open(fps):
    order = {"factory": 0, "quiet": 100}
    place = fps.runs["tuning"].map(order) + np.arange(len(fps.runs))
    fps.runs = fps.runs.assign(
        order=pd.array(place.rank().astype(int), "Int64"), order_done=pd.array(place.rank().astype(int), "Int64"),
        round=pd.array([pd.NA] * len(place), "Int64"),
    )  # fmt: skip
    fps.metrics.loc[fps.metrics["metric"] == "board_w", "certainty"] = "likely"
    possible, said, _ = checked(fps)
    assert set(possible["reason"]) == {"confounded"}
    assert said[0] == (
        "These runs cannot give a verdict: all of factory was measured before all of quiet. "
        "With a condition they still can: report says which."
    )


def test_a_format_that_is_only_likely_withholds_what_rests_on_it(fps):
    fps.metrics.loc[fps.metrics["metric"] == "board_w", "certainty"] = "likely"
    likely = Finding("note", "sensor_likely", "run 'r01': power is only likely.", run="r01")
    _, said, state = checked(fps, [likely])
    assert said[0] == "These runs can give a verdict on FPS; not on power: format of the log not confirmed."
    assert "Sensor columns are only likely: confirm their format, or they do not count." in state


def test_rows_still_to_be_recorded_wait(fps):
    fps.spoil(None, is_recorded=False)
    for run in ("r01", "r02"):
        fps.spoil(run, is_recorded=True)
    fps.metrics = fps.metrics[fps.metrics["run"].isin(["r01", "r02"])]
    _, said, _ = checked(fps)
    assert said[:2] == [
        "These runs cannot give a verdict on FPS and power: one run on a side.",
        "2 of 16 rows of the run sheet are recorded.",
    ]


def test_too_many_looks_leave_no_verdict(fps):
    possible, said, _ = checked(fps, looks_made=9)
    assert set(possible["reason"]) == {"too_many_looks"}
    assert said[0].endswith("the results were looked at too often.")


def test_dropped_rows_and_guessed_logs_are_named(fps):
    found = [
        Finding("stop", "run_sheet_row", "runs.csv, run 'r19': tuning 'quite' is not in the plan.", run="r19"),
        Finding("note", "log_guessed", "run 'r02': its log is taken by its clock.", run="r02"),
    ]
    _, _, state = checked(fps, found)
    assert "1 fault in rows of the run sheet; these rows are left out (r19)." in state
    assert "1 log was matched by names and clocks: write it into the run sheet (r02)." in state


def test_no_word_or_number_of_a_difference_is_said(fps):
    possible, said, state = checked(fps)
    assert not {"change", "of_value", "against_value"} & set(possible.columns)
    assert not any("%" in line.replace("1 % low", "") for line in [*said, *state])
