"""Checks of what still moves within a run, or after a start."""

import numpy as np
import pytest


@pytest.mark.parametrize(("first_ms", "count"), [(7.36, 1), (7.34, 0)])
def test_start_slower_than_in_fellows_is_noted(small, first_ms, count):
    small.spoil(None, first_part_ms=7.0)
    small.spoil("r05", first_part_ms=first_ms)
    assert [finding.run for finding in small.find("warm_up")] == ["r05"] * count


def test_scene_that_starts_heavier_in_every_run_passes(small):
    small.spoil(None, first_part_ms=9.0)
    assert small.find("warm_up") == []


def test_message_on_warm_up_names_both_medians(small):
    small.spoil("r05", first_part_ms=9.1)
    (finding,) = small.find("warm_up")
    for part in ("'r05'", "slower", "9.10", "7.00 ms"):
        assert part in finding.message


@pytest.mark.parametrize(("moved_c", "count"), [(3.1, 1), (3.0, 0)])
def test_soak_run_must_have_settled(small, moved_c, count):
    small.spoil("r16", purpose="soak")
    small.spoil("r16", first_part_c=60.0, later_part_c=60.0 + moved_c)
    findings = small.find("temperature_not_settled", "power_moves", "clock_moves")
    assert [(finding.check, finding.run) for finding in findings] == [("temperature_not_settled", "r16")] * count


@pytest.mark.parametrize(("moved_c", "count"), [(11.1, 1), (11.0, 0)])
def test_measured_run_is_held_to_the_course_of_its_peers(small, moved_c, count):
    small.spoil(None, first_part_c=60.0, later_part_c=68.0)
    small.spoil("r16", later_part_c=60.0 + moved_c)
    assert len(small.find("temperature_not_settled", "power_moves", "clock_moves")) == count


def test_power_that_moves_unlike_its_fellows_is_noted(small):
    small.spoil("r10", first_part_w=200.0)
    (finding,) = small.find("temperature_not_settled", "power_moves", "clock_moves")
    assert (finding.check, finding.run) == ("power_moves", "r10")
    assert "200 W, then 300 W" in finding.message


def test_clock_that_moves_unlike_its_fellows_is_noted(small):
    time_s = np.arange(0.0, 30.0, 0.5)
    level = np.full(time_s.size, 2600.0)
    small.facts["sensor_traces"] = [{"core_mhz": (time_s, level + k % 3)} for k in range(len(small.facts))]
    late = np.where(time_s < 7.5, 2300.0, 2600.0)
    small.facts.at[9, "sensor_traces"] = {"core_mhz": (time_s, late)}
    (finding,) = small.find("temperature_not_settled", "power_moves", "clock_moves")
    assert (finding.check, finding.run) == ("clock_moves", "r10")
    assert "2300 MHz, then 2600 MHz" in finding.message


def test_nothing_is_said_about_sensors_that_are_missing(small):
    names = ("first_part_w", "later_part_w", "first_part_c", "later_part_c")
    small.spoil(None, **dict.fromkeys(names, np.nan))
    assert small.find("temperature_not_settled", "power_moves", "clock_moves") == []


def _slow_starts(small, off_pct):
    """Make each game's two runs of a round a launch, the first of them off."""
    for place, row in enumerate(small.runs.itertuples()):
        if place % 2 == 0:
            small.put(row.run, "avg_fps", small.value(row.run, "avg_fps") * (1 + off_pct / 100))


@pytest.mark.parametrize(("off_pct", "count"), [(-3.0, 1), (-0.4, 0)])
def test_first_runs_after_a_start_that_differ_are_noted(small, off_pct, count):
    _slow_starts(small, off_pct)
    findings = small.find("first_runs_differ")
    assert [finding.check for finding in findings] == ["first_runs_differ"] * count
    assert all("8 launches" in finding.message for finding in findings)


def test_first_runs_are_not_judged_without_launches(small):
    _slow_starts(small, -3.0)
    small.spoil(None, launch="")
    assert small.find("first_runs_differ") == []


def test_first_runs_without_any_noise_are_judged(small):
    small.metrics["value"] = 100.0
    _slow_starts(small, -3.0)
    assert len(small.find("first_runs_differ")) == 1
    small.metrics["value"] = 100.0
    assert small.find("first_runs_differ") == []
