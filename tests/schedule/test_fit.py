"""An evening that fits its time: what is left out, in which order, and what then cannot be said."""

import shutil
from pathlib import Path

import pytest
from extended_sheet import extend_run_sheet

from gpubench_kit.model.errors import DesignError
from gpubench_kit.model.plan import load_plan
from gpubench_kit.page.planning import left_out_lead
from gpubench_kit.schedule.make import make_schedule

#: Times without waits, so that sums are plain: one minute a run and nothing else.
BARE = {"scene_s": 60.0, "launch_s": 0.0, "tuning_change_s": 0.0, "settle_s": 0.0, "restart_s": 0.0}
THREE = ("factory", "quiet", "brisk")


def test_time_is_the_sum_of_what_the_plan_states(folder):
    evening = {"minutes": 999.0, "scene_s": 60.0, "launch_s": 200.0, "tuning_change_s": 10.0, "settle_s": 100.0}
    schedule = make_schedule(folder(4, session_plan=evening).plan)
    assert schedule.minutes == pytest.approx(4 * (200 + 100 + 8 * (60 + 10)) / 60)
    starts = schedule.visits["starts_s"]
    assert list(starts) == pytest.approx([place * 860 for place in range(4)])


def test_the_default_plan_is_four_rounds_of_everything(folder):
    schedule = make_schedule(folder(6, THREE, session_plan={**BARE, "minutes": 72.0}).plan)
    assert len(schedule.rows) == 6 * 3 * 4
    assert not schedule.dropped
    assert schedule.minutes == pytest.approx(72)
    assert schedule.messages == (
        "4 rounds, the default: the noise of this test setup is not known yet, so chances below use typical "
        "values.",
    )


def test_a_plan_with_a_ladder_is_told_that_rounds_of_the_search_are_added_by_hand(tmp_path):
    shutil.copytree(Path(__file__).parents[2] / "data" / "limit_sweep", tmp_path / "limit_sweep")
    told = make_schedule(load_plan(tmp_path / "limit_sweep" / "plan.toml")).messages
    assert told[-1].startswith("Rounds that the search proposes are added by hand;")


def test_tunings_that_are_no_must_go_first(folder):
    schedule = make_schedule(folder(6, THREE, session_plan={**BARE, "minutes": 71.0}).plan)
    assert [one.what for one in schedule.dropped] == ["Tuning “brisk”"]
    assert schedule.dropped[0].then == "Nothing new can be said about “brisk”."
    assert set(schedule.rows["tuning"]) == {"factory", "quiet"}
    assert schedule.full_minutes == pytest.approx(72)


def test_a_session_too_short_for_two_cards_names_more_time_before_what_is_left_out(folder):
    cards = [{"name": "Larkmoor 4"}, {"name": "Fernholt 3", "role": "rival"}]
    made = folder(8, ("factory",), cards=cards, session_plan={**BARE, "minutes": 130.0})
    schedule = make_schedule(made.plan)
    assert schedule.dropped
    lead = left_out_lead(schedule)
    assert "with 3 installations of each card" in lead
    assert lead.index("raise minutes") < lead.index("left out, in this order")
    one = make_schedule(folder(6, session_plan={**BARE, "minutes": 40.0}).plan)
    assert "installation" not in left_out_lead(one)


def test_must_have_keeps_a_tuning_and_rounds_go_instead(folder):
    evening = {**BARE, "minutes": 71.0, "must_have": ["quiet", "brisk"]}
    schedule = make_schedule(folder(6, THREE, session_plan=evening).plan)
    assert [one.what for one in schedule.dropped] == ["Round 4 of every game"]
    assert len(schedule.rows) == 6 * 3 * 3


def test_games_that_decide_nothing_go_before_rounds_but_six_stay(folder):
    made = folder(8, session_plan={**BARE, "minutes": 56.0})
    for place in (1, 2, 3):
        made.sections["games"][place]["settings"] = [{"frame_limit_fps": 60.0}]
    schedule = make_schedule(made.plan)
    assert [one.what for one in schedule.dropped] == ["Game Glass Tundra"]
    assert "a frame limit is declared" in schedule.dropped[0].then
    made.sections["session_plan"]["minutes"] = 40.0
    what = [one.what for one in make_schedule(made.plan).dropped]
    assert what == ["Game Glass Tundra", "Game Copper Monsoon", "Round 4 of every game"]


