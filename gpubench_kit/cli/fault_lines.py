"""How faults are told on a terminal: one a line."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable

from gpubench_kit.model.errors import Fault, GpubenchError

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
