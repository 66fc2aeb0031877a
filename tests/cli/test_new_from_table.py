"""`new FOLDER --from TABLE`: the dialog through a pseudo-terminal, without one, with answers; files that load."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import openpyxl
import pytest
from made_tables import TABLES_BY_NAME, write_workbook
from terminal import talk

from gpubench_kit import cli
from gpubench_kit.model.errors import TableError
from gpubench_kit.model.plan import load_plan
from gpubench_kit.sheet import load_run_sheet

pytestmark = pytest.mark.usefixtures("notebooks_here")

ANSWERS = 'card = "Larkmoor 4"\nmargin_pct = 3\ntyped_order = "alternated"\n'
ANSWERS += "tunings = { quiet = { power_limit_pct = -12, voltage_mv = -90 } }\n"


@pytest.fixture
def table(tmp_path) -> Path:
    """A workbook of three games, two tunings and three runs each."""
    return write_workbook(tmp_path / "larkmoor.xlsx", {"November": TABLES_BY_NAME["rows of means"].rows})


def new(*words: str | Path) -> int:
    """Run the command without a terminal."""
    return cli.main(["new", *map(str, words)])


def test_without_a_terminal_the_draft_is_written_and_questions_have_their_lines(tmp_path, table, capsys):
    assert new(tmp_path / "review", "--from", table) == 0
    shown = capsys.readouterr().out
    assert "18 values of average frame rate. 18 runs, 3 games, 2 tunings." in shown
    assert "  Copper Monsoon    1 2 3     1 2 3" in shown
    assert 'plan.toml: [[cards]] name = ""' in shown
    assert "typed_order" not in shown  # its default is careful and harmless
    plan = (tmp_path / "review" / "plan.toml").read_text(encoding="utf-8")
    assert 'typed_order = "not_known"' in plan
    assert 'name = "quiet"  # from the table' in plan


def test_answers_from_a_file_make_a_review_that_loads(tmp_path, table, capsys):
    (tmp_path / "a.toml").write_text(ANSWERS, encoding="utf-8")
    assert new(tmp_path / "review", "--from", table, "--answers", tmp_path / "a.toml") == 0
    plan = load_plan(tmp_path / "review")
    assert plan.review.title == "Larkmoor 4: quiet vs factory"
    assert (plan.analysis.margin_pct, plan.analysis.looks, plan.analysis.typed_order) == (3.0, 2, "alternated")
    assert plan.tunings[1].changes == {"power_limit_pct": -12.0, "voltage_mv": -90.0}
    sheet = load_run_sheet(plan, for_report=True)
    truth = TABLES_BY_NAME["rows of means"].truth
    assert len(sheet.runs) == len(truth)
    values = dict(zip(sheet.typed["run"], sheet.typed["value"], strict=True))
    for row in sheet.runs.itertuples():
        assert values[row.run] == truth[row.game, row.tuning, row.round]["avg_fps"]


def test_a_dialog_and_its_answers_make_the_same_bytes(tmp_path, table):
    typed = ["", "2", "0", "1", "Larkmoor 4", "power_limit_pct -12", "2"]
    # The second answer is taken back by 0 when the third question stands there.
    shown = talk(["new", "review", "--from", str(table)], typed, folder=tmp_path)
    assert shown.code == 0, shown.text
    assert "1 of 5   Is this table right?" in shown.text
    answers = tmp_path / "review" / "answers.toml"
    assert 'typed_order = "alternated"' in answers.read_text(encoding="utf-8")
    assert new(tmp_path / "again", "--from", table, "--answers", answers) == 0
    for name in ("plan.toml", "runs.csv", "answers.toml"):
        assert (tmp_path / "again" / name).read_bytes() == (tmp_path / "review" / name).read_bytes()


def test_a_stopped_dialog_goes_on_where_it_was(tmp_path, table):
    stopped = talk(["new", "review", "--from", str(table)], ["", "1", "Larkmoor 4", "\x1b"], folder=tmp_path)
    assert stopped.code == 130
    assert "the same command goes on there" in stopped.text
    assert [path.name for path in (tmp_path / "review").iterdir()] == ["answers.toml"]
    resumed = talk(["new", "review", "--from", str(table)], ["", ""], folder=tmp_path)
    assert resumed.code == 0, resumed.text
    assert "Name of the card" not in resumed.text
    assert 'name = "Larkmoor 4"' in (tmp_path / "review" / "plan.toml").read_text(encoding="utf-8")


def test_enter_alone_never_makes_a_likely_column_count(tmp_path):
    table = write_workbook(tmp_path / "x.xlsx", {"runs": TABLES_BY_NAME["likely watts"].rows})
    shown = talk(["new", "review", "--from", str(table)], [""] * 12, folder=tmp_path)
    assert shown.code == 0, shown.text
    assert "board_w" not in (tmp_path / "review" / "runs.csv").read_text(encoding="utf-8")


def test_the_table_file_is_never_changed(tmp_path, table):
    before = hashlib.sha256(table.read_bytes()).hexdigest()
    new(tmp_path / "review", "--from", table)
    assert hashlib.sha256(table.read_bytes()).hexdigest() == before


def test_json_holds_table_questions_and_files(tmp_path, table, capsys):
    assert new(tmp_path / "review", "--from", table, "--json") == 0
    made = json.loads(capsys.readouterr().out)
    assert len(made["table"]) == 18
    assert [one["id"] for one in made["questions"]] == ["card", "tunings.quiet"]
    assert [Path(one).name for one in made["written"]] == ["plan.toml", "runs.csv", "answers.toml"]


def test_open_roles_end_with_one_and_stop_a_report(tmp_path, capsys):
    table = write_workbook(tmp_path / "x.xlsx", {"a": TABLES_BY_NAME["strange tunings in columns"].rows})
    (tmp_path / "a.toml").write_text('card = "Larkmoor 4"\nreference = "Alpha"\n', encoding="utf-8")
    assert new(tmp_path / "review", "--from", table, "--answers", tmp_path / "a.toml") == 1
    assert "question mark" in capsys.readouterr().out
    with pytest.raises(TableError, match="still open"):
        load_run_sheet(load_plan(tmp_path / "review"))


def test_hidden_rows_and_formulas_without_result_are_named_and_not_taken(tmp_path, capsys):
    file = write_workbook(tmp_path / "x.xlsx", {"a": TABLES_BY_NAME["plain"].rows})
    book = openpyxl.load_workbook(file)
    book["a"].row_dimensions[3].hidden = True
    book["a"]["D5"] = "=1+1"
    book.save(file)
    new(tmp_path / "review", "--from", file)
    shown = capsys.readouterr().out
    assert "Hidden rows 3 are not taken." in shown
    assert "Formulas without a stored result are not taken: 'D5'." in shown
    assert "16 runs" in shown


FAULTS = {
    "no such file": (lambda folder: folder / "none.xlsx", "there is no such folder or file"),
    "no table": (lambda folder: _text(folder, "hello\nworld\n"), "no table of results was found"),
    "empty": (lambda folder: _text(folder, ""), "no sheet holds any cell"),
    "another workbook": (
        lambda folder: _bytes(folder, b"\xd0\xcf\x11\xe0" + bytes(900)),
        "Save it as .xlsx or CSV.",
    ),
    "no workbook": (lambda folder: _bytes(folder, b"PK\x03\x04 broken"), "cannot be read as an .xlsx workbook"),
}


def _text(folder: Path, text: str) -> Path:
    """Write a text file."""
    return _bytes(folder, text.encode("utf-8"))


def _bytes(folder: Path, content: bytes) -> Path:
    """Write a file."""
    (folder / "x.csv").write_bytes(content)
    return folder / "x.csv"


@pytest.mark.parametrize("name", FAULTS)
def test_what_cannot_be_read_ends_with_two_and_writes_nothing(tmp_path, capsys, name):
    make, message = FAULTS[name]
    assert new(tmp_path / "review", "--from", make(tmp_path)) == 2
    assert message in capsys.readouterr().err
    assert not (tmp_path / "review").exists()


def test_an_answer_that_nobody_asked_for_is_an_error(tmp_path, table, capsys):
    (tmp_path / "a.toml").write_text('cart = "Larkmoor 4"\ntyped_order = "random"\n', encoding="utf-8")
    assert new(tmp_path / "review", "--from", table, "--answers", tmp_path / "a.toml") == 2
    told = capsys.readouterr().err
    assert "nobody asked for 'cart' (asked: 'table', 'typed_order', 'card'" in told
    assert "'random' was found; one of 'alternated', 'back_to_back', 'not_known' is expected." in told
    assert not (tmp_path / "review").exists()


def test_a_folder_that_is_a_review_is_refused(tmp_path, table, capsys):
    new(tmp_path / "review", "--from", table)
    assert new(tmp_path / "review", "--from", table) == 2
    assert "there is 'plan.toml', 'runs.csv' already" in capsys.readouterr().err


def test_three_tables_write_nothing_before_the_answer(tmp_path, capsys):
    rows = TABLES_BY_NAME["plain"].rows
    table = write_workbook(tmp_path / "x.xlsx", {"November": rows, "old": rows, "rival": rows})
    assert new(tmp_path / "review", "--from", table) == 2
    assert "holds 3 tables. Which one?" in capsys.readouterr().out
    assert not (tmp_path / "review").exists()
    (tmp_path / "a.toml").write_text('which_table = "old"\n', encoding="utf-8")
    assert new(tmp_path / "review", "--from", table, "--answers", tmp_path / "a.toml") == 0


def test_both_tables_become_a_review_each(tmp_path, capsys):
    rows = TABLES_BY_NAME["plain"].rows
    table = write_workbook(tmp_path / "x.xlsx", {"November": rows, "old": rows})
    (tmp_path / "a.toml").write_text('which_table = "each"\ncard = "Larkmoor 4"\n', encoding="utf-8")
    assert new(tmp_path / "both", "--from", table, "--answers", tmp_path / "a.toml") == 0
    out = capsys.readouterr().out
    for name in ("november", "old"):
        folder = tmp_path / "both" / name
        assert load_plan(folder / "plan.toml").cards[0].name == "Larkmoor 4"
        assert len(load_run_sheet(load_plan(folder / "plan.toml")).runs) == 18
        assert f"gpubench-kit check {folder}" in out
    before = (tmp_path / "both" / "old" / "runs.csv").read_bytes()
    assert new(tmp_path / "both", "--from", table, "--answers", tmp_path / "a.toml") == 0
    assert "is there already and stays as it is." in capsys.readouterr().out
    assert (tmp_path / "both" / "old" / "runs.csv").read_bytes() == before
    (tmp_path / "a.toml").write_text('which_table = "each"\ncrad = "Larkmoor 4"\n', encoding="utf-8")
    assert new(tmp_path / "other", "--from", table, "--answers", tmp_path / "a.toml") == 2
    assert "nobody asked for 'crad'" in capsys.readouterr().err


def test_formulas_in_names_stay_text(tmp_path):
    rows = [["Game", "Tuning", "Run", "Avg FPS"], *(["=cmd()", t, "1", "90.5"] for t in ("factory", "quiet"))]
    table = tmp_path / "x.csv"
    table.write_text("\n".join(",".join(row) for row in rows), encoding="utf-8")
    new(tmp_path / "review", "--from", table)
    assert "'=cmd()" in (tmp_path / "review" / "runs.csv").read_text(encoding="utf-8")


@pytest.mark.skipif(os.name == "nt", reason="pipes and terminals differ there")
def test_through_a_pipe_nothing_is_asked(tmp_path, table):
    command = [sys.executable, "-m", "gpubench_kit", "new", "review", "--from", str(table)]
    done = subprocess.run(command, cwd=tmp_path, input="", capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "> " not in done.stdout
