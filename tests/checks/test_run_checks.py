"""Checks of runs against their peers and against what can be."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gpubench_kit.checks.evidence import median_of_others, usual_spread
from gpubench_kit.checks.run_checks import distance_from_peers, is_flagged


@pytest.mark.parametrize(
    ("duration_s", "check"), [(26.9, "too_short"), (27.0, None), (33.0, None), (33.1, "too_long")]
)
def test_length_is_held_against_peers(small, duration_s, check):
    small.spoil("r06", duration_s=duration_s)
    assert [finding.check for finding in small.find("too_short", "too_long")] == ([check] if check else [])


def test_message_on_length_names_run_and_numbers(small):
    small.spoil("r06", duration_s=13.4)
    (finding,) = small.find("too_short", "too_long")
    for part in ("'r06'", "13.4 s", "55.3 % shorter", "median 30.0 s"):
        assert part in finding.message


def test_game_that_ends_after_frames_is_held_to_frames(small):
    small.set_plan(games=[{"name": "Low Tide Racers", "ends": "frames"}, {"name": "Salt Orchard"}])
    small.spoil("r01", duration_s=60.0)
    assert small.find("too_short", "too_long") == []
    small.spoil("r02", n_frames=3000)
    (finding,) = small.find("too_short", "too_long")
    assert (finding.run, finding.check) == ("r02", "too_short")
    assert "3000 frames" in finding.message


@pytest.mark.parametrize(
    ("metric", "value", "count"),
    [
        ("board_w", 0.0, 1), ("board_w", -3.0, 1), ("board_w", 2000.0, 0), ("board_w", 2000.1, 1),
        ("avg_fps", 2000.0, 0), ("avg_fps", 2001.0, 1), ("core_mv", 0.0, 1),
    ],
)  # fmt: skip
def test_values_that_cannot_be_stop(small, metric, value, count):
    small.put("r03", metric, value)
    findings = small.find("impossible_value")
    assert [(finding.severity, finding.run) for finding in findings] == [("stop", "r03")] * count


def test_message_on_an_impossible_value_names_the_limit(small):
    small.put("r03", "board_w", 5000.0)
    (finding,) = small.find("impossible_value")
    assert "board power is 5000.0 W; at most 2000.0 W is expected" in finding.message


def _hold(small, runs, interval_ms, share=0.95):
    for run in runs:
        small.spoil(run, share_at_interval=share, interval_ms=interval_ms, mean_load_pct=70.0)


def test_runs_that_agree_in_one_interval_are_held_by_a_cap(small):
    _hold(small, ["r01", "r06"], 8.3333)
    _hold(small, ["r09", "r14"], 8.3334)
    findings = small.find("frame_limit_declared", "held_by_cap")
    assert {finding.run for finding in findings} == {"r01", "r06", "r09", "r14"}
    assert {finding.severity for finding in findings} == {"stop"}
    assert "8.333 ms (120.0 fps)" in findings[0].message


def test_steady_work_whose_interval_differs_from_run_to_run_is_no_cap(small):
    for k, run in enumerate(["r01", "r02", "r05", "r06", "r09", "r10", "r13", "r14"]):
        _hold(small, [run], 7.1 * (1 + 0.002 * k))
    assert small.find("frame_limit_declared", "held_by_cap") == []


def test_single_steady_run_among_restless_fellows_is_held_by_a_cap(small):
    _hold(small, ["r05"], 8.3333)
    assert [finding.run for finding in small.find("frame_limit_declared", "held_by_cap")] == ["r05"]


@pytest.mark.parametrize(("share", "count"), [(0.8, 1), (0.79, 0)])
def test_share_of_frames_at_one_interval_is_held_against_the_limit(small, share, count):
    _hold(small, ["r05"], 8.3333, share)
    assert len(small.find("frame_limit_declared", "held_by_cap")) == count


def test_steady_runs_of_a_fully_loaded_card_are_no_cap(small):
    peers = ["r01", "r02", "r05", "r06", "r09", "r10", "r13", "r14"]
    _hold(small, peers, 8.3333)
    assert len(small.find("frame_limit_declared", "held_by_cap")) == 8
    small.spoil(None, mean_load_pct=97.0)
    assert small.find("frame_limit_declared", "held_by_cap") == []


def test_cap_is_found_without_a_load_sensor(small):
    _hold(small, ["r05"], 8.3333)
    small.spoil(None, mean_load_pct=np.nan)
    assert [finding.run for finding in small.find("frame_limit_declared", "held_by_cap")] == ["r05"]


def test_declared_limit_is_one_note_for_the_game_and_no_cap(small):
    for run in ("r01", "r02", "r05", "r06", "r09", "r10", "r13", "r14"):
        _hold(small, [run], 8.3333)
        small.spoil(run, frame_limit_fps=120.0)
    (finding,) = small.find("frame_limit_declared", "held_by_cap")
    assert (finding.severity, finding.check, finding.limit) == ("note", "frame_limit_declared", 120.0)
    assert "'Low Tide Racers'" in finding.message


@pytest.mark.parametrize(("load_pct", "count"), [(89.9, 1), (90.0, 0)])
def test_game_said_to_be_limited_by_the_card_needs_load(small, load_pct, count):
    small.spoil(None, mean_load_pct=load_pct)
    findings = small.find("limited_by_other", "load_low")
    assert [finding.check for finding in findings] == ["limited_by_other"] * (2 * count)
    assert all("89.9 %" in finding.message for finding in findings)


@pytest.mark.parametrize(("load_pct", "count"), [(97.0, 2), (96.9, 0)])
def test_game_said_to_be_limited_by_the_processor_has_no_full_load(small, load_pct, count):
    small.spoil(None, mean_load_pct=load_pct, limited_by="processor")
    assert len(small.find("limited_by_other", "load_low")) == count


def test_single_run_of_low_load_is_named(small):
    small.spoil("r04", mean_load_pct=60.0)
    (finding,) = small.find("limited_by_other", "load_low")
    assert (finding.check, finding.run) == ("load_low", "r04")
    assert "60 %" in finding.message
    assert "98 %" in finding.message


def test_run_far_from_its_fellows_is_noted_with_both_values(small):
    small.put("r03", "avg_fps", 79.0)
    (finding,) = small.find("outlier")
    assert (finding.severity, finding.check, finding.run) == ("note", "outlier", "r03")
    assert finding.found == pytest.approx(-10.2, abs=0.5)
    for part in ("79.0 fps", "'r03'", "usually differ by"):
        assert part in finding.message
    assert "verdicts are tried with and without it" in finding.action


def test_few_runs_flag_each_other_only_beyond_what_chance_does(small):
    rated = _rated(small)
    spread = rated[(rated["run"] == "r03") & (rated["metric"] == "avg_fps")]["spread"].iloc[0]
    # With one run far above, the median of four is midway between the upper two of the others.
    others = sorted(np.log(small.value(run, "avg_fps")) for run in ("r08", "r11", "r16"))
    median = (others[1] + others[2]) / 2
    # Two cells of four less one run leave 5 degrees of freedom: once in 500 beyond 5.893 spreads.
    for factor, count in ((5.85, 0), (5.95, 1)):
        small.put("r03", "avg_fps", float(np.exp(median + factor * spread)))
        assert len(small.find("outlier")) == count


def test_two_far_runs_of_a_game_do_not_hide_each_other():
    truth = np.random.default_rng(4)
    names = [f"r{nth:02d}" for nth in range(24)]
    values = 100 * np.exp(0.004 * truth.standard_normal(24))
    places = {"cell": np.arange(24) // 6, "of_game": np.arange(24) // 12, "step": np.nan}
    same = {"metric": "avg_fps", "card": "a", "bench": "b", "purpose": "compare"}
    rows = pd.DataFrame({"run": names, "value": values, **places, **same})
    clean = rows.assign(**distance_from_peers(rows))
    assert not is_flagged(clean, 5.0).any()
    far = rows.assign(value=np.where(rows["run"].isin(["r03", "r08"]), 0.92, 1.0) * values)
    assert list(far["run"][is_flagged(far.assign(**distance_from_peers(far)), 5.0)]) == ["r03", "r08"]


def _rated(small):
    values = small.evidence().values
    return values.assign(**distance_from_peers(values))


def test_spread_is_that_of_the_other_runs_by_hand():
    rows = pd.DataFrame(
        {
            "run": list("abcdef"), "metric": "avg_fps", "card": "c", "bench": "", "purpose": "measure",
            "value": np.exp([0.0, 0.01, 0.05, 1.0, 1.02, 1.04]), "step": 0.0,
            "cell": [0, 0, 0, 1, 1, 1], "of_game": 0,
        }
    )  # fmt: skip
    found = distance_from_peers(rows)
    assert found["distance"] == pytest.approx([-0.01, 0, 0.04, -0.02, 0, 0.02], abs=1e-12)
    # Without the third run: squares 2 * 0.005**2 + 2 * 0.02**2 over 1 + 2 degrees of freedom.
    assert found["spread"][2] == pytest.approx(np.sqrt((2 * 0.005**2 + 2 * 0.02**2) / 3), rel=1e-9)


@pytest.mark.parametrize(("factor", "flagged"), [(4.95, False), (5.05, True)])
def test_distance_is_held_against_five_usual_spreads(factor, flagged):
    quiet = [-0.01, 0.01] * 6
    rows = pd.DataFrame({
        "run": [f"r{k}" for k in range(13)], "metric": "avg_fps", "card": "c", "bench": "", "purpose": "measure",
        "value": np.exp([*quiet, 0.0]), "step": 0.0, "cell": 0, "of_game": 0,
    })  # fmt: skip
    spread = distance_from_peers(rows)["spread"][12]
    assert spread == pytest.approx(np.sqrt(12 / 11) * 0.01)
    rows.loc[12, "value"] = np.exp(0.01 + factor * spread)
    assert is_flagged(rows.assign(**distance_from_peers(rows)), 5.0).tolist() == [False] * 12 + [flagged]


@given(st.permutations(range(12)), st.floats(0.5, 200))
def test_flags_depend_neither_on_row_order_nor_on_the_unit(order, factor):
    rng = np.random.default_rng(3)
    value = 100 * np.exp(0.004 * rng.standard_normal(12))
    value[5] *= 0.93
    rows = pd.DataFrame({
        "run": [f"r{k}" for k in range(12)], "metric": "avg_fps", "card": "c", "bench": "", "purpose": "measure",
        "value": value, "step": 0.0, "cell": np.arange(12) // 4, "of_game": 0,
    })  # fmt: skip
    rows = rows.iloc[list(order)].assign(value=lambda frame: frame["value"] * factor).reset_index(drop=True)
    flagged = rows[is_flagged(rows.assign(**distance_from_peers(rows)), 5.0)]
    assert flagged["run"].tolist() == ["r5"]


def test_typed_values_one_step_apart_are_not_flagged():
    rows = pd.DataFrame({
        "run": list("abcdef"), "metric": "avg_fps", "card": "c", "bench": "", "purpose": "measure",
        "value": [100.0, 100, 101, 90, 90, 90], "step": 1.0, "cell": [0, 0, 0, 1, 1, 1], "of_game": 0,
    })  # fmt: skip
    assert not is_flagged(rows.assign(**distance_from_peers(rows)), 5.0).any()


def test_single_runs_are_never_flagged():
    rows = pd.DataFrame({
        "run": ["a", "b"], "metric": "avg_fps", "card": "c", "bench": "", "purpose": "measure",
        "value": [100.0, 50.0], "step": 0.0, "cell": [0, 1], "of_game": 0,
    })  # fmt: skip
    assert not is_flagged(rows.assign(**distance_from_peers(rows)), 5.0).any()


@given(st.lists(st.tuples(st.integers(0, 3), st.one_of(st.floats(-5, 5), st.just(np.nan))), max_size=12))
def test_median_of_others_is_the_median_without_the_value(rows):
    group = np.array([row[0] for row in rows], dtype=int)
    values = np.array([row[1] for row in rows], dtype=float)
    for place, found in enumerate(median_of_others(values, group)):
        others = [values[k] for k in range(len(rows)) if k != place and group[k] == group[place]]
        others = [value for value in others if not np.isnan(value)]
        expected = np.median(others) if others and not np.isnan(values[place]) else np.nan
        assert found == pytest.approx(expected, nan_ok=True)


def test_usual_spread_is_that_of_the_runs_and_hardly_moved_by_one_outlier():
    rng = np.random.default_rng(11)
    values, group = 0.01 * rng.standard_normal(4000), np.arange(4000) // 5
    values[::100] += 1.0
    assert usual_spread(values, group) == pytest.approx(0.01, rel=0.15)
