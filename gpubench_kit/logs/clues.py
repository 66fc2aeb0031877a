"""What frame times can be told from: columns that rise, columns of values, stated units, lengths from outside."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from gpubench_kit.logs.clock import rises
from gpubench_kit.logs.format import Certainty, Witness
from gpubench_kit.logs.rows import LogRows
from gpubench_kit.model.log_facts import quoted
from gpubench_kit.model.words import CARD, NOT_FRAME, OTHER, PART, QUANTITY, words_of

#: Place of the wall clock among the columns of time.
CLOCK = -1

#: Median frame times that are taken for real [ms]: 5 to 2,500 frames per second.
PLAUSIBLE_MS = (0.4, 200.0)

#: Share of rows in which steps must equal a column.
SHARE_EQUAL = 0.97


#: What rises by whole numbers up to this, always the same one, numbers rows or every other one.
_LARGEST_STRIDE = 3

#: Shorter sums are no run [ms].
SHORT_RUN_MS = 5000.0

#: Slower than this, rows may as well be samples [ms].
_SLOW_MS = 90.0

#: A row distance this many times the frame time is that of samples.
SAMPLES_APART = 2.5

#: Units of frame times, and of time that has passed, in ms.
UNITS_MS = {"s": 1000.0, "ms": 1.0, "us": 1e-3, "ns": 1e-6}
ELAPSED_UNITS_MS = {**UNITS_MS, "min": 60_000.0, "h": 3_600_000.0}

_SENSOR_WORDS = frozenset().union(*(QUANTITY[name] for name in ("power", "heat", "load", "clock", "fan", "volt")))


@dataclass(frozen=True)
class TimeColumn:
    """A column that rises as time does.

    Attributes
    ----------
    place : its place, or `CLOCK`
    label : what to call it
    values : array of shape (n,), in its own unit; seconds of the clock
    unit_ms : how many ms its stated unit has; None where none is stated
    step : one unit of the last decimal written
    """

    place: int
    label: str
    values: np.ndarray
    unit_ms: float | None
    step: float

    @property
    def steps(self) -> np.ndarray:
        """Steps from row to row."""
        return np.diff(self.values)


@dataclass(frozen=True)
class Clues:
    """The columns of a log that frame times can be told from.

    Attributes
    ----------
    rows : its rows
    times : columns that rise, and the clock
    values : columns that may hold frame times or frame rates
    per_s : counts per second that a line above the heading states; 0 without
    witnesses : lengths known from outside
    """

    rows: LogRows
    times: tuple[TimeColumn, ...]
    values: dict[int, np.ndarray]
    per_s: float = 0.0
    witnesses: tuple[Witness, ...] = ()

    def is_rate(self, place: int) -> bool:
        """Return whether a heading speaks of frame rates."""
        unit = self.rows.units[place]
        return bool(
            (unit is not None and unit.quantity == "rate") or words_of(self.rows.name(place)) & QUANTITY["rate"]
        )

    def has_other_unit(self, place: int) -> bool:
        """Return whether a unit is stated that is none of time or of rates."""
        unit = self.rows.units[place]
        return unit is not None and unit.quantity != "time" and not self.is_rate(place)

    def is_frame_word(self, place: int) -> bool:
        """Return whether a heading names a frame."""
        return bool(words_of(self.rows.name(place)) & QUANTITY["frame"])

    @property
    def plain(self) -> list[int]:
        """Columns that may hold frame times."""
        return [place for place in self.values if not self.has_other_unit(place) and not self.is_rate(place)]

    @property
    def rates(self) -> list[int]:
        """Columns that hold frame rates by their heading."""
        return [place for place in self.values if self.is_rate(place)]

    def witness(self, total_ms: float) -> str:
        """Return where a length is known from that equals this one; empty for none."""
        return next((one.what for one in self.witnesses if one.fits(total_ms)), "")


@dataclass(frozen=True)
class Found:
    """What was found of the frame times of a log.

    Attributes
    ----------
    take : ``column``, ``steps`` (of ``time``) or ``rates``
    place : of the column; None for steps
    time : the time beside it, or whose steps they are
    factor : from its own unit to ms
    time_factor : from the unit of the time to ms
    certainty : how sure it is
    why : the evidence
    question : what is asked where it is not sure
    line : what answers, as a line below ``[logs]``
    is_sampled : whether the rows are samples
    """

    take: str
    place: int | None
    time: TimeColumn | None
    factor: float
    certainty: Certainty
    why: tuple[str, ...]
    question: str = ""
    line: str = ""
    time_factor: float = 1.0
    is_sampled: bool = False


def is_plausible(ms: float) -> bool:
    """Return whether a median is that of frame times [ms]."""
    return PLAUSIBLE_MS[0] <= ms < PLAUSIBLE_MS[1]


def may_be_frames(rows: LogRows, place: int) -> bool:
    """Return whether the words of a heading leave room for frame times or rates of frames."""
    words = words_of(rows.name(place))
    if words & (OTHER | CARD | PART["memory"] | PART["hotspot"] | PART["chip"] | NOT_FRAME):
        return False
    return rows.unit_ms(place) is not None or not words & _SENSOR_WORDS


def line_of_time(rows: LogRows, place: int, unit: str = "ms") -> str:
    """Return the line that declares a column of frame times."""
    return f'frame_time = {{ column = {quoted(rows.table.key(place))}, unit = "{unit}" }}'


def unit_name(factor: float) -> str:
    """Return the name of a unit of time by what it is in ms."""
    return next((name for name, ms in ELAPSED_UNITS_MS.items() if abs(ms / factor - 1) < 0.02), "ms")


def rises_as(rows: LogRows, place: int) -> bool:
    """Return whether a column can be a time: all its cells are numbers, it rises, and does not number the rows.

    Parameters
    ----------
    rows : the log
    place : of the column
    """
    values = rows.numbers[place]
    if not np.isfinite(values).all() or not rises(values):
        return False
    if rows.steps[place] < 1 or rows.unit_ms(place) is not None:
        return True
    steps = np.diff(values)
    is_stride = bool((steps == steps[0]).all()) and steps[0] <= _LARGEST_STRIDE
    return not (is_stride or np.median(steps) == 1)


def not_too_slow(clues: Clues, found: Found, median_ms: float) -> Found:
    """Return what was found, less sure where rows are as far apart as samples, or refused where rates deny them."""
    for place in clues.rates:
        rate = float(np.nanmedian(clues.values[place]))
        if rate > 0 and median_ms > SAMPLES_APART * 1e3 / rate:
            what = f"{clues.rows.label(place)} says {1e3 / rate:.3g} ms a frame"
            return rows_are_samples(f"{median_ms / 1e3:.3g} s", what)
    if median_ms <= _SLOW_MS:
        return found
    why = (*found.why, f"{1e3 / median_ms:.1f} rows a second could be samples")
    return replace(found, certainty=min(found.certainty, Certainty.LIKELY), why=why)


def rows_are_samples(apart: str, what: str) -> Found:
    """Return that the rows of a log are samples.

    Parameters
    ----------
    apart, what : how far apart they are, and what says so
    """
    question = f"rows are {apart} apart, and {what}: these are samples, not frames"
    return Found("", None, None, 1.0, Certainty.OPEN, (), question, is_sampled=True)
