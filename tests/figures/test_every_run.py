"""Small multiples of every run, and single runs beside a fellow."""

from dataclasses import replace

import numpy as np
import pytest

from gpubench_kit.figures.every_run import draw_every_run
from gpubench_kit.figures.pieces import longest_drawn, pieces_table
from gpubench_kit.figures.sensors import draw_run_sensors
from gpubench_kit.figures.style import page_look
from gpubench_kit.figures.traces import draw_run_trace

SCENE = ("Salt Orchard", "")
LONG = "The long way home past the old mill and over the hill " * 2


def _texts(figure):
    """Return the texts of a figure."""
    return [child.get_text() for child in figure.get_children() if hasattr(child, "get_text")]


@pytest.mark.parametrize(
    ("n_tunings", "rounds"), [(1, 1), (3, 5), (6, 8)], ids=["one run", "fifteen", "forty-eight"]
)
def test_every_text_of_the_small_multiples_is_legible(make, assert_legible, n_tunings, rounds):
    tunings = ("factory", "quiet", "brisk", "cool", LONG, "鉄")[:n_tunings]
    runs, facts = make.runs(tunings=tunings, rounds=rounds)
    assert_legible(draw_every_run(facts, make.plan(tunings=tunings), runs=runs, scene=SCENE, marked=["r01"]))


def test_runs_left_out_are_drawn_too_and_marked_runs_are_named(make):
    runs, facts = make.runs()
    runs.loc[runs["run"] == "r02", "used"] = False
    drawn = draw_every_run(facts, make.plan(), runs=runs, scene=SCENE, marked=["r05"])
    assert drawn.data["run"].nunique() == 9
    assert "Marked: r05." in drawn.alternative_text
    assert "longest frame, 210 ms, is in run r05" in drawn.alternative_text
    assert {f"r{number:02d}" for number in range(1, 10)} <= set(_texts(drawn.drawing(page_look())))


def test_runs_stand_in_the_order_done_where_it_is_known(make):
    runs, facts = make.runs()
    runs["order_done"] = np.arange(len(runs), 0, -1)
    drawn = draw_every_run(facts, make.plan(), runs=runs, scene=SCENE)
    assert list(dict.fromkeys(drawn.data["run"])) == [f"r{number:02d}" for number in range(9, 0, -1)]


def test_a_game_without_traces_has_no_small_multiples(make):
    runs, facts = make.runs()
    bare = [replace(one, trace=None) for one in facts]
    assert draw_every_run(bare, make.plan(), runs=runs, scene=SCENE) is None
    assert pieces_table(bare).empty


def test_one_scale_holds_for_all_runs_and_one_long_frame_does_not_flatten_them(make):
    _, facts = make.runs()
    traces = [one.trace for one in facts]
    assert longest_drawn(traces) < 40.0
    assert longest_drawn([traces[0]]) == pytest.approx(1.15 * traces[0].high_ms.max(), rel=0.3)


def test_a_run_stands_above_its_fellow(make, assert_legible):
    plan, run, fellow = make.plan(), make.facts("r01", spike_ms=210.0), make.facts("r07", seed=7)
    drawn = draw_run_trace(run, plan, marks=[(30.0, "frames are missing")], fellow=fellow)
    assert_legible(drawn)
    assert list(dict.fromkeys(drawn.data["run"])) == ["r01", "r07"]
    assert "Its fellow r07: mean 8.30 ms" in drawn.alternative_text


def test_the_sensors_of_a_run_are_drawn_with_those_of_its_fellow(make, assert_legible):
    plan, run, fellow = make.plan(), make.facts("r01"), make.facts("r07", seed=7)
    drawn = draw_run_sensors(run, plan, fellow=fellow)
    assert_legible(drawn)
    assert "run r01 237.9 W, its fellow r07 239.6 W" in drawn.alternative_text
    assert draw_run_sensors(replace(run, sensor_traces={}), plan, fellow=fellow) is None
    assert set(draw_run_sensors(run, plan).data["run"]) == {"r01"}
