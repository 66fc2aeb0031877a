"""Frame times in pieces, as charts draw them: fewer pieces, a scale that one long frame cannot flatten, a table."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from gpubench_kit.figures.plots import Plot
from gpubench_kit.logs.run_facts import RunFacts, Trace

_PALE = 0.32
#: A frame so many times as long as the longest of nearly all pieces would flatten all else: it is cut and named.
_TOWERS = 1.8


def longest_drawn(traces: Sequence[Trace]) -> float:
    """Return the end of the scale [ms]: the longest frame, or less where one frame towers over all others.

    Parameters
    ----------
    traces : the frame times of every run on the scale
    """
    highs = np.concatenate([trace.high_ms for trace in traces])
    return 1.15 * min(float(highs.max()), _TOWERS * float(np.quantile(highs, 0.95))) or 1.0


def draw_pieces(plot: Plot, trace: Trace, *, role: str, width: float | None = None) -> None:
    """Draw a trace: a shade from the shortest to the longest frame of each piece, and its mean as a line.

    Parameters
    ----------
    plot : where
    trace : frame times in pieces; neighbours are joined where there are more than the plot has room for
    role : colour
    width : of the line [px]
    """
    trace = _coarser(trace, most=max(2, int(plot.box.width / 2)))
    xs = plot.x(trace.time_s.astype(float))
    low, mean, high = (
        plot.y(np.minimum(one.astype(float), plot.y.high)) for one in (trace.low_ms, trace.mean_ms, trace.high_ms)
    )
    plot.sheet.area([*zip(xs, high, strict=True), *zip(xs[::-1], low[::-1], strict=True)], role=role, alpha=_PALE)
    plot.sheet.line(xs, mean, role=role, width=width)


def _coarser(trace: Trace, *, most: int) -> Trace:
    """Return the trace in at most so many pieces: neighbours joined, shortest and longest frames kept."""
    joined = -(-trace.time_s.size // most)
    starts = np.arange(0, trace.time_s.size, joined)
    counts = np.diff(np.append(starts, trace.time_s.size))
    return Trace(
        trace.time_s[starts],
        np.minimum.reduceat(trace.low_ms, starts),
        np.add.reduceat(trace.mean_ms, starts) / counts,
        np.maximum.reduceat(trace.high_ms, starts),
    )


def pieces_table(facts: Sequence[RunFacts]) -> pd.DataFrame:
    """Return the pieces that are drawn as a table: run, start of the piece [s], shortest, mean, longest [ms].

    Parameters
    ----------
    facts : facts of the runs; those without a trace give no rows
    """
    columns = ("time_s", "low_ms", "mean_ms", "high_ms")
    parts = [
        pd.DataFrame({"run": one.run, **{name: getattr(one.trace, name) for name in columns}})
        for one in facts
        if one.trace is not None
    ]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["run", *columns])
