"""Plots for notebooks, judged by their artists: the right numbers at the right places, labelled with units."""

from __future__ import annotations

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt
from second_language import said_in_english, wide_catalogue

from gpubench_kit import plots
from gpubench_kit.model.errors import TableError
from gpubench_kit.model.tables import NOISE, USABLE
from gpubench_kit.plots.theme import tuning_colours
from gpubench_kit.wording.catalogue import spoken


@pytest.fixture(autouse=True)
def _without_a_screen(monkeypatch):
    """Draw without a screen, and leave the settings of matplotlib as they were."""
    before = dict(mpl.rcParams)
    monkeypatch.setattr(plt, "show", lambda *_, **__: None)
    yield
    plt.close("all")
    after = dict(mpl.rcParams)
    after["backend"] = before["backend"]
    assert after == before


def usable(name: str = "Glass Tundra") -> pd.DataFrame:
    rows = []
    for place, (tuning, values) in enumerate(
        {"factory": [100.0, 110.0, 121.0], "quiet": [7.0, 7.0, 900.0]}.items()
    ):
        for number, value in enumerate(values):
            rows.append({
                "run": f"{tuning}{number}", "card": "c", "bench": "b", "tuning": tuning, "game": name,
                "setting": "", "metric": "avg_fps", "value": value, "order": 2 * number + place,
                "purpose": "measure",
            })  # fmt: skip
    return USABLE.frame(rows)


def comparisons() -> pd.DataFrame:
    return pd.DataFrame(
        [
            {"metric": "avg_fps", "game": game, "setting": "", "of_tuning": "quiet", "change": change,
             "ci_low": change - 1, "ci_high": change + 1, "margin": 2.0, "verdict": verdict}
            for game, change, verdict in (
                ("A", -3.7, "worse"), ("B", 0.5, "undecided"), ("C", np.nan, "no_verdict"),
            )
        ]
    )  # fmt: skip


def frames() -> pd.DataFrame:
    return pd.DataFrame({"run": ["a"] * 101, "time_s": np.arange(101) * 0.1, "frame_ms": np.arange(101.0)})


def levels() -> pd.DataFrame:
    return pd.DataFrame(
        [
            {"metric": metric, "tuning": tuning, "game": "", "group": "all", "value": value}
            for tuning, values in {"factory": (286.0, 109.0), "quiet": (244.0, 108.0)}.items()
            for metric, value in zip(("board_w", "avg_fps"), values, strict=True)
        ]
    )


def noise() -> pd.DataFrame:
    rows = [
        {"card": "c", "bench": "b", "tuning": "x", "game": game, "setting": "", "metric": "avg_fps", "n": 3,
         "mean": 100.0, "sd": cv / 100, "cv_pct": cv, "detectable_pct": 3 * cv}
        for game, cv in (("calm", 0.5), ("wild", 2.0))
    ]  # fmt: skip
    return NOISE.frame(rows)


def swept() -> pd.DataFrame:
    return pd.DataFrame(
        {"line": "", "at": [0.0, -30.0, -60.0], "is_factory": [True, False, False],
         "fps_change": [np.nan, -0.5, -2.0],
         "fps_ci_low": [np.nan, -1.0, -3.0], "fps_ci_high": [np.nan, 0.2, -1.0]}
    )  # fmt: skip


def test_runs_are_dots_at_their_values():
    ax = plots.runs(usable())
    drawn = sorted(x for one in ax.collections for x, _ in one.get_offsets().data)
    assert drawn == pytest.approx([7, 7, 100, 110, 121, 900])
    assert ax.get_xlabel() == "Average frame rate [fps]"
    assert [one.get_text() for one in ax.get_legend().get_texts()] == ["factory", "quiet"]


def test_tunings_take_their_colours_in_the_order_asked_for():
    ax = plots.runs(usable(), tunings=["quiet", "factory"])
    assert [one.get_text() for one in ax.get_legend().get_texts()] == ["quiet", "factory"]


def test_plots_draw_on_the_axes_given():
    _, ax = plt.subplots()
    assert plots.runs(usable(), ax) is ax
    assert plots.intervals(comparisons(), ax) is ax


def test_a_name_with_dollar_signs_is_no_formula():
    ax = plots.runs(usable(r"$\frac{1}{0}$ <b>غابة</b>"))
    ax.figure.canvas.draw_idle()
    assert ax.get_yticklabels()[0].get_text().startswith(r"\$")


