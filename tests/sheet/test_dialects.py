"""The same run sheet in many dialects gives the same table."""

from __future__ import annotations

import codecs
import datetime
import zipfile

import openpyxl
import pandas as pd
import pytest
from plans import small_plan

from gpubench_kit.model.errors import TableError
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.sheet import RunSheet, load_run_sheet

TEXT = """run,tuning,game,round,order,avg_fps,note
r1,factory,Salt Orchard,1,1,94.97,"windy, warm"
r2,quiet,Salt Orchard,1,2,93.50,nöthing
"""
TRUE_VALUES = [94.97, 93.5]


@pytest.fixture
def plan(tmp_path) -> ReviewPlan:
    """The small plan in an empty folder."""
    return small_plan(tmp_path, {"games": [{"name": "Salt Orchard"}]})


def read(plan: ReviewPlan, content: bytes, name: str = "runs.csv") -> RunSheet:
    """Write a sheet and read it."""
    (plan.folder / name).write_bytes(content)
    return load_run_sheet(plan)


def _with(separator: str) -> str:
    """Return the sheet with another separator, and a decimal comma where the separator leaves it free."""
    lines = (
        TEXT.replace('"windy, warm"', "windy| warm").replace(",", separator).replace("windy| warm", "windy, warm")
    )
    return lines.replace("94.97", "94,97").replace("93.50", "93,50")


DIALECTS = {
    "comma": TEXT.encode(),
    "semicolon and decimal comma": _with(";").encode(),
    "tab and decimal comma": _with("\t").encode(),
    "comma and quoted decimal comma": TEXT.replace("94.97", '"94,97"').replace("93.50", '"93,50"').encode(),
    "byte-order mark": codecs.BOM_UTF8 + TEXT.encode(),
    "Windows line ends": TEXT.replace("\n", "\r\n").encode(),
    "old line ends": TEXT.replace("\n", "\r").encode(),
    "UTF-16 with mark": TEXT.encode("utf-16"),
    "UTF-16 LE without mark": TEXT.encode("utf-16-le"),
    "UTF-16 BE without mark": TEXT.encode("utf-16-be"),
    "Windows code page": TEXT.encode("cp1252"),
    "separator told": ("sep=;\r\n" + _with(";")).encode(),
    "no last line end": TEXT.rstrip().encode(),
    "combining accents": TEXT.replace("ö", "o\u0308").encode(),
}


@pytest.mark.parametrize("content", DIALECTS.values(), ids=DIALECTS.keys())
def test_dialects_give_the_same_table(plan, content):
    sheet = read(plan, content)
    assert sheet.runs["run"].tolist() == ["r1", "r2"]
    assert sheet.runs["note"].tolist() == ["windy, warm", "nöthing"]
    assert sheet.typed["value"].tolist() == TRUE_VALUES
    assert sheet.typed["step"].tolist() == [0.01, 0.01]


def test_a_guessed_code_page_is_noted(plan):
    (note,) = [one for one in read(plan, TEXT.encode("cp1252")).findings if one.check == "run_sheet_read"]
    assert "read as Windows code page 1252" in note.message


def workbook(plan: ReviewPlan, rows: list[list], *, title: str = "runs") -> RunSheet:
    """Write a workbook and read it."""
    book = openpyxl.Workbook()
    book.active.title = title
    for row in rows:
        book.active.append(row)
    book.active["F2"].number_format = "0.00"
    book.save(plan.folder / "runs.xlsx")
    return load_run_sheet(plan)


HEAD = ["run", "tuning", "game", "round", "order", "avg_fps", "started_at"]


def test_a_workbook_keeps_the_decimals_that_its_format_shows(plan):
    at = datetime.datetime(2026, 11, 2, 18, 30)
    sheet = workbook(
        plan,
        [HEAD, ["r1", "factory", "Salt Orchard", 1, 1, 94, at], ["r2", "quiet", "Salt Orchard", 1, 2, 0.1 + 0.2]],
    )
    assert sheet.runs["order"].tolist() == [1, 2]
    assert sheet.runs["started_at"].tolist() == ["2026-11-02 18:30:00", ""]
    assert sheet.typed["value"].tolist() == [94.0, 0.3]
    assert sheet.typed["step"].tolist() == [0.01, 0.01]


def test_a_workbook_of_another_title_is_read_with_a_note(plan):
    sheet = workbook(plan, [HEAD, ["r1", "quiet", "Salt Orchard", 1, 1, 94]], title="Evening")
    assert any("sheet 'Evening'" in one.message for one in sheet.findings)


def test_whole_numbers_of_a_workbook_were_read_as_finely_as_the_others(plan):
    book = openpyxl.Workbook()
    book.active.append(["run", "tuning", "game", "round", "order", "avg_fps", "board_w"])
    for k, value in enumerate((61.3, 61.0, 60.75), start=1):
        book.active.append([f"r{k}", "quiet", "Salt Orchard", k, k, value, 200])
    book.save(plan.folder / "runs.xlsx")
    typed = load_run_sheet(plan).typed
    assert typed.loc[typed["metric"] == "avg_fps", "step"].tolist() == [0.01] * 3
    assert typed.loc[typed["metric"] == "board_w", "step"].tolist() == [1.0] * 3


