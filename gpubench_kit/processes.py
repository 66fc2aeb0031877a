"""How every process of the kit starts and ends: it imports nothing from where it works, loads what takes long only
when it is used, and outlives nobody.

A review folder is passed from hand to hand. Python looks for modules in the working directory first, so a file
``pandas.py`` that lies there would be executed.
"""

from __future__ import annotations

import atexit
import ctypes
import importlib
import os
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Iterable
from functools import lru_cache
from importlib import util
from pathlib import Path
from types import ModuleType
from typing import Any

IS_WINDOWS = os.name == "nt"
#: How often a process looks whether the one that started it is still there [s].
_PACE_S = 1.0
#: What Windows is asked for a process to be waited for, and how long [ms].
_WAIT, _FOR_EVER = 0x00100000, 0xFFFFFFFF

_watched: set[int] = set()


def start_safely() -> None:
    """Let this process, and all that it starts, import from where Python and its libraries are installed alone."""
    sys.path[:] = _safe_places(sys.path)
    os.environ.update(safe_environment())


def safe_environment() -> dict[str, str]:
    """Return the variables with which a process starts safely, and leaves the home folder alone."""
    return {
        "PYTHONSAFEPATH": "1",
        "PYTHONPATH": os.pathsep.join(_safe_places(os.environ.get("PYTHONPATH", "").split(os.pathsep))),
        "MPLCONFIGDIR": os.environ.get("MPLCONFIGDIR") or _cache("matplotlib"),
    }


def _safe_places(places: Iterable[str]) -> list[str]:
    """Return places to import from without the working directory, unless the kit itself is there."""
    here = os.getcwd()
    is_home = Path(here) == Path(__file__).resolve().parents[1]
    found = [here if is_home and place and Path(place).absolute() == Path(here) else place for place in places]
    return [place for place in found if os.path.isabs(place) and (is_home or place != here)]


def private_environment(folder: Path) -> dict[str, str]:
    """Return the variables with which a notebook's process reads no user's settings and start-up files.

    Parameters
    ----------
    folder : an empty folder that is there as long as the process
    """
    jupyter = {f"JUPYTER_{kind}_DIR": str(folder / kind.lower()) for kind in ("CONFIG", "DATA", "RUNTIME")}
    # The client takes the first place off where that is the working directory: another one stands before it.
    places = (str(folder / "nothing"), safe_environment()["PYTHONPATH"])
    return {"IPYTHONDIR": str(folder / "ipython"), "PYTHONPATH": os.pathsep.join(filter(None, places)), **jupyter}


class _Late(ModuleType):
    """Stands for a module until the first of its names is asked for."""

    def __getattr__(self, name: str) -> Any:
        return getattr(importlib.import_module(self.__name__), name)


@lru_cache
def loaded_when_used(name: str) -> ModuleType:
    """Return a module that is read from disk when the first of its names is asked for.

    Parameters
    ----------
    name : name of an installed library, or of a module of one. The packages around it are not loaded either

    Raises
    ------
    ModuleNotFoundError : it is not installed
    """
    if name in sys.modules:
        return sys.modules[name]
    if util.find_spec(name.partition(".")[0]) is None:
        raise ModuleNotFoundError(f"No module named {name!r}", name=name)
    return _Late(name)


def end_with(parent: int) -> None:
    """Let this process end soon after the one that started it, however that one ended.

    Parameters
    ----------
    parent : identity of the process that started this one; nothing is done in any other
    """
    if os.getppid() == parent and parent not in _watched:
        _watched.add(parent)
        threading.Thread(target=_watch, args=(parent,), daemon=True).start()


def _watch(parent: int) -> None:
    """End this process when the one that started it is gone."""
    if IS_WINDOWS:
        # Windows goes on naming a parent that is gone, so the process itself is waited for.
        system = ctypes.windll.kernel32  # type: ignore[attr-defined]
        system.WaitForSingleObject(system.OpenProcess(_WAIT, False, parent), _FOR_EVER)
    while not IS_WINDOWS and os.getppid() == parent:
        time.sleep(_PACE_S)
    os._exit(1)


def _cache(name: str) -> str:
    """Return a folder for what a library keeps: in the environment, or one that goes when the process ends."""
    is_own = sys.prefix != sys.base_prefix or Path(sys.prefix, "conda-meta").is_dir()
    if is_own and os.access(sys.prefix, os.W_OK):
        return str(Path(sys.prefix, ".cache", name))
    folder = tempfile.mkdtemp(prefix=f"gpubench-kit-{name}-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder
