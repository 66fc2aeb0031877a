"""What is needed to read one run: a small value that can be sent to other processes."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from gpubench_kit.logs.format import Declaration, Witness
from gpubench_kit.logs.one_clock import OneClock


# Tasks of thousands of runs are kept: with slots, and paths as text, they take a third of the memory.
@dataclass(frozen=True, slots=True)
class RunTask:
    """What is needed to read one run.

    Attributes
    ----------
    run : name of the run
    frame_path, sensor_path : paths of the files; None where there is none
    frame_name, sensor_name : what to call them in messages
    declared : what the plan declares about the logs of this card
    gap_ms : a frame longer than this is a gap [ms]
    line_up_s : a busy stretch farther than this from where two clocks put the run is told [s]
    sensor_edge_s : left out of sensor means at each end [s]
    n_bins : pieces of the trace that is kept for pictures
    started_at_s : start of the run as typed, seconds since 1970; nan where not given
    clock : of a sensor log that several runs name: how far it is ahead of their starts; None for a log of one run
    witness : its length as the bench desk saw it grow; None where it did not
    """

    run: str
    frame_path: str | None
    frame_name: str = ""
    sensor_path: str | None = None
    sensor_name: str = ""
    declared: Declaration = field(default_factory=Declaration)
    gap_ms: float = 1000.0
    line_up_s: float = 3.0
    sensor_edge_s: float = 1.0
    n_bins: int = 240
    started_at_s: float = np.nan
    clock: OneClock | None = None
    witness: Witness | None = None
