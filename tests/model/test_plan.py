"""What a sound plan gives: defaults, look-ups, margins, a fingerprint of its decisions alone."""

from __future__ import annotations

import datetime
import pickle
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from plans import SMALL_PLAN, small_plan
from pydantic import ValidationError

from gpubench_kit.model.errors import PlanError
from gpubench_kit.model.plan import ReviewPlan, load_plan

EXAMPLE = """
[review]
title = "Larkmoor 4: what a lower power limit costs"
date = 2026-11-02

[[cards]]
name = "Larkmoor 4"
power_measured_at = "board_sensor"
price = 620.0

[[benches]]
name = "desk, driver B"
room_c = 22

[[tunings]]
name = "factory"
reference = true
[[tunings]]
name = "quiet"
changes = { memory_mhz = 0, power_limit_pct = -12, voltage_mv = -60 }
stability = [{ hours = 12.5, failures = 0 }]

[[games]]
name = "Low Tide Racers"
ends = "time"
[[games.settings]]
name = "1440p ray tracing"
group = "1440p ray tracing"

[analysis]
margins = { low_1pct_fps = 3.0, core_c = 2.0 }
restart_spread = { avg_fps = 1.0, board_w = 0.5, restarts = 6 }

[logs]
frame_time = { column = "frame_ms" }
sensors = { board_w = "power" }
sensor_offset_s = 0.5
[logs."Larkmoor 4"]
frame_time = { column = "frame_us", unit = "us" }

[costs]
price_per_kwh = 0.31
"""


@pytest.fixture
def folder(tmp_path) -> Path:
    """A review folder with the example plan."""
    (tmp_path / "plan.toml").write_text(EXAMPLE, encoding="utf-8")
    return tmp_path


def test_sections_hold_what_is_written(folder):
    plan = load_plan(folder / "plan.toml")
    assert plan.review.date == datetime.date(2026, 11, 2)
    assert plan.cards[0].price == 620.0
    assert plan.tunings[1].changes == {"memory_mhz": 0.0, "power_limit_pct": -12.0, "voltage_mv": -60.0}
    assert (plan.tunings[1].stability[0].hours, plan.tunings[1].stability[0].failures) == (12.5, 0)
    assert plan.games[0].settings[0].group == "1440p ray tracing"
    assert plan.costs.price_per_kwh == 0.31


def test_folder_and_file_give_the_same_plan(folder):
    assert load_plan(folder) == load_plan(folder / "plan.toml") == load_plan(str(folder))
    assert load_plan(folder).folder == folder


def test_what_is_left_out_has_the_documented_default():
    plan = small_plan()
    assert plan.analysis.metrics == ("avg_fps", "low_1pct_fps", "board_w", "energy_per_frame_j")
    assert (plan.analysis.margin_pct, plan.analysis.confidence, plan.analysis.looks) == (2.0, 0.95, 2)
    assert (plan.analysis.adjust, plan.analysis.applied) == ("fdr_bh", "as_recorded")
    assert plan.analysis.restart_spread == {}
    assert (plan.exclude.min_duration_s, plan.exclude.warm_up_runs_per_launch) == (0, 0)
    assert [bench.name for bench in plan.benches] == [""]
    assert [(one.name, one.group) for one in plan.games[0].settings] == [("", "all")]
    assert (plan.cards[0].model, plan.cards[0].power_measured_at) == ("Larkmoor 4", None)
    assert plan.logs.sensor_offset_s is None
    assert plan.costs.price_per_kwh is None


def test_byte_order_mark_and_windows_line_ends_are_read(tmp_path):
    (tmp_path / "plan.toml").write_bytes(b"\xef\xbb\xbf" + EXAMPLE.replace("\n", "\r\n").encode())
    assert load_plan(tmp_path).review.title.startswith("Larkmoor 4")


def test_a_plan_cannot_be_changed():
    plan = small_plan()
    with pytest.raises(ValidationError, match="frozen"):
        plan.analysis.margin_pct = 5.0


def test_a_plan_crosses_process_borders_with_its_folder(folder):
    plan = load_plan(folder)
    copied = pickle.loads(pickle.dumps(plan))
    assert copied == plan
    assert copied.folder == plan.folder


def test_reference_tuning_is_the_one_marked():
    assert small_plan().reference_tuning == "factory"


@pytest.mark.parametrize(
    ("metric", "margin"),
    [("avg_fps", 2.0), ("low_1pct_fps", 3.0), ("core_c", 2.0), ("sound_dba", None)],
    ids=["ratio scale: the general one", "its own", "difference scale: its own", "difference scale: none given"],
)
def test_margin_is_the_metrics_own_or_the_general_percent(folder, metric, margin):
    assert load_plan(folder).margin_of(metric) == margin


