"""Folders that several test processes read: the first that asks makes one, the others wait for it."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import filelock
import pytest


def made_once(name: str, tmp_path_factory: pytest.TempPathFactory, make: Callable[[Path], object]) -> Path:
    """Return a folder that is made once for all test processes; nobody may change what is in it.

    Parameters
    ----------
    name : of the folder
    tmp_path_factory : of pytest
    make : makes the folder
    """
    shared = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        shared = shared.parent
    folder = shared / "made_once" / name
    folder.parent.mkdir(exist_ok=True)
    with filelock.FileLock(folder.with_suffix(".lock")):
        if not folder.exists():
            part = folder.with_suffix(".part")
            make(part)
            part.rename(folder)
    return folder
