"""Every chart as pictures for films and articles, drawn by several processes."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import joblib

from gpubench_kit.errors import ReportError
from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.style import THEMES

#: Seconds after which a stuck process is given up; a picture takes a fraction of one.
_TIMEOUT_S = 600


def write_pictures(sections: Iterable[Any], folder: str | Path) -> list[str]:
    """Write each chart of the sections as SVG and as PNG of 1920 by 1080, light and dark.

    Parameters
    ----------
    sections : sections of the page, with their ``pictures``
    folder : folder of the report; ``pictures/`` is made in it

    Returns
    -------
    list of str, names of the files, sorted: ``<chart>-<light or dark>.<svg or png>``

    Raises
    ------
    ReportError : a file cannot be written

    Notes
    -----
    Where pictures are drawn, and by how many processes, never changes their bytes. ``joblib.parallel_config``
    decides on it; by default every core takes part.
    """
    charts: Mapping[str, DescribedFigure] = {
        name: chart for section in sections for name, chart in section.pictures.items()
    }
    target = Path(folder) / "pictures"
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ReportError(f"pictures: the folder cannot be made ({error.strerror}).") from error
    tasks = [joblib.delayed(_draw)(chart, target, theme) for chart in charts.values() for theme in THEMES]
    made = joblib.Parallel(n_jobs=_processes(len(tasks)), timeout=_TIMEOUT_S)(tasks)
    return sorted(name for names in made for name in names)


def _draw(chart: DescribedFigure, folder: Path, theme: str) -> list[str]:
    """Draw one chart in one theme; return the names of its files."""
    files = [folder / f"{chart.name}-{theme}.{ending}" for ending in ("svg", "png")]
    return [chart.save(file, theme=theme).name for file in files]


def _processes(tasks: int) -> int:
    """Return how many processes to use: starting them pays from a few pictures on."""
    return 1 if tasks < 4 else min(os.cpu_count() or 1, tasks)
