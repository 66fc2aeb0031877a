"""Where a report goes: whole or not at all, and never in place of something else."""

from __future__ import annotations

import os
import subprocess
import sys
import threading

import pytest

from gpubench_kit.model.errors import ReportError
from gpubench_kit.report import place as exchange_module
from gpubench_kit.report import place as place_module
from gpubench_kit.report.place import ReportPlace, exchange


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


def test_a_second_run_is_refused_and_takes_nothing_from_the_first(earlier, review_folder):
    with (place := ReportPlace(earlier, review_folder)) as staging:
        (staging / "index.html").write_text("new")
        with pytest.raises(ReportError, match="'mine': another command of the kit is at work on it") as raised:
            ReportPlace(earlier, review_folder).__enter__()
        ReportPlace(earlier, review_folder).clean_up()
        place.finish()
    assert len(raised.value.faults) == 1
    assert (earlier / "index.html").read_text() == "new"
    assert [one.name for one in earlier.parent.iterdir()] == ["mine"]


def test_a_page_and_a_report_of_one_folder_wait_for_each_other(earlier, review_folder):
    with ReportPlace(earlier, review_folder), pytest.raises(ReportError, match="at work"):
        ReportPlace(earlier, review_folder, names=("check.html", "check")).__enter__()


def test_a_lock_left_behind_holds_nothing(earlier, review_folder):
    earlier.with_name(".mine.lock").write_text("")
    with ReportPlace(earlier, review_folder):
        pass
    assert [one.name for one in earlier.parent.iterdir()] == ["mine"]


_HOLD = """
import sys, pathlib
from gpubench_kit.report.place import ReportPlace
place = ReportPlace(sys.argv[1], sys.argv[2])
(place.__enter__() / "half").write_text("x")
print("held", flush=True)
sys.stdin.read()
"""


def test_another_process_holds_the_lock_until_it_is_killed(earlier, review_folder):
    command = [sys.executable, "-P", "-c", _HOLD, str(earlier), str(review_folder)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout.readline() == "held\n"
        with pytest.raises(ReportError, match="at work"):
            ReportPlace(earlier, review_folder).__enter__()
        other.kill()
    with ReportPlace(earlier, review_folder):
        assert len(list(earlier.parent.glob(".mine.*.part"))) == 1
    assert [one.name for one in earlier.parent.iterdir()] == ["mine"]


def _missed_while_replaced(earlier, review_folder, *, times):
    """Replace a report so many times while another thread reads it; return what it missed."""
    is_over, missed, n_read = threading.Event(), [], 0

    def read():
        nonlocal n_read
        while not is_over.is_set():
            try:
                (earlier / "index.html").read_text()
                n_read += 1
            except OSError as error:
                missed.append(error)

    reader = threading.Thread(target=read)
    reader.start()
    for number in range(times):
        with (place := ReportPlace(earlier, review_folder)) as staging:
            (staging / "index.html").write_text(str(number))
            (staging / "manifest.json").write_text('{"format_version": 1}')
            place.finish()
    is_over.set()
    reader.join()
    assert n_read > times
    assert (earlier / "index.html").read_text() == str(times - 1)
    return missed


@pytest.mark.skipif(sys.platform == "win32", reason="Windows cannot exchange two folders in one step")
def test_the_name_of_the_report_is_there_at_every_moment(earlier, review_folder, monkeypatch):
    moved, move = [], os.replace
    monkeypatch.setattr(os, "replace", lambda old, new: moved.append(old) or move(old, new))
    _missed_while_replaced(earlier, review_folder, times=100)
    assert moved == [], "both are exchanged, none is moved away"


def test_where_folders_cannot_be_exchanged_the_report_is_moved(earlier, review_folder, monkeypatch):
    monkeypatch.setattr(place_module, "exchange", lambda first, second: False)
    _missed_while_replaced(earlier, review_folder, times=20)
    assert [one.name for one in earlier.parent.iterdir()] == ["mine"]


@pytest.mark.parametrize("is_windows", [False, True])
def test_folders_are_exchanged_in_one_step_or_left_as_they_are(tmp_path, monkeypatch, is_windows):
    monkeypatch.setattr(exchange_module, "HAS_EXCHANGE", not is_windows)
    for name in ("first", "second"):
        (tmp_path / name).mkdir()
        (tmp_path / name / name).touch()
    is_done = exchange(tmp_path / "first", tmp_path / "second")
    assert is_done is not is_windows
    assert (tmp_path / "first" / "second").exists() is is_done
    assert exchange(tmp_path / "first", tmp_path / "nowhere") is False
    assert (tmp_path / "first").exists()


@pytest.mark.parametrize("fails_at", [1, 2])
def test_a_failed_move_puts_the_earlier_report_back(earlier, review_folder, monkeypatch, fails_at):
    moves, move = [], os.replace

    def fail_once(old, new):
        moves.append(old)
        if len(moves) == fails_at:
            raise OSError(28, "No space left on device")
        move(old, new)

    monkeypatch.setattr(place_module, "exchange", lambda first, second: False)
    monkeypatch.setattr(os, "replace", fail_once)
    with (place := ReportPlace(earlier, review_folder)) as staging:
        (staging / "index.html").write_text("new")
        with pytest.raises(ReportError, match="No space left"):
            place.finish()
    assert (earlier / "index.html").read_text() == "earlier"
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
