"""An archive never takes the place of a review's report, nor the other way round."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from made_reports import MadeReport, write_report
from small_folder import write_small_review

from gpubench_kit.cli.command import main

SMALL = MadeReport(games=2, rounds=4, rounds_per_session=2)
ARCHIVE = {"format_version": 2, "kind": "archive", "reports": {}}


@pytest.fixture
def desk(tmp_path, monkeypatch) -> Path:
    """Return the working directory: a review's report and an archive below ``reports``, and a review."""
    write_report(tmp_path / "reports" / "mine", SMALL, seed=1)
    (tmp_path / "reports" / "archive").mkdir()
    (tmp_path / "reports" / "archive" / "manifest.json").write_text(json.dumps(ARCHIVE), encoding="utf-8")
    write_small_review(tmp_path / "review")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def _files(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def _refused(arguments: list[str], capsys) -> str:
    """Return the one message with which a command refuses, after checking that nothing was changed."""
    before = _files(Path.cwd())
    assert main(arguments) == 2
    told = capsys.readouterr()
    assert (told.out, len(told.err.splitlines())) == ("", 1)
    assert _files(Path.cwd()) == before
    return told.err


@pytest.mark.parametrize("command", ["report", "check", "schedule"])
def test_what_is_made_of_one_review_never_goes_into_an_archive(desk, capsys, command):
    told = _refused([command, "review", "-o", "reports/archive"], capsys)
    assert told == (
        "Fault: output folder 'archive': it holds an archive of many reports, which what is made of one review "
        "must not replace. Name another with --output.\n"
    )


def test_the_report_of_a_review_that_is_called_archive_goes_elsewhere(desk, capsys):
    write_small_review(desk / "archive")
    assert "it holds an archive of many reports" in _refused(["report", "archive"], capsys)


def test_an_archive_never_replaces_the_report_of_a_review(desk, capsys):
    told = _refused(["archive", "reports", "-o", "reports/mine"], capsys)
    assert told == (
        "Fault: output folder 'mine': it holds the report of a review, which the archive would replace. Name "
        "another with --output.\n"
    )


def test_an_archive_never_replaces_the_reports_that_it_is_made_of(desk, capsys):
    (desk / "more").mkdir()
    for output in ("reports", "more", "."):
        told = _refused(["archive", "reports", "more", "-o", output], capsys)
        assert "the archive would stand in place of the reports that it is made of." in told


@pytest.mark.parametrize("content", ["5", "[]", '"format_version"', "{"])
def test_a_file_of_another_program_makes_no_folder_a_report(desk, capsys, content):
    (desk / "site").mkdir()
    (desk / "site" / "manifest.json").write_text(content, encoding="utf-8")
    for arguments in (["report", "review"], ["archive", "reports"]):
        assert "holds no report of this kit" in _refused([*arguments, "-o", "site"], capsys)


def test_an_archive_goes_to_no_file(desk, capsys):
    (desk / "taken").write_text("x", encoding="utf-8")
    told = _refused(["archive", "reports", "-o", "taken"], capsys)
    assert told.startswith("Fault: output folder 'taken': a file of this name stands where the folder")


def test_an_empty_folder_has_no_archive(desk, capsys):
    (desk / "empty").mkdir()
    told = _refused(["archive", "empty", "-o", "out"], capsys)
    assert told.startswith("Fault: empty: no report that can be read lies below (0 files in 1 folder looked at).")
