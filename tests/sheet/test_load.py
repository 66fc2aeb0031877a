"""What a sound run sheet gives: one row per run with the plan's facts, typed numbers with their steps, notes."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from plans import full_sheet, rival_plan, small_plan, write_sheet

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.table_checks import check_table
from gpubench_kit.model.tables import RUN_SHEET, TYPED_VALUES
from gpubench_kit.sheet import load_run_sheet


@pytest.fixture
def plan(tmp_path) -> ReviewPlan:
    """The small plan in an empty folder."""
    return small_plan(tmp_path)


def checks(sheet) -> list[str]:
    """Return the names of the checks that found something."""
    return [finding.check for finding in sheet.findings]


def test_each_row_is_a_run_in_sheet_order(plan):
    full_sheet(plan.folder)
    sheet = load_run_sheet(plan, for_report=True)
    check_table(sheet.runs, RUN_SHEET)
    check_table(sheet.typed, TYPED_VALUES)
    assert list(sheet.runs["run"]) == [f"r{k}" for k in range(1, 9)]
    assert list(sheet.runs["order"]) == list(range(1, 9))
    assert (set(sheet.runs["purpose"]), set(sheet.runs["excluded"])) == ({"measure"}, {""})
    assert sheet.findings == ()


def test_what_the_plan_says_stands_beside_each_run(tmp_path):
    settings_ = [
        {"name": "1440p ray tracing", "group": "traced", "frames_counted": "shown", "generated_per_rendered": 1}
    ]
    plan = small_plan(
        tmp_path,
        {
            "cards": [{"name": "first", "model": "Larkmoor 4", "power_measured_at": "inline"}],
            "benches": [{"name": "desk"}],
            "games": [{"name": "Salt Orchard", "limited_by": "memory", "settings": settings_}],
        },
    )
    write_sheet(plan.folder, "r1,quiet,Salt Orchard,1,1,90")
    row = load_run_sheet(plan).runs.iloc[0]
    assert (row["card"], row["model"], row["power_measured_at"], row["bench"]) == (
        "first",
        "Larkmoor 4",
        "inline",
        "desk",
    )
    assert (row["setting"], row["group"], row["frames_counted"]) == ("1440p ray tracing", "traced", "shown")
    assert (row["generated_per_rendered"], row["frame_limit_fps"], row["limited_by"]) == (1, 0.0, "memory")


def test_typed_numbers_keep_the_step_of_their_last_decimal(plan):
    headings = "run,tuning,game,round,order,avg_fps,board_w,core_c"
    write_sheet(plan.folder, "r1,quiet,Salt Orchard,1,1,94.970,201,-3.5", headings=headings)
    typed = load_run_sheet(plan).typed.set_index("metric")
    assert list(typed.index) == ["avg_fps", "board_w", "core_c"]
    assert typed["value"].tolist() == [94.97, 201.0, -3.5]
    assert typed["step"].tolist() == [0.001, 1.0, 0.1]


def test_readings_of_sound_in_one_cell_are_averaged_on_the_energy_scale(plan):
    write_sheet(
        plan.folder, "r1,quiet,Salt Orchard,1,1,40.0 / 50.0", headings="run,tuning,game,round,order,sound_dba"
    )
    (value,) = load_run_sheet(plan).typed["value"]
    assert value == pytest.approx(47.4036, abs=1e-4)  # 10 log10((10^4 + 10^5) / 2)


def test_a_metric_on_the_difference_scale_can_be_zero(plan):
    write_sheet(plan.folder, "r1,quiet,Salt Orchard,1,1,0", headings="run,tuning,game,round,order,fan_rpm")
    assert load_run_sheet(plan).typed["value"].tolist() == [0.0]


def test_round_and_order_may_be_empty(plan):
    write_sheet(plan.folder, "r1,quiet,Salt Orchard,,,90")
    runs = load_run_sheet(plan).runs
    assert runs[["round", "order"]].isna().all(axis=None)
    assert str(runs["round"].dtype) == "Int64"


def test_a_sheet_without_round_and_order_notes_that_the_layout_is_not_stated(plan):
    write_sheet(plan.folder, "r1,quiet,Salt Orchard,90", headings="run,tuning,game,avg_fps")
    assert "layout_not_stated" in checks(load_run_sheet(plan))


def test_a_row_without_log_and_numbers_is_no_fault(plan):
    write_sheet(plan.folder, "r1,quiet,Salt Orchard,1,1,")
    sheet = load_run_sheet(plan)
    assert len(sheet.runs) == 1
    assert sheet.typed.empty


def test_own_columns_are_ignored_with_a_note(plan):
    write_sheet(
        plan.folder, "r1,quiet,Salt Orchard,1,1,90,sunny", headings="run,tuning,game,round,order,avg_fps,weather"
    )
    (note,) = [one for one in load_run_sheet(plan).findings if one.check == "columns_ignored"]
    assert "'weather'" in note.message


def test_headings_may_have_capitals_and_blanks(plan):
    write_sheet(
        plan.folder, "r1,quiet,Salt Orchard,1,1,logs/a.csv", headings="Run,Tuning,GAME,Round,Order,Frame log"
    )
    assert load_run_sheet(plan).runs["frame_log"].tolist() == ["logs/a.csv"]


def test_a_sheet_with_headings_alone_has_no_runs(plan):
    write_sheet(plan.folder)
    sheet = load_run_sheet(plan)
    assert len(sheet.runs) == 0
    assert list(sheet.runs.columns) == RUN_SHEET.names


def test_games_and_tunings_without_rows_are_noted(plan):
    write_sheet(plan.folder, "r1,quiet,Salt Orchard,1,1,90")
    assert [note.message for note in load_run_sheet(plan).findings] == [
        "the run sheet has no row yet for game 'Low Tide Racers'.",
        "the run sheet has no row yet for tuning 'factory'.",
    ]


def test_blank_rows_and_empty_columns_at_the_end_are_left_out(plan):
    write_sheet(
        plan.folder,
        "r1,quiet,Salt Orchard,1,1,90,,",
        ",,,,,,,",
        "",
        headings="run,tuning,game,round,order,avg_fps,,",
    )
    assert load_run_sheet(plan).runs["run"].tolist() == ["r1"]


def test_an_idle_run_plays_no_game(plan):
    write_sheet(
        plan.folder, "r1,quiet,,,1,,idle,9.5", headings="run,tuning,game,round,order,avg_fps,purpose,board_w"
    )
    row = load_run_sheet(plan).runs.iloc[0]
    assert (row["purpose"], row["game"], row["group"]) == ("idle", "", "")


def test_an_excluded_run_and_its_repeat_share_a_round(plan):
    headings = "run,tuning,game,round,order,avg_fps,excluded,replaces"
    rows = ("r1,quiet,Salt Orchard,1,1,90,crash,", "r2,quiet,Salt Orchard,1,2,91,,r1")
    write_sheet(plan.folder, *rows, headings=headings)
    sheet = load_run_sheet(plan)
    assert sheet.runs["excluded"].tolist() == ["crash", ""]
    assert sheet.runs["replaces"].tolist() == ["", "r1"]
    assert checks(sheet) == ["without_runs", "without_runs"]


def test_a_repeat_of_a_run_that_still_counts_is_noted(plan):
    headings = "run,tuning,game,round,order,avg_fps,replaces"
    write_sheet(plan.folder, "r1,quiet,Salt Orchard,1,1,90,", "r2,quiet,Salt Orchard,2,2,91,r1", headings=headings)
    assert "replaced_run_counts" in checks(load_run_sheet(plan))


def test_a_round_counts_within_its_session(plan):
    headings = "run,tuning,game,round,order,avg_fps,session"
    rows = ("r1,quiet,Salt Orchard,1,1,90,first evening", "r2,quiet,Salt Orchard,1,1,91,second evening")
    write_sheet(plan.folder, *rows, headings=headings)
    assert checks(load_run_sheet(plan)) == ["without_runs", "without_runs"]


def test_two_runs_in_one_place_of_the_order_are_noted(plan):
    write_sheet(plan.folder, "r1,quiet,Salt Orchard,1,1,90", "r2,factory,Salt Orchard,1,1,91")
    assert "order_repeated" in checks(load_run_sheet(plan))


def test_warm_up_rows_may_stand_before_the_first_round(plan):
    write_sheet(
        plan.folder, "r1,quiet,Salt Orchard,0,1,,warm_up", headings="run,tuning,game,round,order,avg_fps,purpose"
    )
    assert load_run_sheet(plan).runs["round"].tolist() == [0]


def test_with_several_cards_the_sheet_names_the_card(tmp_path):
    plan = rival_plan()
    plan = ReviewPlan.from_dict(plan.model_dump(mode="json", exclude_none=True), folder=tmp_path)
    write_sheet(
        tmp_path, "r1,quiet,Salt Orchard,1,1,90,Fernholt 3", headings="run,tuning,game,round,order,avg_fps,card"
    )
    assert load_run_sheet(plan).runs["card"].tolist() == ["Fernholt 3"]


@pytest.mark.parametrize(
    "log", ["logs/a.csv", "a.csv", "logs/../logs/a.csv", r"logs\a.csv", "..a.csv", "lögs/ä b.csv", "logs/a:b.csv"]
)
def test_paths_inside_the_folder_are_kept_as_written(plan, log):
    write_sheet(plan.folder, f"r1,quiet,Salt Orchard,1,1,{log}", headings="run,tuning,game,round,order,frame_log")
    assert load_run_sheet(plan).runs["frame_log"].tolist() == [log]


CELL = st.text(st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp"]), min_size=1, max_size=300)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=CELL)
def test_any_name_of_the_plan_is_found_in_the_sheet(tmp_path, name):
    name = name.strip()
    assume(name and name not in ("every_game", "these_games", "games_like_these"))
    # An apostrophe before a formula sign is what keeps a spreadsheet from evaluating the cell.
    assume(not (name[0] == "'" and name[1:2] in ("=", "+", "-", "@")))
    plan = small_plan(tmp_path, {"games": [{"name": name}]})
    frame = pd.DataFrame(
        {"run": [name], "tuning": ["quiet"], "game": [name], "round": [1], "order": [1], "avg_fps": [90]}
    )
    frame.to_csv(tmp_path / "runs.csv", index=False)
    runs = load_run_sheet(plan).runs
    assert runs["game"].tolist() == [plan.games[0].name]


@pytest.mark.parametrize("written", ["=1+1", "'=1+1"], ids=["as it is", "made harmless for spreadsheets"])
def test_a_name_like_a_formula_is_text(tmp_path, written):
    plan = small_plan(tmp_path, {"games": [{"name": "=1+1"}]})
    write_sheet(tmp_path, f"=2*3,quiet,{written},1,1,90")
    assert load_run_sheet(plan).runs[["run", "game"]].iloc[0].tolist() == ["=2*3", "=1+1"]


def test_every_one_of_three_hundred_runs_is_read(plan):
    full_sheet(plan.folder, rounds=range(1, 76))
    sheet = load_run_sheet(plan, for_report=True)
    assert len(sheet.runs) == len(sheet.typed) == 300
    assert sheet.findings == ()
