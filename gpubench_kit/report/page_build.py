"""What all commands that make a page share: the notebook that is run, its progress, and where pages go."""

from __future__ import annotations

import os
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import nbformat
import pandas as pd
from nbformat import NotebookNode

from gpubench_kit.files import bundled_path
from gpubench_kit.metrics.per_run import PROGRESS_FILE, progress_in_file
from gpubench_kit.model.tables import Table
from gpubench_kit.page.elements import Section
from gpubench_kit.report.manifest import Inputs
from gpubench_kit.report.notebook_run import load_exporter, page_of, parameter_names, run_notebook
from gpubench_kit.report.package import read_table
from gpubench_kit.report.place import ReportPlace
from gpubench_kit.wording.catalogue import say

#: How often the file is looked at [s].
_PACE_S = 0.25

#: Before so much time and so many runs, nothing is said about the time left.
_LEAST_S, _LEAST_RUNS = 2.0, 20


@contextmanager
def reading_watched(show: Callable[[float, str], None]) -> Iterator[None]:
    """Watch how far logs are read by processes started meanwhile, which tell of it in a file.

    Parameters
    ----------
    show : called with the share of runs read and what to say, from a thread of its own
    """
    before, is_over = os.environ.get(PROGRESS_FILE), threading.Event()
    with tempfile.TemporaryDirectory(prefix="gpubench-kit-") as folder:
        file = Path(folder, "read")
        os.environ[PROGRESS_FILE] = str(file)
        watcher = threading.Thread(target=_watch, args=(file, is_over, show), daemon=True)
        watcher.start()
        try:
            yield
        finally:
            is_over.set()
            watcher.join()
            del os.environ[PROGRESS_FILE]
            os.environ.update({} if before is None else {PROGRESS_FILE: before})


def _watch(file: Path, is_over: threading.Event, show: Callable[[float, str], None]) -> None:
    """Show what stands in a file until it is over, or all is read."""
    first = None
    while not is_over.wait(_PACE_S):
        progress = progress_in_file(file)
        if progress is None:
            continue
        done, total = progress
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
    str; nothing about the time left before the pace is known, and never more exact than it can be
    """
    said = {"done": done, "n": total}
    paced = done - since
    if seconds < _LEAST_S or paced < _LEAST_RUNS or done >= total:
        return say("told.progress.reading", **said)
    left_s = seconds / paced * (total - done)
    said |= {"seconds": 5 * round(left_s / 5), "minutes": round(left_s / 60)}
    left = "few" if left_s < 10 else "seconds" if left_s < 90 else "minutes"
    return say(f"told.progress.reading_{left}", **said)


#: Called with the share done (0 to 1) and what is being done.
Progress = Callable[[float, str], None]

#: Tag of the cell of a notebook that is no part of the page.
OWN_QUESTIONS = "own-questions"

_READY, _RAN = 0.04, 0.95

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
    pictures : ``film``, ``all`` or ``none``; see `gpubench_kit.page.film.write_film`
    parquet : whether each table also becomes a Parquet file
    """

    cores: int | None = None
    pictures: str = "film"
    parquet: bool = False


@dataclass(frozen=True)
class PageKind:
    """A page that a command makes.

    Attributes
    ----------
    notebook : name of the file of the notebook behind it
    page : name of its own file
    files : folder beside it for what the notebook writes; empty: beside it
    names : files and folders of a page that stands beside a report; none: it is a report of its own
    doing : what is said while the notebook runs, a key of ``told.progress``
    """

    notebook: str
    page: str = "index.html"
    files: str = ""
    names: tuple[str, ...] = ()
    doing: str = "notebook"


@dataclass(frozen=True)
class StagedPage:
    """A page whose notebook was run, before it is in its place.

    Attributes
    ----------
    kind : what it is
    folder : where it is made
    executed : the notebook
    place : where it goes; `ReportPlace.finish` puts it there
    """

    kind: PageKind
    folder: Path
    executed: NotebookNode
    place: ReportPlace

    @property
    def page(self) -> Path:
        """Where it will stand."""
        return self.place.target / self.kind.page

    @property
    def files(self) -> Path:
        """Folder of what the notebook wrote."""
        return self.folder / self.kind.files

    def table(self, declared: Table) -> pd.DataFrame:
        """Return a table that the notebook wrote, by its declaration."""
        return read_table(self.files / "tables" / f"{declared.name}.csv", declared)

    def lay_out(self, after_head: Sequence[Section] = ()) -> None:
        """Write the page itself, with further sections behind its head."""
        write_text(self.folder / self.kind.page, page_of(self.executed, after_head=after_head))

    def keep_notebook(self, folder: str = "notebooks") -> None:
        """Write the notebook, with its outputs, into a folder beside the page."""
        text = nbformat.writes(published(self.executed)) + "\n"
        write_text(self.folder / folder / self.kind.notebook, text)


