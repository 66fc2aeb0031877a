"""Small facts about a run's logs, kept for checks and pictures after the frames are gone."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np
import pandas as pd

from gpubench_kit.logs.align import Alignment
from gpubench_kit.logs.format import ColumnChoice
from gpubench_kit.logs.read_frames import FrameLog


@dataclass(frozen=True, slots=True)
class Trace:
    """The frame times of a run in pieces of equally many frames.

    Attributes
    ----------
    time_s : array of shape (k,), when each piece begins [s]
    low_ms, mean_ms, high_ms : arrays of shape (k,), shortest, mean and longest frame of each piece [ms]
    """

    time_s: np.ndarray
    low_ms: np.ndarray
    mean_ms: np.ndarray
    high_ms: np.ndarray


# Facts of thousands of runs are kept: with slots they take half the memory.
@dataclass(frozen=True, slots=True)
class RunFacts:
    """Facts about the logs of one run; nan or empty where there is none.

    Attributes
    ----------
    run : name of the run
    frame_log, sensor_log : names of the files
    frame_log_sha256, sensor_log_sha256 : hashes of their bytes
    frame_dialect : how the frame log's rows are written, in words
    n_frames, duration_s : frames, and the sum of their times [s]
    weighted_ms : sum of the frame times, each times its place: equal for equal recordings only [ms]
    span_s : from the start of the first frame to the end of the last by the time column [s]
    step_ms : resolution of the frame times [ms]
    stamped : whether the time column marks a frame's ``start`` or ``end``
    clock_start_s : wall clock of the run's start, seconds since 1970
    clock_kind : ``zoned``, ``dated``, ``time_of_day`` or empty
    clock_from : ``frame_log`` or ``sensor_log``
    shortest_ms, shortest_at_s, longest_ms, longest_at_s : extreme frames, and where they began
    n_gaps, gaps_ms, first_gap_s : frames longer than the plan's ``gap_ms``, their sum, where the first began
    n_holes, longest_hole_s, first_hole_s : places where the time column moves on by more than the frame and
        ``gap_ms``, the longest of them, where the first is
    n_zero : frames of no length
    n_backward, first_backward_s, n_standing : steps of the time column that go back, where the first does, and
        those that stand still
    n_mismatched : steps of the time column that differ from the frame time
    interval_ms, share_at_interval : usual frame time, and the share of frames within half a percent of it
    first_part_ms, later_part_ms : usual frame time in the first quarter of the frames, and after it: the median
        of the trace's means
    alignment, shift_s, alignment_quality, sensor_overlap : how samples were aligned; see `Alignment`
    zone_h : by how much two clocks differ, as time zones do [h]
    n_samples, longest_sample_gap_s : samples within the run, their longest step
    n_dead_samples, n_live_samples : samples of power within that window that are zero or less, or above
    mean_load_pct, first_part_w, later_part_w : plain means of samples within the window of the sensor means
    first_part_c, later_part_c : the same for the core temperature
    trace : frame times in pieces
    frame_quantiles_ms : frame time that `FRAME_SHARES` of the frames do not exceed [ms]; empty without frames
    sensor_traces : (time, values) by sensor metric, thinned
    frame_columns, sensor_columns : which column is what, and why
    """

    run: str
    frame_log: str = ""
    sensor_log: str = ""
    frame_log_sha256: str = ""
    sensor_log_sha256: str = ""
    frame_dialect: str = ""
    n_frames: int = 0
    duration_s: float = np.nan
    weighted_ms: float = np.nan
    span_s: float = np.nan
    step_ms: float = np.nan
    stamped: str = ""
    clock_start_s: float = np.nan
    other_clock_start_s: float = np.nan
    clock_kind: str = ""
    clock_from: str = ""
    shortest_ms: float = np.nan
    shortest_at_s: float = np.nan
    longest_ms: float = np.nan
    longest_at_s: float = np.nan
    n_gaps: int = 0
    gaps_ms: float = 0.0
    first_gap_s: float = np.nan
    n_holes: int = 0
    longest_hole_s: float = 0.0
    first_hole_s: float = np.nan
    n_zero: int = 0
    n_backward: int = 0
    first_backward_s: float = np.nan
    n_standing: int = 0
    n_mismatched: int = 0
    interval_ms: float = np.nan
    share_at_interval: float = np.nan
    first_part_ms: float = np.nan
    later_part_ms: float = np.nan
    alignment: str = ""
    shift_s: float = np.nan
    alignment_quality: str = ""
    sensor_overlap: float = np.nan
    zone_h: float = 0.0
    n_samples: int = 0
    longest_sample_gap_s: float = np.nan
    n_dead_samples: int = 0
    n_live_samples: int = 0
    mean_load_pct: float = np.nan
    first_part_w: float = np.nan
    later_part_w: float = np.nan
    first_part_c: float = np.nan
    later_part_c: float = np.nan
    trace: Trace | None = None
    frame_quantiles_ms: tuple[float, ...] = ()
    sensor_traces: dict[str, tuple[np.ndarray, np.ndarray]] = field(default_factory=dict)
    frame_columns: tuple[ColumnChoice, ...] = ()
    sensor_columns: tuple[ColumnChoice, ...] = ()


def frame_facts(run: str, frame_log: FrameLog, *, gap_ms: float, n_bins: int) -> RunFacts:
    """Return the facts that a frame log gives.

    Parameters
    ----------
    run : name of the run
    frame_log : its frame log
    gap_ms : a frame longer than this is a gap [ms]
    n_bins : most pieces of the trace
    """
    frames = frame_log.frames
    time_s, frame_ms = frames.time_s, frames.frame_ms
    steps, longest, shortest = np.diff(time_s), int(np.argmax(frame_ms)), int(np.argmin(frame_ms))
    usual, trace = float(frames.quantiles_ms[0]), _trace(time_s, frame_ms, n_bins)
    n_first = max(1, trace.mean_ms.size // 4)
    first_ms, later_ms = trace.mean_ms[:n_first], trace.mean_ms[n_first:]
    near_ms, duration_s = max(0.005 * usual, 1.01 * frames.step_ms), float(frame_ms.sum()) / 1000.0
    gaps = np.flatnonzero(frame_ms > gap_ms) if frame_ms[longest] > gap_ms else np.empty(0, dtype=int)
    backward, missing_s = np.flatnonzero(steps < 0), steps - frame_ms[:-1] / 1000.0
    holes = np.flatnonzero(missing_s > gap_ms / 1000.0)
    start_s = np.nan if frame_log.clock is None else frame_log.clock
    return RunFacts(
        run=run,
        frame_log=frame_log.name,
        frame_log_sha256=frame_log.sha256,
        frame_dialect=frame_log.dialect,
        n_frames=int(frame_ms.size),
        duration_s=duration_s,
        weighted_ms=float(frame_ms @ np.arange(frame_ms.size, dtype=float)),
        span_s=frames.end_s,
        step_ms=frames.step_ms,
        stamped=frame_log.stamped,
        clock_start_s=start_s,
        other_clock_start_s=np.nan if frame_log.other_clock is None else frame_log.other_clock,
        clock_kind=frame_log.clock_kind,
        clock_from="frame_log" if frame_log.clock_kind else "",
        shortest_ms=float(frame_ms[shortest]),
        shortest_at_s=float(time_s[shortest]),
        longest_ms=float(frame_ms[longest]),
        longest_at_s=float(time_s[longest]),
        n_gaps=int(gaps.size),
        gaps_ms=float(frame_ms[gaps].sum()),
        first_gap_s=float(time_s[gaps[0]]) if gaps.size else np.nan,
        n_holes=int(holes.size),
        longest_hole_s=float(missing_s.max(initial=0.0)),
        first_hole_s=float(time_s[holes[0]]) if holes.size else np.nan,
        n_zero=int(frame_ms.size - np.count_nonzero(frame_ms)),
        n_backward=int(backward.size),
        first_backward_s=float(time_s[backward[0]]) if backward.size else np.nan,
        n_standing=int((steps == 0).sum()),
        n_mismatched=frame_log.n_mismatched,
        interval_ms=usual,
        share_at_interval=float(((frame_ms >= usual - near_ms) & (frame_ms <= usual + near_ms)).mean()),
        first_part_ms=_median(first_ms),
        later_part_ms=_median(later_ms) if later_ms.size else usual,
        trace=trace,
        frame_quantiles_ms=tuple(frames.quantiles_ms.tolist()),
        frame_columns=frame_log.choices,
    )


def sensor_facts(
    facts: RunFacts,
    time_s: np.ndarray,
    sensors: Mapping[str, np.ndarray],
    *,
    alignment: Alignment,
    window: tuple[float, float],
) -> RunFacts:
    """Return the facts with those that samples give.

    Parameters
    ----------
    facts : of the frames
    time_s, sensors : the samples on the frames' clock
    alignment : how they were aligned
    window : start and end of the sensor means [s]
    """
    first, behind = np.searchsorted(time_s, (0.0, facts.duration_s))
    steps, used = np.diff(time_s[first:behind]), slice(*np.searchsorted(time_s, window))
    watts, heat, load = (sensors.get(metric, _NOTHING)[used] for metric in ("board_w", "core_c", "load_pct"))
    quarter = max(1, time_s[used].size // 4)
    around = np.flatnonzero((time_s >= -5.0) & (time_s <= facts.duration_s + 5.0))
    most = max(20, facts.trace.time_s.size // 2) if facts.trace else 120
    kept = around[:: max(1, -(-around.size // most))]
    times = _for_pictures(time_s[kept])
    return replace(
        facts,
        alignment=alignment.method,
        shift_s=alignment.shift_s,
        alignment_quality=alignment.quality,
        sensor_overlap=alignment.overlap,
        zone_h=next((one.found or 0.0 for one in alignment.findings if one.check == "clocks_differ"), 0.0),
        n_samples=max(0, int(behind - first)),
        longest_sample_gap_s=float(steps.max()) if steps.size else np.nan,
        n_dead_samples=int((watts <= 0).sum()),
        n_live_samples=int((watts > 0).sum()),
        mean_load_pct=_mean(load),
        first_part_w=_mean(watts[:quarter]),
        later_part_w=_mean(watts[quarter:]),
        first_part_c=_mean(heat[:quarter]),
        later_part_c=_mean(heat[quarter:]),
        sensor_traces={metric: (times, _for_pictures(values[kept])) for metric, values in sensors.items()},
    )


def _mean(values: np.ndarray) -> float:
    """Return the plain mean; nan without any value."""
    mean = float(values.mean()) if values.size else np.nan
    if np.isfinite(mean):
        return mean
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else np.nan


def _median(values: np.ndarray) -> float:
    """Return the median of a few values, all of them known, in a fifth of the time that `numpy.median` takes."""
    ranked = np.sort(values)
    return float((ranked[(ranked.size - 1) // 2] + ranked[ranked.size // 2]) / 2)


def _trace(time_s: np.ndarray, frame_ms: np.ndarray, n_bins: int) -> Trace:
    """Return the frame times in pieces of equally many frames."""
    starts = np.linspace(0, frame_ms.size, min(n_bins, frame_ms.size), endpoint=False).astype(int)
    counts = np.diff(np.append(starts, frame_ms.size))
    pieces = (
        time_s[starts],
        np.minimum.reduceat(frame_ms, starts),
        np.add.reduceat(frame_ms, starts) / counts,
        np.maximum.reduceat(frame_ms, starts),
    )
    return Trace(*map(_for_pictures, pieces))


def _for_pictures(values: np.ndarray) -> np.ndarray:
    """Return values in half the memory; those beyond its range become infinite."""
    with np.errstate(over="ignore"):
        return values.astype(np.float32)


_EMPTY, _NOTHING = RunFacts(""), np.empty(0)
_DTYPES = {str: "str", int: np.int64, float: float, dict: object}
_OF_TABLE = tuple(field.name for field in fields(RunFacts) if type(getattr(_EMPTY, field.name)) in _DTYPES)


def facts_table(facts: Iterable[RunFacts], *, names: Sequence[str] = _OF_TABLE) -> pd.DataFrame:
    """Return one row per run with some of the attributes of `RunFacts`.

    Parameters
    ----------
    facts : of the runs, in the order of the rows
    names : attributes wanted: texts, numbers or ``sensor_traces``; default all of these
    """
    chosen = list(facts)
    return pd.DataFrame({
        name: pd.Series([getattr(one, name) for one in chosen], dtype=_DTYPES[type(getattr(_EMPTY, name))])
        for name in names
    })  # fmt: skip