def test_the_order_shows_deviations_from_the_mean_of_each_cell():
    ax = plots.order(usable())
    found = dict(tuple(one) for part in ax.collections for one in part.get_offsets().data)
    assert found[0.0] == pytest.approx(100 * (100 / 110 - 1))
    assert found[2.0] == pytest.approx(0, abs=1e-9)
    assert "[%]" in ax.get_ylabel()


def test_intervals_stand_at_their_ends_with_the_band_of_the_margin():
    ax = plots.intervals(comparisons())
    lines = [one.get_xdata() for one in ax.lines if len(one.get_xdata()) == 2]
    assert any(list(one) == pytest.approx([-4.7, -2.7]) for one in lines)
    assert [one.get_text() for one in ax.get_yticklabels()] == ["B", "A"]
    assert ax.patches[0].get_width() == pytest.approx(4.0)
    assert ax.get_xlabel() == "Change of average frame rate [%]"


def test_intervals_name_both_sides_where_rows_differ_in_what_they_are_compared_with():
    table = pd.DataFrame({
        "metric": "avg_fps", "game": "A", "setting": "", "of_card": "c", "of_tuning": ["quiet", "quiet", "brisk"],
        "of_bench": "", "against_card": ["c", "r", "c"], "against_tuning": "factory", "against_bench": np.nan,
        "change": [1.0, 2.0, 3.0], "ci_low": 0.0, "ci_high": 4.0, "margin": 2.0, "verdict": "undecided",
    })  # fmt: skip
    names = [one.get_text().partition("A, ")[2] for one in plots.intervals(table).get_yticklabels()]
    assert names == ["brisk vs c", "quiet vs r", "quiet vs c"]
    names = [one.get_text() for one in plots.intervals(table[table["against_card"] == "c"]).get_yticklabels()]
    assert names == ["A, brisk", "A, quiet"]


def test_frame_times_keep_the_longest_frame_of_each_piece():
    frames = pd.DataFrame({"time_s": np.arange(10_000) * 0.01, "frame_ms": np.full(10_000, 10.0)})
    frames.loc[5003, "frame_ms"] = 80.0
    ax = plots.frame_times(frames, most=100)
    assert ax.lines[0].get_ydata().max() == 80.0
    assert len(ax.lines[0].get_xdata()) == 100
    assert ax.get_ylabel() == "Frame time [ms]"


def test_percentiles_are_those_of_the_frames():
    line = plots.percentiles(frames()).lines[0]
    assert np.interp(90.0, line.get_xdata(), line.get_ydata()) == pytest.approx(90.0)


def test_watts_stand_against_frame_rates_with_the_line_of_equal_efficiency():
    ax = plots.watts_against_fps(levels())
    dots = {
        one.get_label(): (one.get_xdata()[0], one.get_ydata()[0]) for one in ax.lines if one.get_marker() == "o"
    }
    assert dots == {"factory": (286.0, 109.0), "quiet": (244.0, 108.0)}
    assert ax.get_xlabel() == "Board power [W]"


def test_noise_stands_noisiest_on_top():
    ax = plots.noise(noise())
    assert [one.get_text() for one in ax.get_yticklabels()] == ["calm", "wild"]
    assert [one.get_xdata()[0] for one in ax.lines] == pytest.approx([1.5, 6.0])


def test_a_sweep_shows_each_setting_with_its_interval():
    ax = plots.sweep(swept())
    line = ax.containers[0].lines[0]
    assert list(line.get_xdata()) == [-60.0, -30.0]
    assert list(line.get_ydata()) == [-2.0, -0.5]


@pytest.mark.parametrize(
    ("draw", "table"),
    [
        (plots.runs, usable()), (plots.order, usable()), (plots.intervals, comparisons()), (plots.noise, noise()),
        (plots.noise, noise().assign(detectable_pct=np.nan)), (plots.frame_times, frames()),
        (plots.percentiles, frames()), (plots.watts_against_fps, levels()), (plots.sweep, swept()),
        (plots.sweep, pd.concat([swept(), swept().assign(line="power limit")])),
    ],
)  # fmt: skip
def test_every_word_of_a_plot_is_in_the_catalogue(draw, table):
    with spoken(wide_catalogue()):
        ax = draw(table)
    texts = [one.get_text() for one in ax.figure.findobj(mpl.text.Text)]
    assert any(texts)
    names = ["factory", "quiet", "Glass Tundra", "calm", "wild", "power limit"]
    assert said_in_english("".join(f"<p>{text}</p>" for text in texts), names=names) == []


