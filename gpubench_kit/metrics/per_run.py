"""Every metric of every run, in one pass over the logs; formulas are bound to the names of the registry."""

from __future__ import annotations

import os
import time
from array import array
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.logs.format import RunTask
from gpubench_kit.logs.frame_timing import Frames
from gpubench_kit.logs.read_frames import FormatMemory
from gpubench_kit.logs.review import Review, check_opened
from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.logs.run_log import RunLog, read_run
from gpubench_kit.metrics.formulas import (
    FRAMES_NEEDED_FOR_0P1PCT,
    average_fps,
    both_lows_fps,
    energy_per_frame_j,
    frames_per_j,
    hitch_ms_per_min,
    low_definition_text,
    means_over_window,
    pacing_ms,
)
from gpubench_kit.model.errors import Fault
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.table_checks import check_plan
from gpubench_kit.model.tables import CERTAINTIES, RUN_METRICS, Finding
from gpubench_kit.processes import end_with, loaded_when_used
from gpubench_kit.wording.notes import note

joblib = loaded_when_used("joblib")

#: Metrics that are computed from others, and which; every other one rests on its own column.
NEEDS = {"energy_per_frame_j": ("board_w", "avg_fps"), "frames_per_j": ("board_w", "avg_fps")}


@dataclass(frozen=True)
class MetricRules:
    """What the plan decides about metrics; small enough to be sent to other processes.

    Attributes
    ----------
    low_definition : definition of both lows
    with_hitches : whether time lost to hitches is computed
    hitch_excess_ms, hitch_window_frames : limits of a hitch
    sensor_edge_s : left out of sensor means at each end of a run [s]
    """

    low_definition: str = "quantile"
    with_hitches: bool = False
    hitch_excess_ms: float = 12.0
    hitch_window_frames: int = 61
    sensor_edge_s: float = 1.0

    @classmethod
    def of_plan(cls, plan: ReviewPlan) -> MetricRules:
        """Return what a plan decides about metrics."""
        analysis = plan.analysis
        return cls(
            analysis.low_definition,
            "hitch_ms_per_min" in analysis.metrics,
            analysis.hitch_excess_ms,
            analysis.hitch_window_frames,
            analysis.sensor_edge_s,
        )


def metrics_of_run(run_log: RunLog, rules: MetricRules) -> list[dict]:
    """Return the metrics of a run, one row of ``tables.RUN_METRICS`` each; of its sensors alone without frames.

    Parameters
    ----------
    run_log : the run as read
    rules : what the plan decides
    """
    frames, edge_s = run_log.frames, rules.sensor_edge_s
    rows = [row for formula in FORMULAS for row in formula(frames, rules)] if frames is not None else []
    if run_log.sensors:
        # Of a run without frames, such as one with the card idle, the whole sensor log counts.
        end_s = float(run_log.sensor_time_s[-1]) if frames is None else frames.end_s
        rows += sensor_metrics(run_log, (edge_s, end_s - edge_s), edge_s=edge_s)
    rows += energy_metrics({row["metric"]: row["value"] for row in rows})
    # As sure as the least sure input.
    of_sensors = {metric: run_log.certainty_of(metric) for metric in run_log.sensors}
    about = {"run": run_log.run, "source": "log"}
    for row in rows:
        inputs = NEEDS.get(row["metric"], (row["metric"],))
        row |= about | {"certainty": min(of_sensors.get(one, run_log.certainty) for one in inputs).word}
    return rows


def _average(frames: Frames, rules: MetricRules) -> list[dict]:
    """Return the average frame rate; the resolution of one frame time is carried through: d(1000 N / D)."""
    avg_fps = average_fps(frames.frame_ms)
    total_ms = 1000.0 * frames.frame_ms.size / avg_fps
    step = avg_fps * frames.step_ms / total_ms
    return [metric_row("avg_fps", avg_fps, "frames / sum of the frame times", step=step)]


def _lows(frames: Frames, rules: MetricRules) -> list[dict]:
    """Return both lows, with the resolution d(1000 / t)."""
    definition = rules.low_definition
    lows = both_lows_fps(frames.frame_ms, definition=definition, slowest_ms=frames.slowest_ms)
    return [
        metric_row(name, low, low_definition_text(definition, one_in), step=low**2 * frames.step_ms / 1000)
        for name, one_in, low in zip(("low_1pct_fps", "low_0p1pct_fps"), (100, 1000), lows, strict=True)
    ]


