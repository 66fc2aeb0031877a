"""Names in other capitals and blanks are taken for the plan's, with a note each; numbers of runs are rounds."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from plans import HEADINGS, small_plan, write_sheet

from gpubench_kit.model.errors import TableError
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.sheet import load_run_sheet

NAMES = {"tuning": ("factory", "quiet"), "game": ("Low Tide Racers", "Salt Orchard")}


@pytest.fixture
def plan(tmp_path) -> ReviewPlan:
    """The small plan in an empty folder."""
    return small_plan(tmp_path)


def messages(sheet, check: str) -> list[str]:
    """Return the messages of one check."""
    return [one.message for one in sheet.findings if one.check == check]


def test_capitals_and_blanks_are_taken_with_one_note_for_each_spelling(plan):
    rows = ("r1,Quiet,Salt  orchard,1,1,90", "r2,Quiet,Salt Orchard,2,2,91", "r3,FACTORY,Salt Orchard,1,3,92")
    write_sheet(plan.folder, *rows)
    sheet = load_run_sheet(plan)
    assert sheet.runs["tuning"].tolist() == ["quiet", "quiet", "factory"]
    assert sheet.runs["game"].tolist() == ["Salt Orchard"] * 3
    assert messages(sheet, "name_spelt_otherwise") == [
        "runs.csv: tuning 'Quiet' in 2 rows is taken for 'quiet'.",
        "runs.csv: tuning 'FACTORY' in 1 row is taken for 'factory'.",
        "runs.csv: game 'Salt  orchard' in 1 row is taken for 'Salt Orchard'.",
    ]


def test_hyphens_and_underscores_count_as_blanks(plan):
    write_sheet(plan.folder, "r1,quiet,low-tide_racers,1,1,90")
    assert load_run_sheet(plan).runs["game"].tolist() == ["Low Tide Racers"]


def test_causes_and_purposes_may_have_capitals_and_blanks(plan):
    headings = f"{HEADINGS},purpose,excluded"
    write_sheet(plan.folder, "r1,quiet,Salt Orchard,1,1,90,Warm up,Not completed", headings=headings)
    row = load_run_sheet(plan).runs.iloc[0]
    assert (row["purpose"], row["excluded"]) == ("warm_up", "not_completed")


def test_a_name_that_two_names_resemble_is_a_fault(tmp_path):
    tunings = [{"name": "factory", "reference": True}, {"name": "uv 950"}, {"name": "UV-950"}]
    plan = small_plan(tmp_path, {"tunings": tunings})
    write_sheet(tmp_path, "r1,uv 950,Salt Orchard,1,1,90", "r2,UV-950,Salt Orchard,1,2,90")
    assert load_run_sheet(plan).runs["tuning"].tolist() == ["uv 950", "UV-950"]
    write_sheet(tmp_path, "r1,Uv 950,Salt Orchard,1,1,90")
    with pytest.raises(TableError, match="tuning 'Uv 950' is not in the plan"):
        load_run_sheet(plan)


def test_a_name_with_a_question_mark_in_the_plan_is_no_open_cell(tmp_path):
    plan = small_plan(tmp_path, {"games": [{"name": "Where Now ?"}]})
    write_sheet(tmp_path, "r1,quiet,Where Now ?,1,1,90")
    assert load_run_sheet(plan).runs["game"].tolist() == ["Where Now ?"]


def test_open_cells_stop_a_report_and_are_left_out_by_a_check(plan):
    rows = ("r1,quiet ?,Salt Orchard,1,1,90", "r2,quiet,Salt Orchard,2,2,91", "r3,quiet ?,Salt Orchard,3,3,91")
    write_sheet(plan.folder, *rows)
    with pytest.raises(TableError, match="still open"):
        load_run_sheet(plan)
    sheet = load_run_sheet(plan, skip_bad_rows=True)
    assert sheet.runs["run"].tolist() == ["r2"]
    # Two rows ask for the same: on a terminal that is one line.
    assert len(messages(sheet, "run_sheet_row")) == 2
    (fault,) = sheet.row_faults
    assert fault.where == "runs.csv, run 'r1', column 'tuning' ('quiet ?'); run 'r3', column 'tuning' ('quiet ?')"


def test_questions_in_notes_are_no_open_cells(plan):
    write_sheet(plan.folder, "r1,quiet,Salt Orchard,1,1,90,why so slow ?", headings=f"{HEADINGS},note")
    assert load_run_sheet(plan).runs["note"].tolist() == ["why so slow ?"]


def test_the_evidence_of_a_draft_is_not_read_and_needs_no_note(plan):
    write_sheet(plan.folder, "r1,quiet,Salt Orchard,1,1,90,by name ?", headings=f"{HEADINGS},evidence")
    sheet = load_run_sheet(plan)
    assert "evidence" not in sheet.runs.columns
    assert not messages(sheet, "columns_ignored")


def test_why_a_number_was_corrected_is_kept(plan):
    write_sheet(plan.folder, "r1,quiet,Salt Orchard,1,1,90,typed 80", headings=f"{HEADINGS},corrected")
    assert load_run_sheet(plan).runs["corrected"].tolist() == ["typed 80"]


NUMBERED = (
    "1,factory,Salt Orchard,90", "2,factory,Salt Orchard,91", "1,quiet,Salt Orchard,92", "2,Quiet,Salt Orchard,93",
    "1,factory,Low Tide Racers,50", "2,factory,Low Tide Racers,51",
)  # fmt: skip


def test_numbers_that_begin_anew_for_each_game_and_tuning_are_rounds(plan):
    write_sheet(plan.folder, *NUMBERED, headings="run,tuning,game,avg_fps")
    sheet = load_run_sheet(plan)
    assert sheet.runs["round"].tolist() == [1, 2, 1, 2, 1, 2]
    assert sheet.runs["run"].tolist()[:4] == [
        "Salt Orchard factory 1", "Salt Orchard factory 2", "Salt Orchard quiet 1", "Salt Orchard quiet 2",
    ]  # fmt: skip
    (note,) = messages(sheet, "run_numbers_are_rounds")
    assert "begin anew for each game and tuning and are taken as rounds" in note


def test_numbers_of_several_sessions_are_rounds_of_each(plan):
    rows = (f"{n},quiet,Salt Orchard,{day},90" for day in ("first", "second") for n in (1, 2))
    write_sheet(plan.folder, *rows, headings="run,tuning,game,session,avg_fps")
    assert load_run_sheet(plan).runs["run"].tolist()[2] == "second Salt Orchard quiet 1"


def test_numbers_beside_the_same_rounds_are_accepted_and_beside_others_are_not(plan):
    same = [f"{row},{row[0]}" for row in NUMBERED]
    write_sheet(plan.folder, *same, headings="run,tuning,game,avg_fps,round")
    assert load_run_sheet(plan).runs["round"].tolist() == [1, 2, 1, 2, 1, 2]
    write_sheet(plan.folder, *[f"{row},{3 - int(row[0])}" for row in NUMBERED],
                headings="run,tuning,game,avg_fps,round")  # fmt: skip
    with pytest.raises(TableError, match="rows have this name"):
        load_run_sheet(plan)


def test_a_number_twice_for_a_game_and_tuning_is_a_fault(plan):
    write_sheet(plan.folder, *NUMBERED, NUMBERED[0], headings="run,tuning,game,avg_fps")
    with pytest.raises(TableError, match="rows have this name"):
        load_run_sheet(plan)


def test_numbers_that_run_through_the_sheet_are_names(plan):
    rows = [f"{k},{row[2:]}" for k, row in enumerate(NUMBERED, start=1)]
    write_sheet(plan.folder, *rows, headings="run,tuning,game,avg_fps")
    sheet = load_run_sheet(plan)
    assert sheet.runs["run"].tolist() == list("123456")
    assert sheet.runs["round"].isna().all()


def test_a_cause_as_kit_0_1_0_called_it_is_read_with_a_note(plan):
    rows = ("r1,quiet,Salt Orchard,1,1,90,", "r2,quiet,Salt Orchard,2,2,91,foreign_load")
    write_sheet(plan.folder, *rows, headings=f"{HEADINGS},excluded")
    sheet = load_run_sheet(plan)
    assert sheet.runs["excluded"].tolist() == ["", "background_load"]
    assert messages(sheet, "name_spelt_otherwise") == [
        "runs.csv: excluded 'foreign_load' in 1 row is taken for 'background_load'."
    ]


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    column=st.sampled_from(sorted(NAMES)), place=st.integers(0, 1), seed=st.randoms(use_true_random=False),
)  # fmt: skip
def test_any_capitals_and_blanks_mean_the_same_name(plan, column, place, seed):
    name = NAMES[column][place]
    spelt = "".join(seed.choice((letter.upper(), letter.lower())) for letter in name)
    spelt = seed.choice((" ", "  ", "_", "-")).join(spelt.split())
    row = {"tuning": "quiet", "game": "Salt Orchard"} | {column: spelt}
    write_sheet(plan.folder, f"r1,{row['tuning']},{row['game']},1,1,90")
    sheet = load_run_sheet(plan)
    assert sheet.runs[column].tolist() == [name]
    assert len(messages(sheet, "name_spelt_otherwise")) == (spelt != name)
