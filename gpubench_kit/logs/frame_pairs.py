"""Do the steps of one column equal another? The test that tells frame time and elapsed time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gpubench_kit.logs.find_columns import ELAPSED_UNITS_MS, UNITS_MS, Sample, plausible_unit

#: Share of steps of the elapsed time that must equal a frame time.
SHARE_EQUAL = 0.9

#: Largest difference between the sum of the frame times and the elapsed time that still counts as agreement.
SUMS_AGREE = 0.02


@dataclass(frozen=True)
class Pair:
    """A column of frame times, and one of elapsed time that may go with it.

    Attributes
    ----------
    frame, elapsed : places of the columns
    unit, elapsed_unit : units of their values
    share : share of steps that equal a frame time; 0 where the stamps are too coarse to tell
    side : whether the stamps mark the ``start`` or the ``end`` of a frame
    error : difference between the sum of the frame times and the time that passed, as a share of the latter
    """

    frame: int
    elapsed: int
    unit: str
    elapsed_unit: str
    share: float
    side: str
    error: float

    @property
    def is_equal(self) -> bool:
        """Whether nearly all steps equal a frame time."""
        return self.share >= SHARE_EQUAL

    @property
    def is_near(self) -> bool:
        """Whether the sums agree."""
        return self.error <= SUMS_AGREE


def candidates(sample: Sample) -> list[int]:
    """Return the columns whose values could be frame times in some unit."""
    return [
        column
        for column in np.flatnonzero(sample.is_numeric).tolist()
        if plausible_unit(sample.medians[column]) and not is_counter(sample, column)
    ]


def is_counter(sample: Sample, column: int) -> bool:
    """Return whether a column counts rows."""
    return len(sample.values) > 1 and bool((np.diff(sample.values[:, column]) == 1).all())


def rising(sample: Sample) -> list[int]:
    """Return the columns that rise and are no row counters."""
    return [column for column in np.flatnonzero(sample.rising >= 0.95).tolist() if not is_counter(sample, column)]


def pair(sample: Sample, frame: int, elapsed: int) -> Pair | None:
    """Return how well the steps of one column equal another.

    Parameters
    ----------
    sample : first rows of the log
    frame, elapsed : places of the columns

    Returns
    -------
    Pair, or None where no unit makes the two comparable
    """
    unit, times, frames = plausible_unit(sample.medians[frame]), sample.values[:, elapsed], sample.values[:, frame]
    steps = np.diff(times)
    is_whole = slice(None)
    if sample.has_holes:
        is_whole = np.isfinite(steps) & np.isfinite(frames[1:]) & np.isfinite(frames[:-1])
    known, span = frames[1:][is_whole], float(steps[is_whole].sum())
    total = float(known.sum())
    if known.size < 2 or not unit or not (span > 0 and total > 0):
        return None
    elapsed_unit = _unit_that_makes(span / total, UNITS_MS[unit])
    if not elapsed_unit:
        # A pause that only one of the two knows moves the sums, but not the medians.
        elapsed_unit = _unit_that_makes(float(np.median(steps[is_whole])) / sample.medians[frame], UNITS_MS[unit])
    if not elapsed_unit:
        return None
    factor = UNITS_MS[unit] / ELAPSED_UNITS_MS[elapsed_unit]
    expected = (frames[:-1][is_whole] * factor, known * factor)
    share, side, error = _agreement(steps[is_whole], expected, _slack(sample, (frame, elapsed), factor))
    return Pair(frame, elapsed, unit, elapsed_unit, share, side, error)


def _unit_that_makes(ratio: float, unit_ms: float) -> str:
    """Return the unit of elapsed time in which its steps are about as long as frame times; empty for none."""
    fitting = (name for name, ms in ELAPSED_UNITS_MS.items() if 0.7 < ratio * ms / unit_ms < 1.4)
    return next(fitting, "")


def _slack(sample: Sample, places: tuple[int, int], factor: float) -> float:
    """Return by how much a step may differ from a frame time, from the decimals both are written with."""
    frame, elapsed = places
    largest = abs(float(np.nanmax(sample.values[:, elapsed])))
    return 1.01 * sample.steps[elapsed] + 0.51 * factor * sample.steps[frame] + 1e-12 * largest


def _agreement(
    steps: np.ndarray, expected: tuple[np.ndarray, np.ndarray], slack: float
) -> tuple[float, str, float]:
    """Return the share of equal steps, the side that the stamps mark, and the error of the sums.

    ``expected`` holds the frame time of the row before each step, and of the row behind it.
    """
    at_start, at_end = (np.count_nonzero(np.abs(steps - one) <= slack) for one in expected)
    side = "end" if at_end > at_start else "start"
    span, total = float(steps.sum()), float(expected[side == "end"].sum())
    error = abs(span - total) / span
    # Stamps as coarse as the frames equal anything: then only the sums can tell.
    is_telling = slack < 0.25 * total / steps.size or error < SUMS_AGREE
    return max(at_end, at_start) / steps.size * is_telling, side, error
