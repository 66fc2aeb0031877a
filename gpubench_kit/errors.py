"""Every error the kit raises on purpose.

::

    GpubenchError
    |-- PlanError      plan.toml cannot be used
    |-- LogError       a frame or sensor log cannot be used
    |-- TableError     a table (run sheet included) breaks its declaration
    |-- DesignError    the measurements cannot answer the question asked
    `-- ReportError    a report cannot be made or written

Each message says what is wrong, where, what was found, what was expected and what to do.
Faults are collected first and raised together.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong.

    Attributes
    ----------
    where : file and place in it, for example ``runs.csv, run 'r014'``
    problem : what was found and what was expected
    action : what the reader can do about it
    """

    where: str
    problem: str
    action: str = ""

    def __str__(self) -> str:
        sentence = f"{self.where}: {self.problem}" if self.where else self.problem
        return f"{sentence} {self.action}".rstrip()


class GpubenchError(Exception):
    """Base of all errors that the kit raises on purpose; ``faults`` lists every fault found."""

    def __init__(self, faults: str | Fault | Iterable[Fault | str]):
        self.faults: tuple[Fault, ...] = tuple(_as_fault(one) for one in _as_list(faults))
        super().__init__("\n".join(str(fault) for fault in self.faults))

    def __reduce__(self):
        # Exceptions cross process borders when many runs are read in parallel.
        return (type(self), (list(self.faults),))


class PlanError(GpubenchError):
    """``plan.toml`` cannot be used."""


class LogError(GpubenchError):
    """A frame or sensor log cannot be used."""


class TableError(GpubenchError):
    """A table breaks its declaration; the run sheet is one."""


class DesignError(GpubenchError):
    """The measurements cannot answer the question asked."""


class ReportError(GpubenchError):
    """A report cannot be made or written."""


def _as_list(faults: str | Fault | Iterable[Fault | str]) -> list[Fault | str]:
    """Return the faults as a list, one or many."""
    return [faults] if isinstance(faults, (str, Fault)) else list(faults)


def _as_fault(one: Fault | str) -> Fault:
    """Return a fault; plain text becomes a fault without a place."""
    return one if isinstance(one, Fault) else Fault("", one)
