"""How a log is read, as a value: found out once by `sniff`, followed by `read`, confirmed by the reviewer."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import IntEnum

import numpy as np

from gpubench_kit.logs.cells import decimals_of, looks_numeric
from gpubench_kit.logs.log_table import LogTable
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.tables import Finding
from gpubench_kit.wording.catalogue import say

#: Headings that a format is shown by, at most.
_LONGEST_SEEN = 300


class Certainty(IntEnum):
    """How sure a reading is; a number built on ``proven`` or ``stated`` counts, one on ``likely`` is only shown."""

    OPEN = 0
    LIKELY = 1
    STATED = 2
    PROVEN = 3

    def __init__(self, _number: int):
        """Keep the word in tables and messages, which each run asks for."""
        self.word = self.name.lower()


@dataclass(frozen=True, slots=True)
class ColumnChoice:
    """One column and what it was taken for.

    Attributes
    ----------
    role : ``frame_time``, ``frame_rate``, ``elapsed_time``, ``clock_time`` or the name of a sensor metric
    column : its place, from 0
    label : what to call it in messages
    unit : unit of its values, empty where there is none
    why : the evidence
    certainty : how sure it is
    factor, zero : ``(value - zero) * factor`` is in the unit of the role
    step : one unit of the last decimal written, in the column's own unit
    """

    role: str
    column: int
    label: str
    unit: str
    why: str
    certainty: Certainty
    factor: float = 1.0
    step: float = 0.0
    zero: float = 0.0

    @property
    def is_named(self) -> bool:
        """Whether the plan, or a heading that is the metric's own name, says what it is."""
        return self.why in map(say, ("evidence.declared", "evidence.confirmed", "evidence.sensors.metric_name"))

    def in_unit_of_role(self, values: np.ndarray) -> np.ndarray:
        """Return values of the column in the unit of its role."""
        if self.zero:
            values = values - self.zero
        return values if self.factor == 1.0 else values * self.factor


@dataclass(frozen=True)
class ConfirmedFormat:
    """What the reviewer confirmed of a format: one entry of ``[[logs.format]]``.

    Attributes
    ----------
    format_id : short name of the format
    time, unit : heading and unit of the frame times; empty where they are something else
    time_steps, per_s : heading of the time whose steps they are, and how many of its units a second has
    rate : heading of frame rates, one a frame
    sensors : heading and unit by metric
    part : which of several runs in one log, from 1; 0 where there is one
    rows_are_frames : whether each row is a frame; frames are refused where it is not
    seen : its headings
    """

    format_id: str
    time: str = ""
    unit: str = ""
    time_steps: str = ""
    per_s: float = 0.0
    rate: str = ""
    sensors: tuple[tuple[str, str, str], ...] = ()
    part: int = 0
    rows_are_frames: bool = True
    seen: str = ""

    @property
    def has_frames(self) -> bool:
        """Whether it says anything of frames."""
        return bool(self.time or self.time_steps or self.rate) or not self.rows_are_frames


@dataclass(frozen=True)
class Declaration:
    """What the plan declares about the logs of a card; empty where columns are to be found.

    Attributes
    ----------
    frame_time : heading and unit of the frame times
    sensor_time : heading of the sensor samples' time
    sensors : heading by metric
    sensor_offset_s : the sensor log's time at which the frame log starts [s]
    count_only : the values that frames which count have, by heading; empty where all frames count
    date_order : ``day_first`` or ``month_first``; empty where the dates shall tell
    told_in_sensors : headings of ``count_only`` that the run's sensor log has
    same_machine : whether the clocks of frame logs and sensor logs are stated to be one
    formats : formats that were confirmed
    names, other_names : names of the card and its model, and those of the plan's other cards alone
    states_kinds : whether the settings of the run's game say that generated frames stand in its logs
    """

    frame_time: tuple[str, str] | None = None
    sensor_time: str | None = None
    sensors: Mapping[str, str] = field(default_factory=dict)
    sensor_offset_s: float | None = None
    count_only: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    date_order: str = ""
    told_in_sensors: tuple[str, ...] = ()
    same_machine: bool = False
    formats: tuple[ConfirmedFormat, ...] = ()
    names: tuple[str, ...] = ()
    other_names: tuple[str, ...] = ()
    states_kinds: bool = False

    def changed_from(self, format_id: str) -> str:
        """Return a sentence where the plan confirms the frames of other formats only; empty where it confirms none.

        Parameters
        ----------
        format_id : short name of a log's format
        """
        others = [one for one in self.formats if one.has_frames]
        if not others or any(one.format_id == format_id for one in others):
            return ""
        shown = "; ".join(f"{one.format_id} ({one.seen[:80]})" if one.seen else one.format_id for one in others[:3])
        return f" {say('evidence.other_format', shown=shown)}"

    def confirmed(self, format_id: str) -> ConfirmedFormat | None:
        """Return what was confirmed of a format; None where nothing was."""
        found = [one for one in self.formats if one.format_id == format_id]
        if not found:
            return None
        # Frames and sensors of one log may have been confirmed one after the other.
        of_frames = next((one for one in found if one.has_frames), found[0])
        part = max(one.part for one in found)
        return replace(of_frames, sensors=tuple(sensor for one in found for sensor in one.sensors), part=part)


