"""The evening in the order of its runs."""

import pytest

from gpubench_kit.figures.order import draw_run_order


def test_every_text_is_legible(hard_review, assert_legible):
    drawn = draw_run_order(hard_review.usable, hard_review.plan, metric="avg_fps")
    if drawn is None:
        assert len(hard_review.usable) < 3
    else:
        assert_legible(drawn)


def test_drift_is_stated_in_chart_and_text(make):
    drawn = draw_run_order(make.usable(drift=0.001), make.plan(), metric="avg_fps")
    assert "Drift +1.0 % in ten runs (p < 0.001)" in drawn.alternative_text
    assert "Drift +1.0 %" in drawn.drawing.keywords["heading"].subtitle


def test_deviations_sum_to_zero_within_game_and_tuning(make):
    data = draw_run_order(make.usable(), make.plan(), metric="avg_fps").data
    sums = (1 + data["deviation"] / 100).groupby([data["tuning"], data["game"]]).prod()
    assert sums.to_numpy() == pytest.approx(1.0)


def test_restarts_stand_between_the_sessions(make):
    drawn = draw_run_order(make.usable(), make.plan(), metric="avg_fps")
    assert drawn.drawing.keywords["session_plan"].borders == (90.5,)
    assert "restarts" in drawn.drawing.keywords["heading"].note


def test_an_order_that_no_clock_confirms_is_called_planned(make):
    usable = make.usable().assign(order_known=False)
    assert (
        "not verified" in draw_run_order(usable, make.plan(), metric="avg_fps").drawing.keywords["heading"].subtitle
    )


def test_temperatures_deviate_in_degrees(make):
    usable = make.usable().assign(metric="core_c")
    assert "°C in ten runs" in draw_run_order(usable, make.plan(), metric="core_c").alternative_text


def test_runs_without_order_or_fellows_are_not_drawn(make):
    assert draw_run_order(make.usable().assign(order=None), make.plan(), metric="avg_fps") is None
    assert draw_run_order(make.usable(rounds=1), make.plan(), metric="avg_fps") is None
    assert draw_run_order(make.usable(), make.plan(), metric="board_w") is None
