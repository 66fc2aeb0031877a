"""Frame times over a run, their spread, and sensors over a run."""

from dataclasses import replace

import numpy as np
import pytest

from gpubench_kit.figures.run_choice import chosen_runs, middle_runs
from gpubench_kit.figures.sensors import draw_sensors
from gpubench_kit.figures.spread import draw_frame_time_spread
from gpubench_kit.figures.style import page_look, picture_look
from gpubench_kit.figures.traces import draw_frame_times, draw_run_trace

SCENE = ("Salt Orchard", "")
LONG = "The long way home past the old mill and over the hill " * 2


@pytest.mark.parametrize("every_run", [False, True])
def test_every_text_of_the_frame_times_is_legible(make, assert_legible, every_run):
    tunings = ("factory", "quiet", "brisk", "cool", "thrifty", LONG)
    runs, facts = make.runs(tunings=tunings, game=LONG)
    plan = make.plan(tunings=tunings)
    assert_legible(draw_frame_times(facts, plan, runs=runs, game=LONG, every_run=every_run))


def test_every_text_of_spread_and_sensors_is_legible(make, assert_legible):
    tunings = ("factory", "quiet", "brisk", "cool", "thrifty", LONG, "鉄")
    runs, facts = make.runs(tunings=tunings, game=LONG)
    plan = make.plan(tunings=tunings)
    assert_legible(draw_frame_time_spread(facts, plan, runs=runs, game=LONG))
    assert_legible(draw_sensors(facts, plan, runs=runs, scene=(LONG, "")))


def test_marks_close_to_each_other_do_not_meet(make, assert_legible):
    marks = [(28.0, "gap of 1.2 s"), (30.0, "210 ms"), (31.0, "loading pause"), (59.9, "the end")]
    drawn = draw_run_trace(make.facts("r01", spike_ms=210.0), make.plan(), marks=marks)
    assert_legible(drawn)
    assert "gap of 1.2 s at 28 s" in drawn.alternative_text


def test_the_middle_run_of_each_tuning_is_drawn(make):
    runs, facts = make.runs()
    chosen = middle_runs(chosen_runs(facts, make.plan(), runs=runs, scene=SCENE))
    assert [one.facts.run for one in chosen] == ["r02", "r05", "r08"]


def test_runs_left_out_of_verdicts_are_not_drawn(make):
    runs, facts = make.runs()
    runs.loc[runs["run"] == "r02", "used"] = False
    drawn = draw_frame_times(facts, make.plan(), runs=runs, game="Salt Orchard", every_run=True)
    assert "r02" not in set(drawn.data["run"])
    assert drawn.data["run"].nunique() == 8


def test_a_towering_frame_is_cut_and_named(make):
    runs, facts = make.runs()
    drawn = draw_frame_times(facts, make.plan(), runs=runs, game="Salt Orchard")
    figure = drawn.drawing(picture_look())
    texts = [child.get_text() for child in figure.get_children() if hasattr(child, "get_text")]
    assert "210 ms" in texts
    assert drawn.data["high_ms"].max() == 210.0
    assert not any(text == "200" for text in texts)


def test_lanes_share_their_scale_and_left_edge(make):
    runs, facts = make.runs()
    figure = draw_frame_times(facts, make.plan(), runs=runs, game="Salt Orchard").drawing(picture_look())
    shades = [child.get_xy() for child in figure.get_children() if type(child).__name__ == "Polygon"]
    assert len(shades) == 3
    assert len({round(float(shade[:, 0].min()), 6) for shade in shades}) == 1


def test_alternative_text_gives_mean_and_longest_frame(make):
    runs, facts = make.runs()
    text = draw_frame_times(facts, make.plan(), runs=runs, game="Salt Orchard").alternative_text
    assert "quiet, run r05: mean 8.11 ms, longest frame 210 ms at 30.0 s" in text


def test_joined_pieces_keep_the_shortest_and_longest_frame(make):
    drawn = draw_run_trace(make.facts("r01", spike_ms=14.0), make.plan())
    figure = drawn.drawing(page_look())
    (shade,) = [child.get_xy() for child in figure.get_children() if type(child).__name__ == "Polygon"]
    trace = make.facts("r01", spike_ms=14.0).trace
    assert len(shade) <= 2 * 175 + 1
    at_longest = trace.time_s[trace.high_ms.argmax()]
    assert shade[shade[:, 1].argmin(), 0] == pytest.approx(_place_of(at_longest, shade, trace), abs=2.5)


def test_spread_is_the_sorted_longest_frames_of_all_runs(make):
    runs, facts = make.runs(tunings=("factory",))
    data = draw_frame_time_spread(facts, make.plan(), runs=runs, game="Salt Orchard").data
    highs = np.concatenate([one.trace.high_ms for one in facts])
    assert data["factory"].iloc[50] == pytest.approx(np.median(highs))
    assert data["factory"].is_monotonic_increasing


def test_sensor_samples_outside_the_run_and_missing_ones_are_not_drawn(make):
    runs, facts = make.runs(tunings=("factory",), rounds=1)
    time_s = np.array([-3.0, 5.0, 10.0, 99.0])
    facts = [replace(facts[0], sensor_traces={"core_c": (time_s, np.array([1.0, 60.0, np.nan, 1.0]))})]
    drawn = draw_sensors(facts, make.plan(), runs=runs, scene=SCENE)
    (track,) = drawn.drawing.keywords["tracks"]["core_c"]
    assert track.values.tolist() == [60.0]
    assert "Core temperature in the last quarter: factory 60.0 °C" in drawn.alternative_text


def test_without_traces_there_is_nothing_to_draw(make):
    runs, facts = make.runs()
    bare = [replace(one, trace=None, sensor_traces={}) for one in facts]
    assert draw_frame_times(bare, make.plan(), runs=runs, game="Salt Orchard") is None
    assert draw_frame_time_spread(bare, make.plan(), runs=runs, game="Salt Orchard") is None
    assert draw_sensors(bare, make.plan(), runs=runs, scene=SCENE) is None
    assert draw_run_trace(bare[0], make.plan()) is None
    assert draw_frame_times(facts, make.plan(), runs=runs, game="Glass Tundra") is None


def _place_of(time_s, shade, trace):
    """Return where a time lies on the sheet, from the first and last corner of the shade."""
    left, right = shade[:, 0].min(), shade[:, 0].max()
    return left + (time_s - trace.time_s[0]) / (trace.time_s[-1] - trace.time_s[0]) * (right - left)
