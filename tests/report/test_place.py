"""Where a report goes: whole or not at all, and never in place of something else."""

from __future__ import annotations

import pytest

from gpubench_kit.model.errors import ReportError
from gpubench_kit.report.place import ReportPlace


@pytest.fixture
def review_folder(tmp_path):
    """Return the folder of a review."""
    folder = tmp_path / "review"
    folder.mkdir()
    return folder


@pytest.fixture
def earlier(tmp_path):
    """Return the folder of an earlier report."""
    folder = tmp_path / "reports" / "mine"
    folder.mkdir(parents=True)
    (folder / "manifest.json").write_text('{"format_version": 1}')
    (folder / "index.html").write_text("earlier")
    return folder


def test_a_whole_report_takes_the_place_of_the_earlier_one(earlier, review_folder):
    with (place := ReportPlace(earlier, review_folder)) as staging:
        (staging / "index.html").write_text("new")
        place.finish()
    assert (earlier / "index.html").read_text() == "new"
    assert not (earlier / "manifest.json").exists()
    assert [one.name for one in earlier.parent.iterdir()] == ["mine"]


def test_a_fault_leaves_the_earlier_report_as_it_was(earlier, review_folder):
    place = ReportPlace(earlier, review_folder)
    (place.__enter__() / "index.html").write_text("half")
    place.__exit__(ZeroDivisionError, ZeroDivisionError(), None)
    assert (earlier / "index.html").read_text() == "earlier"
    assert [one.name for one in earlier.parent.iterdir()] == ["mine"]


def test_what_a_killed_run_left_is_cleaned_up(earlier, review_folder):
    stale, other = (earlier.with_name(f".{name}.0123abcd.new.part") for name in ("mine", "mine.b"))
    for folder in (stale, other):
        folder.mkdir()
        (folder / "half").write_text("x")
    with ReportPlace(earlier, review_folder) as staging:
        assert not list(staging.glob("half"))
        assert [stale.exists(), other.exists()] == [False, True]


def test_two_runs_at_once_never_share_a_folder(earlier, review_folder):
    given_up, place = ReportPlace(earlier, review_folder), ReportPlace(earlier, review_folder)
    lost = given_up.__enter__()
    with place as staging:
        assert not lost.exists()
        (staging / "index.html").write_text("new")
        with pytest.raises(ReportError, match="cannot be written"):
            given_up.finish()
        place.finish()
    assert (earlier / "index.html").read_text() == "new"
    assert [one.name for one in earlier.parent.iterdir()] == ["mine"]


def test_a_kill_between_the_two_moves_loses_no_report(earlier, review_folder):
    earlier.rename(earlier.with_name(".mine.old.part"))
    with ReportPlace(earlier, review_folder):
        assert (earlier / "index.html").read_text() == "earlier"


def test_a_folder_with_other_files_is_never_replaced(tmp_path, review_folder):
    other = tmp_path / "photos"
    other.mkdir()
    (other / "cat.txt").write_text("cat")
    with pytest.raises(ReportError, match="holds no report of this kit"), ReportPlace(other, review_folder):
        pass
    assert (other / "cat.txt").read_text() == "cat"


@pytest.mark.parametrize("up", [0, 1], ids=["the review itself", "a folder around it"])
def test_the_review_is_never_replaced(review_folder, up):
    target = [review_folder, review_folder.parent][up]
    with pytest.raises(ReportError, match="in place of the review"), ReportPlace(target, review_folder):
        pass


def test_a_file_in_the_way_is_named(tmp_path, review_folder):
    (tmp_path / "taken").write_text("x")
    with pytest.raises(ReportError, match="a file of this name"), ReportPlace(tmp_path / "taken", review_folder):
        pass


def test_a_place_that_cannot_be_made_is_named(tmp_path, review_folder):
    (tmp_path / "file").write_text("x")
    with pytest.raises(ReportError, match="cannot be written"), ReportPlace(tmp_path / "file" / "r", review_folder):
        pass


def test_an_empty_folder_is_used(tmp_path, review_folder):
    (tmp_path / "empty").mkdir()
    with (place := ReportPlace(tmp_path / "empty", review_folder)) as staging:
        (staging / "index.html").write_text("new")
        place.finish()
    assert (tmp_path / "empty" / "index.html").exists()
