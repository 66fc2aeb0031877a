"""Two folders exchanged in one step, so that a name stands for one of them at every moment."""

from __future__ import annotations

import ctypes
import os
import sys
from pathlib import Path

#: Windows can only move one folder away and then the other to its place.
HAS_EXCHANGE = os.name != "nt"
#: Paths are meant as seen from the working directory; both are exchanged (Linux, macOS).
_HERE, _EXCHANGE, _SWAP = -100, 2, 2


def exchange(first: Path, second: Path) -> bool:
    """Exchange two folders of one file system.

    Parameters
    ----------
    first, second : folders, both there

    Returns
    -------
    bool, false where the system or the file system has no such step; nothing is changed then
    """
    if not HAS_EXCHANGE:
        return False
    library = ctypes.CDLL(None, use_errno=True)
    paths = os.fsencode(first), os.fsencode(second)
    if sys.platform == "darwin" and hasattr(library, "renamex_np"):
        return library.renamex_np(*paths, _SWAP) == 0
    if hasattr(library, "renameat2"):
        return library.renameat2(_HERE, paths[0], _HERE, paths[1], _EXCHANGE) == 0
    return False
