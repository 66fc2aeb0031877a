"""Pauses of different length before rounds: with them the clock of a sensor log is proven in an even evening."""

from itertools import groupby

import numpy as np
import pytest
from extended_sheet import extend_run_sheet

from gpubench_kit.logs.one_clock import find_one_clock
from gpubench_kit.page.planning import plan_time
from gpubench_kit.page.printed_sheet import printed_sheet
from gpubench_kit.schedule.make import make_schedule
from gpubench_kit.schedule.order import visits_of

WATTS = {"analysis": {"metrics": ["avg_fps", "board_w"]}, "session_plan": {"minutes": 9000.0}}


def test_where_watts_are_asked_for_each_round_begins_with_a_pause_of_its_own(folder):
    rows = make_schedule(folder(**WATTS).plan).rows
    firsts = rows.groupby(["game", "round"], sort=False)["pause_s"].first().tolist()
    assert min(firsts) >= 3
    assert all(len(set(firsts[place : place + 7])) == 7 for place in range(0, len(firsts) - 6, 7))
    assert firsts[:7] != firsts[7:14]
    assert set(rows.loc[rows["pause_s"] > 0, "note"].str.replace(r"\d+", "n", regex=True)) == {"pause n s first"}
    assert all(len(list(same)) <= 3 for paused, same in groupby(rows["pause_s"], key=bool) if not paused)


def test_without_sensors_nothing_is_paused(folder):
    made = make_schedule(folder(analysis={"metrics": ["avg_fps"]}, session_plan={"minutes": 9000.0}).plan)
    assert not made.rows["pause_s"].any()
    assert set(made.rows["note"]) == {""}


def test_the_plan_tells_of_the_pauses_and_counts_their_time(folder):
    made = make_schedule(folder(**WATTS).plan)
    paused_s = made.rows["pause_s"].sum()
    assert sum(visit.pause_s for visit in visits_of(made.to_run.itertuples(), made.plan)) == paused_s
    assert "of pauses of different lengths before rounds" in plan_time(made).text
    first = made.rows["pause_s"].iloc[0]
    assert f"Round 1 (pause {first:.0f} s)" in printed_sheet(made).replace("\u00a0", " ")


def test_a_plan_that_waits_keeps_its_pauses(folder):
    plan = folder(**WATTS).plan
    made = make_schedule(plan)
    extend_run_sheet(made.rows, plan)
    waiting = make_schedule(plan)
    assert waiting.stage == "waiting"
    assert waiting.to_run["pause_s"].tolist() == made.rows["pause_s"].tolist()
    assert waiting.minutes == pytest.approx(made.minutes)


@pytest.mark.parametrize("ahead", [0.0, 37.0, -80.0])
@pytest.mark.parametrize("is_paused", [True, False])
def test_the_clock_of_an_even_evening_is_proven_with_pauses_and_refused_without(folder, ahead, is_paused):
    rows = make_schedule(folder(**WATTS).plan).rows
    rng = np.random.default_rng(5)
    lengths = 60.0 + rng.uniform(-0.2, 0.2, len(rows))
    between = 20.0 + rng.uniform(-0.2, 0.2, len(rows)) + rows["pause_s"].to_numpy() * is_paused
    starts = 60.0 + np.cumsum(np.r_[0.0, (lengths[:-1] + between[1:])])
    times = np.arange(0.0, starts[-1] + 100.0, 1.0)
    busy = ((times[:, None] >= starts) & (times[:, None] < starts + lengths)).any(axis=1)
    load = np.where(busy, 97.0, 4.0) + rng.uniform(0, 2, times.size)
    clock = find_one_clock(starts + rng.uniform(-0.4, 0.4, starts.size), lengths, time_s=times + ahead, signal=load)
    assert clock.is_proven == is_paused, clock.why
    assert not is_paused or clock.offset_s == pytest.approx(ahead, abs=1.5)
