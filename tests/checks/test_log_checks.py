"""Checks of single logs: each has a case that fires, one that just does not, and names run and numbers."""

import numpy as np
import pytest

OF_TIME = ("time_goes_back", "time_stands_still", "times_disagree", "frames_against_time")
OF_SAMPLES = ("samples_missing", "samples_cover_part", "sample_gap")


def test_gap_is_a_note_that_asks_for_a_cause(small):
    small.spoil("r03", n_gaps=2, gaps_ms=3100.0, longest_ms=1840.0, first_gap_s=12.3)
    (finding,) = small.find("gap", "missing_frames")
    assert (finding.severity, finding.check, finding.run) == ("note", "gap", "r03")
    assert (finding.found, finding.limit, finding.unit) == (1840.0, 1000.0, "ms")
    for part in ("'r03'", "2 frames longer than 1000 ms", "3100 ms in all", "12.3 s into the run"):
        assert part in finding.message
    assert "excluded" in finding.action


def test_missing_frames_are_a_note(small):
    small.spoil("r03", n_holes=1, longest_hole_s=2.5, first_hole_s=12.0)
    (finding,) = small.find("gap", "missing_frames")
    assert (finding.check, finding.found) == ("missing_frames", 2500.0)
    assert "1 place" in finding.message
    assert "2.5 s" in finding.message


def test_runs_without_gaps_pass(small):
    assert small.find("gap", "missing_frames") == []


@pytest.mark.parametrize(("steps", "count"), [(1, 1), (0, 0)])
def test_time_that_goes_back_is_found(small, steps, count):
    small.spoil("r05", n_backward=steps)
    assert [finding.run for finding in small.find(*OF_TIME)] == ["r05"] * count


def test_plan_can_let_steps_back_pass(small):
    small.set_plan(checks={"backward_steps": 3})
    small.spoil("r05", n_backward=3)
    assert small.find(*OF_TIME) == []


@pytest.mark.parametrize(
    ("column", "check"), [("n_standing", "time_stands_still"), ("n_mismatched", "times_disagree")]
)
def test_share_of_odd_steps_is_held_against_the_limit(small, column, check):
    small.spoil(None, n_frames=1001)
    small.spoil("r02", **{column: 11})
    small.spoil("r04", **{column: 10})
    (finding,) = small.find(*OF_TIME)
    assert (finding.check, finding.run, finding.found, finding.limit) == (check, "r02", pytest.approx(1.1), 1.0)
    assert "1.1 %" in finding.message


@pytest.mark.parametrize(("shortest_ms", "count"), [(0.49, 1), (0.5, 0)])
def test_frame_faster_than_any_is_found(small, shortest_ms, count):
    small.spoil("r07", shortest_ms=shortest_ms)
    assert len(small.find("frame_too_short")) == count


def test_frames_of_no_length_are_counted(small):
    small.spoil("r07", shortest_ms=0.0, n_zero=3)
    (finding,) = small.find("frame_too_short")
    assert np.isinf(finding.found)
    assert "3 frames of no length" in finding.message


def test_run_without_samples_is_found_where_others_have_some(small):
    small.spoil("r08", n_samples=0)
    (finding,) = small.find(*OF_SAMPLES)
    assert (finding.check, finding.run) == ("samples_missing", "r08")


def test_runs_without_a_time_have_no_place_in_a_log_of_the_same_clock(small):
    small.set_plan(logs={"sensor_clock": "same_machine"}, analysis={"metrics": ["avg_fps", "board_w"]})
    small.spoil(None, n_samples=0, sensor_log_sha256="abc", clock_kind="", started_at="")
    small.spoil("r02", clock_kind="dated", clock_from="frame_log")
    small.spoil("r04", started_at="2026-11-29 18:30:00")
    small.spoil("r03", sensor_log_sha256="")
    (finding,) = small.find("samples_missing")
    assert (finding.run, finding.found) == ("", 14)
    assert "14 runs ('r01', 'r04'," in finding.message, "a start that was typed is no clock"
    assert "each row" in finding.action


def test_review_without_any_sensor_log_is_left_in_peace(small):
    small.spoil(None, n_samples=0, sensor_overlap=np.nan, longest_sample_gap_s=np.nan)
    assert small.find(*OF_SAMPLES) == []


def test_samples_are_not_missed_where_no_metric_needs_them(small):
    small.set_plan(analysis={"metrics": ["avg_fps"]})
    small.spoil("r08", n_samples=0)
    assert small.find(*OF_SAMPLES) == []


@pytest.mark.parametrize(("share", "count"), [(0.899, 1), (0.9, 0)])
def test_sensor_log_that_covers_part_of_a_run_is_found(small, share, count):
    small.spoil("r08", sensor_overlap=share, sensor_log="s8.csv")
    findings = small.find(*OF_SAMPLES)
    assert [finding.check for finding in findings] == ["samples_cover_part"] * count
    assert all("89.9 %" in finding.message for finding in findings)


@pytest.mark.parametrize(("gap_s", "count"), [(5.1, 1), (5.0, 0)])
def test_gap_between_samples_is_found(small, gap_s, count):
    small.spoil("r08", longest_sample_gap_s=gap_s)
    assert [finding.check for finding in small.find(*OF_SAMPLES)] == ["sample_gap"] * count


def test_same_frame_log_stops_both_runs(small):
    small.spoil("r02", frame_log_sha256="r01-hash")
    findings = small.find("same_file_twice", "same_samples_twice")
    assert {(finding.severity, finding.run) for finding in findings} == {("stop", "r01"), ("stop", "r02")}
    assert "run 'r02'" in findings[0].message


def test_repeat_with_the_log_of_the_run_it_replaces_is_stopped(small):
    small.spoil("r01", excluded="crash")
    small.spoil("r02", frame_log_sha256="r01-hash")
    assert [finding.run for finding in small.find("same_file_twice", "same_samples_twice")] == ["r02"]


def test_same_stretch_of_a_sensor_log_stops_both_runs(small):
    small.spoil("r01", sensor_log_sha256="s", sensor_log="s.csv", shift_s=-4.0)
    small.spoil("r02", sensor_log_sha256="s", sensor_log="s.csv", shift_s=-4.2)
    findings = small.find("same_file_twice", "same_samples_twice")
    assert [(finding.check, finding.run) for finding in findings] == [
        ("same_samples_twice", "r01"),
        ("same_samples_twice", "r02"),
    ]


def test_one_sensor_log_may_serve_many_runs(small):
    small.spoil(None, sensor_log_sha256="s")
    assert small.find("same_file_twice", "same_samples_twice") == []


def test_typed_runs_without_logs_share_nothing(small):
    small.spoil(None, frame_log_sha256="")
    assert small.find("same_file_twice", "same_samples_twice") == []
