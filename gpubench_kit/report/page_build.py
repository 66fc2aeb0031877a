"""What all commands that make a page share: the notebook that is run, its progress, and where pages go."""

from __future__ import annotations

import os
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import nbformat
from nbformat import NotebookNode

from gpubench_kit.bundled import bundled_path
from gpubench_kit.metrics.progress_file import PROGRESS_FILE, progress_in_file
from gpubench_kit.model.plan import PLAN_FILE, ReviewPlan
from gpubench_kit.report.html import load_exporter
from gpubench_kit.report.notebook_run import parameter_names, run_notebook
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
        told = progress_in_file(file)
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


#: Called with the share done (0 to 1) and what is being done.
Progress = Callable[[float, str], None]

#: Tag of the cell of a notebook that is no part of the page.
OWN_QUESTIONS = "own-questions"

_READY = 0.04

#: Share of the bar, behind that, while logs are read.
_READING = 0.5


def bundled_notebook(name: str) -> NotebookNode:
    """Return a notebook as it comes with the kit.

    Parameters
    ----------
    name : name of its file
    """
    return nbformat.read(bundled_path("notebooks", name), as_version=4)


def page_notebook(name: str) -> NotebookNode:
    """Return a notebook that comes with the kit without its cell for a reader's own questions.

    Parameters
    ----------
    name : name of its file
    """
    notebook = bundled_notebook(name)
    notebook.cells = [cell for cell in notebook.cells if OWN_QUESTIONS not in cell.metadata.get("tags", [])]
    return notebook


@dataclass(frozen=True)
class Making:
    """How a report is made.

    Attributes
    ----------
    cores : cores that its notebook may use, where several run at a time; None: all of the machine
    pictures : ``film``, ``all`` or ``none``; see `gpubench_kit.page.film.write.write_film`
    parquet : whether each table also becomes a Parquet file
    """

    cores: int | None = None
    pictures: str = "film"
    parquet: bool = False


def run_bundled(
    name: str,
    plan_file: Path,
    output_folder: Path,
    *,
    tell: Progress,
    until: float = 1.0,
    making: Making | None = None,
) -> NotebookNode:
    """Run a notebook of the kit on a review.

    Parameters
    ----------
    name : name of the notebook's file
    plan_file : plan of the review
    output_folder : where its files go
    tell : called with the share done, up to ``until``
    until : share done when the notebook is
    making : see `Making`

    Returns
    -------
    NotebookNode, executed

    Raises
    ------
    GpubenchError : as `run_notebook`
    """
    notebook = page_notebook(name)
    count = len(notebook.cells) + 1
    tell = _only_forward(tell)
    read = 0.0

    def told(done: int) -> None:
        share = read + (1 - read) * min(done / count, 1.0)
        tell(_READY + (until - _READY) * share, "running the notebook")

    def told_read(share: float, what: str) -> None:
        nonlocal read
        read = _READING * share
        tell(_READY + (until - _READY) * read, what)

    tell(_READY, "running the notebook")
    parameters = {"folder": str(plan_file.absolute()), "output_folder": str(output_folder.absolute())}
    making = making or Making()
    parameters |= {"pictures": making.pictures} if "pictures" in parameter_names(notebook) else {}
    with reading_watched(told_read), ThreadPoolExecutor(max_workers=1) as ahead:
        ahead.submit(load_exporter)
        return run_notebook(notebook, parameters, name=name, on_cell=told, cores=making.cores)


def plan_file_of(folder: str | Path) -> Path:
    """Return the plan of a review.

    Parameters
    ----------
    folder : folder of the review, or its plan
    """
    return Path(folder) if Path(folder).is_file() else Path(folder) / PLAN_FILE


def output_of(plan: ReviewPlan, output: str | Path | None) -> Path:
    """Return the folder of a review's pages.

    Parameters
    ----------
    plan : plan of the review
    output : the folder asked for; default ``reports/<name of the review folder>`` in the working directory
    """
    return Path(output) if output else Path.cwd() / "reports" / plan.folder.resolve().name


def _only_forward(tell: Progress) -> Progress:
    """Return progress that never goes back, whichever of two threads tells of it."""
    furthest, one_at_a_time = 0.0, threading.Lock()

    def told(share: float, what: str) -> None:
        nonlocal furthest
        with one_at_a_time:
            furthest = max(furthest, share)
            tell(furthest, what)

    return told


def tell_nobody(share: float, what: str) -> None:
    """Take note of progress that nobody asked for."""
