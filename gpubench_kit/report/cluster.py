"""A running Dask cluster as the place where many reports are made, through joblib; the only import of distributed.

A cluster runs whatever its clients send, so it belongs into a network that is trusted.
"""

from __future__ import annotations

import logging
import os
import warnings
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from types import TracebackType
from typing import Any
from uuid import uuid4

from joblib import parallel_config

from gpubench_kit.model.errors import Fault, ReportError
from gpubench_kit.model.plan import plan_file_of
from gpubench_kit.report.manifest import file_hash, kit_versions
from gpubench_kit.report.many_reviews import ReviewTask

try:
    from distributed import Client
    from distributed.comm import resolve_address
except ImportError:
    Client = None  # type: ignore[assignment, misc]

#: Seconds within which the scheduler and each worker must answer.
_ANSWER_S = 10
#: Seconds within which a worker must have loaded the kit, which a busy machine is slow to do.
_LOAD_S = 120
#: Seconds after which a report must be seen here: file systems shared over a network show files a little later.
_PATIENCE_S = 30.0

_SHARE = "Put reviews and reports into a folder that all machines of the cluster share, under the same name."
_HERE = "Start its workers, or leave out --cluster to work on this machine."


class Cluster:
    """Workers of a running Dask cluster, one report each at a time for every thread they have.

    Entering connects, leaving disconnects; the cluster itself is left as it is.

    Attributes
    ----------
    workers : reports made at a time; known after entering
    """

    cores: int | None = 1
    patience_s = _PATIENCE_S

    def __init__(self, address: str):
        """Take note of the address.

        Parameters
        ----------
        address : that of the scheduler, such as ``tcp://desk:8786``
        """
        self._address = address
        self._client: Any = None
        self.workers = 0

    def __enter__(self) -> Cluster:
        """Connect.

        Raises
        ------
        ReportError : what is needed is not installed, the scheduler does not answer, or it has no worker
        """
        if Client is None:
            problem = "the parts that speak to a cluster are not installed."
            raise self._error(problem, 'Install them with: pip install "gpubench_kit[cluster]"')
        # What the connection says on a terminal is said here in one sentence, or of a review.
        for name in ("distributed", "distributed.client"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        try:
            # A client that was given no address at all would wait for one when the command ends.
            resolve_address(self._address)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                self._client = Client(self._address, timeout=_ANSWER_S, set_as_default=False)
        except (OSError, ValueError, TypeError) as error:
            problem = f"nothing answers there as a scheduler ({_first_line(error)})."
            raise self._error(problem, f"Correct the address. {_HERE}") from None
        self.workers = sum(self._client.nthreads().values())
        if not self.workers:
            self._client.close()
            raise self._error("its scheduler has no worker.", _HERE)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Disconnect."""
        self._client.close(timeout=_ANSWER_S)

    def parallel(self) -> AbstractContextManager:
        """Return the settings of joblib under which tasks go to the workers."""
        return parallel_config("dask", client=self._client, wait_for_workers_timeout=_ANSWER_S)

    def is_there(self) -> bool:
        """Return whether the scheduler still answers and has a worker."""
        try:
            return self._client.status == "running" and bool(self._asked(os.getpid, within_s=_ANSWER_S))
        except ReportError:
            return False

    def check(self, tasks: Sequence[ReviewTask]) -> None:
        """Raise where a worker has another version of the kit, or sees other files under the same names.

        Parameters
        ----------
        tasks : reports to be made

        Raises
        ------
        ReportError : with a fault for each worker that does not fit, or that does not answer
        """
        self._asked(os.getpid, within_s=_ANSWER_S)
        self._check_versions()
        self._check_folders(tasks)

    def _check_versions(self) -> None:
        """Raise where a worker would make other bytes, by other versions of what decides numbers and pictures."""
        own, faults = kit_versions(), []
        for worker, answer in self._asked(kit_versions).items():
            if isinstance(answer, BaseException):
                problem = f"the kit does not run there ({_first_line(answer)})."
                faults.append(Fault(f"worker '{worker}'", problem, "Install the same version there."))
            elif differing := [name for name in own if answer.get(name) != own[name]]:
                other = "; ".join(f"{name} {answer.get(name)} there, {own[name]} here" for name in differing)
                problem, action = f"it has other versions ({other}).", "Install the same lock on every machine."
                faults.append(Fault(f"worker '{worker}'", problem, action))
        if faults:
            raise ReportError(faults)

    def _check_folders(self, tasks: Sequence[ReviewTask]) -> None:
        """Raise where a worker does not see the reviews, or the place of the reports, as this machine does."""
        plans = {str(plan_file_of(task.folder)): "" for task in tasks}
        seen = {name: _hash_of(name) for name in plans}
        probes = [_probe(folder) for folder in dict.fromkeys(task.report.parent for task in tasks)]
        try:
            seen |= {str(probe): _hash_of(str(probe)) for probe in probes}
            answers = self._asked(_hashes_of, list(seen))
        finally:
            for probe in probes:
                probe.unlink(missing_ok=True)
        faults = []
        for worker, answer in answers.items():
            problem = ""
            if isinstance(answer, BaseException):
                problem = f"it does not say what it sees ({_first_line(answer)})."
            elif other := next((name for name, digest in seen.items() if answer.get(name) != digest), ""):
                problem = f"it does not see '{other}' as it is here."
                if Path(other) in probes:
                    problem = f"it does not see the folder of the reports ('{Path(other).parent}')."
            faults += [Fault(f"worker '{worker}'", problem, _SHARE)] if problem else []
        if faults:
            raise ReportError(faults)

    def _asked(self, function: Callable, *operands: object, within_s: float = _LOAD_S) -> Mapping[str, Any]:
        """Return what each worker answers, or the error it met."""
        try:
            return self._client.run(function, *operands, on_error="return", callback_timeout=within_s)
        except (OSError, TimeoutError):
            raise self._error(f"a worker does not answer within {within_s} s.", "Restart the workers.") from None

    def _error(self, problem: str, action: str) -> ReportError:
        """Return an error of this cluster."""
        return ReportError(Fault(f"cluster '{self._address}'", problem, action))


def _hashes_of(names: Sequence[str]) -> dict[str, str]:
    """Return the hash of each file that is there; empty where it is not."""
    return {name: _hash_of(name) for name in names}


def _hash_of(name: str) -> str:
    """Return the hash of a file; empty where there is none that can be read."""
    try:
        return file_hash(Path(name))
    except ReportError:
        return ""


def _probe(folder: Path) -> Path:
    """Return a small file in the folder of the reports, by which workers show that they see it."""
    probe = folder / f".{uuid4().hex[:8]}.seen.part"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        probe.write_text(f"{os.getpid()}", encoding="utf-8")
    except OSError as error:
        problem = f"it cannot be written ({error.strerror or error})."
        raise ReportError(Fault(f"output folder '{folder}'", problem, "Name another with --output.")) from error
    return probe


def _first_line(error: BaseException) -> str:
    """Return the first line of what an error says."""
    return (str(error) or type(error).__name__).splitlines()[0].rstrip(".")
