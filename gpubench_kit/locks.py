"""Locks that a process holds, and that end with it however it ends; a file left behind holds nothing."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout


class Busy(Exception):
    """Another process holds the lock."""


@contextmanager
def locked(file: Path, *, wait_s: float = 0.0) -> Iterator[None]:
    """Hold a lock.

    Parameters
    ----------
    file : where processes that work on the same meet; it is taken away at the end
    wait_s : longest that another process is waited for [s]

    Raises
    ------
    Busy : another process holds it
    OSError : there is no such folder, or nothing can be written there
    """
    lock = FileLock(file, timeout=wait_s, thread_local=False)
    try:
        lock.acquire()
    except Timeout:
        raise Busy from None
    try:
        yield
    finally:
        # While it is held: whoever waits for it sees that it is gone, and makes another. Windows cannot do so then;
        # afterwards it can, if nobody else has it open.
        is_gone = _removed(file)
        lock.release()
        if not is_gone:
            _removed(file)


def _removed(file: Path) -> bool:
    """Return whether a file could be removed."""
    try:
        file.unlink()
    except OSError:
        return False
    return True
