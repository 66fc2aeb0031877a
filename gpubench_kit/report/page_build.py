"""What all commands that make a page share: the notebook that is run, its progress, and where pages go."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import nbformat
from nbformat import NotebookNode

from gpubench_kit.bundled import bundled_path
from gpubench_kit.model.plan import PLAN_FILE, ReviewPlan
from gpubench_kit.report.html import load_exporter
from gpubench_kit.report.notebook_run import run_notebook
from gpubench_kit.report.reading_watched import reading_watched

#: Called with the share done (0 to 1) and what is being done.
Progress = Callable[[float, str], None]

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


def run_bundled(
    name: str,
    plan_file: Path,
    output_folder: Path,
    *,
    tell: Progress,
    until: float = 1.0,
    cores: int | None = None,
) -> NotebookNode:
    """Run a notebook of the kit on a review.

    Parameters
    ----------
    name : name of the notebook's file
    plan_file : plan of the review
    output_folder : where its files go
    tell : called with the share done, up to ``until``
    until : share done when the notebook is
    cores : cores that it may use, where several notebooks run at a time; default all of the machine

    Returns
    -------
    NotebookNode, executed

    Raises
    ------
    GpubenchError : as `run_notebook`
    """
    notebook = bundled_notebook(name)
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
    parameters = {"plan_file": str(plan_file.absolute()), "output_folder": str(output_folder.absolute())}
    with reading_watched(told_read), ThreadPoolExecutor(max_workers=1) as ahead:
        ahead.submit(load_exporter)
        return run_notebook(notebook, parameters, name=name, on_cell=told, cores=cores)


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
