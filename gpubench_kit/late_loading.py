"""Libraries that take long to load and are not always needed."""

from __future__ import annotations

import importlib
import sys
from functools import lru_cache
from importlib import util
from types import ModuleType
from typing import Any


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
