"""Many reports at once: one task a review, always with a time limit, each whole or not at all."""

from __future__ import annotations

import os
import threading
import time
import warnings
from collections.abc import Generator, Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, closing, suppress
from dataclasses import dataclass, field, replace
from multiprocessing import TimeoutError as NothingCameBack
from pathlib import Path
from typing import Protocol

from joblib import Parallel, cpu_count, delayed, parallel_config

from gpubench_kit.model.errors import Fault, GpubenchError, ReportError
from gpubench_kit.model.plan import plan_file_of
from gpubench_kit.model.tables import RUNS
from gpubench_kit.processes import end_with
from gpubench_kit.report.build import is_up_to_date, list_reports, make_report
from gpubench_kit.report.earlier_report import MANIFEST
from gpubench_kit.report.manifest import compared_anything, file_hash
from gpubench_kit.report.page_build import Making, Progress, tell_nobody
from gpubench_kit.report.place import ReportPlace
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import duration_text


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
    parquet : whether each table also becomes a Parquet file
    """

    given: str
    folder: Path
    report: Path
    previous: Path | None = None
    cores: int | None = None
    pictures: str = "film"
    parquet: bool = False


@dataclass(frozen=True)
class Outcome:
    """What became of one report.

    Attributes
    ----------
    review : review folder as the reviewer named it
    outcome : ``made``, ``up to date``, ``bad input``, ``internal error`` or ``lost``
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
    parquet: bool = False,
) -> list[ReviewTask]:
    """Return a task for each review, after checking that no two reports go to one place.

    Parameters
    ----------
    folders : review folders, or their plans
    output : folder in which each report gets a folder of the review's name; default ``reports`` in the working
        directory
    previous : folder that holds the earlier reports under the same names
    pictures : ``film``, ``all`` or ``none``
    parquet : whether each table also becomes a Parquet file

    Raises
    ------
    ReportError : two reports would go to one folder; every such name is listed
    """
    root = Path(output) if output is not None else Path.cwd() / "reports"
    places: dict[str, list[ReviewTask]] = {}
    for given in folders:
        name = plan_file_of(given).resolve().parent.name
        earlier = Path(previous).absolute() / name if previous is not None else None
        task = ReviewTask(
            str(given), Path(given).absolute(), root.absolute() / name, earlier, pictures=pictures, parquet=parquet
        )
        # Some file systems take names that differ in capitals for one.
        places.setdefault(name.casefold(), []).append(task)
    faults, action = [], "Rename one review folder, or name each folder once."
    for tasks in places.values():
        if len(tasks) > 1:
            named = " and ".join(f"'{task.given}'" for task in tasks)
            problem = f"the reports of {named} would go to one folder."
            faults.append(Fault(f"review '{tasks[0].report.name}'", problem, action))
    if faults:
        raise ReportError(faults)
    return [task for tasks in places.values() for task in tasks]


def report_of(task: ReviewTask) -> Outcome:
    """Make one report, unless it is up to date, and return what became of it; faults are part of it, not raised.

    Parameters
    ----------
    task : the report to be made
    """
    start = time.perf_counter()
    try:
        is_there = is_up_to_date(task.folder, task.report, previous=task.previous, pictures=task.pictures)
        is_there &= not task.parquet or (task.report / "tables" / f"{RUNS.name}.parquet").exists()
        if not is_there:
            making = Making(cores=task.cores, pictures=task.pictures, parquet=task.parquet)
            make_report(task.folder, task.report, previous=task.previous, making=making)
        outcome = Outcome(
            task.given,
            "up to date" if is_there else "made",
            page=task.report / "index.html",
            is_compared=compared_anything(task.report),
            manifest_sha256=file_hash(task.report / MANIFEST),
        )
    except GpubenchError as error:
        notes = tuple(getattr(error, "__notes__", ()))
        kind = "internal error" if notes else "bad input"
        outcome = Outcome(task.given, kind, faults=error.faults, notes=notes)
    except Exception as error:
        message = f"{type(error).__name__}: {error}".splitlines()[0]
        fault = Fault(task.given, f"unexpected error: {message}", "This is an internal error: please report it.")
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


