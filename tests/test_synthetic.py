"""Made-up reviews, one row per run: order, effects, noise."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated_runs import LAYOUTS, Design, Noise, make_review

from gpubench_kit.model.errors import DesignError
from gpubench_kit.model.tables import USABLE

QUIET_BENCH = Noise(run_pct=0.0)


def _log_values(runs: pd.DataFrame) -> pd.DataFrame:
    """Return natural logs, one column per tuning, one row per suite, game, session and round."""
    keys = ["group", "game", "session", "round"]
    return np.log(runs.pivot(index=keys, columns="tuning", values="value"))


def test_columns_are_those_of_the_usable_table_with_unique_runs():
    runs = make_review({"factory": 0.0, "quiet": -1.0}, Design(suites=3), seed=2)
    assert set(runs.columns) <= set(USABLE.names)
    assert runs["run"].is_unique
    assert len(runs) == 3 * 10 * 5 * 2
    assert {name: str(runs[name].dtype) for name in ("round", "order", "value", "game")} == {
        "round": "Int64", "order": "Int64", "value": "float64", "game": "str",
    }  # fmt: skip


def test_the_same_seed_gives_the_same_table_and_another_seed_another():
    effects = {"factory": 0.0, "quiet": -1.0}
    pd.testing.assert_frame_equal(make_review(effects, seed=5), make_review(effects, seed=5))
    assert not np.allclose(make_review(effects, seed=5)["value"], make_review(effects, seed=6)["value"])


def test_without_noise_the_values_hold_the_effects_exactly():
    runs = make_review({"factory": 0.0, "quiet": [-1.0, 3.0]}, Design(games=2), noise=QUIET_BENCH)
    change = 100 * np.expm1((_log_values(runs)["quiet"] - _log_values(runs)["factory"]).groupby("game").mean())
    np.testing.assert_allclose(change, [-1.0, 3.0])


def test_run_noise_and_its_spread_over_games_are_as_stated():
    design = Design(games=1, rounds=50, suites=400)
    alike = _log_values(make_review({"factory": 0.0}, design, noise=Noise(run_pct=0.6, games_df=np.inf)))
    assert 100 * alike["factory"].groupby("group").std().mean() == pytest.approx(0.6, rel=0.02)
    # The mean of 1 / sigma^2 over games is that of chi2_4 / 4, which is 1; 1 / s^2 is nu / (nu - 2) as large.
    many = Design(games=1, rounds=50, suites=3000)
    spread = _log_values(make_review({"factory": 0.0}, many, noise=Noise(run_pct=0.6), seed=3))["factory"]
    sds = 100 * spread.groupby("group").std()
    assert (1 / sds**2).mean() * 0.6**2 * 47 / 49 == pytest.approx(1.0, rel=0.05)
    assert sds.max() / sds.min() > 3


@pytest.mark.parametrize(
    ("noise", "shared_by"),
    [
        (Noise(run_pct=0.0, round_pct=0.4), ["group", "game", "round"]),
        (Noise(run_pct=0.0, change_pct=0.4), ["group", "tuning_change"]),
        (Noise(run_pct=0.0, session_pct=0.4), ["group", "session"]),
    ],
    ids=["round", "tuning change", "session"],
)
def test_an_offset_is_shared_by_exactly_the_runs_it_belongs_to(noise, shared_by):
    layout = "restarts" if "session" in shared_by else "shared-rounds"
    runs = make_review({"factory": 0.0, "b": 0.0}, Design(rounds=6, suites=300, layout=layout), noise=noise)
    offset = np.log(runs["value"]) - np.log(runs["value"]).groupby(runs["game"]).transform("mean")
    per_unit = offset.groupby([runs[name] for name in shared_by]).agg(["first", "std"])
    assert per_unit["std"].max() < 1e-12
    assert 100 * per_unit["first"].std() == pytest.approx(0.4, rel=0.05)


def test_drift_changes_each_run_by_the_stated_percentage():
    noise = Noise(run_pct=0.0, drift_pct_per_run=-0.2)
    runs = make_review({"factory": 0.0, "b": 0.0}, Design(games=1), noise=noise).sort_values("order")
    np.testing.assert_allclose(np.diff(np.log(runs["value"])), -0.002)


def test_factors_on_noise_act_on_their_tuning_and_game_alone():
    noise = Noise(games_df=np.inf, by_tuning={"loud": 0.0}, by_game=(1.0, 0.0))
    logs = _log_values(make_review({"factory": 0.0, "loud": 0.0}, Design(games=2), noise=noise))
    spread = logs.groupby("game").std()
    assert spread.loc["game 01", "factory"] > 0
    assert spread.loc["game 01", "loud"] == 0
    assert spread.loc["game 02"].max() == 0


def test_noise_may_differ_between_suites():
    noise = Noise(games_df=np.inf, by_game=np.array([[1.0, 0.0], [0.0, 1.0]]))
    logs = _log_values(make_review({"factory": 0.0}, Design(games=2, suites=2), noise=noise))
    spread = logs["factory"].groupby(["group", "game"]).std().to_numpy()
    assert (spread > 0).tolist() == [True, False, False, True]


def test_two_tunings_alternate_in_rounds_and_start_at_random():
    runs = make_review({"a": 0.0, "b": 0.0}, Design(games=1, rounds=6, suites=200)).sort_values("order")
    first = runs.drop_duplicates(["group", "round"]).pivot(index="group", columns="round", values="tuning")
    assert (first[1] == first[3]).all()
    assert (first[1] != first[2]).all()
    assert 60 < (first[1] == "a").sum() < 140


@pytest.mark.parametrize("layout", LAYOUTS)
@given(games=st.integers(1, 4), blocks=st.integers(1, 3), each=st.integers(1, 3), tunings=st.integers(1, 4))
@settings(max_examples=15, deadline=None)
def test_each_run_has_one_place_of_its_own(layout, games, blocks, each, tunings):
    design = Design(games=games, rounds=blocks * each, suites=2, layout=layout, blocks=blocks)
    runs = make_review({f"t{number}": 0.0 for number in range(tunings)}, design)
    assert runs["order"].tolist() == list(range(1, len(runs) + 1))
    assert not runs.duplicated(["group", "game", "session", "round", "tuning"]).any()
    # One tuning change is one tuning in unbroken succession.
    starts = (runs["tuning_change"] != runs["tuning_change"].shift()).sum()
    assert starts == runs["tuning_change"].nunique()
    assert (runs.groupby("tuning_change")["tuning"].nunique() == 1).all()


def test_restarts_interleave_the_blocks_of_two_tunings():
    runs = make_review({"a": 0.0, "b": 0.0}, Design(games=1, rounds=6, layout="restarts"))
    assert runs.drop_duplicates("session")["tuning"].tolist() == ["a", "b", "b", "a", "a", "b"]


def test_confounded_runs_come_in_one_block_per_tuning():
    runs = make_review({"a": 0.0, "b": 0.0}, Design(layout="confounded"))
    assert runs.drop_duplicates("session")["tuning"].tolist() == ["a", "b"]


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: Design(layout="shuffled"), "layout 'shuffled' is not known"),
        (lambda: Design(rounds=5, layout="restarts"), "5 rounds do not divide into 3 blocks"),
        (lambda: make_review({"a": [1.0, 2.0]}, Design(games=3)), "'a' has 2 numbers for 3 games"),
    ],
)
def test_a_design_that_cannot_be_made_is_refused_with_its_numbers(call, says):
    with pytest.raises(DesignError, match=says):
        call()
