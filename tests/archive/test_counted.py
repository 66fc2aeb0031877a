"""Typed runs in two reviews: the same count once, and different ones with the same numbers count both."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from made_reports import MadeReport, write_report

from gpubench_kit.archive.archive import Archive, gather_archive
from gpubench_kit.archive.gather import mark_repeated
from gpubench_kit.archive.store import Store
from gpubench_kit.model.tables import RUN_METRICS, RUNS

#: Two tunings, three games, four rounds: 24 runs, typed with two decimals, which hardly agree by chance.
TYPED = MadeReport(games=3, rounds=4, rounds_per_session=2, decimals=2)


def _archive(folder, first: pd.DataFrame, second: pd.DataFrame, made: MadeReport = TYPED) -> Archive:
    """Return the archive of two reviews with typed runs, a month apart."""
    for number, values in enumerate((first, second), start=1):
        review = dataclasses.replace(made, title=f"Review {number}", date=f"2026-0{number}-01")
        write_report(folder / f"r{number}", review, seed=number, values=values)
    return gather_archive(folder)


def _told(archive: Archive) -> dict[str, str]:
    """Return the message of each check."""
    return dict(zip(archive.findings["check"], archive.findings["message"], strict=True))


def test_typed_runs_that_two_reviews_hold_count_once_in_the_earlier_and_that_is_said(tmp_path):
    values = TYPED.values(1)
    archive = _archive(tmp_path, values, values)
    assert list(archive.reviews["n_runs"]) == [24, 24]
    assert list(archive.reviews["n_counted"]) == [24, 0]
    place = tmp_path.name
    told = f"{place}/r2: 24 runs are also in {place}/r1, so each counts once, there."
    assert _told(archive) == {"same_run_twice": told}
    noise = archive.run_noise
    assert set(noise.loc[noise["scope"] == "all", "n"]) == {8}


@pytest.mark.parametrize("reports", [2, 3])
def test_several_reports_of_the_same_runs_decide_each_game_once(tmp_path, reports):
    values = TYPED.values(1)
    for number in range(1, reports + 1):
        review = dataclasses.replace(TYPED, title=f"Review {number}", date=f"2026-0{number}-01")
        write_report(tmp_path / f"r{number}", review, seed=number, values=values)
    games = gather_archive(tmp_path).games
    assert set(games["n_comparisons"]) == {1}
    assert set(games["n_reviews"]) == {1}


def test_reports_of_other_runs_decide_each_on_their_own(tmp_path):
    old, new = TYPED.values(1), TYPED.values(2)
    assert set(_archive(tmp_path, old, new).games["n_comparisons"]) == {2}


def test_of_a_review_that_takes_over_the_runs_of_one_tuning_the_others_count(tmp_path):
    old, new = TYPED.values(1), TYPED.values(2)
    taken = pd.concat([old[old["tuning"] == "factory"], new[new["tuning"] == "quiet"]])
    taken = taken.assign(run=[f"n{number}" for number in range(len(taken))])
    archive = _archive(tmp_path, old, taken)
    assert list(archive.reviews["n_counted"]) == [24, 12]
    assert "r2: 12 runs are also in" in _told(archive)["same_run_twice"]


def test_other_runs_are_not_merged_and_a_single_agreement_is_passed_over(tmp_path):
    old, new = TYPED.values(1), TYPED.values(2)
    place = ["tuning", "game", "round"]
    agreeing = new.set_index(place)["value"]
    agreeing.loc["factory", "game 01", 1] = old.set_index(place)["value"].loc["factory", "game 01", 1]
    archive = _archive(tmp_path, old, new.assign(value=agreeing.to_numpy()))
    assert list(archive.reviews["n_counted"]) == [24, 24]
    assert _told(archive) == {}


def test_whole_numbers_of_a_steady_game_agree_by_chance_so_both_count_and_that_is_said(tmp_path):
    steady = dataclasses.replace(TYPED, decimals=0, noise_pct=0.05, restart_pct=0.0)
    old, new = steady.values(1), steady.values(2)
    assert (old["value"].to_numpy() == new["value"].to_numpy()).mean() > 0.9
    archive = _archive(tmp_path, old, new, steady)
    assert list(archive.reviews["n_counted"]) == [24, 24]
    told = _told(archive)
    assert set(told) == {"same_numbers_twice"}
    assert "the same numbers as in" in told["same_numbers_twice"]
    assert told["same_numbers_twice"].endswith("That may be chance, so they count in both.")


def test_nothing_is_known_of_numbers_whose_last_decimal_is_not(tmp_path):
    unknown = dataclasses.replace(TYPED, decimals=None)
    values = unknown.values(1)
    archive = _archive(tmp_path, values, values, unknown)
    assert list(archive.reviews["n_counted"]) == [24, 24]
    assert set(_told(archive)) == {"same_numbers_twice"}


def _store(folder, reviews: list[pd.DataFrame]) -> Store:
    """Return the tables of reviews with typed runs, as far as it matters which runs count."""
    store = Store(folder / "parquet")
    runs = [RUNS.frame(values.assign(used=True)).assign(review=f"v{one}") for one, values in enumerate(reviews)]
    metrics = [RUN_METRICS.frame(values).assign(review=f"v{one}") for one, values in enumerate(reviews)]
    names = [f"v{one}" for one in range(len(reviews))]
    store.keep("runs", pd.concat(runs))
    store.keep("run_metrics", pd.concat(metrics))
    store.keep("reviews", pd.DataFrame({"review": names, "place": names, "place_in_time": range(len(names))}))
    return store


@pytest.mark.parametrize(("rounds", "repeated"), [(6, 0), (8, 8)])
def test_so_many_agreements_are_needed_as_chance_would_not_give(tmp_path, rounds, repeated):
    # 99.5 and 100.5 in turn: standard deviation 0.53 % (of six 0.55 %), so two runs typed with one decimal agree
    # with a chance of at most 0.5 * 0.1 / 0.53 = 0.094 (0.091). Six in a row: 0.548^6 / 6! = 3.8e-5, above 1e-5;
    # eight: 0.748^8 / 8! = 2.4e-6.
    value = 100 + 0.5 * (-1.0) ** np.arange(rounds)
    runs = pd.DataFrame(
        {"run": [f"r{one}" for one in range(rounds)], "card": "Larkmoor 4", "bench": "desk", "tuning": "factory",
         "game": "Salt Orchard", "purpose": "measure", "round": np.arange(rounds) + 1, "metric": "avg_fps",
         "value": value, "step": 0.1}
    )  # fmt: skip
    store = _store(tmp_path, [runs, runs])
    checks = {one.check for one in mark_repeated(store)}
    assert len(store.ask("SELECT * FROM repeated")) == repeated
    assert checks == {"same_run_twice" if repeated else "same_numbers_twice"}


def test_of_forty_small_reviews_of_one_steady_card_no_run_is_taken_for_another(tmp_path):
    # 780 pairs of reviews, nine runs of each tuning: some pairs agree in half of them.
    made = MadeReport(games=3, rounds=3, noise_pct=0.15, restart_pct=0.0, decimals=1)
    reviews = [made.values(seed) for seed in range(40)]
    store = _store(tmp_path, reviews)
    findings = mark_repeated(store)
    assert len(store.ask("SELECT * FROM repeated")) == 0
    assert len(findings) > 10
    assert {one.check for one in findings} == {"same_numbers_twice"}


def test_runs_without_a_round_are_told_apart_by_their_numbers(tmp_path):
    values = TYPED.values(1).assign(round=pd.NA)
    store = _store(tmp_path, [values, values, TYPED.values(2).assign(round=pd.NA)])
    mark_repeated(store)
    repeated = store.ask("SELECT review, other, count(*) AS n FROM repeated GROUP BY ALL")
    assert repeated.to_numpy().tolist() == [["v1", "v0", 24]]
