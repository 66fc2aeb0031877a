"""Whether a run had the tuning that the sheet says."""

import pandas as pd
import pytest

from gpubench_kit.checks.run_checks import SIGNS

OF_TUNINGS = ("tuning_not_applied", "tuning_not_as_declared")

#: What a quiet run looks like when the card fell back to its factory state.
FACTORY = {"core_mv": 1050.0, "core_mhz": 2650.0, "board_w": 300.0}
QUIET = ["r02", "r05", "r10", "r13"]


def _lose(small, run):
    for metric, value in FACTORY.items():
        small.put(run, metric, value)


def test_runs_under_their_tunings_pass(small):
    assert small.find(*OF_TUNINGS) == []


def test_lost_tuning_stops_the_run_and_names_the_clearest_sign(small):
    _lose(small, "r10")
    (finding,) = small.find(*OF_TUNINGS)
    assert (finding.severity, finding.check, finding.run) == ("stop", "tuning_not_applied", "r10")
    assert "board power 300.0 W is that of 'factory'" in finding.message
    assert "'r10'" in finding.message
    assert "not that of the other runs with its tuning" in finding.message
    assert ", here 2" in finding.message


@pytest.mark.parametrize("metric", ["core_mv", "board_w"])
def test_one_sign_is_enough_where_no_other_was_measured(small, metric):
    small.metrics = small.metrics[~small.metrics["metric"].isin(set(SIGNS) - {metric})]
    small.put("r10", metric, FACTORY[metric])
    assert [finding.run for finding in small.find(*OF_TUNINGS)] == ["r10"]


def test_half_of_the_runs_lost_are_all_found(small):
    game = [run for run in QUIET if small.runs.set_index("run").loc[run, "game"] == "Low Tide Racers"]
    quiet = small.runs.query("tuning == 'quiet' and game == 'Low Tide Racers'")["run"].tolist()
    assert set(game) <= set(quiet)
    for run in quiet[2:]:
        _lose(small, run)
    assert [finding.run for finding in small.find(*OF_TUNINGS)] == quiet[2:]


def test_mixed_up_pair_stops_both_runs(small):
    quiet, factory = (
        small.runs.query("tuning == @name and round == 2").iloc[0]["run"] for name in ("quiet", "factory")
    )
    for metric in FACTORY:
        one, other = small.value(quiet, metric), small.value(factory, metric)
        small.put(quiet, metric, other)
        small.put(factory, metric, one)
    assert {finding.run for finding in small.find(*OF_TUNINGS)} == {
        quiet,
        factory,
    }


def test_run_between_two_tunings_is_not_called_lost(small):
    small.put("r10", "core_mv", 1005.0)
    small.put("r10", "board_w", 275.0)
    small.put("r10", "core_mhz", 2625.0)
    assert small.find(*OF_TUNINGS) == []


def test_one_sign_against_two_does_not_stop_a_run(small):
    small.put("r10", "board_w", 300.0)
    assert small.find(*OF_TUNINGS) == []


def test_tunings_that_cannot_be_told_apart_never_stop_a_run(small):
    for row in small.runs.itertuples():
        _lose(small, row.run)
    assert small.find(*OF_TUNINGS) == []


def test_limit_in_the_plan_decides_what_is_told_apart(small):
    _lose(small, "r10")
    small.set_plan(checks={"tuning_pct": 50.0})
    assert small.find(*OF_TUNINGS) == []


def _declare(small, **tuning):
    small.set_plan(tunings=[{"name": "factory", "reference": True}, {"name": "quiet", **tuning}])


@pytest.mark.parametrize(("voltage_mv", "count"), [(-90, 0), (-350, 0), (-370, 1), (60, 1)])
def test_declared_offset_that_hardly_shows_is_noted(small, voltage_mv, count):
    _declare(small, changes={"voltage_mv": voltage_mv})
    findings = small.find(*OF_TUNINGS)
    assert [finding.check for finding in findings] == ["tuning_not_as_declared"] * count
    assert all("'quiet'" in finding.message and "mV is declared" in finding.message for finding in findings)


@pytest.mark.parametrize(("core_mv", "count"), [(960, 0), (1000, 0), (1030, 1)])
def test_held_point_that_is_not_held_is_noted(small, core_mv, count):
    _declare(small, held_at={"core_mv": core_mv})
    findings = small.find(*OF_TUNINGS)
    assert [finding.severity for finding in findings] == ["note"] * count


def test_declared_offset_without_a_sensor_is_left_in_peace(small):
    _declare(small, changes={"memory_mhz": 400, "power_limit_pct": -12})
    assert small.find(*OF_TUNINGS) == []


def test_one_mixed_up_pair_of_three_rounds_stops_both_runs(small):
    kept = small.runs.query("round <= 3")["run"]
    tables = [table[table["run"].isin(kept)] for table in (small.runs, small.facts, small.metrics)]
    again = [table.assign(run=table["run"] + " again") for table in tables]
    again[0] = again[0].assign(game=again[0]["game"] + " 2")
    small.runs, small.facts, small.metrics = (
        pd.concat(pair, ignore_index=True) for pair in zip(tables, again, strict=True)
    )
    assert small.find(*OF_TUNINGS) == []
    pair = small.runs.query("round == 2 and game == 'Salt Orchard'")["run"].tolist()
    for metric in FACTORY:
        one, other = (small.value(run, metric) for run in pair)
        small.put(pair[0], metric, other)
        small.put(pair[1], metric, one)
    assert {finding.run for finding in small.find(*OF_TUNINGS)} == set(pair)
