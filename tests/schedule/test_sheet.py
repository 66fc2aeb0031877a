"""Rows added to a run sheet: in its own dialect, and not a byte of what was there moved."""

import csv
import io

import pytest
from extended_sheet import extend_run_sheet

from gpubench_kit.model.errors import ReportError, TableError
from gpubench_kit.schedule.make import make_schedule
from gpubench_kit.schedule.run_sheet import extended_run_sheet
from gpubench_kit.sheet import load_run_sheet

#: name -> (encoding, bytes before the text, separator, end of line)
DIALECTS = {
    "plain": ("utf-8", b"", ",", "\n"),
    "UTF-8 with a mark": ("utf-8", b"\xef\xbb\xbf", ";", "\r\n"),
    "UTF-16": ("utf-16-le", b"\xff\xfe", ";", "\r\n"),
    "UTF-16, other end first, no mark": ("utf-16-be", b"", "\t", "\n"),
    "Western Windows": ("cp1252", b"", ";", "\r\n"),
    "old line ends": ("utf-8", b"", ",", "\r"),
}
LONG = {"session_plan": {"minutes": 9000.0}}


def _written(made, dialect: str, *, ended: bool = True) -> bytes:
    """Write a sheet with two rows and a column of the reviewer's own."""
    encoding, mark, separator, line_end = DIALECTS[dialect]
    rows = (
        ["run", "tuning", "game", "my Größe", "round", "order", "avg_fps"],
        ["x1", "factory", "Low Tide Racers", "é", "1", "1", "90.5"],
        ["x2", "quiet", "Low Tide Racers", f'"a{separator} b"', "1", "2", "90.50"],
    )
    text = line_end.join(separator.join(row) for row in rows) + line_end * ended
    content = mark + text.encode(encoding)
    made.sheet.write_bytes(content)
    return content


def _first_line_end(content: bytes, dialect: str) -> int:
    """Return where the first row ends."""
    encoding, _, _, line_end = DIALECTS[dialect]
    return content.index(line_end.encode(encoding))


@pytest.mark.parametrize("dialect", list(DIALECTS))
@pytest.mark.parametrize("ended", [True, False], ids=["ended", "last line not ended"])
def test_rows_that_are_there_keep_every_byte(folder, dialect, ended):
    made = folder(2, **LONG)
    before = _written(made, dialect, ended=ended)
    schedule = make_schedule(made.plan)
    extend_run_sheet(schedule.rows, made.plan)
    after, end = made.sheet.read_bytes(), _first_line_end(before, dialect)
    assert after.startswith(before[:end])
    assert before[end:] in after
    runs = load_run_sheet(made.plan).runs
    assert list(runs["run"]) == ["x1", "x2", *schedule.rows["run"]]
    assert list(runs["round"].iloc[2:]) == list(schedule.rows["round"])
    assert list(runs["session"].iloc[2:]) == list(schedule.rows["session"])


def test_columns_that_are_there_are_used_and_none_is_added_without_need(folder):
    made = folder(2, **LONG)
    made.write_sheet(headings="order,round,game,tuning,run,frame_log,session,launch,colour")
    extend_run_sheet(make_schedule(made.plan).rows, made.plan)
    lines = made.sheet.read_text(encoding="utf-8").splitlines()
    assert lines[0] == "order,round,game,tuning,run,frame_log,session,launch,colour"
    first = next(csv.reader(io.StringIO(lines[1])))
    assert first[0] == first[1] == "1"
    assert (first[4], first[5], first[8]) == ("r001", "", "")


def test_a_folder_without_a_sheet_gets_one(folder):
    made = folder(2, **LONG)
    file = extend_run_sheet(make_schedule(made.plan).rows, made.plan)
    assert file == made.sheet
    assert len(load_run_sheet(made.plan).runs) == 16


def test_several_cards_get_their_column(folder):
    made = folder(1, **LONG)
    made.sections["cards"] = [{"name": "Larkmoor 4"}, {"name": "Fernholt 3", "role": "rival"}]
    made.write_sheet(headings="run,tuning,game,round,order,frame_log")
    schedule = make_schedule(made.plan)
    extend_run_sheet(schedule.rows, made.plan)
    assert list(load_run_sheet(made.plan).runs["card"]) == list(schedule.rows["card"])


def test_run_names_go_on_where_the_sheet_ends_and_never_meet(folder):
    made = folder(1, **LONG)
    made.write_sheet("r007,factory,Low Tide Racers,pilot,,,,99", "r-8,factory,Low Tide Racers,pilot,,,,99")
    assert list(make_schedule(made.plan).rows["run"])[:2] == ["r008", "r009"]


def test_a_letter_that_the_encoding_lacks_is_refused_and_nothing_written(folder):
    made = folder(1, ("factory", "静か"), **LONG)
    made.sheet.write_bytes("run;tuning;game;round;order;avg_fps;Größe\n".encode("cp1252"))
    rows, before = make_schedule(made.plan).rows, made.sheet.read_bytes()
    with pytest.raises(TableError, match="Save the run sheet as UTF-8"):
        extend_run_sheet(rows, made.plan)
    assert made.sheet.read_bytes() == before


def test_a_workbook_is_left_alone(folder):
    made = folder(1, **LONG)
    rows = make_schedule(made.plan).rows
    (made.path / "runs.xlsx").write_bytes(b"PK\x03\x04 a workbook")
    with pytest.raises(TableError, match=r"runs.xlsx: the run sheet is a workbook.*Save it as CSV"):
        extend_run_sheet(rows, made.plan)
    assert not made.sheet.exists()


def test_what_fails_afterwards_takes_the_rows_back(folder):
    made = folder(1, **LONG)
    rows = make_schedule(made.plan).rows
    with pytest.raises(FileNotFoundError), extended_run_sheet(rows, made.plan) as file:
        file.with_name("nowhere").read_text()
    assert not made.sheet.exists()
    made.write_sheet()
    before = made.sheet.read_bytes()
    with pytest.raises(FileNotFoundError), extended_run_sheet(rows, made.plan) as file:
        file.with_name("nowhere").read_text()
    assert made.sheet.read_bytes() == before


def test_a_sheet_that_cannot_be_replaced_is_told(folder, monkeypatch):
    made = folder(1, **LONG)
    rows = make_schedule(made.plan).rows

    def refuse(*_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("gpubench_kit.files.os.replace", refuse)
    with pytest.raises(ReportError, match="Close programs that have it open"):
        extend_run_sheet(rows, made.plan)
    assert list(made.path.iterdir()) == []


def test_a_sheet_that_cannot_be_read_stops_the_planner(folder):
    made = folder(1, **LONG)
    made.sheet.write_bytes(b'run,tuning\n"unclosed')
    with pytest.raises(TableError, match="cannot be split"):
        make_schedule(made.plan)


def test_faults_of_rows_stop_the_planner_all_at_once(folder):
    made = folder(1, **LONG)
    made.write_sheet("a,factory,No Such Game,,,1,1,90", "b,loud,Low Tide Racers,,,1,2,90")
    with pytest.raises(TableError) as caught:
        make_schedule(made.plan)
    assert len(caught.value.faults) == 2
