"""Plots for notebooks: from one of the kit's tables to matplotlib axes, in data coordinates.

::

    from gpubench_kit import plots

    plots.runs(usable, metric="avg_fps")
    ax = plots.intervals(comparisons, metric="avg_fps")
    ax.set_xlim(-5, 5)

Each function draws on ``ax``, or on a new figure in the kit's theme, and returns the axes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gpubench_kit.model.errors import suggestion
from gpubench_kit.plots.axes import (
    frame_times,
    intervals,
    noise,
    order,
    percentiles,
    runs,
    sweep,
    watts_against_fps,
)
from gpubench_kit.plots.theme import theme

__all__ = [
    "frame_times", "intervals", "noise", "order", "percentiles", "runs", "sweep", "theme", "watts_against_fps",
]  # fmt: skip


def __dir__() -> list[str]:
    """Return the plots, for editors."""
    return __all__


if not TYPE_CHECKING:  # Type checkers would take every name for a plot.

    def __getattr__(name: str) -> Any:
        """Refuse a name that is no plot, with the nearest."""
        near = "" if name.startswith("_") else suggestion(name, __all__)
        raise AttributeError(f"module '{__name__}' has no attribute '{name}'. {near}".rstrip())
