"""Libraries that take long to load and are not always needed."""

from __future__ import annotations

import sys
from importlib import util
from types import ModuleType


def loaded_when_used(name: str) -> ModuleType:
    """Return a module that is read from disk when the first of its names is asked for.

    Parameters
    ----------
    name : name of an installed library

    Raises
    ------
    ModuleNotFoundError : it is not installed
    """
    if name in sys.modules:
        return sys.modules[name]
    spec = util.find_spec(name)
    if spec is None:
        raise ModuleNotFoundError(f"No module named {name!r}", name=name)
    spec.loader = util.LazyLoader(spec.loader)
    module = sys.modules[name] = util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