@pytest.mark.parametrize("draw", [plots.runs, plots.order, plots.intervals, plots.noise])
def test_a_table_without_the_metric_or_its_columns_is_refused(draw):
    with pytest.raises(TableError, match="lacks"):
        draw(pd.DataFrame({"x": [1]}))


def test_a_metric_that_is_not_there_is_named_with_those_that_are():
    with pytest.raises(TableError, match=r"no row of metric 'board_w'.*avg_fps"):
        plots.runs(usable(), metric="board_w")


def test_colours_of_tunings_begin_again_after_the_sixth():
    found = list(tuning_colours([f"t{n}" for n in range(8)]).values())
    assert len(set(found[:6])) == 6
    assert found[6:] == found[1:3]


def test_a_theme_is_left_with_the_block():
    before = mpl.rcParams["axes.facecolor"]
    with plots.theme("dark"):
        assert mpl.rcParams["axes.facecolor"] == "#141517"
    assert mpl.rcParams["axes.facecolor"] == before


PLOTS = [getattr(plots, name) for name in plots.__all__ if name != "theme"]


@pytest.mark.parametrize("draw", PLOTS)
@pytest.mark.parametrize("given", [None, 3, [1, 2], "runs"])
def test_what_is_no_table_is_refused_in_one_sentence(draw, given):
    with pytest.raises(TableError, match=rf"plots\.{draw.__name__}: .* was given; a DataFrame is expected"):
        draw(given)
    assert not plt.get_fignums()


def test_a_metric_in_the_place_of_axes_is_refused():
    with pytest.raises(TableError, match=r"ax: the text 'avg_fps' was given; a matplotlib Axes is expected"):
        plots.intervals(comparisons(), "avg_fps")


@pytest.mark.parametrize(
    ("draw", "table"),
    [
        (plots.runs, usable().assign(value=np.nan)), (plots.order, usable().assign(order=pd.NA)),
        (plots.noise, noise().assign(cv_pct=np.nan)), (plots.intervals, comparisons().assign(change=np.nan)),
        (plots.percentiles, frames().assign(frame_ms="fast")), (plots.percentiles, frames().head(0)),
        (plots.frame_times, frames().head(0)), (plots.sweep, swept().assign(fps_change=np.nan)),
    ],
)  # fmt: skip
def test_no_picture_is_empty(draw, table):
    with pytest.raises(TableError, match=rf"plots\.{draw.__name__}: there is nothing to draw"):
        draw(table)


@pytest.mark.parametrize(
    ("draw", "message"),
    [
        (lambda: plots.runs(usable(), tunings=["quite"]), r"no tuning 'quite' .* Did you mean 'quiet'\?"),
        (lambda: plots.order(usable(), tunings=["quite"]), r"no tuning 'quite'"),
        (lambda: plots.noise(noise(), tunings=["y"]), r"no tuning 'y' \(there is: 'x'\)"),
        (lambda: plots.watts_against_fps(levels(), game="Salt Orchad"), "no game 'Salt Orchad'"),
        (lambda: plots.watts_against_fps(levels(), group="most"), r"no group 'most' \(there is: 'all'\)"),
        (lambda: plots.sweep(swept(), metric="board_w"), r"no metric 'board_w' \(there is: 'fps', 'power'"),
    ],
)  # fmt: skip
def test_a_name_that_the_table_does_not_have_is_told(draw, message):
    with pytest.raises(TableError, match=message):
        draw()


@pytest.mark.parametrize("column", [{"used": False}, {"purpose": "warm_up"}], ids=["left out", "warm-up"])
@pytest.mark.parametrize("draw", [plots.runs, plots.order])
def test_a_run_that_enters_no_verdict_is_hollow_and_told_of(draw, column):
    further = usable().head(1).assign(run="further", value=500.0, order=99, **column)
    whole = draw(usable().assign(used=True))
    ax = draw(pd.concat([usable().assign(used=True), further.assign(used=column.get("used", True))]))
    hollow = [one for one in ax.collections if not len(one.get_facecolors())]
    assert [len(one.get_offsets()) for one in hollow] == [1]
    assert ax.get_legend().get_texts()[-1].get_text() == "left out of verdicts"
    # The others stand where they stood: the mean is that of the runs that count.
    filled = [one.get_offsets().data for one in ax.collections if len(one.get_facecolors())]
    assert np.allclose(np.vstack(filled), np.vstack([one.get_offsets().data for one in whole.collections]))
