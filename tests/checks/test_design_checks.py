"""Checks of the evening as a whole."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from gpubench_kit.logs.match_files import order_done
from gpubench_kit.statistics.design import estimate_drift

REFERENCE = Path(__file__).parents[1] / "reference"


def test_order_that_no_clock_shows_is_noted(small):
    small.spoil(None, order_known=False)
    (finding,) = small.find("order_not_verified", "clock_set_back", "order_not_as_planned")
    assert finding.check == "order_not_verified"
    assert "order as planned, not verified" in finding.message


def test_the_order_of_pilot_runs_needs_no_clock(small):
    for run in ("r01", "r02"):
        small.spoil(run, purpose="pilot", order_known=False)
    assert small.find("order_not_verified", "clock_set_back", "order_not_as_planned") == []
    small.spoil("r03", order_known=False)
    assert len(small.find("order_not_verified")) == 1
    small.spoil(None, purpose="pilot")
    assert len(small.find("order_not_verified")) == 1


def test_pilot_runs_without_a_clock_leave_the_order_of_the_others_known():
    runs = pd.DataFrame({
        "run": ["p1", "r1", "r2"], "purpose": ["pilot", "measure", "measure"], "is_recorded": True,
        "order": [1, 2, 3], "started_at": ["", "2026-11-29 18:31:00", "2026-11-29 18:30:00"],
    }).assign(card="Larkmoor 4", bench="")  # fmt: skip
    columns = ["run", "clock_start_s", "other_clock_start_s", "clock_kind", "clock_from", "duration_s"]
    facts = pd.DataFrame(columns=columns).astype({"clock_start_s": float, "other_clock_start_s": float})
    done, known = order_done(runs, facts)
    assert (done.tolist(), known.tolist()) == ([1, 2, 1], [False, True, True])
    assert not order_done(runs.assign(purpose="measure"), facts)[1].any()
    assert not order_done(runs[:1], facts)[1].any()


def test_tunings_that_the_named_pairs_leave_out_are_told_with_the_line_to_add(small):
    tunings = [{"name": "factory", "reference": True}, {"name": "quiet"}, {"name": "brisk"}, {"name": "idle"}]
    small.set_plan(tunings=tunings)
    small.spoil("r01", tuning="brisk")
    assert small.find("not_compared") == []
    pair = {"of": {"tuning": "quiet"}, "against": {"tuning": "factory"}}
    small.set_plan(tunings=tunings, comparisons=[pair])
    (finding,) = small.find("not_compared")
    assert "in none of them: 'brisk vs factory'." in finding.message, "idle was not measured"
    line = 'of = { card = "Larkmoor 4", tuning = "brisk" } against = { card = "Larkmoor 4", tuning = "factory" }'
    assert finding.action.endswith(line)
    tunings[2]["changes"] = {"voltage_mv": -50}
    small.set_plan(tunings=tunings, comparisons=[pair], sweep={"ladder": "voltage_mv"})
    assert small.find("not_compared") == [], "steps of a ladder are the sweep's"


def test_a_run_of_a_session_that_was_over_is_named(small):
    small.spoil(None, session="one")
    assert small.find("session_resumed") == []
    for run in small.runs["run"][8:]:
        small.spoil(run, session="two")
    assert small.find("session_resumed") == []
    small.spoil("r12", session="one")
    (finding,) = small.find("session_resumed")
    assert (finding.run, finding.found) == ("r12", 1)
    assert finding.message.startswith("Session 'one' has 1 run done after session 'two' had begun ('r12'):")
    small.spoil("r12", order_known=False)
    assert small.find("session_resumed") == []


def test_order_done_as_planned_passes(small):
    assert small.find("order_not_verified", "clock_set_back", "order_not_as_planned") == []


def test_two_runs_done_in_each_others_place_are_named(small):
    small.spoil("r03", order_done=4)
    small.spoil("r04", order_done=3)
    (finding,) = small.find("order_not_verified", "clock_set_back", "order_not_as_planned")
    assert (finding.check, finding.found) == ("order_not_as_planned", 2)
    assert "2 runs of 16" in finding.message
    assert "'r03'" in finding.message


def test_clock_set_back_within_the_evening_is_told_and_no_other_order(small):
    starts = 36_000.0 + 405 * np.arange(16)
    starts[10:] -= 3600
    for run, start in zip(small.runs["run"], starts.tolist(), strict=True):
        small.spoil(run, clock_start_s=start, clock_kind="dated", clock_from="frame_log")
    small.spoil("r11", clock_start_s=starts[1] + 20)
    (finding,) = small.find("order_not_verified", "clock_set_back", "order_not_as_planned")
    assert (finding.check, finding.found) == ("clock_set_back", 6)
    assert "run 'r11'" in finding.message
    assert "set back by an hour" in finding.message


def test_review_without_recorded_runs_has_no_order(small):
    small.spoil(None, is_recorded=False)
    assert small.find("order_not_verified", "clock_set_back", "order_not_as_planned") == []


def _always_first(small, rounds):
    """Let factory come first in a number of rounds of each game; the other rounds alternate."""
    done = 0
    for (_, round_), same in small.runs.groupby(["game", "round"], sort=False):
        names = ["factory", "quiet"] if round_ <= rounds or round_ % 2 else ["quiet", "factory"]
        for name in names:
            done += 1
            small.spoil(same.loc[same["tuning"] == name, "run"].iloc[0], order_done=done)


def test_one_tuning_first_in_every_round_is_noted(small):
    _always_first(small, 4)
    (finding,) = small.find("same_order_every_time")
    assert (finding.check, finding.found) == ("same_order_every_time", 8)
    assert "'factory' came before 'quiet' in every one of 8 rounds" in finding.message


def test_one_round_the_other_way_round_is_enough(small):
    _always_first(small, 3)
    assert small.find("same_order_every_time") == []


def test_few_rounds_of_one_order_may_be_chance(small):
    _always_first(small, 4)
    small.spoil(None, purpose="pilot")
    for run in small.runs["run"][:10]:
        small.spoil(run, purpose="measure")
    assert small.find("same_order_every_time") == []


def _drift(small, pct_per_run):
    for place, row in enumerate(small.runs.itertuples()):
        small.put(row.run, "board_w", small.value(row.run, "board_w") * (1 + pct_per_run / 100) ** place)


@pytest.mark.parametrize(("pct_per_run", "count"), [(0.3, 1), (-0.3, 1), (0.0, 0)])
def test_visible_drift_is_noted_for_its_metric(small, pct_per_run, count):
    _drift(small, pct_per_run)
    findings = small.find("drift")
    assert [finding.check for finding in findings] == ["drift"] * count
    for finding in findings:
        assert finding.found == pytest.approx(pct_per_run, abs=0.06)
        assert "board power drifts by" in finding.message
        assert "per run" in finding.message


def test_drift_below_the_limit_of_the_plan_passes(small):
    small.set_plan(checks={"drift_pct_per_run": 0.5})
    _drift(small, 0.3)
    assert small.find("drift") == []


def test_drift_that_may_be_chance_passes(small):
    small.set_plan(checks={"drift_pct_per_run": 0.0001})
    assert small.find("drift") == []


@pytest.mark.parametrize("case", ["a_tidy", "c_rounds"])
def test_slope_agrees_with_r(case):
    runs = pd.read_csv(REFERENCE / "runs" / f"{case}.csv")
    expected = pd.read_csv(REFERENCE / "drift.csv", comment="#").set_index(["case", "metric"])
    cell = runs.groupby(["game", "tuning"]).ngroup().to_numpy()
    for metric in ("avg_fps", "low_1pct_fps"):
        found = estimate_drift(
            np.log(runs[metric].to_numpy()),
            runs["order"].to_numpy(float),
            cell=cell,
            family=np.zeros(len(runs), int),
        )
        row = expected.loc[(case, metric)]
        assert found.slope[0] == pytest.approx(row["slope_log_per_run"], rel=1e-6, abs=1e-14)
        assert found.p[0] == pytest.approx(row["p"], rel=1e-5)


def test_first_run_after_a_patch_is_named(small):
    small.spoil(None, game_version="1.4")
    for run in ("r09", "r10", "r13", "r14"):
        small.spoil(run, game_version="1.5")
    (finding,) = small.find("game_patched")
    assert (finding.check, finding.run) == ("game_patched", "r09")
    assert "from version '1.4' to '1.5'" in finding.message


def test_one_version_or_none_passes(small):
    assert small.find("game_patched") == []
    small.spoil(None, game_version="1.4")
    assert small.find("game_patched") == []


def test_rule_that_needs_launches_says_where_they_are_missing(small):
    small.set_plan(exclude={"warm_up_runs_per_launch": 1})
    assert small.find("launch_not_given") == []
    small.spoil("r02", launch="")
    (finding,) = small.find("launch_not_given")
    assert "1 measured run ('r02')" in finding.message


def test_launches_are_not_asked_for_without_the_rule(small):
    small.spoil("r02", launch="")
    assert small.find("launch_not_given") == []


def _shift(small, pct, *, tunings=("factory", "quiet"), after=3, game="Salt Orchard"):
    """Raise the frame rate of a game from a round on."""
    for row in small.runs.itertuples():
        if row.game == game and row.round >= after and row.tuning in tunings:
            small.put(row.run, "avg_fps", small.value(row.run, "avg_fps") * (1 + pct / 100))


def test_a_game_patched_in_mid_evening_is_named_with_its_first_run_after(small):
    _shift(small, 6.0)
    (finding,) = small.find("game_shifted")
    first = small.runs.query("game == 'Salt Orchard' and round == 3")["run"].iloc[0]
    assert (finding.severity, finding.check, finding.run) == ("note", "game_shifted", "")
    assert finding.found == pytest.approx(6.0, abs=1.0)
    assert f"from run '{first}' on" in finding.message
    assert "'Salt Orchard'" in finding.message


@pytest.mark.parametrize(
    "spoil",
    [
        pytest.param(lambda small: _shift(small, 0.0), id="nothing"),
        pytest.param(lambda small: _shift(small, 2.0), id="below the limit"),
        pytest.param(lambda small: _shift(small, 6.0, tunings=("quiet",)), id="one tuning only"),
        pytest.param(
            lambda small: (_shift(small, 6.0, tunings=("quiet",)), _shift(small, -6.0, tunings=("factory",))),
            id="opposite ways",
        ),
        pytest.param(
            lambda small: small.set_plan(checks={"patch_pct": 8.0}) or _shift(small, 6.0), id="plan's limit"
        ),
    ],
)
def test_what_is_no_shift_of_a_whole_game_passes(small, spoil):
    spoil(small)
    assert small.find("game_shifted") == []


def test_a_shift_within_the_noise_of_runs_passes(small):
    rng = np.random.default_rng(4)
    for row in small.runs.itertuples():
        small.put(row.run, "avg_fps", small.value(row.run, "avg_fps") * np.exp(0.02 * rng.standard_normal()))
    _shift(small, 6.0)
    assert small.find("game_shifted") == []


def test_tunings_measured_one_after_the_other_show_no_shift(small):
    place = small.runs["tuning"].eq("quiet") * 100 + np.arange(len(small.runs))
    small.runs["order_done"] = pd.array(place.rank().astype(int), "Int64")
    _shift(small, 6.0, tunings=("quiet",), after=1)
    assert small.find("game_shifted") == []


def test_a_change_of_version_in_the_sheet_is_told_once(small):
    _shift(small, 6.0)
    for row in small.runs.itertuples():
        small.spoil(row.run, game_version="1.1" if row.round >= 3 else "1.0")
    assert small.find("game_shifted") == []
