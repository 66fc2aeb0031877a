"""The metrics of one run: formulas bound to the names of the registry."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from gpubench_kit.logs.frame_timing import Frames
from gpubench_kit.logs.run_log import RunLog
from gpubench_kit.metrics.formulas import (
    average_fps,
    both_lows_fps,
    energy_per_frame_j,
    frames_per_j,
    hitch_ms_per_min,
    low_definition_text,
    means_over_window,
    pacing_ms,
)
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan

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
    frames = run_log.frames
    if frames is None:
        return metrics_of_sensors(run_log, rules)
    rows = frame_metrics(frames, rules)
    window = (rules.sensor_edge_s, frames.end_s - rules.sensor_edge_s)
    rows += sensor_metrics(run_log, window, edge_s=rules.sensor_edge_s)
    values = {row["metric"]: row["value"] for row in rows}
    rows += energy_metrics(values)
    return _with_certainty(rows, run_log)


def _with_certainty(rows: list[dict], run_log: RunLog) -> list[dict]:
    """Return rows with run, source and certainty: that of the least sure input."""
    of_sensors = {metric: run_log.certainty_of(metric) for metric in run_log.sensors}
    about = {"run": run_log.run, "source": "log"}
    for row in rows:
        inputs = NEEDS.get(row["metric"], (row["metric"],))
        row |= about | {"certainty": min(of_sensors.get(one, run_log.certainty) for one in inputs).word}
    return rows


def metrics_of_sensors(run_log: RunLog, rules: MetricRules) -> list[dict]:
    """Return the sensor metrics of a run without frames, such as one with the card idle."""
    if not run_log.sensors:
        return []
    edge_s = rules.sensor_edge_s
    window = (edge_s, float(run_log.sensor_time_s[-1]) - edge_s)
    return _with_certainty(sensor_metrics(run_log, window, edge_s=edge_s), run_log)


def frame_metrics(frames: Frames, rules: MetricRules) -> list[dict]:
    """Return the metrics that need frames only."""
    return [row for formula in FORMULAS for row in formula(frames, rules)]


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
    if not run_log.sensors:
        return []
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
