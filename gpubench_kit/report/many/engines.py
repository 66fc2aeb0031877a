"""Where many reports are made: processes of this machine, or whatever has the same few names."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import AbstractContextManager
from typing import Protocol

from joblib import cpu_count, parallel_config

from gpubench_kit.own_processes import end_with
from gpubench_kit.report.many.task import ReviewTask


class Engine(Protocol):
    """Where many reports are made, each by one task.

    Attributes
    ----------
    workers : reports made at a time
    cores : cores that each of them may use; None: all
    patience_s : seconds after which the files of a finished report must be seen from here
    """

    workers: int
    cores: int | None
    patience_s: float

    def check(self, tasks: Sequence[ReviewTask]) -> None:
        """Raise what keeps the tasks from being done there."""

    def parallel(self) -> AbstractContextManager:
        """Return the settings of joblib under which the tasks are done there."""

    def is_there(self) -> bool:
        """Return whether further tasks can be done there, after one of which no answer came back."""


class ThisMachine:
    """Processes of this machine, one report each: one for each core, and no more than there are reports."""

    patience_s = 0.0

    def __init__(self, reports: int, *, workers: int | None = None):
        """Choose the number of processes.

        Parameters
        ----------
        reports : number of reports
        workers : most reports at a time; default one for each core
        """
        self.workers = max(1, min(reports, workers or cpu_count()))
        self.cores = max(1, cpu_count() // self.workers)

    def check(self, tasks: Sequence[ReviewTask]) -> None:
        """Find nothing to object to."""

    def parallel(self) -> AbstractContextManager:
        """Return the settings of joblib: processes even where only one report is made at a time."""
        # With one job joblib would work in this process, where nothing could be given up.
        return parallel_config("loky", n_jobs=max(2, self.workers), initializer=end_with, initargs=(os.getpid(),))

    def is_there(self) -> bool:
        """Return true: new processes can be started."""
        return True