def test_a_noisy_game_that_decides_nothing_goes_with_the_rounds_it_would_need(folder):
    made = folder(7, session_plan={**BARE, "minutes": 999.0})
    values = {"Salt Orchard": (90, 100, 110)}
    rows = [
        f"p{place}-{number},factory,{game['name']},pilot,,,,{value}"
        for place, game in enumerate(made.sections["games"])
        for number, value in enumerate(values.get(game["name"], (99.9, 100, 100.1)))
    ]
    made.write_sheet(*rows)
    whole = make_schedule(made.plan)
    made.sections["session_plan"]["minutes"] = whole.minutes - 1
    schedule = make_schedule(made.plan)
    assert [one.what for one in schedule.dropped] == ["Game Salt Orchard"]
    assert "it needs more than 16 to settle 2.0 %" in schedule.dropped[0].then


def test_rounds_stop_at_three_and_further_games_go_from_the_end(folder):
    schedule = make_schedule(folder(8, session_plan={**BARE, "minutes": 40.0}).plan)
    what = [one.what for one in schedule.dropped]
    assert what == ["Round 4 of every game", "Game Kestrel Parish", "Game Ninefold Keep"]
    assert schedule.rows.groupby("game")["round"].max().eq(3).all()
    assert "none can borrow" not in " ".join(one.then for one in schedule.dropped)
    assert (
        make_schedule(folder(8, session_plan={**BARE, "minutes": 30.0}).plan)
        .dropped[-1]
        .then.endswith("With fewer than 6 games none can borrow noise from the others.")
    )


def test_an_evening_too_short_for_anything_is_refused(folder):
    with pytest.raises(DesignError, match=r"5 min were found; even 3 rounds of Low Tide Racers .* need 6 min"):
        make_schedule(folder(8, session_plan={**BARE, "minutes": 5.0}).plan)


@pytest.mark.parametrize("n_games", [1, 40])
def test_one_game_and_forty_games_are_planned(folder, n_games):
    schedule = make_schedule(folder(n_games).plan)
    assert 0 < schedule.minutes <= 180
    assert len(schedule.rows)


@pytest.mark.parametrize(("spread", "rounds"), [(0.0, 3), (0.6, 3), (1.0, 6)])
def test_a_pilot_sets_the_rounds_of_every_game(folder, spread, rounds):
    made = folder(6, session_plan={**BARE, "minutes": 500.0}, analysis={"metrics": ["avg_fps"], "adjust": "none"})
    steps = (-1.0, 1.0, 0.0)
    made.write_sheet(*(
        f"p{place}{n},factory,{game['name']},pilot,,,,{100 + step * spread}"
        for place, game in enumerate(made.sections["games"]) for n, step in enumerate(steps)
    ))  # fmt: skip
    schedule = make_schedule(made.plan)
    assert abs(schedule.rows.groupby("game")["round"].max() - rounds).max() <= 1
    assert schedule.rows.groupby("game")["round"].max().nunique() == 1
    assert "rounds follow from the noise found before" in schedule.messages[0]


def test_rounds_stay_as_planned_while_they_are_recorded(folder):
    made = folder(6, session_plan={**BARE, "minutes": 36.0})
    made.write_sheet()
    extend_run_sheet(make_schedule(made.plan).rows, made.plan)
    made.record(noise=0.03)
    made.sections["session_plan"]["minutes"] = 500.0
    assert set(make_schedule(made.plan).rows["round"]) == {4}


def test_typical_noise_is_no_reason_for_more_rounds(folder):
    made = folder(1, analysis={"metrics": ["low_1pct_fps"], "primary": "low_1pct_fps"})
    made.sections["session_plan"] = {**BARE, "minutes": 500.0}
    assert len(make_schedule(made.plan).rows) == 8
