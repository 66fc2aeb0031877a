"""The bar while a notebook reads logs: how far it is, and how long the rest of the reading takes."""

from __future__ import annotations

import os
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from gpubench_kit.metrics.told_progress import PROGRESS_FILE, told_in_file
from gpubench_kit.wording.numbers import count_text

#: How often the file is looked at [s].
_PACE_S = 0.25

#: Before so much time and so many runs, nothing is said about the time left.
_LEAST_S, _LEAST_RUNS = 2.0, 20


@contextmanager
def reading_watched(show: Callable[[float, str], None]) -> Iterator[None]:
    """Watch how far logs are read by processes started meanwhile.

    Parameters
    ----------
    show : called with the share of runs read and what to say, from a thread of its own
    """
    with tempfile.TemporaryDirectory(prefix="gpubench-kit-") as folder, _told_into(Path(folder, "read")) as file:
        is_over = threading.Event()
        watcher = threading.Thread(target=_watch, args=(file, is_over, show), daemon=True)
        watcher.start()
        try:
            yield
        finally:
            is_over.set()
            watcher.join()


@contextmanager
def _told_into(file: Path) -> Iterator[Path]:
    """Have processes that are started meanwhile tell how far they are in a file."""
    before = os.environ.get(PROGRESS_FILE)
    os.environ[PROGRESS_FILE] = str(file)
    try:
        yield file
    finally:
        del os.environ[PROGRESS_FILE]
        os.environ.update({} if before is None else {PROGRESS_FILE: before})


def _watch(file: Path, is_over: threading.Event, show: Callable[[float, str], None]) -> None:
    """Show what stands in a file until it is over, or all is read."""
    first = None
    while not is_over.wait(_PACE_S):
        told = told_in_file(file)
        if told is None:
            continue
        done, total = told
        first = first or (time.monotonic(), done)
        show(done / max(1, total), reading_text(done, total, seconds=time.monotonic() - first[0], since=first[1]))
        if done >= total:
            return


def reading_text(done: int, total: int, *, seconds: float, since: int = 0) -> str:
    """Return how far reading is, and how long the rest takes at the pace so far.

    Parameters
    ----------
    done, total : runs read, and all
    seconds : time since ``since`` runs were read [s]
    since : runs that had been read when the clock was started

    Returns
    -------
    str; nothing about the time left before the pace is known
    """
    read = f"reading logs, {done:,} of {count_text(total, 'run')}"
    paced = done - since
    if seconds < _LEAST_S or paced < _LEAST_RUNS or done >= total:
        return read
    left_s = seconds / paced * (total - done)
    return f"{read}, {_time_left(left_s)} of reading left"


def _time_left(left_s: float) -> str:
    """Return a time in words, never more exact than it can be known."""
    if left_s < 10:
        return "a few seconds"
    if left_s < 90:
        return f"about {5 * round(left_s / 5)} s"
    return f"about {round(left_s / 60)} min"
