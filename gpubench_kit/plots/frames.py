"""Frame times of runs: over time, and by percentile."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from gpubench_kit.palette import colours
from gpubench_kit.plots.theme import axes_of, known, needed, plain, tuning_colours

#: Shares of the frames that a percentile curve goes through [%].
_SHARES = np.concatenate([np.arange(50.0, 99.0, 1.0), np.arange(99.0, 99.91, 0.1)])


def frame_times(table: pd.DataFrame, ax: Axes | None = None, *, most: int = 2000) -> Axes:
    """Draw frame times over the run.

    Parameters
    ----------
    table : DataFrame, one row per frame, with ``time_s`` and ``frame_ms``, and ``run`` where there are several
    ax : axes to draw on; default a new figure
    most : points of a line; of more frames the longest in each of so many pieces is drawn

    Returns
    -------
    Axes : x in seconds from the start of the run, y in milliseconds

    Raises
    ------
    TableError : the table lacks a column
    """
    needed(table, ("time_s", "frame_ms"), of="frame_times")
    ax = axes_of(ax)
    for name, rows, colour in _by_run(table):
        time_s, frame_ms = _longest(rows, most=most)
        ax.plot(time_s, frame_ms, color=colour, linewidth=0.9, label=name)
    ax.set(xlabel="Time from the start of the run [s]", ylabel="Frame time [ms]")
    ax.set_ylim(bottom=0)
    _legend(ax)
    return ax


def percentiles(table: pd.DataFrame, ax: Axes | None = None) -> Axes:
    """Draw, for each share of the frames, the time that they do not exceed.

    Parameters
    ----------
    table, ax : as in `frame_times`

    Returns
    -------
    Axes : x in percent of the frames, stretched towards the slowest; y in milliseconds

    Raises
    ------
    TableError : the table lacks a column
    """
    needed(table, ("frame_ms",), of="percentiles")
    ax = axes_of(ax)
    for name, rows, colour in _by_run(table):
        frame_ms = known(rows["frame_ms"]).dropna()
        if len(frame_ms):
            ax.plot(_SHARES, np.percentile(frame_ms, _SHARES), color=colour, label=name)
    ax.set_xscale("function", functions=(_stretched, _unstretched))
    ax.set_xlim(_SHARES[0], _SHARES[-1])
    ax.set_xticks([50, 90, 99, 99.9], labels=["50", "90", "99", "99.9"])
    ax.axvline(99, color=colours("light")["a"], linewidth=1, linestyle="--")
    ax.set(xlabel="Share of the frames [%]", ylabel="Frames no slower than [ms]")
    _legend(ax)
    return ax


def _by_run(table: pd.DataFrame) -> Sequence[tuple[str, pd.DataFrame, str]]:
    """Return name, frames and colour of each run."""
    if "run" not in table:
        return [("", table, next(iter(tuning_colours([""]).values())))]
    names = [str(one) for one in dict.fromkeys(table["run"])]
    paints = tuning_colours(names)
    return [(plain(name), table[table["run"].astype(str) == name], paints[name]) for name in names]


def _longest(rows: pd.DataFrame, *, most: int) -> tuple[np.ndarray, np.ndarray]:
    """Return times and frame times, the longest of each piece where there are too many."""
    time_s, frame_ms = known(rows["time_s"]).to_numpy(), known(rows["frame_ms"]).to_numpy()
    if time_s.size <= most:
        return time_s, frame_ms
    starts = np.linspace(0, time_s.size, most, endpoint=False).astype(int)
    return time_s[starts], np.fmax.reduceat(frame_ms, starts)


def _stretched(share: np.ndarray) -> np.ndarray:
    """Return the place of a share of the frames: each further nine is one step."""
    return -np.log10(1 - np.clip(np.asarray(share, dtype=float), 0, 99.999) / 100)


def _unstretched(place: np.ndarray) -> np.ndarray:
    """Return the share of the frames at a place."""
    return 100 * (1 - 10 ** -np.asarray(place, dtype=float))


def _legend(ax: Axes) -> None:
    """Name the runs where there are several."""
    if len(ax.get_legend_handles_labels()[1]) > 1:
        ax.legend()
