"""A table that would give no rows is refused, with the names that the plan does not have."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from pandas.testing import assert_frame_equal
from small_folder import write_small_review

import gpubench_kit as kit
from gpubench_kit.model.errors import DesignError, TableError
from gpubench_kit.model.plan.sections import Setting

DATA = Path(__file__).parents[2] / "data"


@pytest.fixture(scope="module")
def review(tmp_path_factory):
    """Return a small review, read, checked and compared."""
    folder = write_small_review(tmp_path_factory.mktemp("review") / "small")
    return kit.review(folder, count_look=False)


# find_tuning, gather_archive and the like take a folder: run sheets are held against the plan as they are read.
STEPS = {
    "estimate_noise": kit.estimate_noise,
    "compare_tunings": kit.compare_tunings,
    "compare_over_games": kit.compare_over_games,
}
each_step = pytest.mark.parametrize("step", STEPS.values(), ids=STEPS)


@each_step
@pytest.mark.parametrize("column", ["tuning", "game", "metric", "value"])
def test_a_column_that_is_missing_is_named(step, column, review):
    with pytest.raises(TableError, match=rf"table 'usable': column '{column}' is missing"):
        step(review.usable.drop(columns=column), review.plan)


@each_step
def test_every_unknown_name_is_told_with_the_names_of_the_plan(step, review):
    table = review.usable.replace({"quiet": "silent", "Larkmoor 4": "Larkmoor 5", "Salt Orchard": "Salt Orchards"})
    with pytest.raises(TableError) as raised:
        step(table, review.plan)
    tuning, card, game = raised.value.faults
    assert "game 'Salt Orchards' is not in the plan (games: 'Salt Orchard')" in str(game)
    wanted = "table 'usable': tuning 'silent' is not in the plan (tunings: 'factory', 'quiet')."
    assert str(tuning).startswith(wanted)
    assert "card 'Larkmoor 5' is not in the plan (cards: 'Larkmoor 4')" in str(card)


def test_a_further_game_is_told_too_since_it_would_be_compared(review):
    further = review.usable.assign(game="Copper Monsoon", run=review.usable["run"] + "b")
    table = pd.concat([review.usable, further], ignore_index=True)
    with pytest.raises(TableError, match="game 'Copper Monsoon' is not in the plan"):
        kit.compare_over_games(table, review.plan)


@each_step
@pytest.mark.parametrize("name", ["brisk", ""])
def test_a_further_tuning_is_told_too_since_it_would_be_left_out_without_a_word(step, name, review):
    further = review.usable[review.usable["tuning"] == "quiet"]
    further = further.assign(tuning=name, run=further["run"] + "b")
    table = pd.concat([review.usable, further], ignore_index=True)
    wanted = f"table 'usable': tuning '{name}' is not in the plan \\(tunings: 'factory', 'quiet'\\)"
    with pytest.raises(TableError, match=wanted):
        step(table, review.plan)


def test_looks_are_opened_for_runs_of_the_review_alone(review):
    with pytest.raises(TableError, match="table 'usable': column 'run', 'card' is missing"):
        kit.open_looks(review.plan, review.usable.drop(columns=["run", "card"]))
    with pytest.raises(TableError, match="table 'usable': tuning 'silent' is not in the plan"):
        kit.open_looks(review.plan, review.usable.replace("quiet", "silent"))


def test_some_of_the_runs_will_do(review):
    part = review.usable[review.usable["round"] < 4][["run", "card", "tuning", "game", "metric", "value", "round"]]
    assert len(kit.compare_tunings(part, review.plan)) == 1


@pytest.mark.parametrize("name", ["comparisons", "overall"])
def test_claims_are_held_against_results_of_the_review_alone(name, review):
    tables = {"comparisons": review.comparisons, "overall": review.overall}
    tables[name] = tables[name].replace({"of_tuning": {"quiet": "silent"}})
    with pytest.raises(TableError, match=f"table '{name}': tuning 'silent' is not in the plan"):
        kit.check_claims(tables["comparisons"], tables["overall"], review.plan)


@pytest.mark.parametrize("name", ["comparisons", "overall"])
def test_claims_are_held_against_whole_tables_alone(name, review):
    tables = {"comparisons": review.comparisons, "overall": review.overall}
    tables[name] = tables[name].drop(columns="verdict")
    with pytest.raises(TableError, match=f"table '{name}': column 'verdict' is missing"):
        kit.check_claims(tables["comparisons"], tables["overall"], review.plan)


def test_runs_are_checked_by_tables_of_their_own_review_alone(review):
    other = review.run_metrics.assign(run="x" + review.run_metrics["run"])
    with pytest.raises(TableError, match=r"table 'run_metrics': run 'xr.*' is not in the review"):
        kit.check_review(review.logs, other, review.plan)
    with pytest.raises(TableError, match="table 'run_metrics': column 'value' is missing"):
        kit.exclude_runs(review.logs, review.run_metrics.drop(columns="value"), review.findings)
    with pytest.raises(TableError, match="table 'findings': column 'severity' is missing"):
        kit.exclude_runs(review.logs, review.run_metrics, review.findings.drop(columns="severity"))


def own_table(review, *left_out: str) -> pd.DataFrame:
    """Return the frame rates of a review as somebody would keep them, less some columns."""
    columns = ["run", "card", "bench", "tuning", "game", "setting", "metric", "value", "round", "order"]
    own = review.usable[review.usable["metric"] == "avg_fps"][columns]
    return own.drop(columns=list(left_out))


@each_step
def test_a_run_given_twice_is_named_since_it_would_count_twice(step, review):
    own = own_table(review)
    first = own["run"].iloc[0]
    with pytest.raises(TableError, match=rf"run '{first}', .* is given more than once; one row per run and metric"):
        step(pd.concat([own, own]), review.plan)


@pytest.mark.parametrize(
    ("column", "value", "message"),
    [
        ("value", "abc", "column 'value' holds 'abc'; a number is expected"),
        ("round", "abc", "column 'round' holds 'abc'; a number is expected"),
        ("used", "yes", "column 'used' holds 'yes'; true or false is expected"),
        ("value", float("nan"), "no row has a value that counts"),
        ("used", False, "no row has a value that counts"),
        ("purpose", "measured", r"purpose 'measured' is not known .* Did you mean 'measure'\?"),
        ("metric", "avg_fsp", r"metric 'avg_fsp' is not known .* Did you mean 'avg_fps'\?"),
    ],
)
@each_step
def test_what_would_give_no_rows_or_a_traceback_is_named(step, column, value, message, review):
    with pytest.raises(TableError, match=message):
        step(own_table(review).assign(**{column: value}), review.plan)


@each_step
def test_a_setting_is_held_against_a_plan_that_names_some(step, review):
    games = [one.model_copy(update={"settings": (Setting(name="high"),)}) for one in review.plan.games]
    plan = review.plan.model_copy(update={"games": tuple(games)})
    assert len(step(own_table(review).assign(setting="high"), plan))
    with pytest.raises(TableError, match=r"setting '4k' is not in the plan \(settings: 'high'\)"):
        step(own_table(review).assign(setting="4k"), plan)


def test_a_column_that_the_plan_tells_is_filled_in(review):
    bench = review.plan.benches[0].model_copy(update={"name": "desk"})
    setting = Setting(name="high", group="demanding")
    games = tuple(one.model_copy(update={"settings": (setting,)}) for one in review.plan.games)
    plan = review.plan.model_copy(update={"benches": (bench,), "games": games})
    whole = own_table(review).assign(bench="desk", setting="high", group="demanding")
    wanted = kit.compare_tunings(whole, plan)
    assert_frame_equal(kit.compare_tunings(own_table(review, "bench", "setting"), plan), wanted)
    assert list(wanted["group"].unique()) == ["demanding"]


def test_a_column_that_the_plan_leaves_open_is_missing(review):
    benches = tuple(review.plan.benches[0].model_copy(update={"name": name}) for name in ("desk", "shelf"))
    games = tuple(
        one.model_copy(update={"settings": (Setting(name="a"), Setting(name="b"))}) for one in review.plan.games
    )
    for column, held in (("bench", {"benches": benches}), ("setting", {"games": games})):
        with pytest.raises(TableError, match=f"column '{column}' is missing"):
            kit.compare_tunings(own_table(review, column), review.plan.model_copy(update=held))


@pytest.mark.parametrize("step", [kit.compare_tunings, kit.compare_over_games])
def test_runs_of_one_side_alone_are_told_of(step, review):
    own = own_table(review)
    quiet = own[own["tuning"] == "quiet"]
    message = r"no pair of the plan has runs .* \(tunings in the table: 'quiet'; metrics: 'avg_fps'\)"
    with pytest.raises(DesignError, match=message):
        step(quiet, review.plan)
    assert step(quiet, review.plan, may_be_empty=True).empty


def test_values_of_all_runs_give_what_the_review_gives(review):
    assert_frame_equal(kit.compare_tunings(review.metrics, review.plan), review.comparisons)
    # A run that was left out is in the table, and counts as little as in the report.
    spoilt = review.metrics.copy()
    further = spoilt[spoilt["tuning"] == "quiet"].assign(value=1.0, used=False)
    further["run"] += " again"
    spoilt = pd.concat([spoilt, further], ignore_index=True)
    assert_frame_equal(kit.compare_tunings(spoilt, review.plan), review.comparisons)
    assert_frame_equal(kit.compare_over_games(spoilt, review.plan), review.overall)
    assert_frame_equal(kit.estimate_noise(spoilt, review.plan), review.noise)


def test_what_is_only_likely_is_withheld_as_in_the_report(review):
    own = own_table(review).assign(certainty="likely")
    (row,) = kit.compare_tunings(own, review.plan).itertuples()
    assert (row.verdict, row.reason) == ("no_verdict", "format_not_confirmed")


def test_ten_games_give_the_report_again_from_all_runs():
    review = kit.review(DATA / "ten_games", count_look=False)
    assert not review.metrics["used"].all()
    assert_frame_equal(kit.compare_tunings(review.metrics, review.plan), review.comparisons)
    assert_frame_equal(kit.compare_over_games(review.metrics, review.plan), review.overall)
