"""Every metric of every run, in one pass over the logs: `compute_run_metrics`."""

from __future__ import annotations

import os
from array import array
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from joblib import Parallel, cpu_count, delayed

from gpubench_kit.logs.format import RunTask
from gpubench_kit.logs.read_frames import FormatMemory
from gpubench_kit.logs.review import Review, check_opened
from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.logs.run_log import read_run
from gpubench_kit.metrics.formulas import FRAMES_NEEDED_FOR_0P1PCT
from gpubench_kit.metrics.of_one_run import MetricRules, energy_metrics, metrics_of_run
from gpubench_kit.metrics.progress_file import progress_to_file
from gpubench_kit.model.errors import Fault
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.table_checks import check_plan
from gpubench_kit.model.tables import CERTAINTIES, RUN_METRICS
from gpubench_kit.own_processes import end_with
from gpubench_kit.wording.notes import note

_NUMBERS = ("value", "step")


class RowColumns:
    """Rows of ``tables.RUN_METRICS`` as columns; equal texts are kept once."""

    def __init__(self):
        self._columns = {name: array("d") if name in _NUMBERS else [] for name in RUN_METRICS.names}
        self._texts: dict[str, str] = {}

    def add(self, rows: Iterable[Mapping]) -> None:
        """Add rows.

        Parameters
        ----------
        rows : each with every column
        """
        for row in rows:
            for name, column in self._columns.items():
                value = row[name]
                column.append(value if name in _NUMBERS else self._texts.setdefault(value, value))

    def table(self, runs: Iterable[str]) -> pd.DataFrame:
        """Return the rows as a table of the declared types.

        Parameters
        ----------
        runs : names of all runs, in the order in which their rows stand; metrics stand as in the registry
        """
        # By these texts, which are kept once: the table's own are made anew whenever they are looked at.
        of_run, of_metric = ({name: k for k, name in enumerate(names)} for names in (runs, METRICS))
        named = zip(self._columns["run"], self._columns["metric"], strict=True)
        order = np.argsort([of_run[run] * len(METRICS) + of_metric[metric] for run, metric in named], kind="stable")
        columns = {
            name: np.asarray(one)[order] if name in _NUMBERS else [one[row] for row in order]
            for name, one in self._columns.items()
        }
        return RUN_METRICS.frame(pd.DataFrame(columns))


_TYPED = "typed into the run sheet"

#: A typed number disagrees with the log when it is off by more than this share and its last decimal.
_DISAGREES = 0.005


def merge_typed(rows: list[dict], typed: pd.DataFrame, runs: set[str]) -> tuple[list[dict], list[Finding]]:
    """Return the rows of metrics with typed numbers added, and findings where log and sheet disagree.

    Parameters
    ----------
    rows : from logs, as in ``tables.RUN_METRICS``
    typed : as in ``tables.TYPED_VALUES``
    runs : names of all runs

    Notes
    -----
    Energy per frame and frames per joule follow from average frame rate and board power where at least one of
    them was typed and neither was given; the resolution of the typed numbers is carried through.
    """
    logged = {(row["run"], row["metric"]): row for row in rows}
    merged, findings = list(rows), []
    for one in typed.itertuples(index=False):
        log = logged.get((one.run, one.metric))
        if log is None:
            about = {"run": one.run, "metric": one.metric, "unit": METRICS[one.metric].unit, "source": "typed"}
            number = {"value": one.value, "definition": _TYPED, "step": one.step, "certainty": "stated"}
            merged.append(about | number)
            continue
        about = {"metric": one.metric, "found": one.value, "limit": log["value"], "unit": log["unit"]}
        if log["certainty"] == "likely":
            findings.append(replace(note("sheet.typed_beside_likely", **about), run=one.run))
        elif abs(one.value - log["value"]) > _DISAGREES * abs(log["value"]) + one.step:
            findings.append(replace(note("sheet.typed_and_log_disagree", **about), run=one.run))
    return merged + _derived(merged, set(typed["run"]) & runs), findings


def _derived(rows: list[dict], typed_runs: set[str]) -> list[dict]:
    """Return energy per frame and frames per joule of runs with typed numbers that lack them."""
    by_run: dict[str, dict[str, dict]] = {}
    for row in rows:
        if row["run"] in typed_runs:
            by_run.setdefault(row["run"], {})[row["metric"]] = row
    derived = []
    for run, of_run in by_run.items():
        inputs = [of_run[metric] for metric in ("avg_fps", "board_w") if metric in of_run]
        for row in energy_metrics({metric: row["value"] for metric, row in of_run.items()}):
            if row["metric"] not in of_run:
                step = row["value"] * sum(one["step"] / one["value"] for one in inputs)
                certainty = max((one["certainty"] for one in inputs), key=CERTAINTIES.index)
                about = {"run": run, "source": "typed", "step": step, "certainty": certainty}
                derived.append(row | about)
    return derived


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
    GpubenchError : ``review`` was not opened, or ``plan`` is no plan

    Notes
    -----
    One run is read at a time. Frame-rate metrics and the means of all sensors are computed always,
    ``hitch_ms_per_min`` only if the plan asks for it. Where a log and the sheet disagree, the log counts and a
    finding says so. The logs' findings and facts are kept in ``review``.
    """
    check_opened(review)
    check_plan(plan)
    rules, progress = MetricRules.of_plan(plan), progress or progress_to_file()
    columns, with_typed = RowColumns(), set(review.typed["run"])
    beside_typed: list[dict] = []
    processes = processes or (cpu_count() if len(review.tasks) >= _RUNS_FOR_PROCESSES else 1)
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


def _results(tasks: Sequence[RunTask], rules: MetricRules, processes: int) -> Iterator[_Result]:
    """Yield the results of the runs in order, from this process or from several."""
    if processes == 1:
        memory = FormatMemory()
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
    memory = FormatMemory()
    return [_result(task, rules, memory) for task in tasks]


def _result(task: RunTask, rules: MetricRules, memory: FormatMemory) -> _Result:
    """Return the metrics of one run with its facts."""
    run_log = read_run(task, memory=memory)
    rows = metrics_of_run(run_log, rules)
    return _Result(rows, run_log.facts, run_log.findings, run_log.faults)


def _short_of_frames(table: pd.DataFrame, review: Review) -> list[Finding]:
    """Return a finding for each run whose 0.1 % low rests on too few frames, if the plan asks for that low."""
    if "low_0p1pct_fps" not in review.plan.analysis.metrics:
        return []
    found = []
    for run in table.loc[table["metric"] == "low_0p1pct_fps", "run"]:
        n_frames = review.n_frames(run)
        if 0 < n_frames < FRAMES_NEEDED_FOR_0P1PCT:
            about: dict[str, Any] = {
                "found": n_frames,
                "limit": FRAMES_NEEDED_FOR_0P1PCT,
                "rests_on": -(-n_frames // 1000),
            }
            found.append(replace(note("sheet.too_few_frames", unit="frames", **about), run=run))
    return found
