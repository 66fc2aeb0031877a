"""The command ``schedule``: pages beside the report, rows in the sheet, exit codes; all or nothing."""

import re

import pytest

from gpubench_kit.cli import main
from gpubench_kit.model.tables import NOISE
from gpubench_kit.report import pages as building
from gpubench_kit.report.notebook_run import check_page
from gpubench_kit.report.package import csv_text

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("notebooks_here")]


@pytest.fixture
def review(folder, tmp_path, monkeypatch):
    """Return a folder with its plan as a file; the working directory is its parent."""
    monkeypatch.chdir(tmp_path)
    made = folder(3, ("factory", "quiet"), session_plan={"minutes": 120.0, "must_have": ["quiet"]})
    made.write_plan_file()
    return made


def _files(path) -> dict:
    """Return every file below a folder with its bytes."""
    return {str(one.relative_to(path)): one.read_bytes() for one in path.rglob("*") if one.is_file()}


def test_the_command_writes_pages_and_rows_and_a_second_call_adds_none(review, tmp_path, capsys):
    assert main(["schedule", "review"]) == 0
    told, output = capsys.readouterr().out, tmp_path / "reports" / "review"
    assert "24 rows added to" in told
    assert sorted(one.name for one in output.iterdir()) == ["plan.html", "run_sheet.html"]
    page, sheet = (output / "plan.html").read_text(encoding="utf-8"), review.sheet.read_bytes()
    check_page(page)
    assert len(review.rows()) == 24
    assert main(["schedule", "review"]) == 0
    assert "not recorded yet (r001 to r024), so nothing was added" in capsys.readouterr().out
    assert review.sheet.read_bytes() == sheet


def test_the_same_folder_gives_the_same_bytes(review, tmp_path):
    before = _files(review.path)
    assert main(["schedule", "review", "--quiet", "-o", "one"]) == 0
    rows = review.sheet.read_bytes()
    review.sheet.unlink()
    assert _files(review.path) == before
    assert main(["schedule", "review", "--quiet", "-o", "two"]) == 0
    assert review.sheet.read_bytes() == rows
    assert _files(tmp_path / "one") == _files(tmp_path / "two")


def test_quiet_prints_nothing(review, capsys):
    assert main(["schedule", "review", "--quiet"]) == 0
    assert capsys.readouterr() == ("", "")


def test_an_earlier_report_is_counted_with_and_kept_in_the_folder(review, tmp_path, capsys):
    tables = tmp_path / "old" / "tables"
    tables.mkdir(parents=True)
    rows = [{"game": "Salt Orchard", "metric": "avg_fps", "tuning": "factory", "n": 5, "sd": 0.02}]
    (tables / "noise.csv").write_text(csv_text(NOISE.frame(rows), NOISE), encoding="utf-8")
    assert main(["schedule", "review", "--previous", "old"]) == 0
    assert "earlier reviews (noise.csv)" in capsys.readouterr().out
    assert (review.path / "noise.csv").read_bytes() == (tables / "noise.csv").read_bytes()


@pytest.mark.parametrize(
    ("plan", "sheet", "options", "told"),
    [
        ({"session_plan": {"minutes": 0.0}}, None, (), r"session_plan.*minutes"),
        ({"session_plan": {"minutes": 3.0}}, None, (), r"3 min were found; even 3 rounds"),
        ({"session_plan": {"noise_from": "pilot"}}, None, (), r"has two recorded runs yet"),
        ({"session_plan": {"noise_from": "typical"}}, None, ("--previous", "old"), r"would not be looked at"),
        ({}, None, ("--previous", "nowhere"), r"there is no table of noise"),
        ({}, b'run,tuning\n"unclosed', (), r"cannot be split"),
        ({}, b"\x00\x01\x02", (), r"runs.csv"),
        ({}, b"run,tuning,game,round,order,avg_fps\na,loud,Salt Orchard,1,1,9\n", (), r"'loud' is not in"),
    ],
    ids=["no minutes", "few minutes", "no pilots", "two sources", "no report", "cut sheet", "no text", "bad row"],
)  # fmt: skip
def test_bad_input_exits_with_2_and_writes_nothing(review, tmp_path, capsys, plan, sheet, options, told):
    review.sections |= plan
    review.write_plan_file()
    if sheet is not None:
        review.sheet.write_bytes(sheet)
    before = _files(tmp_path)
    assert main(["schedule", "review", *options]) == 2
    shown = capsys.readouterr()
    assert re.search(told, shown.err)
    assert "Traceback" not in shown.err
    assert shown.out == ""
    assert _files(tmp_path) == before


def test_a_failure_at_the_last_step_leaves_everything_as_it_was(review, tmp_path, monkeypatch):
    assert main(["schedule", "review", "--quiet"]) == 0
    review.sheet.write_text("run,tuning,game,round,order,avg_fps\n", encoding="utf-8")
    before = _files(tmp_path)

    def refuse(_):
        raise PermissionError(13, "Permission denied", "plan.html")

    monkeypatch.setattr(building.ReportPlace, "finish", refuse)
    assert main(["schedule", "review", "--quiet"]) != 0
    assert _files(tmp_path) == before


def test_pages_stand_beside_a_report_that_is_there(review, tmp_path):
    output = tmp_path / "reports" / "review"
    output.mkdir(parents=True)
    (output / "manifest.json").write_text('{"format_version": 1}', encoding="utf-8")
    (output / "index.html").write_text("the report", encoding="utf-8")
    assert main(["schedule", "review", "--quiet"]) == 0
    assert (output / "index.html").read_text(encoding="utf-8") == "the report"
    assert (output / "plan.html").exists()


def test_help_has_one_example(capsys):
    with pytest.raises(SystemExit) as stopped:
        main(["schedule", "--help"])
    assert stopped.value.code == 0
    assert capsys.readouterr().out.count("gpubench-kit schedule my-review") == 1