def test_restart_spread_tells_percent_and_restarts(folder):
    plan = load_plan(folder)
    assert plan.restart_spread_of("avg_fps") == (1.0, 6)
    assert plan.restart_spread_of("low_1pct_fps") is None


def test_a_spread_without_restarts_is_assumed():
    plan = small_plan(changes={"analysis": {"restart_spread": {"avg_fps": 0.5}}})
    assert plan.restart_spread_of("avg_fps") == (0.5, 0)


def test_a_cards_own_log_keys_override_the_general_ones(folder):
    logs = load_plan(folder).logs
    own, other = logs.of_card("Larkmoor 4"), logs.of_card("Fernholt 3")
    assert (own.frame_time.column, own.frame_time.unit, own.sensor_offset_s) == ("frame_us", "us", 0.5)
    assert (other.frame_time.column, other.frame_time.unit) == ("frame_ms", "ms")


def test_fingerprint_ignores_order_comments_titles_and_defaults_written_out():
    other = {
        "games": [{"name": "Salt Orchard", "scene": "walk"}, {"name": "Low Tide Racers", "limited_by": "card"}],
        "tunings": [{"name": "quiet"}, {"reference": True, "name": "factory"}],
        "review": {"title": "Another title", "author": "Bench notes"},
        "cards": [{"name": "Larkmoor 4", "price": 1.0}],
        "analysis": {"margin_pct": 2, "seed": 7},
        "style": {"accent": "#123456"},
    }
    assert ReviewPlan.from_dict(other).fingerprint == small_plan().fingerprint


@pytest.mark.parametrize(
    "changes",
    [
        {"analysis": {"margin_pct": 2.5}},
        {"analysis": {"margins": {"board_w": 3}}},
        {"analysis": {"looks": 1}},
        {"analysis": {"metrics": ["avg_fps"]}},
        {"exclude": {"min_duration_s": 55}},
        {"checks": {"gap_ms": 500}},
        {"games": [{"name": "Low Tide Racers"}]},
        {"tunings": [{"name": "factory"}, {"name": "quiet", "reference": True}]},
        {"comparisons": [{"of": {"tuning": "factory"}, "against": {"tuning": "quiet"}}]},
    ],
    ids=lambda changes: next(iter(changes)),
)
def test_fingerprint_changes_with_each_decision(changes):
    assert small_plan(changes=changes).fingerprint != small_plan().fingerprint


def test_decisions_are_plain_values_under_dotted_keys():
    decisions = small_plan().decisions()
    assert decisions["analysis.margin_pct"] == 2.0
    assert decisions["exclude.min_duration_s"] == 0.0
    assert decisions["comparisons"] == ["quiet (Larkmoor 4) against factory (Larkmoor 4)"]


ONE_LINE = st.text(st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp"]), min_size=1, max_size=300)


@given(name=ONE_LINE)
def test_any_line_of_text_can_be_a_name(name):
    name = name.strip()
    assume(name and name not in ("every_game", "these_games", "games_like_these"))
    plan = small_plan(changes={"games": [{"name": name}], "tunings": [{"name": name, "reference": True}]})
    assert plan.games[0].name == plan.reference_tuning
    assert len(plan.fingerprint) == 64


@pytest.mark.parametrize(
    "name", ["=1+1", "<b>bold</b>", 'with "quotes"', "x" * 300, "Névé Crossing", "潮の庭", "🎲"]
)
def test_names_with_signs_markup_and_scripts_are_data(name):
    assert small_plan(changes={"games": [{"name": name}]}).games[0].name == name


@given(before=ONE_LINE, control=st.characters(categories=["Cc", "Zl", "Zp"]), after=ONE_LINE)
def test_a_name_with_a_control_character_is_refused(before, control, after):
    assume(before.strip() == before and after.strip() == after)
    with pytest.raises(PlanError, match=f"control character U\\+{ord(control):04X}"):
        small_plan(changes={"games": [{"name": before + control + after}]})


def test_names_written_with_combining_accents_are_composed():
    composed, combined = "Névé Crossing", "Ne\u0301ve\u0301 Crossing"
    assert composed != combined
    assert small_plan(changes={"games": [{"name": combined}]}).games[0].name == composed


def test_a_mapping_is_left_as_it_was():
    before = repr(SMALL_PLAN)
    ReviewPlan.from_dict(SMALL_PLAN)
    assert repr(SMALL_PLAN) == before
