"""From runs to answers: the lowest power, the most efficient setting, what was not shown and why."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from made_sweeps import LOSSES, POWERS, STEPS, crashed, made_sweep, step_name, sweep_plan

from gpubench_kit.model.table_checks import check_table
from gpubench_kit.statistics.compare import compare_tunings
from gpubench_kit.statistics.testing import Uncertainty, half_width, one_sided_p
from gpubench_kit.sweep.answers import SWEEP_TABLES

LAST_GOOD = "limit -20"


def answer_of(found):
    """Return the only answer."""
    return found.answers.iloc[0]


def row_of(found, tuning: str):
    """Return the row of a setting."""
    return found.settings.set_index("tuning").loc[tuning]


def test_all_tables_are_as_declared(found):
    for name, declared in SWEEP_TABLES.items():
        check_table(found.tables[name], declared)


def test_the_lowest_power_is_the_last_step_that_passed(found):
    answer = answer_of(found)
    passed = found.settings[found.settings["is_inside"].fillna(False).astype(bool)]
    assert answer.lowest_tuning == passed.loc[passed["at"].idxmin(), "tuning"]
    assert step_name(answer.inner) == answer.lowest_tuning
    assert row_of(found, answer.lowest_tuning)["loss_at_most"] < 2.0


def test_changes_and_p_values_are_those_of_any_other_comparison(made, found):
    games = compare_tunings(made.usable, made.plan).query("metric == 'avg_fps'")
    for step in STEPS:
        row, of_step = row_of(found, step_name(step)), games[games["of_tuning"] == step_name(step)]
        change, error = np.log1p(of_step["change"] / 100).mean(), of_step["own_se"] ** 2 / len(of_step) ** 2
        found_noise = Uncertainty(error.sum(), error.sum() ** 2 / (error**2 / of_step["own_df"]).sum())
        wide, inner = (half_width(level, found_noise) for level in (0.05, 0.10))
        ends = 100 * np.expm1([change, change - wide, change + wide, change - inner])
        assert [row["fps_change"], row["fps_ci_low"], row["fps_ci_high"], -row["loss_at_most"]] == pytest.approx(
            ends
        )
        assert row["p_non_inferiority"] == pytest.approx(one_sided_p(change - np.log(0.98), found_noise))


def test_true_changes_lie_inside_the_intervals(found):
    rows = [row_of(found, step_name(step)) for step in STEPS]
    inside = [
        row["fps_ci_low"] - 0.3 < loss < row["fps_ci_high"] + 0.3 for row, loss in zip(rows, LOSSES, strict=True)
    ]
    assert all(inside)
    assert [row["power_change"] for row in rows] == pytest.approx(POWERS, abs=0.8)


def test_the_most_efficient_has_the_least_energy_and_is_in_its_own_set(found):
    best = answer_of(found)["most_efficient_tuning"]
    assert best == found.settings.set_index("tuning")["energy_per_frame_j"].idxmin()
    assert row_of(found, best)["may_be_most_efficient"]


def test_equal_settings_cannot_be_told_from_the_most_efficient():
    found = made_sweep((-5, -10), (0.0, 0.0), (-8.0, -8.0)).find()
    kept = found.settings.set_index("tuning")["may_be_most_efficient"]
    assert kept[["limit -5", "limit -10"]].all()
    assert not kept["factory"]


def test_the_fitted_curve_follows_the_truth(found):
    curve = found.curves.query("metric == 'avg_fps'").set_index("at")["change"]
    assert [curve[step] for step in STEPS] == pytest.approx(LOSSES, abs=0.5)
    assert answer_of(found)["fits"]


def test_energy_is_the_ratio_of_power_and_frame_rate_along_the_curve(found):
    curves = found.curves.pivot(index="at", columns="metric", values="change").dropna()
    ratio = 100 * ((1 + curves["board_w"] / 100) / (1 + curves["avg_fps"] / 100) - 1)
    assert curves["energy_per_frame_j"].to_numpy() == pytest.approx(ratio.to_numpy())


def test_the_band_of_energy_holds_the_truth_and_is_made_of_both_bands(found):
    curves = {metric: rows.set_index("at") for metric, rows in found.curves.groupby("metric")}
    energy, power, rate = (curves[name] for name in ("energy_per_frame_j", "board_w", "avg_fps"))
    for step, loss, watts in zip(STEPS, LOSSES, POWERS, strict=True):
        truth = 100 * ((1 + watts / 100) / (1 + loss / 100) - 1)
        row = energy.loc[step]
        assert row["ci_low"] < truth < row["ci_high"]
        least = 100 * ((1 + power.loc[step, "ci_low"] / 100) / (1 + rate.loc[step, "ci_high"] / 100) - 1)
        assert row["ci_low"] == pytest.approx(least)


def test_two_curves_share_the_level_so_that_their_bands_hold_together(made, found):
    alone = replace(made, usable=made.usable[made.usable["metric"] == "avg_fps"]).find()
    both = [one.curves.query("metric == 'avg_fps'").set_index("at") for one in (found, alone)]
    widths = [(one["ci_high"] - one["ci_low"]).loc[list(STEPS)] for one in both]
    assert (widths[0] > widths[1]).all()


def test_readings_lie_on_the_curves_and_inside_their_ranges(found):
    rows = found.readings
    assert set(rows["reading"]) == {"rate_at_power", "power_at_loss"}
    assert (rows["ci_low"] <= rows["value"] + 1e-9).all()
    assert (rows["ci_high"] >= rows["value"] - 1e-9).all()
    factory = row_of(found, "factory")
    two = rows[(rows["reading"] == "power_at_loss") & (rows["given"] == 2.0)].iloc[0]
    true = factory["board_w"] * np.interp(-2.0, LOSSES[::-1], [1 + one / 100 for one in POWERS[::-1]])
    assert two["value"] == pytest.approx(true, rel=0.02)


def test_a_setting_that_crashed_is_not_the_answer_and_its_rate_is_bounded(made):
    found = crashed(made, LAST_GOOD, 2).find()
    assert answer_of(found)["lowest_tuning"] == "limit -15"
    row = row_of(found, LAST_GOOD)
    assert (row["runs_failed"], row["runs_tried"]) == (2, 17)
    # Clopper and Pearson, 2 of 17.
    assert row["failing_runs_at_most"] == pytest.approx(32.62, abs=0.01)


def test_nothing_beyond_a_setting_that_failed_is_named(made):
    found = crashed(made, "limit -10", 1).find()
    assert row_of(found, LAST_GOOD)["is_inside"]
    assert answer_of(found)["lowest_tuning"] == "limit -5"
    assert answer_of(found)["most_efficient_tuning"] == "limit -5"


def test_every_setting_failed_leaves_the_factory_state(made):
    for step in STEPS:
        made = crashed(made, step_name(step), 1)
    answer = answer_of(made.find())
    assert answer["lowest_tuning"] == "factory"
    assert answer["most_efficient_tuning"] == "factory"


def test_failures_without_hours_give_no_rate_per_hour(made):
    found = crashed(made, LAST_GOOD, 1).find()
    assert np.isnan(row_of(found, LAST_GOOD)["failures_per_hour_at_most"])
    told = " ".join(found.failures["Larkmoor 4", LAST_GOOD].sentences)
    assert "no rate per hour can be given" in told


def test_hours_without_failures_bound_the_rate_and_never_say_stable():
    plan = sweep_plan(stability=[{"hours": 12, "failures": 0}])
    found = made_sweep(plan=plan).find()
    assert row_of(found, LAST_GOOD)["failures_per_hour_at_most"] == pytest.approx(2.9957 / 12, rel=1e-4)
    assert found.failures["Larkmoor 4", LAST_GOOD].sentences == (
        "0 failures in 12 hours: fewer than 1 per 4 hours with 95 % confidence.",
    )


def test_failures_in_stability_tests_rule_a_setting_out():
    found = made_sweep(plan=sweep_plan(stability=[{"hours": 3, "failures": 1}])).find()
    assert answer_of(found)["lowest_tuning"] == "factory"


def test_one_run_per_setting_tests_nothing_and_asks_for_rounds():
    found = made_sweep(rounds=1).find()
    assert found.settings["p_non_inferiority"].isna().all()
    assert set(found.settings["reason"]) == {"", "one_run"}
    assert answer_of(found)["lowest_tuning"] == "factory"
    assert found.proposals["tuning"].iloc[0] == "limit -5"
    assert found.proposals["rounds"].iloc[0] == 2


def test_one_setting_beside_the_factory_state_is_tested_without_a_knee():
    found = made_sweep((-10,), (-0.3,), (-7.0,)).find()
    answer = answer_of(found)
    assert answer["lowest_tuning"] == "limit -10"
    assert np.isnan(answer["knee"])
    assert found.proposals["at"].tolist() == [-20.0]


def test_two_settings_only_are_searched():
    found = made_sweep((-10, -20), (-0.3, -6.0), (-7.0, -17.0)).find()
    assert answer_of(found)["lowest_tuning"] == "limit -10"
    assert answer_of(found)["outer"] == -20


def test_a_sweep_that_is_not_monotone_keeps_its_tests_and_loses_its_curve():
    found = made_sweep(STEPS, (-0.1, -0.3, -6.0, -0.2, -3.2, -5.4), POWERS).find()
    answer = answer_of(found)
    assert not answer["fits"]
    assert found.curves.query("metric == 'avg_fps'")["ci_low"].isna().all()
    # −20 would pass alone; the step before it did not, so it is not reached.
    assert answer["lowest_tuning"] == "limit -10"
    assert not row_of(found, "limit -20")["is_tested"]


def test_a_setting_without_a_game_that_others_have_cannot_pass(made):
    kept = ~((made.usable["tuning"] == "limit -10") & (made.usable["game"] == "game 02"))
    found = replace(made, usable=made.usable[kept]).find()
    assert row_of(found, "limit -10")["reason"] == "games_missing"
    assert answer_of(found)["lowest_tuning"] == "limit -5"


def test_games_limited_by_the_processor_cannot_hide_a_loss():
    limited = ("card", "processor", "processor")
    games = [{"name": f"game {number:02d}", "limited_by": one} for number, one in enumerate(limited, start=1)]
    plan = sweep_plan(changes={"games": games})
    made = made_sweep((-10,), (0.0,), (-7.0,), plan=replace_steps(plan))
    usable = made.usable.copy()
    lost = (usable["tuning"] == "limit -10") & (usable["game"] == "game 01") & (usable["metric"] == "avg_fps")
    usable.loc[lost, "value"] *= 0.96
    row = row_of(replace(made, usable=usable).find(), "limit -10")
    assert row["loss_at_most"] < 2.0
    assert not row["is_inside"]


def replace_steps(plan):
    """Return the plan with one step only."""
    return plan.model_copy(update={"tunings": plan.tunings[:1] + plan.tunings[2:3]})


def test_without_power_there_is_an_answer_but_no_readings(made):
    found = replace(made, usable=made.usable[made.usable["metric"] == "avg_fps"]).find()
    assert answer_of(found)["lowest_tuning"] == LAST_GOOD
    assert not len(found.readings)
    assert answer_of(found)["most_efficient_tuning"] == ""


def test_no_usable_run_gives_empty_tables(made):
    found = replace(made, usable=made.usable.head(0)).find()
    assert all(len(table) == 0 for table in found.tables.values())


def test_more_looks_make_the_level_stricter_and_too_many_end_the_tests(made):
    assert answer_of(made.find(looks_made=2))["level"] == 0.015
    many = made.find(looks_made=9)
    assert many.too_many_looks
    assert answer_of(many)["lowest_tuning"] == "factory"
    assert answer_of(many)["stop"] == "too_many_looks"


def test_the_order_of_the_rows_does_not_matter(made, found):
    shuffled = made.usable.sample(frac=1, random_state=3).reset_index(drop=True)
    again = replace(made, usable=shuffled).find()
    pd.testing.assert_frame_equal(again.settings, found.settings)
    pd.testing.assert_frame_equal(again.answers, found.answers)


def test_a_flagged_run_counts_on_the_weaker_side(made):
    usable = made.usable.assign(flagged=False)
    first = usable[(usable["tuning"] == LAST_GOOD) & (usable["metric"] == "avg_fps")].index[0]
    usable.loc[first, ["value", "flagged"]] = [usable.loc[first, "value"] * 1.2, True]
    with_it = replace(made, usable=usable.assign(flagged=False)).find()
    weaker = replace(made, usable=usable).find()
    assert row_of(weaker, LAST_GOOD)["p_non_inferiority"] >= row_of(with_it, LAST_GOOD)["p_non_inferiority"]


def test_runs_that_do_not_differ_at_all_give_changes_and_no_test(made):
    usable = made.usable.copy()
    usable["value"] = usable.groupby(["tuning", "game", "metric"])["value"].transform("first").round(1)
    found = replace(made, usable=usable).find()
    assert set(found.settings["reason"]) == {"", "no_spread"}
    assert found.settings["fps_change"].notna().sum() == len(STEPS)
    assert answer_of(found)["lowest_tuning"] == "factory"


def stepped(change: str, steps, powers, **given):
    """Return the plan and the made-up sweep of a ladder over any change, nothing lost at any step."""
    ladder = [{"name": step_name(one), "changes": {change: one}} for one in steps]
    tunings = [{"name": "factory", "reference": True}, *ladder]
    plan = sweep_plan(steps, changes={"tunings": tunings, "sweep": {"ladder": change}})
    return made_sweep(steps, (0.0,) * len(steps), powers, plan=plan, run_pct=0.2, **given)


@pytest.mark.parametrize("powers", [(3.0, 6.0), (-3.0, -6.0)], ids=["more power", "less power measured"])
def test_a_rising_ladder_never_has_its_lowest_power_beyond_the_factory_state(powers):
    found = stepped("voltage_mv", (15, 30), powers).find()
    assert answer_of(found)["n_inside"] == 2
    assert answer_of(found)["lowest_tuning"] == "factory"
    assert answer_of(found)["stop"] == "end"
    assert not len(found.proposals)


def test_the_factory_state_competes_with_settings_that_draw_more_than_it():
    found = stepped("voltage_mv", (-15, -30), (2.0, 4.0)).find()
    assert answer_of(found)["n_inside"] == 2
    assert answer_of(found)["lowest_tuning"] == "factory"


def test_beyond_the_last_step_a_falling_ladder_goes_on_with_a_caution():
    found = stepped("voltage_mv", (-15, -30), (-4.0, -8.0)).find()
    (row,) = found.proposals.itertuples()
    assert (row.at, row.is_beyond_ladder, row.near_failures) == (-45, True, "")


def test_a_failure_next_to_a_proposal_is_named_with_it():
    made = made_sweep((-5, -10, -25, -30), (0.0, 0.0, -3.0, -5.4), (-3.0, -7.0, -22.0, -27.0), run_pct=0.2)
    found = crashed(made, "limit -25", 2).find()
    assert len(found.proposals)
    assert (found.proposals["at"] > -25).all()
    new = found.proposals[found.proposals["tuning"] == ""]
    assert set(new["near_failures"]) == {"limit -25"}


def test_a_first_look_tests_at_five_percent_however_many_looks_are_planned(made):
    levels = {}
    for looks, made_so_far in ((1, 1), (2, 1), (2, 2)):
        plan = made.plan.__class__.from_dict(_with_looks(made.plan, looks))
        levels[looks, made_so_far] = replace(made, plan=plan).find(looks_made=made_so_far).answers["level"].iloc[0]
    assert levels[1, 1] == levels[2, 1] == pytest.approx(0.05)
    assert levels[2, 2] < 0.05


def _with_looks(plan, looks: int) -> dict:
    """Return the sections of the plan of a made-up sweep, with so many looks."""
    tunings = [{"name": one.name, "reference": one.reference, "changes": dict(one.changes)} for one in plan.tunings]
    return {
        "review": {"title": plan.review.title},
        "cards": [{"name": "Larkmoor 4", "power_measured_at": "board_sensor"}],
        "tunings": tunings, "games": [{"name": one.name} for one in plan.games],
        "sweep": {"ladder": "power_limit_pct"}, "analysis": {"looks": looks},
    }  # fmt: skip
