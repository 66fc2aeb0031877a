"""What a run sheet with faults gives: every fault at once, each with its run and what to do."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from plans import HEADINGS, full_sheet, rival_plan, small_plan, write_sheet

from gpubench_kit.model.errors import TableError
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.sheet import load_run_sheet


@pytest.fixture
def plan(tmp_path) -> ReviewPlan:
    """The small plan in an empty folder."""
    return small_plan(tmp_path)


def faults(plan: ReviewPlan, *rows: str, headings: str = HEADINGS) -> list[str]:
    """Return the messages for a sheet."""
    write_sheet(plan.folder, *rows, headings=headings)
    with pytest.raises(TableError) as caught:
        load_run_sheet(plan)
    return [str(fault) for fault in caught.value.faults]


CELLS = {
    "unknown tuning": (
        "r1,quite,Salt Orchard,1,1,90",
        "runs.csv, run 'r1': tuning 'quite' is not in the plan (tunings: 'factory', 'quiet'). Did you mean 'quie",
    ),
    "an open question": (
        "r1,?,Salt Orchard,1,1,90",
        "run 'r1', column 'tuning' ('?'): a question is still open. Fill it in.",
    ),
    "a proposal": (
        "r1,quiet ?,Salt Orchard,1,1,90",
        "('quiet ?'): a question is still open. Where the value beside the question mark is right, take the mark",
    ),
    "a proposal behind its mark": ("r1,quiet,? Salt Orchard,1,1,90", "('? Salt Orchard'): a question is"),
    "an open round": ("r1,quiet,Salt Orchard,? 2,1,90", "column 'round' ('? 2'): a question is still open"),
    "unknown game": ("r1,quiet,Salt Orchid,1,1,90", "game 'Salt Orchid' is not in the plan"),
    "no game": ("r1,quiet,,1,1,90", "run 'r1': no game is given"),
    "no tuning": ("r1,,Salt Orchard,1,1,90", "run 'r1', column 'tuning': the text is empty;"),
    "no run": (",quiet,Salt Orchard,1,1,90", "runs.csv, line 2, column 'run': the text is empty;"),
    "text for a round": (
        "r1,quiet,Salt Orchard,one,1,90",
        "column 'round': 'one' was found; a positive whole number",
    ),
    "fraction for an order": (
        "r1,quiet,Salt Orchard,1,1.5,90",
        "column 'order': '1.5' was found; a positive whole",
    ),
    "negative order": ("r1,quiet,Salt Orchard,1,-1,90", "column 'order': '-1' was found"),
    "round 0": ("r1,quiet,Salt Orchard,0,1,90", "round 0 was found; a positive whole number is expected."),
    "text for a number": ("r1,quiet,Salt Orchard,1,1,90 fps", "column 'avg_fps': '90 fps' was found; a number"),
    "not a number": ("r1,quiet,Salt Orchard,1,1,NaN", "column 'avg_fps': 'NaN' was found; a number is expected."),
    "error of a spreadsheet": ("r1,quiet,Salt Orchard,1,1,#DIV/0!", "column 'avg_fps': '#DIV/0!' was found"),
    "infinite": ("r1,quiet,Salt Orchard,1,1,1e999", "column 'avg_fps': '1e999' was found; a number above 0"),
    "zero": ("r1,quiet,Salt Orchard,1,1,0", "column 'avg_fps': '0' was found; a number above 0 is expected."),
    "negative": (
        "r1,quiet,Salt Orchard,1,1,-90",
        "column 'avg_fps': '-90' was found; a number above 0 is expected.",
    ),
    "thousands marks": (
        'r1,quiet,Salt Orchard,1,1,"1,234.5"',
        "column 'avg_fps': '1,234.5' was found; a number is",
    ),
    "a lone point": ("r1,quiet,Salt Orchard,1,1,.", "column 'avg_fps': '.' was found; a number is expected."),
    "one cell too many": (
        "r1,quiet,Salt Orchard,1,1,90,91",
        "line 2: more cells than the 6 headings; too much is",
    ),
    "line break in a name": ('"r\n1",quiet,Salt Orchard,1,1,90', "control character U+000A"),
}


@pytest.mark.parametrize(("row", "message"), CELLS.values(), ids=CELLS.keys())
def test_a_faulty_cell_is_told_with_its_run(plan, row, message):
    (found,) = faults(plan, row)
    assert message in found


def test_unknown_purpose_and_cause_name_the_nearest(plan):
    found = faults(plan, "r1,quiet,Salt Orchard,1,1,90,warmupp,crashed", headings=f"{HEADINGS},purpose,excluded")
    assert "column 'purpose': 'warmupp' was found" in found[0]
    assert found[0].endswith("Did you mean 'warm_up'?")
    assert found[1].endswith("Did you mean 'crash'?")


def test_faults_of_one_row_and_of_many_come_together_in_sheet_order(plan):
    found = faults(
        plan,
        "r1,quite,Salt Orchard,one,1,90",
        "r2,quiet,Salt Orchid,1,2,zero",
        "r2,quiet,Salt Orchard,1,3,90",
        "r3,quiet,Salt Orchard,1,4,90",
    )
    assert [one.split(":")[0] for one in found] == [
        "runs.csv, run 'r1', column 'round'",
        "runs.csv, run 'r1'",
        "runs.csv, run 'r2', column 'avg_fps'",
        "runs.csv, run 'r2'",
        "runs.csv, run 'r2'",
        "runs.csv, run 'r3'",
    ]
    assert "2 rows have this name (lines 3, 4); each run needs its own." in found[4]
    assert "'r2' is a used run of tuning 'quiet' in round 1 of 'Salt Orchard' already" in found[5]


def test_the_same_fault_in_many_rows_is_one_line(plan):
    (found,) = faults(plan, *[f"r{k},quite,Salt Orchard,{k},{k},90" for k in range(1, 301)])
    assert found.startswith("runs.csv, run 'r1'; run 'r2'; run 'r3' and 297 more rows: tuning 'quite'")


def test_open_cells_of_one_column_are_one_line_whatever_they_propose(plan):
    of_order, of_round = faults(plan, *[f"r{k},quiet,Salt Orchard,{k} ?,{k} ?,90" for k in range(1, 25)])[::-1]
    assert of_order.startswith(
        "runs.csv, run 'r1', column 'order' ('1 ?'); run 'r2', column 'order' ('2 ?'); "
        "run 'r3', column 'order' ('3 ?') and 21 more rows: a question is still open. Where the value"
    )
    assert "column 'round' ('3 ?') and 21 more rows" in of_round


def test_a_run_of_which_only_the_place_is_asked_is_checked_without_one(plan):
    write_sheet(
        plan.folder, "r1,quiet,Salt Orchard,1 ?,? 3,90", "r2,quiet,Salt Orchard,2,?,91", "r3,quiet,?,3,4,92"
    )
    sheet = load_run_sheet(plan, skip_bad_rows=True)
    assert sheet.runs["run"].tolist() == ["r1", "r2"]
    assert sheet.runs["order"].isna().tolist() == [True, True]
    assert sheet.runs["round"].isna().tolist() == [True, False]
    told = [str(fault) for fault in sheet.row_faults]
    assert [one for column in ("round", "order", "game") for one in told if f"column '{column}'" in one] != []
    assert sum("still open" in one for one in told) == len(told) == 4
    assert [finding.run for finding in sheet.findings if finding.check == "run_sheet_row"] == ["r3"]
    with pytest.raises(TableError, match="still open"):
        load_run_sheet(plan)


def test_each_fault_among_hundreds_of_rows_is_told_with_its_own_run(plan):
    rows = [f"r{k},quiet,Salt Orchard,{k},{k},90.5" for k in range(1, 701)]
    at_fault = (1, 250, 251, 500, 700)
    for k in at_fault:
        rows[k - 1] = f"r{k},quiet,Salt Orchard,{k},{k},{k} fps"
    told = faults(plan, *rows)
    assert [one.partition(":")[0] for one in told] == [f"runs.csv, run 'r{k}', column 'avg_fps'" for k in at_fault]
    write_sheet(plan.folder, *rows)
    sheet = load_run_sheet(plan, skip_bad_rows=True)
    assert sheet.runs["run"].tolist() == [f"r{k}" for k in range(1, 701) if k not in at_fault]
    assert len(sheet.typed) == 700 - len(at_fault)


def test_two_used_runs_of_a_tuning_in_a_round_are_told(plan):
    (found,) = faults(plan, "r1,quiet,Salt Orchard,1,1,90", "r2,quiet,Salt Orchard,1,2,91")
    assert found == (
        "runs.csv, run 'r2': 'r1' is a used run of tuning 'quiet' in round 1 of 'Salt Orchard' already; one run of "
        "each tuning per round is expected. Give the cause in 'excluded' of the one that does not count, or "
        "correct the round."
    )


REPEATS = {
    "no run of the sheet": ("quiet,Salt Orchard,2,2,91,r9", "replaces 'r9', which is no run of this sheet."),
    "itself": ("quiet,Salt Orchard,2,2,91,r2", "the run replaces itself."),
    "another tuning": ("factory,Salt Orchard,2,2,91,r1", "replaces 'r1', which is of another card, bench, tuning"),
    "another game": ("quiet,Low Tide Racers,2,2,91,r1", "replaces 'r1', which is of another card, bench, tuning"),
}


@pytest.mark.parametrize(("repeat", "message"), REPEATS.values(), ids=REPEATS.keys())
def test_a_repeat_is_of_a_run_of_its_kind(plan, repeat, message):
    headings = f"{HEADINGS},replaces"
    (found,) = faults(plan, "r1,quiet,Salt Orchard,1,1,90,", f"r2,{repeat}", headings=headings)
    assert message in found


def test_with_several_cards_an_empty_card_is_told(tmp_path):
    plan = rival_plan()
    plan = ReviewPlan.from_dict(plan.model_dump(mode="json", exclude_none=True), folder=tmp_path)
    (found,) = faults(plan, "r1,quiet,Salt Orchard,1,1,90")
    assert "no card is given, but the plan has 2 (cards: 'Larkmoor 4', 'Fernholt 3')." in found


def test_a_tuning_of_another_card_is_told(tmp_path):
    tunings = [{"name": "factory", "reference": True}, {"name": "quiet", "card": "Larkmoor 4"}]
    cards = [{"name": "Larkmoor 4"}, {"name": "Fernholt 3", "role": "rival"}]
    plan = small_plan(tmp_path, {"tunings": tunings, "cards": cards})
    (found,) = faults(plan, "r1,quiet,Salt Orchard,1,1,90,Fernholt 3", headings=f"{HEADINGS},card")
    assert "tuning 'quiet' is of card 'Larkmoor 4'" in found


PATHS = [
    "../x.csv",
    "logs/../../x.csv",
    "/etc/hosts",
    r"C:\x.csv",
    "c:x.csv",
    r"..\x.csv",
    r"\\server\x.csv",
    r"\x.csv",
]


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("column", ["frame_log", "sensor_log"])
def test_a_path_out_of_the_folder_is_refused(plan, path, column):
    (found,) = faults(plan, f"r1,quiet,Salt Orchard,1,1,90,{path}", headings=f"{HEADINGS},{column}")
    assert f"column '{column}': the path '" in found
    assert "leaves the review folder." in found


@pytest.mark.parametrize("place", ["file", "folder"])
def test_a_link_out_of_the_folder_is_refused(tmp_path, place):
    folder, outside = tmp_path / "review", tmp_path / "outside"
    folder.mkdir()
    outside.mkdir()
    (outside / "a.csv").write_text("x", encoding="utf-8")
    link(
        folder / "logs" if place == "folder" else folder / "a.csv",
        outside if place == "folder" else outside / "a.csv",
    )
    path = "logs/a.csv" if place == "folder" else "a.csv"
    (found,) = faults(small_plan(folder), f"r1,quiet,Salt Orchard,1,1,90,{path}", headings=f"{HEADINGS},frame_log")
    assert "leaves the review folder." in found


def link(path: Path, target: Path) -> None:
    """Make a symbolic link; on systems that keep that from users there is nothing to test."""
    try:
        path.symlink_to(target, target_is_directory=target.is_dir())
    except OSError:
        if sys.platform != "win32":
            raise
        pytest.skip("making links needs a privilege on this system")


def test_a_review_folder_that_is_itself_a_link_is_fine(tmp_path):
    (tmp_path / "real").mkdir()
    link(tmp_path / "linked", tmp_path / "real")
    write_sheet(
        tmp_path / "linked",
        "r1,quiet,Salt Orchard,1,1,logs/a.csv",
        headings="run,tuning,game,round,order,frame_log",
    )
    assert len(load_run_sheet(small_plan(tmp_path / "linked")).runs) == 1


HEADS = {
    "needed column missing": (
        "run,game,avg_fps",
        "column 'tuning' is missing (found: 'run', 'game', 'avg_fps'). Add it.",
    ),
    "needed column misspelt": ("run,tunning,game,avg_fps", "unknown column 'tunning'. Did you mean 'tuning'?"),
    "metric misspelt": (
        "run,tuning,game,avg_fps,low_1pct_fp",
        "unknown column 'low_1pct_fp'. Did you mean 'low_1pct_fps'?",
    ),
    "column twice": ("run,tuning,game,avg_fps,Avg FPS", "two columns are called 'avg_fps'; one is expected."),
    "nothing measured": (
        "run,tuning,game,round,order",
        "neither a column 'frame_log' nor a metric's column was found",
    ),
}


@pytest.mark.parametrize(("headings", "message"), HEADS.values(), ids=HEADS.keys())
def test_faulty_headings_are_told_once(plan, headings, message):
    (found,) = faults(plan, headings=headings)
    assert message in found


def test_headings_and_rows_are_told_together(plan):
    found = faults(plan, "r1,quite,Salt Orchard,1,1,90,x", headings=f"{HEADINGS},notes")
    assert len(found) == 2
    assert "unknown column 'notes'" in found[0]
    assert "tuning 'quite'" in found[1]


def test_a_report_needs_runs_of_every_tuning_but_a_check_does_not(plan):
    write_sheet(plan.folder, "r1,quiet,Salt Orchard,1,1,90")
    assert len(load_run_sheet(plan).runs) == 1
    with pytest.raises(
        TableError, match=r"runs\.csv: tuning 'factory' of the plan has no run\. Add its runs, or take"
    ):
        load_run_sheet(plan, for_report=True)


def test_with_a_pattern_of_file_names_the_sheet_needs_no_column_for_logs(tmp_path):
    plan = small_plan(tmp_path, {"logs": {"pattern": "{game}_{tuning}_{round}.csv"}})
    write_sheet(tmp_path, "r1,quiet,Salt Orchard,1,1", headings="run,tuning,game,round,order")
    assert len(load_run_sheet(plan).runs) == 1


def test_bad_rows_can_be_left_out_and_listed(plan):
    full_sheet(plan.folder)
    text = (plan.folder / "runs.csv").read_text(encoding="utf-8")
    (plan.folder / "runs.csv").write_text(
        text.replace("r2,quiet", "r2,quite").replace("93.50", "x"), encoding="utf-8"
    )
    sheet = load_run_sheet(plan, skip_bad_rows=True)
    assert sheet.runs["run"].tolist() == ["r1", "r4", "r5", "r6", "r7", "r8"]
    assert set(sheet.typed["run"]) == set(sheet.runs["run"])
    told = [(one.severity, one.check, one.run) for one in sheet.findings]
    assert told == [("stop", "run_sheet_row", "r2"), ("stop", "run_sheet_row", "r3")]
    assert sheet.findings[0].action == "Did you mean 'quiet'?"


def test_a_sheet_without_a_needed_column_is_an_error_even_when_bad_rows_are_left_out(plan):
    write_sheet(plan.folder, "r1,90", headings="run,avg_fps")
    with pytest.raises(TableError, match="column 'tuning' is missing"):
        load_run_sheet(plan, skip_bad_rows=True)
