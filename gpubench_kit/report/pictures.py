"""Every chart as pictures for films and articles, drawn by other processes while the notebook goes on."""

from __future__ import annotations

import gc
import os
from collections.abc import Iterable
from concurrent.futures import Executor, Future, wait
from concurrent.futures import TimeoutError as DrawingTimeout
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Any

from joblib import cpu_count
from joblib.externals.loky import ProcessPoolExecutor

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.model.errors import ReportError
from gpubench_kit.own_processes import end_with

#: Seconds after which a stuck process is given up; a picture takes a fraction of one.
_TIMEOUT_S = 600


class Pictures:
    """Draws the charts of sections as SVG and as PNG of 1920 by 1080, light and dark, on a ground and without.

    Where pictures are drawn, and by how many processes, never changes their bytes.

    Attributes
    ----------
    folder : folder ``pictures`` of the report; None where nothing is drawn
    """

    def __init__(self, folder: str | Path):
        """Make the folder for the pictures.

        Parameters
        ----------
        folder : folder of the report; empty: nothing is drawn

        Raises
        ------
        ReportError : the folder cannot be made
        """
        self.folder = Path(folder) / "pictures" if str(folder) else None
        self._drawn: dict[str, Future] = {}
        try:
            if self.folder is not None:
                self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise ReportError(f"pictures: the folder cannot be made ({error.strerror}).") from error
        self._processes = None if self.folder is None else _processes()
        self._loading = [] if self._processes is None else _load(self._processes)

    def add(self, section: Any) -> Any:
        """Begin to draw the charts of a section, and return the section, so that a cell can show it.

        Parameters
        ----------
        section : section of the page, with its ``pictures``
        """
        if self.folder is not None:
            for name, chart in section.pictures.items():
                self._drawn[name] = self._begin_drawing(chart)
        return section

    def _begin_drawing(self, chart: DescribedFigure) -> Future:
        """Begin to draw a chart. With one core there is nobody to draw beside this process, so it draws itself."""
        if self._processes is not None:
            return self._processes.submit(_draw, chart, self.folder)
        drawn: Future = Future()
        drawn.set_result(_draw(chart, self.folder))
        return drawn

    def finish(self) -> list[str]:
        """Wait until every picture is there.

        Returns
        -------
        list of str, names of the files, sorted: ``<chart>-<light or dark>[-transparent].<svg or png>``

        Raises
        ------
        ReportError : a picture cannot be written, or a process was lost
        """
        try:
            return sorted(name for drawn in self._drawn.values() for name in drawn.result(timeout=_TIMEOUT_S))
        except BrokenProcessPool as error:
            raise ReportError(
                "pictures: a process that drew them ended, probably because memory ran out."
            ) from error
        except DrawingTimeout as error:
            self._end_processes()
            raise ReportError(f"pictures: one was not drawn within {_TIMEOUT_S} s.") from error
        finally:
            self._call_off()
            self._end_processes()

    def _call_off(self) -> None:
        """Call off what has not begun, and wait for the rest: a pool fails if it is ended while work waits."""
        if self._processes is not None:
            work = [*self._loading, *self._drawn.values()]
            for one in work:
                one.cancel()
            wait(work, timeout=_TIMEOUT_S)

    def _end_processes(self) -> None:
        """End the processes that draw, whatever they do."""
        if self._processes is not None:
            self._processes.shutdown(wait=False, kill_workers=True)
            self._processes = None


def write_pictures(sections: Iterable[Any], folder: str | Path) -> list[str]:
    """Write each chart of the sections as SVG and as PNG of 1920 by 1080, light and dark, on a ground and without.

    Parameters
    ----------
    sections : sections of the page, with their ``pictures``
    folder : folder of the report; ``pictures/`` is made in it

    Returns
    -------
    list of str, names of the files, sorted: ``<chart>-<light or dark>[-transparent].<svg or png>``

    Raises
    ------
    ReportError : a file cannot be written
    """
    pictures = Pictures(folder)
    for section in sections:
        pictures.add(section)
    return pictures.finish()


def _processes() -> Executor | None:
    """Return processes that draw, one for each core that this process may use; none where there is one core only.

    They are not the pool that joblib shares within a process: whoever used that afterwards would be given processes
    without what joblib keeps beside its own.
    """
    if cpu_count() == 1:
        return None
    return ProcessPoolExecutor(max_workers=cpu_count(), timeout=60, initializer=_begin, initargs=(os.getpid(),))


def _load(processes: Executor) -> list[Future]:
    """Let each process load what it draws with, while nothing waits for it."""
    return [processes.submit(_ready) for _ in range(cpu_count())]


def _begin(parent: int) -> None:
    """Look for unused objects between charts only: while one is drawn, nearly all are in use."""
    end_with(parent)
    gc.freeze()
    gc.disable()


def _ready() -> bool:
    """Return at once: this module, and with it all that draws, is loaded by then."""
    return True


def _draw(chart: DescribedFigure, folder: Path) -> list[str]:
    """Draw one chart in every form; return the names of its files."""
    names = [file.name for file in chart.save_all(folder)]
    if not gc.isenabled():
        gc.collect()
    return names
