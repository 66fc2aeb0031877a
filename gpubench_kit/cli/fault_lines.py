"""What a command prints: faults, one a line, and results as JSON for other programs."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from gpubench_kit.model.errors import Fault, GpubenchError, LogError

#: Set to anything, it shows where in the kit an unexpected error arose.
TRACEBACK = "GPUBENCH_KIT_TRACEBACK"


def tell_faults(error: GpubenchError) -> None:
    """Print every fault of an error, and where in the kit it arose if that is asked for.

    Parameters
    ----------
    error : what was raised
    """
    tell_fault_lines(error.faults, notes=getattr(error, "__notes__", ()))


def tell_fault_lines(faults: Iterable[Fault], *, notes: Iterable[str] = ()) -> None:
    """Print faults, one a line.

    Parameters
    ----------
    faults : what is wrong
    notes : where in the kit a fault of its own arose; printed only if that is asked for
    """
    for fault in faults:
        print(f"Fault: {fault}", file=sys.stderr)
    if os.environ.get(TRACEBACK):
        print("\n".join(notes), file=sys.stderr)


def result_json(made: Any) -> str:
    """Return what a command made as JSON: its fields by name, paths as text.

    Parameters
    ----------
    made : a result of the kit, a dataclass; or a mapping or list of plain values
    """
    content = made if isinstance(made, (dict, list)) else asdict(made)
    return json.dumps(content, indent=2, ensure_ascii=False, default=str)


def check_file(word: str, problem: str = "there is no such file") -> None:
    """Raise where a word of the command line names no file.

    Parameters
    ----------
    word : as it was typed
    problem : what is wrong then
    """
    if not Path(word).is_file():
        raise LogError(Fault(word, f"{problem}.", "Correct the name, or the folder you are in."))
