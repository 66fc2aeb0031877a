"""When a recording is complete: thirteen ways to write one, and none is taken while it grows, but for a few."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from gpubench_kit.desk.recordings import FileView, FolderGone, Watch

ROW, PER_S, LENGTH_S = 40, 100, 60.0
FOLDER, FILE = Path("captures"), Path("captures/one.csv")


class VirtualFile(FileView):
    """One file that grows by a schedule: bytes on the disk at a time."""

    def __init__(self, size_at: Callable[[float], int], total: int):
        self.size_at, self.total, self.now, self.is_there = size_at, total, 0.0, True

    def folder_time(self, folder):
        if not self.is_there:
            raise FileNotFoundError(2, "gone", str(folder))
        return float(self.size_at(self.now) > 0)

    def listing(self, folder):
        return {folder: self.folder_time(folder)}, [FILE] if self.size_at(self.now) > 0 else []

    def stat(self, file):
        size = self.size_at(self.now)
        return size, size

    def ends_whole(self, file):
        return self.size_at(self.now) % ROW == 0

    def length(self, file) -> float:
        return self.size_at(self.now) / ROW / PER_S


def _writers(rng: np.random.Generator, length_s: float = LENGTH_S) -> dict[str, tuple]:
    """Return size at a time for each way to write, and when the file is really finished."""
    start, total = 3 + rng.uniform(0, 1), round(length_s * PER_S) * ROW
    end = start + length_s

    def rows(now: float) -> int:
        return int(np.clip((now - start) * PER_S, 0, total // ROW)) * ROW

    def every(step: float):
        return lambda now: (
            total if now >= end else rows(start + step * ((now - start) // step)) if now > start else 0
        )

    def blocks(size: int):
        return lambda now: total if now >= end else rows(now) // size * size

    pause_at, pause_s = end - rng.uniform(2, 40), rng.uniform(2.5, 12)

    def paused(now: float) -> int:
        return rows(min(now, pause_at) if now < pause_at + pause_s else now - pause_s)

    pieces = np.sort(rng.uniform(end, end + 4, 5))

    def in_pieces(now: float) -> int:
        return int(np.searchsorted(pieces, now, side="right")) * total // 5 if now < pieces[-1] else total

    return {
        "each row": (rows, end), "each second": (every(1.0), end), "each 5 s": (every(5.0), end),
        "each 2.5 s": (every(2.5), end), "4 kB": (blocks(4096), end), "8 kB": (blocks(8192), end),
        "64 kB": (blocks(65536), end), "at the end": (lambda now: total if now >= end else 0, end),
        "in pieces": (in_pieces, pieces[-1]), "with a pause": (paused, end + pause_s),
        "each 10 s": (every(10.0), end), "1 kB": (blocks(1024), end), "each half second": (every(0.5), end),
    }  # fmt: skip


def _taken_at(size_at, end: float, *, wanted_s: float = LENGTH_S) -> tuple[float, bool, float]:
    """Return when the file is first complete, whether that was early, and when it is complete for good."""
    total = size_at(1e6)
    view = VirtualFile(size_at, total)
    watch = Watch((FOLDER,), view, view.length, wanted_s=wanted_s)
    first, size = np.nan, -1
    for now in np.arange(0.0, end + 80.0, 1.0):
        view.now = now
        watch.look(now, lambda now=now: now)
        for seen in watch.complete(now):
            first = now if np.isnan(first) else first
            seen.taken_size = size = seen.size
        if size == total and now > end:
            return first, first < end, now
    return first, first < end, np.nan


NAMES = list(_writers(np.random.default_rng(0)))


def test_a_recording_is_hardly_ever_taken_early_and_then_taken_again():
    rng, early = np.random.default_rng(5), dict.fromkeys(NAMES, 0)
    for name in NAMES * 40:
        size_at, end = _writers(rng)[name]
        _, is_early, at = _taken_at(size_at, end)
        early[name] += is_early
        assert np.isfinite(at), name
    assert sum(early.values()) <= 0.02 * 40 * len(NAMES), early
    assert {name for name, count in early.items() if count > 1} <= {"with a pause"}, early


@pytest.mark.parametrize("name", NAMES)
def test_the_wait_after_the_end_is_short(name):
    rng = np.random.default_rng(6)
    waits = [_taken_at(*_writers(rng)[name])[2] - _writers(np.random.default_rng(6))[name][1] for _ in range(1)]
    assert waits[0] < 20


def test_a_short_run_rests_for_half_a_minute():
    size_at, end = _writers(np.random.default_rng(3), length_s=25.0)["each row"]
    first, is_early, _ = _taken_at(size_at, end)
    assert not is_early
    assert 28 <= first - end <= 34


def test_nothing_is_read_while_it_grows_but_for_its_first_piece():
    size_at, end = _writers(np.random.default_rng(3))["each 5 s"]
    view = VirtualFile(size_at, size_at(1e6))
    asked = []
    view.ends_whole = lambda file: asked.append(view.now) or True
    watch = Watch((FOLDER,), view, view.length, wanted_s=LENGTH_S)
    for now in np.arange(0.0, end - 6.0, 1.0):
        view.now = now
        watch.look(now, lambda now=now: now)
        watch.complete(now)
    assert len(asked) <= 1
    assert max(asked, default=0.0) < 15.0


def test_files_of_before_are_never_taken():
    view = VirtualFile(lambda now: 4000, 4000)
    watch = Watch((FOLDER,), view, view.length, wanted_s=10.0)
    for now in range(200):
        watch.look(now, lambda now=now: now)
        assert watch.complete(now) == []
        assert watch.growing() is None


def test_a_folder_that_vanishes_is_noticed_and_its_files_are_seen_when_it_is_back():
    view = VirtualFile(lambda now: 0 if now < 30 else 4000, 4000)
    watch = Watch((FOLDER,), view, view.length, wanted_s=1.0)
    watch.look(0.0, lambda: 0.0)
    view.is_there, view.now = False, 20.0
    with pytest.raises(FolderGone, match="captures"):
        watch.look(20.0, lambda: 20.0)
    view.is_there, view.now = True, 40.0
    watch.look(40.0, lambda: 40.0)
    watch.look(43.0, lambda: 43.0)
    assert [seen.path for seen in watch.complete(43.0)] == [FILE]


def test_a_slow_folder_is_looked_at_less_often():
    view = VirtualFile(lambda now: 0, 0)
    watch = Watch((FOLDER,), view, view.length)
    times = iter([0.0, 0.4])
    watch.look(next(times), lambda: next(times))
    assert watch.period_s == pytest.approx(8.0)
    assert not watch.look(5.0, lambda: 5.0)
    assert watch.look(8.4, lambda: 8.4)
    assert watch.period_s == 1.0


def test_names_are_listed_only_where_the_folder_changed():
    view = VirtualFile(lambda now: 0, 0)
    listed = []
    plain = view.listing
    view.listing = lambda folder: listed.append(1) or plain(folder)
    watch = Watch((FOLDER,), view, view.length)
    for now in range(60):
        view.now = float(now)
        watch.look(float(now), lambda now=now: float(now))
    assert len(listed) <= 7


def test_pictures_films_and_temporary_files_are_no_recordings(tmp_path):
    for name in ("a.png", "film.mp4", "one.csv.tmp", ".hidden.csv", "deep/one/two/log.txt"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"x\n")
    watch = Watch((tmp_path,), FileView(), lambda file: 1.0)
    watch.look(0.0, lambda: 0.0)
    assert [one.name for one in watch.files] == ["log.txt"]
