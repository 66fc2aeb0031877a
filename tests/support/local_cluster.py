"""A real cluster on this machine: a scheduler and workers, each a process of its own on the loopback address."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

_START_S = 120


class LocalCluster:
    """A scheduler with workers of one thread; leaving ends what is left of them.

    Attributes
    ----------
    address : of the scheduler
    workers : processes of the workers
    """

    def __init__(self, folder: Path, *, workers: int = 2):
        """Start the processes.

        Parameters
        ----------
        folder : for what they write
        workers : number of workers
        """
        self._folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self._file = folder / "scheduler.json"
        quiet = ("--no-dashboard",)
        self._scheduler = self._started("scheduler", "--host", "127.0.0.1", "--port", "0", *quiet,
                                        "--scheduler-file", str(self._file))  # fmt: skip
        self.address = self._told_address()
        place = ("--nthreads", "1", "--no-nanny", "--host", "127.0.0.1", "--local-directory", str(folder))
        self.workers = [self._started("worker", self.address, *place, *quiet) for _ in range(workers)]

    def __enter__(self) -> LocalCluster:
        """Return the cluster."""
        return self

    def __exit__(self, *_about: object) -> None:
        """End every process that still runs."""
        for process in (*self.workers, self._scheduler):
            process.kill()
            process.wait()

    def end_scheduler(self) -> None:
        """End the scheduler, as where its machine goes away."""
        self._scheduler.kill()
        self._scheduler.wait()

    def _started(self, *words: str) -> subprocess.Popen:
        """Start one process of the cluster; what it says goes to a file."""
        with (self._folder / f"{words[0]}.log").open("a") as log:
            command = [sys.executable, "-m", "dask", *words]
            return subprocess.Popen(command, stdout=log, stderr=log, cwd=self._folder)

    def _told_address(self) -> str:
        """Return the address that the scheduler listens at."""
        end = time.monotonic() + _START_S
        while time.monotonic() < end:
            try:
                return json.loads(self._file.read_text())["address"]
            except (OSError, ValueError):
                time.sleep(0.1)
        raise TimeoutError(f"the scheduler did not start: {(self._folder / 'scheduler.log').read_text()}")
