"""Levels of looks at verdicts, and what later looks make of what earlier ones gave."""

import numpy as np
import pandas as pd
import pytest
from run_tables import make_plan, run_table

from gpubench_kit.sheet.looks import open_looks
from gpubench_kit.statistics.compare import compare_over_games, compare_tunings
from gpubench_kit.statistics.looks import level_of_look, level_of_looks


def levels_of(**analysis):
    return [level_of_look(make_plan(**analysis), look) for look in range(1, 6)]


def test_two_planned_looks_have_four_levels_and_no_fifth():
    assert levels_of(looks=2) == pytest.approx([0.04, 0.015, 0.01, 0.01, np.nan], nan_ok=True)


def test_a_single_planned_look_has_the_whole_level_and_a_second_one_little():
    assert levels_of(looks=1) == pytest.approx([0.05, 0.015, 0.01, 0.01, np.nan], nan_ok=True)


@pytest.mark.parametrize(("looks", "level"), [(3, 0.020), (4, 0.0175), (5, 0.012), (8, 0.012)])
def test_more_planned_looks_share_one_level(looks, level):
    plan = make_plan(looks=looks)
    assert [level_of_look(plan, look) for look in range(1, looks + 1)] == [level] * looks
    assert np.isnan(level_of_look(plan, looks + 1))


def test_another_confidence_scales_every_level():
    assert levels_of(looks=2, confidence=0.99)[:3] == pytest.approx([0.008, 0.003, 0.002])
    assert levels_of(looks=1, confidence=0.9)[:2] == pytest.approx([0.1, 0.03])
    assert level_of_look(make_plan(looks=3, confidence=0.99), 1) == pytest.approx(0.004)


def test_too_many_looks_keep_the_last_level_for_the_numbers():
    assert level_of_looks(make_plan(looks=2), looks_made=5) == (0.01, True)
    assert level_of_looks(make_plan(looks=4), looks_made=5) == (0.0175, True)
    assert level_of_looks(make_plan(looks=2)) == (0.04, False)


GAMES = ("Low Tide Racers", "Salt Orchard", "Copper Monsoon")
ORDER = "A1 B1 B2 A2 A3 B3 B4 A4 A5 B5 B6 A6"


def runs_of(rounds, *, effects=(0.0, 0.03, 0.006), noise=0.004, **columns):
    """Return runs of three games in so many rounds; the first are always the same."""
    tables = [
        run_table(ORDER, seed=place + 1, effect=effect, noise=noise, game=game)
        for place, (game, effect) in enumerate(zip(GAMES, effects, strict=True))
    ]
    table = pd.concat(tables, ignore_index=True)
    return table[table["round"] <= rounds].assign(run_id="r" + table["run"], corrected="", **columns)


def look_at(folder, runs, *, record=True, **analysis):
    """Return comparisons and overall results at a look, by game and metric; it is written down."""
    plan = make_plan(**{"looks": 2, "adjust": "none"} | analysis)
    plan._folder = folder
    looks = open_looks(plan, runs)
    games = compare_tunings(runs, looks.plan, looks=looks)
    overall = compare_over_games(runs, looks.plan, looks=looks)
    if record:
        looks.record(games, overall)
    return games.set_index("game"), overall.set_index("scope").loc["these_games"]


def test_what_a_look_gave_is_judged_at_its_level_and_the_rest_at_that_of_the_present_look(tmp_path):
    first, whole = look_at(tmp_path, runs_of(4))
    given = {game for game in GAMES if first.at[game, "verdict"] != "undecided"}
    assert 0 < len(given) < 3, "the case has to give something and leave something open"
    assert set(first["confidence"].round(9)) == {0.96}
    later, whole_later = look_at(tmp_path, runs_of(6))
    for game, row in later.iterrows():
        is_kept = game in given and row["verdict"] == first.at[game, "verdict"]
        level = 0.04 if is_kept else 0.015
        if row["verdict"] != "undecided":
            assert row["confidence"] == pytest.approx(1 - level), game
        question = "p_difference" if row["verdict"] not in ("same_within_margin", "undecided") else "p_equivalence"
        assert row[f"{question}_adjusted"] == pytest.approx(min(1, row[question] * 0.04 / level)), game
    # The page's only member with .8 of the level: found at the first look, so at .04 now.
    assert {whole["verdict"], whole_later["verdict"]} <= {"better", "better_but_small"}
    assert (whole["confidence"], whole_later["confidence"]) == pytest.approx((1 - 0.04 * 0.8, 1 - 0.04 * 0.8))


def test_the_other_direction_is_no_verdict_that_was_given(tmp_path):
    look_at(tmp_path, runs_of(4, effects=(0.03, 0.03, 0.03)))
    turned = runs_of(6, effects=(0.03, 0.03, 0.03))
    new = turned["round"] > 4
    turned.loc[new, "value"] *= np.where(turned.loc[new, "tuning"] == "quiet", 0.6, 1.0)
    later, _ = look_at(tmp_path, turned)
    assert (later["change"] < 0).all()
    assert later["p_difference_adjusted"].tolist() == pytest.approx(
        np.minimum(1, later["p_difference"] * 0.04 / 0.015).tolist()
    )


