"""Charts made from tables: the right runs in the right place, and nothing where nothing was measured."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import ttest_rel

from gpubench_kit.logs.frame_timing import FRAME_SHARES
from gpubench_kit.logs.run_facts import RunFacts, Trace
from gpubench_kit.model.tables import NOISE, RUNS, USABLE
from gpubench_kit.page.charts import RIVAL, draw
from gpubench_kit.page.charts.curves import order_of_runs
from gpubench_kit.page.charts.from_tables import (
    State,
    change_lanes,
    frame_rates,
    middle_runs,
    noise_of_games,
    runs_of_game,
    watts_against_fps,
)
from gpubench_kit.page.charts.run_logs import (
    coarser,
    frame_times,
    longest_drawn,
    percentiles_of_game,
    sensors,
)
from gpubench_kit.statistics.compare import LEVELS

SCENE = ("Glass Tundra", "1440p")
FACTORY, QUIET = State("card", "factory", "desk", "factory", 0), State("card", "quiet", "desk", "quiet", 1)
STATES = (FACTORY, QUIET)


def usable(values: dict[tuple[str, str], list[float]], *, purpose: str = "measure") -> pd.DataFrame:
    """Return runs of (tuning, metric) -> values."""
    rows = []
    for (tuning, metric), listed in values.items():
        for number, value in enumerate(listed):
            rows.append(
                {
                    "run": f"{tuning[0]}{number}", "card": "card", "bench": "desk", "tuning": tuning,
                    "metric": metric,
                    "game": SCENE[0], "setting": SCENE[1], "purpose": purpose, "value": value, "order_known": True,
                    "order": 2 * number + (tuning == "quiet"), "session": "a" if number < 2 else "b",
                }
            )  # fmt: skip
    return USABLE.frame(rows)


def levels(values: dict[tuple[str, str], tuple[float, float, float]], *, game: str = SCENE[0]) -> pd.DataFrame:
    """Return means of (tuning, metric) -> mean, low, high."""
    rows = [
        {
            "card": "card", "bench": "desk", "tuning": tuning, "game": game, "setting": SCENE[1] if game else "",
            "group": "all", "metric": metric, "unit": "", "n": 3, "value": mean, "ci_low": low, "ci_high": high,
        }
        for (tuning, metric), (mean, low, high) in values.items()
    ]  # fmt: skip
    return LEVELS.frame(rows)


def facts(run: str, *, mean_ms: float = 10.0, longest: float = 25.0, sensors=None) -> RunFacts:
    """Return a run of 100 pieces of even length with one long frame in the middle."""
    high = np.full(100, 1.2 * mean_ms)
    high[50] = longest
    trace = Trace(np.arange(100) * 0.3, np.full(100, 0.9 * mean_ms), np.full(100, mean_ms), high)
    quantiles = tuple(mean_ms * (1 + share / 100) for share in FRAME_SHARES)
    return RunFacts(
        run, n_frames=int(30_000 / mean_ms), duration_s=30.0, longest_ms=longest, longest_at_s=15.0, trace=trace,
        frame_quantiles_ms=quantiles, sensor_traces=sensors or {},
    )  # fmt: skip


def run_table(names: dict[str, str], **more) -> pd.DataFrame:
    """Return runs of name -> tuning."""
    return RUNS.frame(
        [
            {
                "run": run, "card": "card", "bench": "desk", "tuning": tuning, "game": SCENE[0],
                "setting": SCENE[1], "purpose": "measure", "used": True,
            } | more
            for run, tuning in names.items()
        ]
    )  # fmt: skip


def test_strips_show_every_run_of_each_state_and_the_mean_of_levels():
    chart = runs_of_game(
        usable({("factory", "avg_fps"): [70.0, 71.0, 72.0], ("quiet", "avg_fps"): [68.0, 69.0]}),
        levels({("factory", "avg_fps"): (71.0, 69.5, 72.5)}),
        scene=SCENE,
        states=STATES,
        metrics=("avg_fps", "board_w"),
    )
    assert [one.label for one in chart.axes] == ["FPS"]
    first, second = (lane.cells[0] for lane in chart.lanes)
    assert first.runs == (("f0", 70.0), ("f1", 71.0), ("f2", 72.0))
    assert (first.centre, first.low, first.high) == (71.0, 69.5, 72.5)
    assert len(second.runs) == 2
    assert second.centre is None


def test_temperatures_of_short_runs_are_not_shown_as_if_soaked():
    short = usable({("factory", "core_c"): [66.0, 67.0]})
    assert runs_of_game(short, levels({}), scene=SCENE, states=STATES, metrics=("core_c",)) is None
    soaked = usable({("factory", "core_c"): [66.0, 67.0]}, purpose="soak")
    assert runs_of_game(soaked, levels({}), scene=SCENE, states=STATES, metrics=("core_c",)) is not None


@pytest.mark.parametrize("rate", [7.0, 900.0])
def test_bars_carry_rate_and_low(rate):
    table = levels({("factory", "avg_fps"): (rate, rate, rate), ("factory", "low_1pct_fps"): (0.8 * rate, 1, 2)})
    chart = frame_rates(table, scene=SCENE, states=STATES)
    bar = next(ET.fromstring(str(draw(chart))).iter("rect"))
    assert float(bar.get("width")) == pytest.approx(chart.panels[0].x.end - chart.panels[0].x.start, abs=0.1)
    assert chart.lanes[0].cells[0].notch == pytest.approx(0.8 * rate)
    assert chart.lanes[1].cells == (None,)
    assert "not measured" in draw(chart)


def test_the_run_in_the_middle_stands_for_its_tuning():
    known = [facts("a", mean_ms=10), facts("b", mean_ms=12), facts("c", mean_ms=11)]
    table = run_table({"a": "factory", "b": "factory", "c": "factory"})
    ((name, place, run),) = middle_runs(known, table, scene=SCENE, states=STATES)
    assert (name, place, run.run) == ("factory", 0, "c")


def test_runs_that_do_not_count_stand_for_nothing():
    known = [facts("a"), facts("b")]
    table = run_table({"a": "factory", "b": "factory"}, used=False)
    assert middle_runs(known, table, scene=SCENE, states=STATES) == []


def test_a_trace_lays_two_runs_over_each_other_and_cuts_a_towering_frame():
    known = [facts("a", longest=900.0), facts("b", mean_ms=11)]
    table = run_table({"a": "factory", "b": "quiet"})
    chart = frame_times("frame times", middle_runs(known, table, scene=SCENE, states=STATES))
    assert [one.name for one in chart.series] == ["factory", "quiet"]
    assert chart.y.high < 30
    assert "longest frame 900" in chart.alternative_text
    places = [float(one) for one in re.findall(r"V(-?[\d.]+)", draw(chart))]
    assert min(places) >= chart.top - 0.1


def test_without_frames_there_is_no_trace_and_no_curve():
    known, table = [RunFacts("a")], run_table({"a": "factory"})
    shown = [("factory", 0, known[0])]
    assert frame_times("t", shown) is None
    assert sensors("t", shown) == ()
    assert percentiles_of_game(known, table, scene=SCENE, states=STATES) is None


def percentile_chart(times: dict[str, tuple[float, ...]], *, rounds=(1, 2, 3, 4)):
    """Return the chart of runs with the given mean frame times [ms], one run of each tuning a round."""
    runs = [
        (f"{name}{place}", name, ms, rounds[place])
        for name, all_ms in times.items()
        for place, ms in enumerate(all_ms)
    ]
    table = run_table({run: name for run, name, _, _ in runs})
    table["round"] = pd.array([number for *_, number in runs], dtype="Int64")
    known = [facts(run, mean_ms=ms) for run, _, ms, _ in runs]
    return percentiles_of_game(known, table, scene=SCENE, states=STATES)


def test_percentiles_show_the_change_over_rounds_with_the_interval_of_a_paired_t_test():
    base, quiet = (10.0, 12.0, 11.0, 10.5), (11.0, 12.6, 12.1, 11.2)
    (series,) = percentile_chart({"factory": base, "quiet": quiet}).series
    found = ttest_rel(np.log(quiet), np.log(base)).confidence_interval(0.95)
    assert dict(series.points)[99.0] == pytest.approx(100 * np.expm1(np.mean(np.log(quiet) - np.log(base))))
    assert series.band[0][1:] == pytest.approx([100 * np.expm1(end) for end in (found.low, found.high)])
    assert series.note.endswith("4 rounds")


def test_percentiles_of_runs_that_share_no_rounds_have_no_interval():
    chart = percentile_chart({"factory": (10.0, 12.0), "quiet": (11.0, 13.2)})
    (series,) = chart.series
    assert dict(series.points)[50.0] == pytest.approx(10.0)
    assert series.band == ()
    assert "no interval" in chart.alternative_text


def test_percentiles_of_one_state_alone_are_no_comparison():
    assert percentile_chart({"factory": (10.0, 12.0, 11.0)}) is None


def test_joined_pieces_keep_the_longest_frame():
    trace = facts("a", longest=80.0).trace
    joined = coarser(trace, most=7)
    assert joined.time_s.size <= 7
    assert joined.high_ms.max() == 80.0
    assert joined.mean_ms == pytest.approx(np.full(joined.time_s.size, 10.0))


def test_the_scale_of_frame_times_ends_at_the_longest_frame_unless_it_towers():
    assert longest_drawn([facts("a", longest=13.0).trace]) == pytest.approx(1.06 * 13)
    assert longest_drawn([facts("a", longest=500.0).trace]) == pytest.approx(1.06 * 1.8 * 12)


def test_sensors_leave_the_edges_of_the_run_out():
    time = np.arange(0.0, 30.0)
    known = [facts("a", sensors={"core_c": (time, np.where(time < 5, 20.0, 60.0))})]
    shown = middle_runs(known, run_table({"a": "factory"}), scene=SCENE, states=STATES)
    plots = sensors("sensors", shown, edge_s=5.0)
    assert len(plots) == 1
    assert {value for _, value in plots[0].series[0].points} == {60.0}
    assert "60.0" in plots[0].alternative_text


def test_watts_against_rates_takes_means_over_games_and_compares_frames_per_watt():
    table = levels(
        {("factory", "avg_fps"): (100.0, 1, 2), ("factory", "board_w"): (200.0, 1, 2),
         ("quiet", "avg_fps"): (99.0, 1, 2), ("quiet", "board_w"): (180.0, 1, 2)}, game="",
    )  # fmt: skip
    wide, narrow = watts_against_fps(table, group="all", states=STATES)
    assert (wide.width, narrow.width) == (640, 360)
    assert wide.points[1].note == "+10.0 % FPS per watt"
    assert "geometric mean" in wide.heading


def test_without_power_there_is_nothing_to_set_against_rates():
    table = levels({("factory", "avg_fps"): (100.0, 1, 2), ("quiet", "avg_fps"): (99.0, 1, 2)}, game="")
    assert watts_against_fps(table, group="all", states=STATES) is None


def test_changes_carry_their_sign_interval_and_band():
    rows = [("B", -4.0, "worse"), ("A", 1.0, "undecided"), ("C", 0.5, "no_verdict")]
    named = [
        (name, SimpleNamespace(change=change, ci_low=change - 1, ci_high=np.nan, verdict=verdict))
        for name, change, verdict in rows
    ]
    chart = change_lanes(named, "Frame rate vs factory", margin=(-2.0, 2.0), limit=5.0)
    cells = [lane.cells[0] for lane in chart.lanes]
    assert [one.text for one in cells] == ["▼ −4.0 %", "? +1.0 %", "+0.5 %"]
    assert (cells[0].low, cells[0].high) == (-5.0, None)
    assert (chart.axes[0].low, chart.axes[0].high, chart.axes[0].margin) == (-5.0, 5.0, (-2.0, 2.0))


def test_noise_stands_noisiest_first_with_what_the_runs_would_detect():
    rows = [
        {"card": "c", "bench": "b", "tuning": tuning, "game": game, "setting": "", "metric": "avg_fps", "n": 3,
         "mean": 100.0, "sd": cv / 100, "cv_pct": cv, "detectable_pct": 3 * cv}
        for game, tuning, cv in (("A", "x", 0.5), ("A", "y", 0.7), ("B", "x", 2.0))
    ]  # fmt: skip
    chart = noise_of_games(NOISE.frame(rows), metric="avg_fps", margin=2.0)
    assert [one.name for one in chart.lanes] == ["B", "A"]
    assert chart.lanes[1].cells[0].notch == pytest.approx(2.1)
    assert "detects 6.0 %" in chart.lanes[0].cells[0].text.replace("\u00a0", " ")
    assert noise_of_games(NOISE.frame([]), metric="avg_fps", margin=2.0) is None


def test_the_order_shows_each_run_against_the_mean_of_its_own_cell():
    table = usable({("factory", "avg_fps"): [100.0, 110.0, 121.0], ("quiet", "avg_fps"): [50.0, 50.0, 50.0]})
    chart = order_of_runs(table, metric="avg_fps", states=STATES)
    found = dict(chart.series[0].points)
    assert found[2.0] == pytest.approx(0.0, abs=1e-9)
    assert found[4.0] == pytest.approx(10.0)
    assert [one.x for one in chart.marks if one.x is not None] == [3.5]
    assert order_of_runs(table.iloc[:2], metric="avg_fps", states=STATES) is None


def test_rivals_are_drawn_hollow():
    chart = runs_of_game(
        usable({("factory", "avg_fps"): [70.0, 71.0]}),
        levels({}),
        scene=SCENE,
        states=(State("card", "factory", "desk", "rival", RIVAL),),
        metrics=("avg_fps",),
    )
    assert all(one.get("class") == "ho s6" for one in ET.fromstring(str(draw(chart))).iter("circle"))
