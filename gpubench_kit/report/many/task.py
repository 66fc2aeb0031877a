"""One report of many, as a task that any process can do: all it needs goes in, what became of it comes out."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from gpubench_kit.model.errors import Fault, GpubenchError, ReportError
from gpubench_kit.report.build import is_up_to_date, make_report
from gpubench_kit.report.earlier_report import MANIFEST
from gpubench_kit.report.manifest import compared_anything, file_hash
from gpubench_kit.report.page_build import Making, plan_file_of

#: What can become of one report of many.
OUTCOMES = ("made", "up to date", "bad input", "internal error", "lost")


@dataclass(frozen=True)
class ReviewTask:
    """One report to be made.

    Attributes
    ----------
    given : review folder as the reviewer named it
    folder : the same, or its plan, absolute
    report : folder of the report, absolute
    previous : folder of the earlier report to tell changes against, absolute
    cores : cores that it may use; None: all
    pictures : ``film``, ``all`` or ``none``
    """

    given: str
    folder: Path
    report: Path
    previous: Path | None = None
    cores: int | None = None
    pictures: str = "film"


@dataclass(frozen=True)
class Outcome:
    """What became of one report.

    Attributes
    ----------
    review : review folder as the reviewer named it
    outcome : one of `OUTCOMES`
    seconds : how long it took [s]
    page : its ``index.html``; None where there is none
    is_compared : whether anything could be compared
    manifest_sha256 : hash of its manifest, by which the caller knows it again
    faults : what is wrong
    notes : where in the kit a fault of its own arose
    """

    review: str
    outcome: str
    seconds: float = 0.0
    page: Path | None = None
    is_compared: bool = False
    manifest_sha256: str = ""
    faults: tuple[Fault, ...] = ()
    notes: tuple[str, ...] = ()


def tasks_of(
    folders: Sequence[str | Path],
    output: str | Path | None = None,
    *,
    previous: str | Path | None = None,
    pictures: str = "film",
) -> list[ReviewTask]:
    """Return a task for each review, after checking that no two reports go to one place.

    Parameters
    ----------
    folders : review folders, or their plans
    output : folder in which each report gets a folder of the review's name; default ``reports`` in the working
        directory
    previous : folder that holds the earlier reports under the same names
    pictures : ``film``, ``all`` or ``none``

    Raises
    ------
    ReportError : two reports would go to one folder; every such name is listed
    """
    root = Path(output) if output is not None else Path.cwd() / "reports"
    places: dict[str, list[ReviewTask]] = {}
    for given in folders:
        name = plan_file_of(given).resolve().parent.name
        earlier = Path(previous).absolute() / name if previous is not None else None
        task = ReviewTask(str(given), Path(given).absolute(), root.absolute() / name, earlier, pictures=pictures)
        # Some file systems take names that differ in capitals for one.
        places.setdefault(name.casefold(), []).append(task)
    if faults := [_collision(tasks) for tasks in places.values() if len(tasks) > 1]:
        raise ReportError(faults)
    return [task for tasks in places.values() for task in tasks]


def report_of(task: ReviewTask) -> Outcome:
    """Make one report, unless it is up to date, and return what became of it; faults are told, not raised.

    Parameters
    ----------
    task : the report to be made
    """
    start = time.perf_counter()
    try:
        outcome = _made(task)
    except GpubenchError as error:
        notes = tuple(getattr(error, "__notes__", ()))
        kind = "internal error" if notes else "bad input"
        outcome = Outcome(task.given, kind, faults=error.faults, notes=notes)
    except Exception as error:
        told = f"{type(error).__name__}: {error}".splitlines()[0]
        fault = Fault(task.given, f"unexpected error: {told}", "This is an internal error: please report it.")
        outcome = Outcome(task.given, "internal error", faults=(fault,))
    return replace(outcome, seconds=time.perf_counter() - start)


def lost(task: ReviewTask, problem: str, action: str) -> Outcome:
    """Return the outcome of a report of which no answer came back.

    Parameters
    ----------
    task : the report that was to be made
    problem : what was met
    action : what can be done
    """
    return Outcome(task.given, "lost", faults=(Fault(task.given, problem, action),))


def _made(task: ReviewTask) -> Outcome:
    """Make a report, unless it is up to date."""
    is_there = is_up_to_date(task.folder, task.report, previous=task.previous, pictures=task.pictures)
    if not is_there:
        making = Making(cores=task.cores, pictures=task.pictures)
        make_report(task.folder, task.report, previous=task.previous, making=making)
    return Outcome(
        task.given,
        "up to date" if is_there else "made",
        page=task.report / "index.html",
        is_compared=compared_anything(task.report),
        manifest_sha256=file_hash(task.report / MANIFEST),
    )


def _collision(tasks: Sequence[ReviewTask]) -> Fault:
    """Return the fault of reviews whose reports would go to one folder."""
    named = " and ".join(f"'{task.given}'" for task in tasks)
    problem = f"the reports of {named} would go to one folder."
    return Fault(f"review '{tasks[0].report.name}'", problem, "Rename one review folder, or name each folder once.")