def test_a_game_with_the_same_runs_keeps_its_verdict_whatever_the_others_do(tmp_path):
    first, _ = look_at(tmp_path, runs_of(4), adjust="fdr_bh")
    more = pd.concat([runs_of(4), runs_of(6).query("round > 4 and game != 'Salt Orchard'")])
    more.loc[more["game"] != "Salt Orchard", "value"] = (
        100.0 + np.arange((more["game"] != "Salt Orchard").sum()) % 7
    )
    later, _ = look_at(tmp_path, more, adjust="fdr_bh")
    assert later.at["Salt Orchard", "verdict"] == first.at["Salt Orchard", "verdict"] == "better"
    assert later.at["Salt Orchard", "reason"] == "given_at_earlier_look"
    assert "given_at_earlier_look" not in set(later.drop("Salt Orchard")["reason"])


def test_a_run_taken_away_is_a_look_and_costs_the_level_that_rested_on_it(tmp_path):
    look_at(tmp_path, runs_of(6))
    fewer = runs_of(6)
    fewer = fewer[~((fewer["game"] == "Salt Orchard") & (fewer["round"] == 6))]
    later, _ = look_at(tmp_path, fewer)
    row = later.loc["Salt Orchard"]
    assert row["p_difference_adjusted"] == pytest.approx(min(1, row["p_difference"] * 0.04 / 0.015))
    assert later.at["Copper Monsoon", "reason"] == "given_at_earlier_look"


def test_a_number_changed_without_a_reason_gives_the_weaker_verdict_and_with_one_its_own(tmp_path):
    first, _ = look_at(tmp_path, runs_of(4))
    assert first.at["Low Tide Racers", "verdict"] != "better"
    changed = runs_of(4)
    better = (changed["game"] == "Low Tide Racers") & (changed["tuning"] == "quiet")
    changed.loc[better, "value"] *= 1.05
    row = look_at(tmp_path, changed)[0].loc["Low Tide Racers"]
    assert row["reason"].startswith("changed_value:better/")
    assert row["verdict"] in ("undecided", "better_but_small")
    changed.loc[better, "corrected"] = "typed from the wrong column"
    assert look_at(tmp_path, changed)[0].at["Low Tide Racers", "verdict"] == "better"


def test_another_margin_is_judged_anew_and_another_list_of_metrics_never_eases_a_level(tmp_path):
    one = runs_of(4, effects=(0.0, 0.0, 0.0), noise=0.002)
    both = pd.concat([one, one.assign(metric="low_1pct_fps")])
    _, whole = look_at(tmp_path, both, metrics=["avg_fps", "low_1pct_fps"])
    assert whole["share"].tolist() == [0.4, 0.4]
    more = runs_of(6, effects=(0.0, 0.0, 0.0), noise=0.002)
    later, whole_later = look_at(tmp_path, more, metrics=["avg_fps"], margin_pct=1.5, record=False)
    assert whole_later["share"] == 0.4, "alone it would have 0.8"
    assert later["p_equivalence_adjusted"].tolist() == pytest.approx(
        np.minimum(1, later["p_equivalence"] * 0.04 / 0.015).tolist()
    )
    by_margin, _ = look_at(tmp_path, more, metrics=["avg_fps"], record=False)
    assert (by_margin["verdict"] == "same_within_margin").any()
    given = by_margin["verdict"] == "same_within_margin"
    assert by_margin.loc[given, "p_equivalence_adjusted"].tolist() == pytest.approx(
        by_margin.loc[given, "p_equivalence"].tolist()
    )


@pytest.mark.parametrize(("looks", "levels"), [(1, (0.05, 0.015)), (2, (0.04, 0.015)), (4, (0.0175, 0.0175))])
def test_two_looks_at_nothing_find_something_no_more_often_than_promised(tmp_path, looks, levels):
    # One game each: what the memory gives is what a plain rule gives, look by look.
    plan = make_plan(looks=looks, adjust="none")
    assert tuple(level_of_look(plan, look) for look in (1, 2)) == pytest.approx(levels)
    found = []
    for seed in range(10):
        folder = tmp_path / str(seed)
        folder.mkdir()
        whole = run_table(ORDER, seed=seed, effect=0.008, noise=0.006)
        whole = whole.assign(run_id=whole["run"], corrected="")
        p = []
        for rounds in (4, 6):
            games, _ = look_at(folder, whole[whole["round"] <= rounds], looks=looks)
            p.append(games["p_difference"].iloc[0])
        is_real = games["verdict"].iloc[0] not in ("undecided", "same_within_margin")
        level = levels[0] if p[0] <= levels[0] else levels[1]
        assert is_real == (p[1] <= level)
        found.append(is_real)
    assert 0 < sum(found) < 10
