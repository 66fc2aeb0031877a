"""A review folder: files matched to the run sheet, and its runs read one at a time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import pandas as pd

from gpubench_kit.logs.format_memory import FormatMemory
from gpubench_kit.logs.gathered_findings import gathered
from gpubench_kit.logs.kept_facts import KeptFacts
from gpubench_kit.logs.match_files import match_files
from gpubench_kit.logs.order_done import order_done
from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.logs.run_log import RunLog, read_run
from gpubench_kit.logs.run_task import RunTask
from gpubench_kit.logs.shared_logs import with_clocks
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.sheet import RunSheet, load_run_sheet

#: Facts that the table of runs is made with.
_OF_RUNS = (
    "run", "n_frames", "duration_s", "frame_log_sha256",
    "clock_start_s", "other_clock_start_s", "clock_kind", "clock_from",
)  # fmt: skip


class Review:
    """The runs of a review, read one at a time; frames are never held for more than one run.

    Attributes
    ----------
    plan : the review's plan
    typed : numbers typed into the run sheet; see ``tables.TYPED_VALUES``
    row_faults : what is wrong with rows of the run sheet that were left out, each fault once
    keep_going : whether logs that cannot be used become findings in place of one error
    """

    def __init__(self, plan: ReviewPlan, sheet: RunSheet, *, keep_going: bool = False):
        self.plan = plan
        self.typed = sheet.typed
        self.row_faults = sheet.row_faults
        self.keep_going = keep_going
        self._runs = sheet.runs.reset_index(drop=True)
        matched = match_files(self._runs, sheet.typed, plan)
        self._tasks, self._has_clocks = tuple(matched.tasks), False
        self._not_recorded = frozenset(matched.not_recorded)
        self._excluded = frozenset(self._runs.loc[self._runs["excluded"] != "", "run"])
        self._findings = [*sheet.findings, *matched.findings]
        self._faults: list[Fault] = list(matched.faults)
        self._facts = KeptFacts()
        self._known_runs: tuple[int, pd.DataFrame] | None = None

    @property
    def tasks(self) -> tuple[RunTask, ...]:
        """What is needed to read each run that has a log, in sheet order; with the clocks of shared sensor logs."""
        if not self._has_clocks:
            self._has_clocks = True
            self._tasks, findings = with_clocks(self._tasks)
            self._findings.extend(findings)
        return self._tasks

    @property
    def runs(self) -> pd.DataFrame:
        """One row per row of the run sheet, in its order.

        Besides the sheet's columns: ``is_recorded`` (has a log or typed numbers), ``order_done`` and
        ``order_known`` (see `order_done`), and from the logs read so far ``n_frames``, ``duration_s`` and
        ``frame_log_sha256``.
        """
        if self._known_runs is None or self._known_runs[0] != len(self._facts):
            self._known_runs = len(self._facts), self._runs_so_far()
        return self._known_runs[1].copy()

    def _runs_so_far(self) -> pd.DataFrame:
        """Return the table of runs with what is known of the logs read so far."""
        runs = self._runs.copy()
        facts = self._facts.table(self._facts, names=_OF_RUNS)
        by_run = facts.set_index("run").reindex(runs["run"])
        runs["is_recorded"] = ~runs["run"].isin(self._not_recorded)
        runs["order_done"], runs["order_known"] = order_done(
            runs, facts, date_order=self.plan.logs.date_order or ""
        )
        runs["n_frames"] = by_run["n_frames"].astype("Int64").to_numpy()
        runs["duration_s"] = by_run["duration_s"].to_numpy(dtype=float)
        runs["frame_log_sha256"] = by_run["frame_log_sha256"].fillna("").to_numpy()
        return runs

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Findings from the sheet, the files and the logs read so far; routine notes of many runs as one."""
        faults = self._faults if self.keep_going else ()
        return (*gathered([*self._findings, *(self._as_finding(fault) for fault in faults)]),)

    def _as_finding(self, fault: Fault) -> Finding:
        """Return a fault of a log as a finding that stops the verdicts that need it."""
        run = fault.where.split("'")[1] if "run '" in fault.where else ""
        # Where the frames were read it is the samples that are missing: what frames alone tell stays.
        check = "sensor_log_unusable" if self.n_frames(run) else "log_unusable"
        return Finding("stop", check, f"{fault.where}: {fault.problem}", run=run, action=fault.action)

    def read_runs(self) -> Iterator[RunLog]:
        """Yield each run that has a log, read and lined up, in sheet order.

        Raises
        ------
        LogError : after the last run, with every log that is missing or cannot be used, of runs that are not
            excluded; with ``keep_going`` these are findings
        """
        memory = FormatMemory()
        for task in self.tasks:
            run_log = read_run(task, memory=memory)
            self.receive(run_log.facts, run_log.findings, run_log.faults)
            yield run_log
        self.raise_faults()

    def receive(self, facts: RunFacts, findings: Iterable[Finding], faults: Iterable[Fault] = ()) -> None:
        """Keep what was found out about a run; readers in other processes hand it in here.

        Parameters
        ----------
        facts : facts about the run's logs
        findings : what was noticed in them
        faults : why a log cannot be used
        """
        if facts.run in self._facts:
            return
        self._facts.keep(facts)
        self._findings.extend(findings)
        if facts.run in self._excluded:
            notes = (Finding("note", "excluded_log_unusable", str(fault), run=facts.run) for fault in faults)
            self._findings.extend(notes)
        else:
            self._faults.extend(faults)

    def note(self, findings: Iterable[Finding]) -> None:
        """Add findings made while metrics were computed."""
        self._findings.extend(findings)

    def raise_faults(self) -> None:
        """Raise one error with every log that is missing or cannot be used.

        Raises
        ------
        LogError : there is one, and the review is not to keep going
        """
        if self._faults and not self.keep_going:
            raise LogError(self._faults)

    def facts(self) -> pd.DataFrame:
        """Return one row per run that has a log, with the attributes of `RunFacts` as columns.

        What `facts_of` gives besides is left out: the trace of the frames, and which columns were taken. Logs
        that were not read yet are read now; others are not read again.
        """
        for task in self.tasks:
            if task.run not in self._facts:
                run_log = read_run(task)
                self.receive(run_log.facts, run_log.findings, run_log.faults)
        return self._facts.table(task.run for task in self.tasks)

    def facts_of(self, run: str) -> RunFacts | None:
        """Return the facts about one run, with its traces; None where it has no log or was not read yet."""
        return self._facts.of(run)

    def n_frames(self, run: str) -> int:
        """Return how many frames a run has; 0 where it has no log or was not read yet."""
        return self._facts.n_frames(run)


def open_review(plan: ReviewPlan, *, keep_going: bool = False) -> Review:
    """Open a review folder: read its run sheet and find the files of every row.

    Parameters
    ----------
    plan : the review's plan, with its folder
    keep_going : a log that is missing or cannot be used becomes a finding that stops the verdicts that need it,
        in place of an error; as `check` does on the evening of the bench

    Returns
    -------
    Review, of which no log has been read yet

    Raises
    ------
    TableError : the run sheet is missing or breaks its declaration
    LogError : a log is missing or lies outside the folder; logs that are there but cannot be used are then
        listed in the same error
    """
    sheet = load_run_sheet(plan, for_report=not keep_going, skip_bad_rows=keep_going)
    review = Review(plan, sheet, keep_going=keep_going)
    if review._faults and not keep_going:
        # The review cannot be made anyway: read on, so that every fault is told in one go.
        for _ in review.read_runs():
            pass
    return review
