"""A table that would give no rows is refused, with the names that the plan does not have."""

from __future__ import annotations

import pandas as pd
import pytest
from small_folder import write_small_review

import gpubench_kit as kit
from gpubench_kit.model.errors import TableError


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