def test_a_workbook_called_csv_is_read(plan):
    workbook(plan, [HEAD, ["r1", "quiet", "Salt Orchard", 1, 1, 94]])
    (plan.folder / "runs.xlsx").rename(plan.folder / "runs.csv")
    assert load_run_sheet(plan).runs["run"].tolist() == ["r1"]


def test_text_of_a_workbook_that_looks_like_a_formula_stays_text(tmp_path):
    plan = small_plan(tmp_path, {"games": [{"name": "=1+1"}]})
    frame = pd.DataFrame([["r1", "quiet", "x", 1, 1, 94]], columns=HEAD[:6])
    frame.to_excel(tmp_path / "runs.xlsx", index=False)
    book = openpyxl.load_workbook(tmp_path / "runs.xlsx")
    book.active["C2"].value, book.active["C2"].data_type = "=1+1", "s"
    book.save(tmp_path / "runs.xlsx")
    assert load_run_sheet(plan).runs["game"].tolist() == ["=1+1"]


def test_a_formula_without_a_stored_result_is_refused(plan):
    with pytest.raises(TableError, match=r"runs\.xlsx: the formulas in 'E2' have no stored result"):
        workbook(plan, [HEAD, ["r1", "quiet", "Salt Orchard", 1, "=1+1", 94]])


def test_a_percent_format_is_not_taken_for_a_plain_number(plan):
    book = openpyxl.Workbook()
    book.active.append(["run", "tuning", "game", "round", "order", "load_pct"])
    book.active.append(["r1", "quiet", "Salt Orchard", 1, 1, 0.97])
    book.active["F2"].number_format = "0%"
    book.save(plan.folder / "runs.xlsx")
    with pytest.raises(TableError, match=r"column 'load_pct': '97 %' was found; a number is expected"):
        load_run_sheet(plan)


def test_a_damaged_workbook_is_told(plan):
    with pytest.raises(TableError, match=r"runs\.xlsx: the file cannot be read as an \.xlsx workbook"):
        read(plan, b"PK\x03\x04 and no more", "runs.xlsx")


def test_a_zip_file_without_a_workbook_is_told(plan):
    with zipfile.ZipFile(plan.folder / "runs.xlsx", "w") as packed:
        packed.writestr("hello.txt", "hello")
    with pytest.raises(TableError, match=r"cannot be read as an \.xlsx workbook"):
        load_run_sheet(plan)


def test_a_workbook_that_unpacks_to_too_much_is_refused(plan):
    with zipfile.ZipFile(plan.folder / "runs.xlsx", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/worksheets/sheet1.xml", b"<worksheet>" + b" " * 100_000_001)
    with pytest.raises(TableError, match="too large: at most 100 MB unpacked"):
        load_run_sheet(plan)


def test_two_run_sheets_are_told(plan):
    (plan.folder / "runs.csv").write_text(TEXT, encoding="utf-8")
    (plan.folder / "runs.xlsx").write_bytes(b"x")
    with pytest.raises(TableError, match=r"'runs\.csv', 'runs\.xlsx': more than one run sheet; one is expected"):
        load_run_sheet(plan)


def test_no_run_sheet_is_told(plan):
    with pytest.raises(TableError, match=r"runs\.csv: there is no run sheet in the folder .*gpubench-kit"):
        load_run_sheet(plan)


NO_TABLE = {
    "empty": (b"", "the file is empty; a row of headings is expected"),
    "only blanks": (b"\n , \n", "the file is empty; a row of headings is expected"),
    "quote left open": (TEXT.encode() + b'"r3', r"runs\.csv, line \d: the row cannot be split .* Check its quotes"),
    "no text": (b"\xff\xfe\x00", "the text is cut or mixed"),
    "no Western letters": (b"run,\x81\n", "neither UTF-8 nor UTF-16 nor"),
    "NUL in a name": (b"run,tuning,game,avg_fps\nr\x001,quiet,Salt Orchard,90\n", r"control character U\+0000"),
}


@pytest.mark.parametrize(("content", "message"), NO_TABLE.values(), ids=NO_TABLE.keys())
def test_what_is_no_table_is_told(plan, content, message):
    with pytest.raises(TableError, match=message):
        read(plan, content)


def test_a_comma_that_could_mark_thousands_is_not_guessed(plan):
    text = 'run,tuning,game,avg_fps\nr1,quiet,Salt Orchard,"1,234"\n'
    with pytest.raises(TableError, match=r"column 'avg_fps' of run 'r1' could be a decimal or a thousands mark"):
        read(plan, text.encode())


def test_other_numbers_can_show_that_the_comma_marks_decimals(plan):
    text = 'run,tuning,game,avg_fps\nr1,quiet,Salt Orchard,"1,234"\nr2,factory,Salt Orchard,"1,5"\n'
    assert read(plan, text.encode()).typed["value"].tolist() == [1.234, 1.5]


def test_two_decimal_marks_in_one_sheet_are_told(plan):
    text = "run;tuning;game;avg_fps\nr1;quiet;Salt Orchard;1.5\nr2;factory;Salt Orchard;1,5\n"
    with pytest.raises(
        TableError, match=r"numbers are written with two decimal marks: .*'r2' has a comma, .*'r1' has"
    ):
        read(plan, text.encode())
