"""Every metric of every run, in one pass over the logs: `compute_run_metrics`."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import pandas as pd
from joblib import Parallel, cpu_count, delayed

from gpubench_kit.logs.layout_memory import LayoutMemory
from gpubench_kit.logs.review import Review
from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.logs.run_log import RunTask, read_run
from gpubench_kit.metrics.frame_rate import FRAMES_NEEDED_FOR_0P1PCT
from gpubench_kit.metrics.of_one_run import MetricRules, metrics_of_run, metrics_of_sensors
from gpubench_kit.metrics.row_columns import RowColumns
from gpubench_kit.metrics.told_progress import tell_by_file
from gpubench_kit.metrics.typed_values import merge_typed
from gpubench_kit.model.errors import Fault
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.own_processes import end_with

#: Fewest and most runs that one call of another process reads: each call costs a little, and the last ones may
#: leave a process idle.
_FEWEST_AT_ONCE, _MOST_AT_ONCE = 16, 64

#: Calls that each process gets at least, where there are runs enough.
_CALLS_OF_EACH = 8

#: From so many runs on, processes of their own are worth their start: one process reads some hundred runs in it.
_RUNS_FOR_PROCESSES = 600

#: Called after each run with the number of runs done and of all runs.
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class _Result:
    """What one run gives: rows of metrics, facts and findings, without its frames."""

    rows: list[dict]
    facts: RunFacts
    findings: tuple[Finding, ...]
    faults: tuple[Fault, ...]


def compute_run_metrics(
    review: Review, plan: ReviewPlan, *, progress: Progress | None = None, processes: int | None = None
) -> pd.DataFrame:
    """Compute the metrics of every run from its logs, and add the numbers typed into the run sheet.

    Parameters
    ----------
    review : the runs, see `open_review`
    plan : names the metrics, the definition of the lows, the window of hitches and the edges of sensor means
    progress : called after each run with the number of runs done and of all runs
    processes : processes that read at the same time; default one for each core where there are many runs, else
        this one alone

    Returns
    -------
    DataFrame, one row per (run, metric); see ``tables.RUN_METRICS``

    Raises
    ------
    LogError : logs are missing or cannot be used; every one is listed

    Notes
    -----
    One run is read at a time. Frame-rate metrics and the means of all sensors are computed always,
    ``hitch_ms_per_min`` only if the plan asks for it. Where a log and the sheet disagree, the log counts and a
    finding says so. The logs' findings and facts are kept in ``review``.
    """
    rules, progress = MetricRules.of_plan(plan), progress or tell_by_file()
    columns, with_typed = RowColumns(), set(review.typed["run"])
    beside_typed: list[dict] = []
    processes = processes or _processes_for(len(review.tasks))
    for done, result in enumerate(_results(review.tasks, rules, processes), start=1):
        review.receive(result.facts, result.findings, result.faults)
        if result.facts.run in with_typed:
            beside_typed.extend(result.rows)
        else:
            columns.add(result.rows)
        if progress is not None:
            progress(done, len(review.tasks))
    review.raise_faults()
    runs = review.runs["run"].tolist()
    rows, findings = merge_typed(beside_typed, review.typed, set(runs))
    columns.add(rows)
    table = columns.table(runs)
    review.note([*findings, *_short_of_frames(table, review)])
    return table


def _processes_for(runs: int) -> int:
    """Return how many processes read so many runs."""
    return cpu_count() if runs >= _RUNS_FOR_PROCESSES else 1


def _results(tasks: Sequence[RunTask], rules: MetricRules, processes: int) -> Iterator[_Result]:
    """Yield the results of the runs in order, from this process or from several."""
    if processes == 1:
        memory = LayoutMemory()
        yield from (_result(task, rules, memory) for task in tasks)
        return
    n_at_once = min(_MOST_AT_ONCE, max(_FEWEST_AT_ONCE, len(tasks) // (_CALLS_OF_EACH * processes)))
    pieces = [tasks[start : start + n_at_once] for start in range(0, len(tasks), n_at_once)]
    run = Parallel(n_jobs=processes, return_as="generator", pre_dispatch="2*n_jobs")
    for results in run(delayed(_results_of)(piece, rules, os.getpid()) for piece in pieces):
        yield from results


def _results_of(tasks: Sequence[RunTask], rules: MetricRules, parent: int) -> list[_Result]:
    """Return the results of some runs, for one call of another process."""
    end_with(parent)
    memory = LayoutMemory()
    return [_result(task, rules, memory) for task in tasks]


def _result(task: RunTask, rules: MetricRules, memory: LayoutMemory) -> _Result:
    """Return the metrics of one run with its facts."""
    run_log = read_run(task, memory=memory)
    rows = metrics_of_run(run_log, rules) if run_log.frames is not None else metrics_of_sensors(run_log, rules)
    return _Result(rows, run_log.facts, run_log.findings, run_log.faults)


def _short_of_frames(table: pd.DataFrame, review: Review) -> list[Finding]:
    """Return a finding for each run whose 0.1 % low rests on too few frames, if the plan asks for that low."""
    if "low_0p1pct_fps" not in review.plan.analysis.metrics:
        return []
    found = []
    for run in table.loc[table["metric"] == "low_0p1pct_fps", "run"]:
        n_frames = review.n_frames(run)
        if 0 < n_frames < FRAMES_NEEDED_FOR_0P1PCT:
            message = f"the 0.1 % low of {n_frames} frames rests on {-(-n_frames // 1000)} frames only."
            action = "Record a longer scene, or leave this low out."
            finding = Finding("note", "too_few_frames", message, run=run, unit="frames", action=action)
            found.append(replace(finding, found=float(n_frames), limit=float(FRAMES_NEEDED_FOR_0P1PCT)))
    return found