@contextmanager
def staged(
    kind: PageKind,
    place: ReportPlace,
    parameters: Mapping[str, Any],
    *,
    tell: Progress,
    making: Making | None = None,
) -> Iterator[StagedPage]:
    """Run the notebook of a page beside its place; what is made there goes unless the block puts it in its place.

    Parameters
    ----------
    kind : which page
    place : where it goes
    parameters : of the notebook, without the folder of its output
    tell : called with the share done and what is being done
    making : see `Making`

    Raises
    ------
    GpubenchError : as `run_notebook`, or nothing can be written there; what stood there is then as it was
    """
    with place as folder:
        files = folder / kind.files
        files.mkdir(exist_ok=True)
        all_of_it = {**parameters, "output_folder": str(files.absolute())}
        executed = execute(kind, all_of_it, tell=tell, making=making or Making())
        tell(_RAN, say("told.progress.page"))
        yield StagedPage(kind, folder, executed, place)
    tell(1.0, say("told.progress.done"))


def staged_for_review(
    kind: PageKind, inputs: Inputs, output: str | Path | None, *, tell: Progress, making: Making | None = None
) -> AbstractContextManager[StagedPage]:
    """Run the notebook of a review's page as `staged` does.

    Parameters
    ----------
    kind : which page
    inputs : what it is made of
    output : folder asked for; default ``reports/<name of the review folder>`` in the working directory
    tell, making : as in `staged`
    """
    folder = inputs.plan.folder
    target = Path(output) if output else Path.cwd() / "reports" / folder.resolve().name
    place = ReportPlace(target, folder, names=kind.names)
    return staged(kind, place, {"folder": str(inputs.plan_file.absolute())}, tell=tell, making=making)


def execute(kind: PageKind, parameters: dict[str, Any], *, tell: Progress, making: Making) -> NotebookNode:
    """Return the executed notebook of a page.

    Parameters
    ----------
    kind, tell, making : as in `staged`
    parameters : of the notebook

    Raises
    ------
    GpubenchError : as `run_notebook`
    """
    notebook, doing = page_notebook(kind.notebook), say(f"told.progress.{kind.doing}")
    count, read, furthest, one_at_a_time = len(notebook.cells) + 1, 0.0, 0.0, threading.Lock()

    def forward(share: float, what: str) -> None:
        # Progress never goes back, whichever of two threads tells of it.
        nonlocal furthest
        with one_at_a_time:
            furthest = max(furthest, _READY + (_RAN - _READY) * share)
            tell(furthest, what)

    def cell_done(done: int) -> None:
        forward(read + (1 - read) * min(done / count, 1.0), doing)

    def runs_read(share: float, what: str) -> None:
        nonlocal read
        read = _READING * share
        forward(read, what)

    forward(0.0, doing)
    parameters |= {"pictures": making.pictures} if "pictures" in parameter_names(notebook) else {}
    with reading_watched(runs_read), ThreadPoolExecutor(max_workers=1) as ahead:
        ahead.submit(load_exporter)
        return run_notebook(notebook, parameters, name=kind.notebook, on_cell=cell_done, cores=making.cores)


def published(executed: NotebookNode) -> NotebookNode:
    """Return an executed notebook without paths and times of the machine it ran on.

    Parameters
    ----------
    executed : notebook as it was run
    """
    cells = [cell for cell in executed.cells if "injected-parameters" not in cell.metadata.get("tags", [])]
    for cell in cells:
        cell.metadata = NotebookNode({"tags": cell.metadata["tags"]} if cell.metadata.get("tags") else {})
    metadata = {name: value for name, value in executed.metadata.items() if name != "papermill"}
    return NotebookNode({**executed, "cells": cells, "metadata": NotebookNode(metadata)})


def write_text(path: Path, text: str) -> None:
    """Write a file of a page; its folder is made.

    Parameters
    ----------
    path, text : the file, and what goes there
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="\n")


def tell_nobody(share: float, what: str) -> None:
    """Take note of progress that nobody asked for."""
