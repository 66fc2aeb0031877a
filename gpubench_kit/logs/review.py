"""A review folder: its runs read one at a time, what was noticed, and formats that want to be confirmed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from gpubench_kit.logs.format import RunTask, format_id_of
from gpubench_kit.logs.frame_timing import Frames
from gpubench_kit.logs.loose_files import facts_of_log
from gpubench_kit.logs.match_files import match_files, order_done
from gpubench_kit.logs.one_clock import with_clocks
from gpubench_kit.logs.read_frames import FormatMemory
from gpubench_kit.logs.run_facts import RunFacts, facts_table
from gpubench_kit.logs.run_log import RunLog, read_run
from gpubench_kit.logs.text_table import open_table
from gpubench_kit.model.errors import Fault, LogError, TableError, check_given, listed, shown, suggestion
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.questions import LogFacts
from gpubench_kit.model.table_checks import check_plan
from gpubench_kit.model.tables import Finding
from gpubench_kit.sheet import RunSheet, load_run_sheet
from gpubench_kit.wording.catalogue import has, say

#: Runs that have a routine note before it is told once for all.
_TOLD_SINGLY = 3


def gathered(findings: Iterable[Finding]) -> list[Finding]:
    """Return findings in which routine notes of more than three runs are one note.

    Parameters
    ----------
    findings : of all runs

    Returns
    -------
    list of Finding; the facts of each run still hold its own values
    """
    findings = list(dict.fromkeys(findings))
    by_check: dict[str, list[Finding]] = {}
    for finding in findings:
        if finding.run and has(f"routine.{finding.check}"):
            by_check.setdefault(finding.check, []).append(finding)
    many = {check: alike for check, alike in by_check.items() if len({one.run for one in alike}) > _TOLD_SINGLY}
    kept = [finding for finding in findings if finding.check not in many or not finding.run]
    for check, alike in many.items():
        values = [one.found for one in alike if one.found is not None] or [0.0]
        sentence = say(f"routine.{check}", low=f"{min(values):+.2f}", high=f"{max(values):+.2f}")
        n_runs, example = len({one.run for one in alike}), alike[0]
        message = f"in {n_runs} runs {sentence}. For example run '{example.run}': {example.message}"
        kept.append(replace(example, run="", message=message, found=float(n_runs), limit=None, unit="runs"))
    return kept


@dataclass(frozen=True)
class FormatToConfirm:
    """A format that is only likely, or asks.

    Attributes
    ----------
    card : card whose logs these are
    facts : of one log of the format
    n_logs : logs of the format
    """

    card: str
    facts: LogFacts
    n_logs: int

    @property
    def entry(self) -> str:
        """The entry of the plan that confirms it, as lines."""
        return self.facts.entry(self.card)


def formats_to_confirm(review: Review) -> list[FormatToConfirm]:
    """Return the formats of a review's logs that are only likely, or ask; each once for each card.

    Parameters
    ----------
    review : the runs; their logs need not have been read

    Notes
    -----
    One log of each format is read whole, of the others the first lines.
    """
    found: dict[tuple[str, str], FormatToConfirm] = {}
    card_of = dict(zip(review.runs["run"], review.runs["card"], strict=True))
    logs = {
        path: (task, name)
        for task in review.tasks
        for path, name in ((task.frame_path, task.frame_name), (task.sensor_path, task.sensor_name))
        if path is not None
    }
    for path, (task, name) in logs.items():
        try:
            table = open_table(Path(path), name=name)
        except LogError:
            continue
        key = card_of[task.run], format_id_of(table)
        if key in found:
            found[key] = replace(found[key], n_logs=found[key].n_logs + 1)
        else:
            facts = facts_of_log(Path(path), name=name, declared=task.declared)
            found[key] = FormatToConfirm(key[0], facts, 1)
    return [one for one in found.values() if one.facts.paste]


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

    def __repr__(self) -> str:
        return f"Review of {len(self._runs)} runs, logs of {len(self._facts)} read"

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
        self._facts: dict[str, RunFacts] = {}
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
            runs = self._runs.copy()
            facts = facts_table(self._facts.values(), names=_OF_RUNS)
            by_run = facts.set_index("run").reindex(runs["run"])
            runs["is_recorded"] = ~runs["run"].isin(self._not_recorded)
            runs["order_done"], runs["order_known"] = order_done(
                runs, facts, date_order=self.plan.logs.date_order or ""
            )
            runs["n_frames"] = by_run["n_frames"].astype("Int64").to_numpy()
            runs["duration_s"] = by_run["duration_s"].to_numpy(dtype=float)
            runs["frame_log_sha256"] = by_run["frame_log_sha256"].fillna("").to_numpy()
            self._known_runs = len(self._facts), runs
        return self._known_runs[1].copy()

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
        """Yield each run that has a log, read and aligned, in sheet order.

        Raises
        ------
        LogError : after the last run, with every log that is missing or cannot be used, of runs that are not
            excluded; with ``keep_going`` these are findings
        """
        memory = FormatMemory()
        for task in self.tasks:
            yield self._read(task, memory)
        self.raise_faults()

    def _read(self, task: RunTask, memory: FormatMemory) -> RunLog:
        """Read one run, and keep what was found out about it."""
        run_log = read_run(task, memory=memory)
        self.receive(run_log.facts, run_log.findings, run_log.faults)
        return run_log

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
        self._facts[facts.run] = facts
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
        memory = FormatMemory()
        for task in self.tasks:
            if task.run not in self._facts:
                self._read(task, memory)
        return facts_table(self._facts[task.run] for task in self.tasks)

    def facts_of(self, run: str) -> RunFacts | None:
        """Return the facts about one run, with its traces; None where it has no log or was not read yet."""
        return self._facts.get(run)

    def frames_of(self, run: str) -> Frames:
        """Return the frames of one run, read again from its log.

        Parameters
        ----------
        run : name of the run

        Raises
        ------
        TableError : there is no such run, or it has no log of frames
        LogError : the log cannot be used
        """
        names, task = list(self._runs["run"]), next((one for one in self.tasks if one.run == run), None)
        if task is None or task.frame_path is None:
            problem = (
                "it has no log of frames."
                if run in names
                else f"there is none of this name (runs: {listed(names)})."
            )
            raise TableError(Fault(f"run {shown(run)}", problem, suggestion(str(run), set(names) - {run})))
        read = read_run(task)
        if read.frames is None:
            raise LogError(read.faults)
        return read.frames

    def n_frames(self, run: str) -> int:
        """Return how many frames a run has; 0 where it has no log or was not read yet."""
        return self._facts[run].n_frames if run in self._facts else 0


def check_opened(review: object) -> None:
    """Refuse what is no review that was opened.

    Parameters
    ----------
    review : what was given

    Raises
    ------
    TableError : it is something else
    """
    action = "Give kit.open_review(plan), or the `logs` of a result, such as review.logs."
    check_given(review, Review, where="review", wanted="an opened review", action=action)


def open_review(plan: ReviewPlan, *, keep_going: bool = False, trusts_proposals: bool = False) -> Review:
    """Open a review folder: read its run sheet and find the files of every row.

    Parameters
    ----------
    plan : the review's plan, with its folder
    keep_going : a log that is missing or cannot be used becomes a finding that stops the verdicts that need it,
        in place of an error; as `check` does at the bench
    trusts_proposals : see `load_run_sheet`

    Returns
    -------
    Review, of which no log has been read yet

    Raises
    ------
    PlanError : ``plan`` is no plan
    TableError : the run sheet is missing or breaks its declaration
    LogError : a log is missing or lies outside the folder; logs that are there but cannot be used are then
        listed in the same error
    """
    check_plan(plan)
    sheet = load_run_sheet(
        plan, for_report=not keep_going, skip_bad_rows=keep_going, trusts_proposals=trusts_proposals
    )
    review = Review(plan, sheet, keep_going=keep_going)
    if review._faults and not keep_going:
        # The review cannot be made anyway: read on, so that every fault is told in one go.
        for _ in review.read_runs():
            pass
    return review
