"""How often two equal cards are called different, and two unlike ones are found, by how they were installed.

Ten games; noise of a run 0.6 % (by game as in ``promises.csv``), installations that vary by 0.3 %.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from made_rivals import OURS, RIVAL
from run_tables import make_plan
from simulated_runs import Design, Noise, make_review

from gpubench_kit.statistics.compare import compare_over_games, compare_tunings

SUITES, GAMES, SPREAD = 1000, 10, 0.3


def rivals(effect_pct: float, *, layout: str, rounds: int, blocks: int = 1, seed: int) -> pd.DataFrame:
    """Return suites in which two cards take turns; every installation is a session."""
    design = Design(games=GAMES, rounds=rounds, suites=SUITES, layout=layout, blocks=blocks)
    made = make_review({RIVAL: 0.0, OURS: effect_pct}, design, noise=Noise(session_pct=SPREAD), seed=seed)
    return made.assign(card=made["tuning"], tuning="factory", model=made["tuning"], tuning_change="")


def plan(**analysis):
    """Return a plan of a card and its rival."""
    cards = [{"name": OURS}, {"name": RIVAL, "role": "rival"}]
    return make_plan(("factory",), cards=cards, adjust="none", **analysis)


def found(rows: pd.DataFrame) -> float:
    """Return the share of intervals without zero [%]."""
    return 100 * float(((rows["ci_low"] > 0) | (rows["ci_high"] < 0)).mean())


def these_games(runs: pd.DataFrame, **analysis) -> pd.DataFrame:
    """Return the results over the games of each suite."""
    overall = compare_over_games(runs, plan(**analysis))
    return overall[overall["scope"] == "these_games"]


@pytest.mark.slow
def test_cards_installed_in_turns_are_called_different_in_5_of_100_reviews():
    runs = rivals(0.0, layout="restarts", rounds=6, blocks=3, seed=41)
    assert set(compare_tunings(runs.head(2000), plan())["layout"]) == {"restarts"}
    assert found(these_games(runs)) == pytest.approx(5.0, abs=1.7)
    assert found(compare_tunings(runs, plan())) == pytest.approx(5.0, abs=1.0)


@pytest.mark.slow
def test_runs_taken_for_the_unit_would_find_far_too_much():
    """The control: each run as an installation of its own, which it was not."""
    runs = rivals(0.0, layout="restarts", rounds=6, blocks=3, seed=41)
    apart = runs.assign(session=runs["session"] + "-" + runs["run"])
    assert 7.0 <= found(compare_tunings(apart, plan())) <= 11.0
    over = np.log1p(compare_tunings(apart, plan()).set_index("group")["change"] / 100).groupby("group").mean()
    error = (compare_tunings(apart, plan()).set_index("group")["se"] ** 2).groupby("group").sum() / GAMES**2
    assert 100 * float((over.abs() > 2 * np.sqrt(error)).mean()) > 25.0


@pytest.mark.slow
@pytest.mark.parametrize(("blocks", "rounds", "power"), [(2, 6, 56.0), (3, 6, 83.0)])
def test_two_percent_is_found_as_often_as_promised_by_the_number_of_installations(blocks, rounds, power):
    runs = rivals(2.0, layout="restarts", rounds=rounds, blocks=blocks, seed=43)
    games = compare_tunings(runs, plan())
    assert set(games["df"].dropna()) == {2 * (blocks - 1)}
    assert found(games) == pytest.approx(power, abs=3.0)


@pytest.mark.slow
def test_a_card_measured_once_and_widened_by_the_true_spread_errs_in_5_of_100_reviews():
    runs = rivals(0.0, layout="confounded", rounds=5, seed=47)
    stated = {"restart_spread": {"avg_fps": SPREAD, "restarts": 0}}
    rows = these_games(runs, **stated)
    judged = rows[rows["verdict"] != "no_verdict"]
    assert set(judged["reason"]) == {"assumed_restart_spread; installed_once"}
    assert set(rows["reason"]) - set(judged["reason"]) <= {"drift_visible"}
    assert found(rows) == pytest.approx(5.0, abs=1.7)
    assert found(compare_tunings(runs, plan(**stated))) == pytest.approx(5.0, abs=1.0)


@pytest.mark.slow
def test_a_spread_assumed_too_small_errs_more_often_and_none_gives_no_verdict():
    runs = rivals(0.0, layout="confounded", rounds=5, seed=47)
    assert 11.0 <= found(these_games(runs, restart_spread={"avg_fps": 0.2, "restarts": 0})) <= 19.0
    assert set(these_games(runs)["verdict"]) == {"no_verdict"}
