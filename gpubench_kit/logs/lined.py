"""How samples were brought onto the frames' clock, and how much of the frames' time they cover."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gpubench_kit.logs.read_samples import SensorLog
from gpubench_kit.model.findings import Finding

#: Share of the frames' time that samples should cover.
_OVERLAP_NEEDED = 0.9


@dataclass(frozen=True)
class LineUp:
    """How samples were brought onto the frames' clock.

    Attributes
    ----------
    method : ``clock``, ``declared``, ``same_clock``, ``load_edge``, ``power_edge``, ``together``, ``same_rows`` or
        ``none``
    shift_s : what is added to the samples' time [s]; nan where they could not be lined up
    quality : the evidence, in words
    overlap : share of the frames' time that has samples
    findings : the shift found, and what was noticed
    """

    method: str
    shift_s: float
    quality: str
    overlap: float
    findings: tuple[Finding, ...] = ()


def overlap_share(sensor_log: SensorLog, run_s: float, shift_s: float) -> float:
    """Return the share of the frames' time that has samples."""
    start_s, end_s = max(0.0, shift_s), min(run_s, float(sensor_log.time_s[-1]) + shift_s)
    return max(0.0, end_s - start_s) / run_s if run_s > 0 else 0.0


def with_overlap(lined: LineUp, sensor_log: SensorLog, run_s: float) -> LineUp:
    """Return the line-up with the share of the frames that has samples, and a finding where there is none."""
    if not np.isfinite(lined.shift_s):
        return lined
    overlap, findings = overlap_share(sensor_log, run_s, lined.shift_s), lined.findings
    if overlap < _OVERLAP_NEEDED:
        findings = (*findings, _little_overlap(lined, sensor_log, run_s, overlap))
    return LineUp(lined.method, lined.shift_s, lined.quality, overlap, findings)


def _little_overlap(lined: LineUp, sensor_log: SensorLog, run_s: float, overlap: float) -> Finding:
    """Return the finding that samples cover little or nothing of the frames' time."""
    if overlap == 0.0:
        message = (
            f"{sensor_log.name}: its samples do not overlap with the frames in time ({lined.quality}; they begin "
            f"{lined.shift_s:.1f} s after the first frame): it may be the log of another run."
        )
        action = "Name the run's own sensor log in the run sheet."
        return Finding("note", "sensor_log_of_another_run", message, found=lined.shift_s, unit="s", action=action)
    message = (
        f"{sensor_log.name}: its samples cover {overlap:.0%} of the {run_s:.1f} s of frames; means speak of these."
    )
    action = "Start the sensor log before the run and stop it after the run."
    limit = 100.0 * _OVERLAP_NEEDED
    return Finding("note", "sensors_cover_part", message, "", 100.0 * overlap, limit, "%", action)
