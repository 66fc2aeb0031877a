"""The kit as on Windows, as far as another system can be like it: run as a script in a process of its own.

What asks for the name of the system is told "nt", files that are open cannot be replaced or removed, and notebooks
run in this process, so that nothing of them is outside.
"""

from __future__ import annotations

import importlib
import os
import sys
import types
from collections.abc import Callable
from pathlib import Path
from typing import Any

from source_trees import package_modules


def named_windows() -> types.ModuleType:
    """Return the library `os` under the name that it has on Windows."""
    other = types.ModuleType("os")
    other.__dict__.update(os.__dict__)
    other.name = "nt"
    return other


def refuse_open_files() -> None:
    """Let files that this process holds open be neither moved, replaced nor removed, nor what they lie in."""
    for name in ("replace", "rename", "unlink", "remove", "rmdir"):
        setattr(os, name, _refusing(getattr(os, name)))


def _refusing(done: Callable[..., Any]) -> Callable[..., Any]:
    """Return the same function, which first looks for files held open."""

    def checked(path: Any, *others: Any, **options: Any) -> Any:
        for one in (path, *others):
            # A name beside an open folder is how a tree is removed here; Windows takes whole paths.
            if isinstance(one, (str, Path)) and options.get("dir_fd") is None and (held := _held_below(Path(one))):
                raise PermissionError(13, "it is open in this process", str(held))
        return done(path, *others, **options)

    return checked


def _held_below(path: Path) -> Path | None:
    """Return a file that this process holds open at a path or below it."""
    for number in list(Path("/proc/self/fd").iterdir()):
        try:
            held = number.readlink()
        except OSError:
            continue
        if held.is_file() and held.is_relative_to(path.absolute()):
            return held
    return None


def modules_that_ask() -> list[str]:
    """Return the modules of the package that ask for the name of the system."""
    return [one.name for one in package_modules() if "os.name" in one.path.read_text(encoding="utf-8")]


def main(commands: list[list[str]]) -> int:
    """Run commands as on Windows, and return the highest exit code.

    Parameters
    ----------
    commands : the words of each
    """
    # All libraries are loaded as they are on this system.
    from notebooks_here import run_here

    from gpubench_kit import cli
    from gpubench_kit.report import build, page_build, pages  # noqa: F401

    page_build.run_notebook = run_here
    sys.modules["os"] = named_windows()
    for name in modules_that_ask():
        importlib.reload(importlib.import_module(name))
    sys.modules["os"] = os
    refuse_open_files()
    return max(map(cli.main, commands))


if __name__ == "__main__":
    sys.exit(main([line.split() for line in sys.argv[1:]]))