def _frame_times(frames: Frames, rules: MetricRules) -> list[dict]:
    """Return the median frame time, and how much frame times differ from one to the next."""
    words = "mean absolute difference of successive frame times"
    return [
        metric_row(
            "median_frame_ms", float(frames.quantiles_ms[0]), "median of the frame times", step=frames.step_ms
        ),
        metric_row("pacing_ms", pacing_ms(frames.frame_ms), words),
    ]


def _hitches(frames: Frames, rules: MetricRules) -> list[dict]:
    """Return the time lost to hitches, if the plan asks for it."""
    if not rules.with_hitches:
        return []
    excess_ms, window = rules.hitch_excess_ms, rules.hitch_window_frames
    lost = hitch_ms_per_min(frames.frame_ms, window_frames=window, excess_ms=excess_ms)
    words = f"time lost per minute by frames more than {excess_ms:g} ms beyond the median of {window} around"
    return [metric_row("hitch_ms_per_min", lost, words)]


#: Every formula of metrics that need frames only; one more metric is one more of them, and its row in the registry.
FORMULAS: list[Callable[[Frames, MetricRules], list[dict]]] = [_average, _lows, _frame_times, _hitches]


def sensor_metrics(run_log: RunLog, window: tuple[float, float], *, edge_s: float) -> list[dict]:
    """Return the time-weighted means of all sensors over a window of the run [s]."""
    edges = f", the first and last {edge_s:g} s left out" if edge_s > 0 else ""
    words = f"time-weighted mean over the run{edges}"
    means = means_over_window(run_log.sensor_time_s, run_log.sensors, start_s=window[0], end_s=window[1])
    return [metric_row(metric, mean.mean, words) for metric, mean in means.items() if mean is not None]


def energy_metrics(values: dict[str, float]) -> list[dict]:
    """Return energy per frame and frames per joule, where board power and frame rate are there."""
    board_w, avg_fps = values.get("board_w", 0.0), values.get("avg_fps", 0.0)
    if not (board_w > 0 and avg_fps > 0):
        return []
    return [
        metric_row("energy_per_frame_j", energy_per_frame_j(board_w, avg_fps), "board_w / avg_fps"),
        metric_row("frames_per_j", frames_per_j(board_w, avg_fps), "avg_fps / board_w"),
    ]


def metric_row(metric: str, value: float, definition: str, *, step: float = 0.0) -> dict:
    """Return one row of ``tables.RUN_METRICS``, without run, source and certainty.

    Parameters
    ----------
    metric : name in the registry
    value : of the run, in the metric's unit
    definition : by which it was computed, in words
    step : resolution of the value; 0 where none is known
    """
    return {"metric": metric, "value": value, "unit": METRICS[metric].unit, "definition": definition, "step": step}


#: Variable that names the file; without it, nobody watches.
PROGRESS_FILE = "GPUBENCH_KIT_PROGRESS_FILE"

#: Least time between two lines [s].
_PACE_S = 0.2


def progress_to_file() -> Callable[[int, int], None] | None:
    """Return a function that writes how many runs of how many are read; None where nobody watches."""
    name = os.environ.get(PROGRESS_FILE)
    if not name:
        return None
    last_s = 0.0

    def tell(done: int, total: int) -> None:
        nonlocal last_s
        if done < total and time.monotonic() - last_s < _PACE_S:
            return
        last_s = time.monotonic()
        try:
            Path(name).write_text(f"{done} {total}\n", encoding="ascii")
        except OSError:
            # Nobody has to know how far it is.
            last_s = float("inf")

    return tell


def progress_in_file(path: Path) -> tuple[int, int] | None:
    """Return how many runs of how many are read; None where that was not told yet.

    Parameters
    ----------
    path : the file
    """
    try:
        done, total = path.read_text(encoding="ascii").split()
        return int(done), int(total)
    except (OSError, ValueError):
        return None


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
    processes = processes or (joblib.cpu_count() if len(review.tasks) >= _RUNS_FOR_PROCESSES else 1)
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
    run = joblib.Parallel(n_jobs=processes, return_as="generator", pre_dispatch="2*n_jobs")
    for results in run(joblib.delayed(_results_of)(piece, rules, os.getpid()) for piece in pieces):
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
            about: dict[str, Any] = {"found": n_frames, "limit": FRAMES_NEEDED_FOR_0P1PCT, "unit": "frames"}
            finding = note("sheet.too_few_frames", **about, rests_on=-(-n_frames // 1000))
            found.append(replace(finding, run=run))
    return found