class Engine(Protocol):
    """Where many reports are made, each by one task.

    Attributes
    ----------
    workers : reports made at a time
    cores : cores that each of them may use; None: all
    patience_s : seconds after which the files of a finished report must be seen from here
    """

    workers: int
    cores: int | None
    patience_s: float

    def check(self, tasks: Sequence[ReviewTask]) -> None:
        """Raise what keeps the tasks from being done there."""

    def parallel(self) -> AbstractContextManager:
        """Return the settings of joblib under which the tasks are done there."""

    def is_there(self) -> bool:
        """Return whether further tasks can be done there, after one of which no answer came back."""


class ThisMachine:
    """Processes of this machine, one report each: one for each core, and no more than there are reports."""

    patience_s = 0.0

    def __init__(self, reports: int, *, workers: int | None = None):
        """Choose the number of processes.

        Parameters
        ----------
        reports : number of reports
        workers : most reports at a time; default one for each core
        """
        self.workers = max(1, min(reports, workers or cpu_count()))
        self.cores = max(1, cpu_count() // self.workers)

    def check(self, tasks: Sequence[ReviewTask]) -> None:
        """Find nothing to object to."""

    def parallel(self) -> AbstractContextManager:
        """Return the settings of joblib: processes even where only one report is made at a time."""
        # With one job joblib would work in this process, where nothing could be given up.
        return parallel_config("loky", n_jobs=max(2, self.workers), initializer=end_with, initargs=(os.getpid(),))

    def is_there(self) -> bool:
        """Return true: new processes can be started."""
        return True


#: Seconds without any report coming back after which those under way are given up. One cell of a notebook may
#: take half an hour; a whole report of some hundred runs takes a minute.
LIMIT_S = 3600

_LOOK_AGAIN_S = 0.2


def make_reports(
    tasks: Sequence[ReviewTask], engine: Engine, *, limit_s: float = LIMIT_S, progress: Progress | None = None
) -> list[Outcome]:
    """Make many reports; one that fails does not stop the rest.

    Parameters
    ----------
    tasks : reports to be made, see `gpubench_kit.report.many_reviews.tasks_of`
    engine : where they are made
    limit_s : longest time without any report coming back [s]
    progress : called with the share done and what is being done, after each report

    Returns
    -------
    list of Outcome, in the order of the tasks

    Raises
    ------
    GpubenchError : nothing can be made there at all

    Notes
    -----
    A report that is whole and made of the same inputs, decisions and versions is kept, so that the same call goes
    on where an earlier one stopped. Where a process ends or no report comes back in time, those under way are
    tried again, each alone, so that only the one that is to blame is lost.
    """
    engine.check(tasks)
    tasks = [replace(task, cores=engine.cores) for task in tasks]
    tell = progress or tell_nobody
    outcomes: dict[str, Outcome] = {}
    start = time.perf_counter()
    tell(0.0, _so_far([], len(tasks), engine.workers))
    try:
        with closing(_outcomes(tasks, engine, limit_s=limit_s)) as back:
            for outcome in back:
                outcomes[outcome.review] = outcome
                tell(len(outcomes) / len(tasks), _so_far(list(outcomes.values()), len(tasks), engine.workers))
    finally:
        # Whatever ended them: a worker that was given up may have begun anew what it could not know to be done
        # elsewhere.
        for task in tasks:
            ReportPlace(task.report, task.folder).clean_up()
    for folder in dict.fromkeys(task.report.parent for task in tasks):
        if any(one.page is not None and one.page.parent.parent == folder for one in outcomes.values()):
            list_reports(folder)
    tell(1.0, say("told.progress.done_in", time=duration_text(time.perf_counter() - start)))
    return [outcomes[task.given] for task in tasks]


def _outcomes(tasks: Sequence[ReviewTask], engine: Engine, *, limit_s: float) -> Generator[Outcome]:
    """Yield what became of each report, as they come back."""
    waiting = [list(tasks)]
    while waiting:
        attempt = _Attempt(waiting.pop(0), engine, limit_s)
        yield from attempt.outcomes()
        if attempt.error is None:
            continue
        again = attempt.again()
        if not attempt.begun or not engine.is_there():
            # Where none could be begun, or the cluster is gone, nothing that waits can be begun either.
            again, waiting = [*again, *waiting], []
        elif len(attempt.tasks) > 1:
            waiting += again
            continue
        yield from (_given_up(task, attempt.error, limit_s) for group in again for task in group)


@dataclass
class _Attempt:
    """Some tasks, handed to the workers together.

    Attributes
    ----------
    tasks : in order
    engine : where they are done
    limit_s : longest time without any of them coming back [s]
    begun : tasks that may be under way, or that came back
    back : reviews of which an answer came back
    error : what ended the attempt early
    """

    tasks: list[ReviewTask]
    engine: Engine
    limit_s: float
    begun: list[ReviewTask] = field(default_factory=list)
    back: set[str] = field(default_factory=set)
    error: Exception | None = None

    def outcomes(self) -> Generator[Outcome]:
        """Yield what became of each, as they come back, until all are back or an error ends it."""
        run = _run(self._noted(), self.engine, limit_s=self.limit_s)
        try:
            for outcome in run:
                self.back.add(outcome.review)
                yield _arrived(outcome, self.tasks, self.engine)
        except Exception as error:
            # No task raises: its process ended, nothing came back in time, or a cluster lost it.
            self.error = error
        finally:
            run.close()

    def again(self) -> list[list[ReviewTask]]:
        """Return what is to be tried again: each that may be to blame alone, the others together."""
        left = [task for task in self.tasks if task.given not in self.back]
        suspects = [task for task in left if task in self.begun]
        others = [task for task in left if task not in suspects]
        return [*([task] for task in suspects), *([others] if others else [])]

    def _noted(self) -> Iterator[ReviewTask]:
        """Yield the tasks and note each: what is noted may be under way."""
        for task in self.tasks:
            self.begun.append(task)
            yield task


def _run(tasks: Iterator[ReviewTask], engine: Engine, *, limit_s: float) -> Generator[Outcome]:
    """Yield the outcomes of tasks in the order in which they come back."""
    with engine.parallel():
        run = Parallel(return_as="generator_unordered", batch_size=1, pre_dispatch=engine.workers, timeout=limit_s)
        outcomes = run(delayed(report_of)(task) for task in tasks)
    try:
        for outcome in outcomes:  # noqa: UP028 - who stops asking must stop here, not inside joblib
            yield outcome
    finally:
        # joblib says on a terminal that tasks were given up, and its thread can trip over one that it has just
        # thrown away; whoever gives them up says so anyway.
        hook, threading.excepthook = threading.excepthook, lambda _problem: None
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                outcomes.close()
        finally:
            threading.excepthook = hook


def _arrived(outcome: Outcome, tasks: Sequence[ReviewTask], engine: Engine) -> Outcome:
    """Return an outcome, after checking that a report that is said to be made is the one that is seen from here."""
    if outcome.page is None:
        return outcome
    end = time.monotonic() + engine.patience_s
    while True:
        with suppress(GpubenchError):
            is_there = outcome.page.exists()
            if is_there and file_hash(outcome.page.parent / MANIFEST) == outcome.manifest_sha256:
                return outcome
        if time.monotonic() >= end:
            task = next(one for one in tasks if one.given == outcome.review)
            problem = "a worker made the report, but it did not arrive here."
            return lost(task, problem, "Put reviews and reports into a folder that all machines share.")
        time.sleep(_LOOK_AGAIN_S)


def _given_up(task: ReviewTask, error: BaseException, limit_s: float) -> Outcome:
    """Return the outcome of a report that ended its process, or of which nothing came back in time."""
    ReportPlace(task.report, task.folder).clean_up()
    if isinstance(error, BrokenProcessPool):
        problem = "the process that made the report ended, probably because memory ran out."
        return lost(task, problem, "Close other programs, and report this review alone.")
    if isinstance(error, NothingCameBack):
        problem = f"no report came back within {duration_text(limit_s)}."
        return lost(task, problem, "Is a log on a drive that went away? Did its worker run out of memory?")
    message = (str(error) or type(error).__name__).splitlines()[0]
    return lost(
        task, f"it could not be handed to a worker ({message}).", "Start the same command again: it goes on here."
    )


def _so_far(done: Sequence[Outcome], count: int, workers: int) -> str:
    """Return how many reports are done, and about how long the rest takes, from those that were made."""
    seconds = [one.seconds for one in done if one.outcome == "made"]
    left = count - len(done)
    if not seconds or not left:
        return say("told.progress.so_far", done=len(done), n=count)
    time_left = duration_text(left * sum(seconds) / len(seconds) / min(workers, left))
    return say("told.progress.so_far_left", done=len(done), n=count, time=time_left)
