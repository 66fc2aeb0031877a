"""Where files really lie, links followed; a folder of thousands of logs is looked up once."""

from __future__ import annotations

import os
from pathlib import Path


class RealPaths:
    """Paths with links followed, and whether they lie in a folder."""

    def __init__(self, root: Path):
        self.root = root.resolve()
        self._inside = str(self.root).rstrip(os.sep) + os.sep
        self._parents: dict[str, str] = {}

    def real(self, path: Path) -> Path:
        """Return the path with links followed.

        Parameters
        ----------
        path : of a file, which need not be there

        Raises
        ------
        OSError, ValueError, RuntimeError : it is no path of a file
        """
        if ".." in path.parts or os.path.islink(path):
            return path.resolve()
        parent = str(path.parent)
        if parent not in self._parents:
            self._parents[parent] = str(path.parent.resolve())
        return path if self._parents[parent] == parent else Path(self._parents[parent], path.name)

    def has(self, real: Path) -> bool:
        """Return whether a path with links followed is the folder or lies in it.

        Parameters
        ----------
        real : as `real` gives it
        """
        return str(real).startswith(self._inside) or real == self.root