@dataclass(frozen=True)
class Witness:
    """A length of a run that is known from outside its frame log.

    Attributes
    ----------
    what : where it is known from
    seconds, slack_s : the length, and how sure it is [s]
    """

    what: str
    seconds: float
    slack_s: float

    def fits(self, total_ms: float) -> bool:
        """Return whether a length is this one.

        Parameters
        ----------
        total_ms : the length [ms]
        """
        return abs(total_ms / 1000.0 - self.seconds) <= self.slack_s + 0.01 * self.seconds


#: Columns that tell rows apart, each with the values of the rows wanted.
Sources = tuple[tuple[int, tuple[str, ...]], ...]


@dataclass(frozen=True)
class LogFormat:
    """How a log is read.

    Attributes
    ----------
    kind : ``frames``, ``sensors``, ``sampled`` (rows are samples) or ``none``
    format_id, seen : short name of the format, and its headings
    certainty : of the frame times: that it is this column in this unit, and that each row is a frame
    frame_time : column of the frame times, or of the frame rates; None where they are the steps of ``elapsed``
    elapsed : column of the time that has passed; None where there is none
    clock : columns of the wall clock: none, one, or two (date and time of day); in a sensor log one of the role
        ``elapsed_time`` where its times begin at zero
    sensors : columns of sensors
    sources : columns that tell frames of several sources apart
    counted : columns that tell which frames of one source count
    outcomes : columns that may tell what became of each frame
    numbers : columns that number the rows by one
    times : other columns of time that span as long as the frames, each with what its unit is in ms
    rates : columns of frame rates beside frame times, of the same pace
    date_order : as declared, for the clock
    has_stamps_only : whether the frame times are the steps of the clock's stamps
    row_rules : what is done with the rows before: ``every_second``, ``reverse``, ``part i``, ``first_block``,
        ``drop_last n``
    fixed : frame times of single rows that are taken from the time beside them, by row [ms]
    findings : what was noticed
    fault : why the frames cannot be used; None where they can
    paste : lines that confirm or answer, below ``[[logs.format]]``; empty where nothing is asked
    """

    kind: str
    format_id: str = ""
    seen: str = ""
    certainty: Certainty = Certainty.OPEN
    frame_time: ColumnChoice | None = None
    elapsed: ColumnChoice | None = None
    clock: tuple[ColumnChoice, ...] = ()
    sensors: tuple[ColumnChoice, ...] = ()
    sources: Sources = ()
    counted: Sources = ()
    outcomes: tuple[int, ...] = ()
    numbers: tuple[int, ...] = ()
    times: tuple[tuple[int, float], ...] = ()
    rates: tuple[int, ...] = ()
    date_order: str = ""
    has_stamps_only: bool = False
    row_rules: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    fault: Fault | None = None
    paste: str = ""

    @property
    def choices(self) -> tuple[ColumnChoice, ...]:
        """All columns that are used."""
        times = tuple(choice for choice in (self.frame_time, self.elapsed) if choice)
        every = (self.clock, times) if self.kind == "sensors" else (times, self.clock)
        return (*every[0], *every[1], *self.sensors)

    @property
    def time_axis(self) -> ColumnChoice:
        """The column of the time that has passed, of a format without a column of frame times."""
        if self.elapsed is None:
            raise ValueError("a format without a column of time has no time axis")
        return self.elapsed

    @property
    def begins_at_zero(self) -> bool:
        """Whether the stamps of a sensor log tell time that has passed, not the time of day."""
        return bool(self.clock) and self.clock[0].role == "elapsed_time"

    def raise_fault(self) -> None:
        """Raise where the frames cannot be used.

        Raises
        ------
        LogError : with what was found, and the line that answers
        """
        if self.fault is not None:
            raise LogError(self.fault)


