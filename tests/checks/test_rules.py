"""The plan's rules for leaving runs out: all off by default, all tunings alike."""

import pytest

RULES = ("min_duration_s", "warm_up_runs_per_launch", "extra_runs_after_patch")


def test_no_run_is_left_out_unless_the_plan_says_so(small):
    small.spoil("r01", duration_s=1.0)
    assert small.find(*RULES) == []


@pytest.mark.parametrize(("duration_s", "count"), [(26.9, 1), (27.0, 0)])
def test_short_run_is_left_out(small, duration_s, count):
    small.set_plan(exclude={"min_duration_s": 27})
    small.spoil("r03", duration_s=duration_s)
    findings = small.find(*RULES)
    assert [(one.severity, one.check, one.run) for one in findings] == [
        ("exclude", "min_duration_s", "r03")
    ] * count
    assert all("26.9 s" in one.message and "27.0 s" in one.message for one in findings)


def test_length_is_no_reason_where_a_game_ends_after_frames(small):
    small.set_plan(
        exclude={"min_duration_s": 27},
        games=[{"name": "Low Tide Racers", "ends": "frames"}, {"name": "Salt Orchard"}],
    )
    small.spoil("r01", duration_s=10.0)
    assert small.find(*RULES) == []


def test_first_measured_run_of_each_launch_is_left_out_whatever_its_tuning(small):
    small.set_plan(exclude={"warm_up_runs_per_launch": 1})
    findings = small.find(*RULES)
    assert [one.run for one in findings] == [f"r{k:02d}" for k in range(1, 17, 2)]
    tunings = small.runs.set_index("run").loc[[one.run for one in findings], "tuning"]
    assert set(tunings) == {"factory", "quiet"}


def test_launches_are_counted_in_the_order_done(small):
    small.set_plan(exclude={"warm_up_runs_per_launch": 1})
    small.spoil("r01", order_done=2)
    small.spoil("r02", order_done=1)
    assert "r02" in {one.run for one in small.find(*RULES)}


def test_excluded_run_has_warmed_the_game_up_too(small):
    small.set_plan(exclude={"warm_up_runs_per_launch": 1})
    small.spoil("r01", excluded="crash")
    found = {one.run for one in small.find(*RULES)}
    assert not found & {"r01", "r02"}


def test_rows_of_another_purpose_are_not_counted(small):
    small.set_plan(exclude={"warm_up_runs_per_launch": 1})
    small.spoil("r01", purpose="warm_up")
    assert "r02" in {one.run for one in small.find(*RULES)}


def test_launches_of_the_same_name_in_two_sessions_are_two(small):
    small.set_plan(exclude={"warm_up_runs_per_launch": 1})
    small.spoil(None, launch="1")
    small.spoil("r09", session="next evening")
    assert {one.run for one in small.find(*RULES)} == {"r01", "r03", "r09"}


def test_first_runs_after_a_patch_are_left_out(small):
    small.set_plan(exclude={"extra_runs_after_patch": 1})
    small.spoil(None, game_version="1.4")
    for run in ("r09", "r10", "r13", "r14"):
        small.spoil(run, game_version="1.5")
    (finding,) = small.find(*RULES)
    assert (finding.check, finding.run) == ("extra_runs_after_patch", "r09")
    assert "'1.5'" in finding.message


def test_runs_after_a_patch_come_on_top_of_warm_up_runs(small):
    small.set_plan(exclude={"extra_runs_after_patch": 1, "warm_up_runs_per_launch": 1})
    small.spoil(None, game_version="1.4")
    for run in ("r09", "r10", "r13", "r14"):
        small.spoil(run, game_version="1.5")
    by_check = {one.run: one.check for one in small.find(*RULES)}
    assert (by_check["r09"], by_check["r10"]) == ("warm_up_runs_per_launch", "extra_runs_after_patch")
