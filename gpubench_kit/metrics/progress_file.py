"""How far the logs are read, told by a notebook's process to the one that shows a bar: a line in a file."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

#: Variable that names the file; without it, nobody watches.
PROGRESS_FILE = "GPUBENCH_KIT_PROGRESS_FILE"

#: Least time between two lines [s].
_PACE_S = 0.2


def progress_to_file() -> Callable[[int, int], None] | None:
    """Return a function that writes how many runs of how many are read; None where nobody watches."""
    name = os.environ.get(PROGRESS_FILE)
    if not name:
        return None
    last_s = 0.0

    def tell(done: int, total: int) -> None:
        nonlocal last_s
        if done < total and time.monotonic() - last_s < _PACE_S:
            return
        last_s = time.monotonic()
        try:
            Path(name).write_text(f"{done} {total}\n", encoding="ascii")
        except OSError:
            # Nobody has to know how far it is.
            last_s = float("inf")

    return tell


def progress_in_file(path: Path) -> tuple[int, int] | None:
    """Return how many runs of how many are read; None where that was not told yet.

    Parameters
    ----------
    path : the file
    """
    try:
        done, total = path.read_text(encoding="ascii").split()
        return int(done), int(total)
    except (OSError, ValueError):
        return None
