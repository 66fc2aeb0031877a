"""Two cards at equal power and at equal frame rate, read off both sweeps."""

from __future__ import annotations

import numpy as np
import pytest
from made_rivals import CARDS, GAMES, ONCE, STEPS, SWEPT, RivalReview, measure

from gpubench_kit.model.table_checks import check_table
from gpubench_kit.page.sweep import sweep_readings
from gpubench_kit.sweep.answers import BETWEEN
from gpubench_kit.sweep.find import find_tuning

LEAD, WATTS = 1.02, 0.95


def swept(folder, **given):
    """Return the plan and what is found in a review in which both cards were swept."""
    usual = {
        "installed": "ABBAAB", "tunings": SWEPT, "steps": STEPS, "games": GAMES[:3], "fps": {"A": LEAD},
        "watts": {"A": WATTS}, "sections": {"sweep": {"ladder": "power_limit_pct"}}, "installation_pct": 0.15,
    }  # fmt: skip
    review = measure(RivalReview(**usual | given).write(folder))
    return review.plan, find_tuning(review.usable, review.runs, review.plan)


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    """Return what two sweeps show."""
    return swept(tmp_path_factory.mktemp("between") / "review")


def curves():
    """Return the true curves of either card against its factory state: natural logs of power and frame rate."""
    ends = np.array([(np.log1p(power / 100), np.log1p(fps / 100)) for fps, power, _ in SWEPT.values()])
    return ends[np.argsort(ends[:, 0])]


def test_the_true_difference_at_equal_power_lies_in_every_range(found):
    _, sweep = found
    check_table(sweep.between, BETWEEN)
    rows = sweep.between[sweep.between["reading"] == "rate_at_power"]
    factory = sweep.settings[sweep.settings["is_factory"] & (sweep.settings["card"] == "Fernholt 3")].iloc[0]
    power, rate = curves().T
    assert len(rows) >= 3
    for row in rows.itertuples():
        wanted = np.log(row.given / factory["board_w"])
        ours = np.interp(wanted - np.log(WATTS), power, rate)
        truth = 100 * np.expm1(np.log(LEAD) + ours - np.interp(wanted, power, rate))
        assert row.ci_low <= truth <= row.ci_high
        assert row.ci_low < row.change < row.ci_high
        assert row.change == pytest.approx(truth, abs=1.2)


def test_the_true_difference_at_equal_frame_rate_lies_in_every_range(found):
    _, sweep = found
    rows = sweep.between[sweep.between["reading"] == "power_at_rate"]
    factory = sweep.settings[sweep.settings["is_factory"] & (sweep.settings["card"] == "Fernholt 3")].iloc[0]
    power, rate = curves().T
    assert len(rows) >= 1
    for row in rows.itertuples():
        wanted = np.log(row.given / factory["avg_fps"])
        truth = 100 * np.expm1(
            np.log(WATTS) + np.interp(wanted - np.log(LEAD), rate, power) - np.interp(wanted, rate, power)
        )
        assert row.ci_low <= truth <= row.ci_high


def test_ranges_are_wider_than_the_difference_of_the_factory_states_alone(found):
    _, sweep = found
    widths = (sweep.between["ci_high"] - sweep.between["ci_low"]).dropna()
    assert (widths > 0.5).all()


def test_the_page_shows_the_two_cards_at_equal_power(found):
    plan, sweep = found
    html = sweep_readings(sweep, plan)._repr_html_()
    assert "Larkmoor 4 vs Fernholt 3: frame rate at equal power" in html
    assert "the difference of their factory states, installations and all" in html


def test_cards_measured_at_different_points_are_not_read_against_each_other(tmp_path):
    cards = {"A": CARDS["A"], "B": CARDS["B"] | {"power_measured_at": "wall"}}
    plan, sweep = swept(tmp_path / "review", cards=cards, installed="ABBA", games=GAMES[:2])
    assert list(sweep.between["reason"]) == ["different_power_points"]
    assert sweep.between["change"].isna().all()
    assert "Power was measured at different points" in sweep_readings(sweep, plan)._repr_html_()


def test_cards_installed_once_are_read_only_with_a_stated_spread(tmp_path):
    sections = {"sweep": {"ladder": "power_limit_pct"}}
    plan, sweep = swept(tmp_path / "once", installed="AB", games=GAMES[:2], sections=sections)
    assert list(sweep.between["reason"]) == ["confounded"]
    text = sweep_readings(sweep, plan)._repr_html_()
    assert "difference between cards and difference between two installations cannot be told apart" in text
    _, stated = swept(
        tmp_path / "stated",
        installed="AB",
        games=GAMES[:2],
        sections=sections | {"analysis": {"restart_spread": ONCE}},
    )
    rows = stated.between[stated.between["reading"] == "rate_at_power"]
    assert (rows["reason"] == "").all()
    # Two installations that vary by 1 % each: 1.4 % of standard error, at a sixth of the level on both sides.
    assert ((rows["ci_high"] - rows["ci_low"]) > 2 * 2.4 * 1.41).all()


def test_one_card_has_no_other_to_be_read_against(tmp_path):
    _, sweep = swept(tmp_path / "review", installed="AA", games=GAMES[:2])
    assert not len(sweep.between)
