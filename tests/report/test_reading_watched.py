"""How far logs are read crosses from the notebook's process to the bar, with an honest time left."""

import os
import time

import pytest

from gpubench_kit.metrics.per_run import PROGRESS_FILE, progress_in_file, progress_to_file
from gpubench_kit.report.page_build import reading_text, reading_watched


def test_nothing_is_written_where_nobody_watches(monkeypatch):
    monkeypatch.delenv(PROGRESS_FILE, raising=False)
    assert progress_to_file() is None


def test_last_run_is_always_told(monkeypatch, tmp_path):
    monkeypatch.setenv(PROGRESS_FILE, str(tmp_path / "read"))
    tell = progress_to_file()
    for done in range(1, 41):
        tell(done, 40)
    assert progress_in_file(tmp_path / "read") == (40, 40)


def test_file_that_cannot_be_written_keeps_nothing_from_being_read(monkeypatch, tmp_path):
    monkeypatch.setenv(PROGRESS_FILE, str(tmp_path / "nowhere" / "read"))
    progress_to_file()(1, 1)


@pytest.mark.parametrize("text", ["", "12", "1 2 3", "one two"])
def test_half_a_line_is_nothing_told(tmp_path, text):
    (tmp_path / "read").write_text(text, encoding="ascii")
    assert progress_in_file(tmp_path / "read") is None


def test_what_is_told_is_shown_while_it_is_watched(monkeypatch):
    monkeypatch.delenv(PROGRESS_FILE, raising=False)
    shown = []
    with reading_watched(lambda share, text: shown.append((share, text))):
        progress_to_file()(30, 40)
        deadline = time.monotonic() + 10
        while not shown and time.monotonic() < deadline:
            time.sleep(0.05)
    assert shown[0] == (0.75, "reading logs, 30 of 40 runs")
    assert PROGRESS_FILE not in os.environ


def test_time_left_follows_from_the_pace_so_far():
    # 600 runs in 30 s, 2,400 to go: 120 s.
    assert reading_text(600, 3000, seconds=30.0) == "reading logs, 600 of 3,000 runs, about 2 min of reading left"
    assert reading_text(2000, 3000, seconds=50.0, since=1000).endswith("about 50 s of reading left")
    assert reading_text(2900, 3000, seconds=50.0).endswith("a few seconds of reading left")


@pytest.mark.parametrize(("done", "seconds"), [(10, 30.0), (600, 0.5), (3000, 60.0)])
def test_no_time_is_named_before_the_pace_is_known_or_when_all_is_read(done, seconds):
    assert "left" not in reading_text(done, 3000, seconds=seconds)
