"""The order of an evening: balanced, random, and the same for the same seed."""

from collections import Counter
from itertools import groupby, pairwise

import pandas as pd
import pytest
from extended_sheet import extend_run_sheet

from gpubench_kit.schedule.make import make_schedule
from gpubench_kit.schedule.order import turn
from gpubench_kit.sheet import load_run_sheet
from gpubench_kit.statistics.compare import compare_tunings

LONG = {"session_plan": {"minutes": 9000.0}}


def _rounds(rows: pd.DataFrame) -> dict:
    """Return the tunings of each (game, round) in order."""
    return {key: list(part["tuning"]) for key, part in rows.groupby(["game", "round"], sort=False)}


def test_two_tunings_alternate_within_each_game(folder):
    rounds = _rounds(make_schedule(folder(**LONG).plan).rows)
    for (game, number), order in rounds.items():
        assert sorted(order) == ["factory", "quiet"]
        if number > 1:
            assert order == rounds[game, number - 1][::-1]


def test_games_start_with_either_tuning(folder):
    firsts = {
        order[0] for (_, number), order in _rounds(make_schedule(folder(**LONG).plan).rows).items() if number == 1
    }
    assert firsts == {"factory", "quiet"}


@pytest.mark.parametrize("count", [3, 4, 5])
def test_more_tunings_are_rotated_so_that_each_comes_first_equally_often(count):
    names = [f"t{place}" for place in range(count)]
    orders = [turn(names, number, seed=7, key="a game") for number in range(1, count + 1)]
    assert Counter(order[0] for order in orders) == Counter(names)
    assert all(sorted(order) == names for order in orders)
    assert all(order[1:] + order[:1] == later for order, later in pairwise(orders))


def test_the_same_seed_gives_the_same_rows_and_another_seed_others(folder):
    first, again = (make_schedule(folder(**LONG).plan).rows for _ in range(2))
    other = make_schedule(folder(analysis={"metrics": ["avg_fps"], "seed": 2}, **LONG).plan).rows
    pd.testing.assert_frame_equal(first, again)
    assert not first.equals(other)


def test_each_game_is_started_once_with_all_its_rounds(folder):
    rows = make_schedule(folder(**LONG).plan).rows
    assert [len(list(part)) for _, part in groupby(rows["game"])] == [8] * 10
    assert rows["launch"].nunique() == 10
    assert list(rows["order"]) == list(range(1, 81))


def test_a_game_more_leaves_the_order_inside_the_others(folder):
    few, many = (_rounds(make_schedule(folder(n, **LONG).plan).rows) for n in (3, 4))
    assert all(many[key] == order for key, order in few.items())


def test_planned_rounds_are_read_as_rounds_once_recorded(folder):
    made = folder(**LONG)
    rows = make_schedule(made.plan).rows
    usable = rows.assign(
        model=rows["card"], group="all", metric="avg_fps", step=0.0, power_measured_at="", withheld_for="",
        flagged=False,
        value=100.0 + rows["order"].astype(float) % 7 / 10,
    )  # fmt: skip
    compared = compare_tunings(usable, made.plan)
    assert set(compared["layout"]) == {"rounds"}
    assert set(compared["n_blocks"]) == {4}


def test_a_tuning_that_needs_a_restart_gets_blocks_that_are_read_as_restarts(folder):
    tunings = [{"name": "factory", "reference": True}, {"name": "quiet", "needs_restart": True}]
    made = folder(6, **LONG)
    made.sections["tunings"] = tunings
    schedule = make_schedule(made.plan)
    rows = schedule.rows
    assert rows["session"].nunique() == 8
    assert all(part["tuning"].nunique() == 1 and len(part) == 6 for _, part in rows.groupby("session"))
    usable = rows.assign(group="all", metric="avg_fps", value=100.0 + rows["order"].astype(float) % 7 / 10)
    assert set(compare_tunings(usable, made.plan)["layout"]) == {"restarts"}
    assert schedule.visits["change_s"].sum() == pytest.approx(8 * 120)


def test_rivals_are_mounted_in_turn_three_times_each(folder):
    made = folder(6, **LONG)
    made.sections["cards"] = [{"name": "Larkmoor 4"}, {"name": "Fernholt 3", "role": "rival"}]
    schedule = make_schedule(made.plan)
    cards = [card for (_, card), _ in groupby(zip(schedule.rows["session"], schedule.rows["card"], strict=True))]
    assert cards in ([a, b, b, a, a, b] for a, b in (("Larkmoor 4", "Fernholt 3"), ("Fernholt 3", "Larkmoor 4")))
    # The first card is in the machine already; every other mounting takes its time.
    assert schedule.visits["change_s"].sum() == pytest.approx(5 * 20 * 60)
    usable = schedule.rows.assign(
        group="all", metric="avg_fps", value=100.0 + schedule.rows["order"].astype(float) % 7
    )
    across = compare_tunings(usable, made.plan).query("of_card != against_card")
    assert set(across["layout"]) == {"restarts"}


def test_runs_that_the_warm_up_rule_leaves_out_are_planned_beside_the_rounds(folder):
    made = folder(2, exclude={"warm_up_runs_per_launch": 2}, **LONG)
    rows = make_schedule(made.plan).rows
    for _, part in rows.groupby("launch"):
        assert list(part["round"].isna()) == [True] * 2 + [False] * 8
    assert (rows["purpose"] == "measure").all()


def test_the_sheet_reads_back_as_it_was_planned(folder):
    made = folder(3, ("factory", "=quiet", "'-brisk"), **LONG)
    schedule = make_schedule(made.plan)
    extend_run_sheet(schedule.rows, made.plan)
    runs = load_run_sheet(made.plan).runs
    for name in ("run", "tuning", "game", "session", "launch", "round", "order"):
        assert list(runs[name]) == list(schedule.rows[name]), name
