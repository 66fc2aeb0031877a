"""Where a page beside a report goes: whole or not at all, the report beside it untouched."""

from __future__ import annotations

import os

import pytest

from gpubench_kit.model.errors import ReportError
from gpubench_kit.report import place as place_module
from gpubench_kit.report.place import ReportPlace

NAMES = ("check.html", "check")


@pytest.fixture
def review_folder(tmp_path):
    """Return the folder of a review."""
    folder = tmp_path / "review"
    folder.mkdir()
    return folder


@pytest.fixture
def report(tmp_path):
    """Return the folder of a report."""
    folder = tmp_path / "reports" / "mine"
    folder.mkdir(parents=True)
    (folder / "manifest.json").write_text('{"format_version": 1}')
    (folder / "index.html").write_text("the report")
    return folder


def _make(staging, text):
    """Write a page with one table."""
    (staging / "check.html").write_text(text)
    (staging / "check").mkdir()
    (staging / "check" / f"{text}.csv").write_text(text)


def _put(target, review_folder, text):
    """Put a page beside a report."""
    with (place := ReportPlace(target, review_folder, names=NAMES)) as staging:
        _make(staging, text)
        place.finish()


def _files(folder):
    """Return the files of a folder with their text."""
    return {path.relative_to(folder).as_posix(): path.read_text() for path in folder.rglob("*") if path.is_file()}


def test_a_page_goes_beside_a_report_and_in_the_stead_of_an_earlier_page(report, review_folder):
    before = _files(report)
    _put(report, review_folder, "first")
    _put(report, review_folder, "second")
    assert _files(report) == before | {"check.html": "second", "check/second.csv": "second"}
    assert [one.name for one in report.parent.iterdir()] == ["mine"]


def test_a_later_report_keeps_the_page_beside_it(report, review_folder):
    _put(report, review_folder, "page")
    with (place := ReportPlace(report, review_folder)) as staging:
        (staging / "index.html").write_text("a later report")
        place.finish()
    assert _files(report) == {"index.html": "a later report", "check.html": "page", "check/page.csv": "page"}


def test_a_report_goes_where_only_a_page_stands(tmp_path, review_folder):
    target = tmp_path / "reports" / "new"
    _put(target, review_folder, "page")
    with (place := ReportPlace(target, review_folder)) as staging:
        (staging / "index.html").write_text("a report")
        place.finish()
    assert set(_files(target)) == {"index.html", "check.html", "check/page.csv"}


def test_a_folder_with_anything_else_is_refused(tmp_path, review_folder):
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "one.jpg").write_text("x")
    with pytest.raises(ReportError, match="holds no report"):
        ReportPlace(tmp_path / "photos", review_folder, names=NAMES).__enter__()
    with pytest.raises(ReportError, match="the review itself"):
        ReportPlace(review_folder, review_folder, names=NAMES).__enter__()


def test_a_fault_before_the_end_changes_nothing(report, review_folder):
    _put(report, review_folder, "first")
    before = _files(report)
    place = ReportPlace(report, review_folder, names=NAMES)
    _make(place.__enter__(), "half")
    place.__exit__(ZeroDivisionError, ZeroDivisionError(), None)
    assert _files(report) == before
    assert [one.name for one in report.parent.iterdir()] == ["mine"]


def test_a_full_disk_leaves_everything_as_it_was(report, review_folder, monkeypatch):
    _put(report, review_folder, "first")
    before = _files(report)

    def fail(file, name):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(place_module, "_link", fail)
    with pytest.raises(ReportError, match="No space left"):
        _put(report, review_folder, "second")
    assert _files(report) == before
    assert [one.name for one in report.parent.iterdir()] == ["mine"]


def test_files_are_copied_where_they_cannot_have_two_names(report, review_folder, monkeypatch):
    def fail(file, name):
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(os, "link", fail)
    before = _files(report)
    _put(report, review_folder, "first")
    assert _files(report) == before | {"check.html": "first", "check/first.csv": "first"}