def format_id_of(table: LogTable) -> str:
    """Return the short name of a log's format: of its headings, units, separator, decimal mark and their order.

    Parameters
    ----------
    table : the log

    Notes
    -----
    A log without headings is known by the number of its columns and, for each, whether it holds numbers and with
    how many decimals.
    """
    dialect = table.dialect
    facts: list = [dialect.separator, dialect.decimal, list(dialect.names), list(dialect.units)]
    if not any(dialect.names):
        columns = list(zip(*table.sample[:16], strict=True))
        facts.append([
            max(decimals_of(cell, dialect.decimal) for cell in cells) if all(map(looks_numeric, cells)) else -1
            for cells in columns
        ])  # fmt: skip
    return hashlib.sha256(json.dumps(facts, ensure_ascii=False).encode()).hexdigest()[:8]


def seen_in(table: LogTable) -> str:
    """Return the headings of a log in one line.

    Parameters
    ----------
    table : the log
    """
    names = table.dialect.names if any(table.dialect.names) else [f"{table.dialect.n_columns} columns, no heading"]
    return ";".join(names)[:_LONGEST_SEEN]


@dataclass(frozen=True, slots=True)
class OneClock:
    """How far the clock of a sensor log is ahead of that of the runs.

    Attributes
    ----------
    is_proven : whether it is known
    offset_s : what is added to a run's start to get its place in the sensor log [s], at
        ``middle_s``; nan if unknown
    drift : change of the offset per second
    middle_s : start of the middle run [s]
    why : the evidence, or why it is refused
    told_s : what the times of the files or the plan say of the offset [s]; nan where they say nothing
    n_idle_by_told : runs that by it lie where the card idled, though another offset has them where it worked
    source : where the starts are from: a kind of clock, ``typed`` or ``elapsed``; ``denied`` of a clock that the
        plan states and the load denies; ``files`` of a run's own log that was closed with the frame log of
        another run, which ``why`` names
    """

    is_proven: bool
    offset_s: float = float("nan")
    drift: float = 0.0
    middle_s: float = 0.0
    why: str = ""
    told_s: float = float("nan")
    n_idle_by_told: int = 0
    source: str = ""

    def at(self, start_s: float) -> float:
        """Return the offset at a run's start [s].

        Parameters
        ----------
        start_s : the run's start on its own clock [s]
        """
        return self.offset_s + self.drift * (start_s - self.middle_s)


# Tasks of thousands of runs are kept: with slots, and paths as text, they take a third of the memory.
@dataclass(frozen=True, slots=True)
class RunTask:
    """What is needed to read one run.

    Attributes
    ----------
    run : name of the run
    frame_path, sensor_path : paths of the files; None where there is none
    frame_name, sensor_name : what to call them in messages
    declared : what the plan declares about the logs of this card
    gap_ms : a frame longer than this is a gap [ms]
    align_limit_s : a busy stretch farther than this from where two clocks put the run is told [s]
    sensor_edge_s : left out of sensor means at each end [s]
    n_bins : pieces of the trace that is kept for pictures
    started_at_s : start of the run as typed, seconds since 1970; nan where not given
    clock : of a sensor log that several runs name: how far it is ahead of their starts; None for a log of one run
    witness : its length as the bench desk saw it grow; None where it did not
    """

    run: str
    frame_path: str | None
    frame_name: str = ""
    sensor_path: str | None = None
    sensor_name: str = ""
    declared: Declaration = field(default_factory=Declaration)
    gap_ms: float = 1000.0
    align_limit_s: float = 3.0
    sensor_edge_s: float = 1.0
    n_bins: int = 240
    started_at_s: float = np.nan
    clock: OneClock | None = None
    witness: Witness | None = None
