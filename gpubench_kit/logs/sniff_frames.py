"""A frame log to its format: which column holds the frame times, in which unit, and whether each row is a frame."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from gpubench_kit.logs.clock import clock_of_numbers, clock_of_rows, counts_rows, find_clock, rises
from gpubench_kit.logs.damage import Repaired, repaired
from gpubench_kit.logs.format import (
    Certainty,
    ColumnChoice,
    ConfirmedFormat,
    Declaration,
    LogFormat,
    Witness,
    format_id_of,
    seen_in,
)
from gpubench_kit.logs.frame_evidence import (
    CLOCK,
    ELAPSED_UNITS_MS,
    Clues,
    Reading,
    TimeColumn,
    by_equal_steps,
    by_inverse_steps,
    by_samples,
    held_against_rates,
    is_plausible,
    lines_to_paste,
    pair_of,
    unit_name,
)
from gpubench_kit.logs.log_table import LogRows, LogTable, said_above, summary_start
from gpubench_kit.logs.lone_evidence import (
    by_inverse_columns,
    by_lone_column,
    by_steps_alone,
    by_sum,
    is_average,
    says_pace,
)
from gpubench_kit.logs.row_doubts import denial, doubts_told, names_number_of_frames
from gpubench_kit.logs.sniff_sensors import sensors_of_rows
from gpubench_kit.logs.sources import outcome_columns, several_sources, told_apart
from gpubench_kit.logs.text_table import no_such_column, read_columns, rows_of
from gpubench_kit.model.errors import Fault
from gpubench_kit.model.questions import quoted
from gpubench_kit.model.words import CARD, COUNTED_TIME, NOT_FRAME, OTHER, PART, QUANTITY, SAMPLED, fold, words_of
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.notes import note

#: A log with fewer frames is no run, and its numbers do not tell which of its columns is which.
LEAST_FRAMES = 10

#: Share of values that may be damaged.
_FEW = 0.02

#: A line above the heading that states how many counts a second has.
_PER_SECOND = re.compile(r"([^\n]{0,48}?(?:frequen\w*|ticks?\w*)[^\d\n]{0,24})(\d{4,12})\b(?!\s*[kmg]hz)")

#: What rises by whole numbers up to this, always the same one, numbers rows or every other one.
_LARGEST_STRIDE = 3

#: Rows this many times as far apart as their frame time are not each one frame.
_APART = 1.5

_SENSOR_WORDS = frozenset().union(*(QUANTITY[name] for name in ("power", "heat", "load", "clock", "fan", "volt")))
_OTHER_CLOCKS = (
    OTHER
    | CARD
    | PART["memory"]
    | PART["chip"]
    | (SAMPLED - COUNTED_TIME)
    | {"display", "monitor", "screen", "sensor"}
)
_NO_FRAME_WORDS = OTHER | CARD | PART["memory"] | PART["hotspot"] | PART["chip"] | NOT_FRAME

#: The rules in their order; the first that applies decides.
_RULES = (
    by_equal_steps,
    by_inverse_steps,
    by_samples,
    by_sum,
    by_inverse_columns,
    by_steps_alone,
    by_lone_column,
)


def sniff_frames(table: LogTable, declared: Declaration, *, witnesses: Sequence[Witness] = ()) -> LogFormat:
    """Find out how a frame log is read.

    Parameters
    ----------
    table : the log
    declared : what the plan declares and confirms
    witnesses : lengths of the run that are known from outside

    Returns
    -------
    LogFormat; one that asks or refuses carries its fault, so that nothing is raised for what rows hold

    Raises
    ------
    LogError : no column can be read, or a declared one is missing
    """
    format_id = format_id_of(table)
    confirmed = declared.confirmed(format_id)
    whole = repaired(rows_of(table), confirmed)
    rows, n_rows = whole.rows, whole.rows.n_rows
    log_format = LogFormat(
        "frames", format_id, seen_in(table), row_rules=whole.rules, findings=whole.findings,
        date_order=declared.date_order, fault=whole.fault,
    )  # fmt: skip
    if whole.fault is None and n_rows < LEAST_FRAMES:
        return replace(log_format, kind="none", fault=too_few(table, n_rows))
    if whole.fault is not None:
        return log_format
    clock = find_clock(rows)

    def clues_of(used: LogRows) -> Clues:
        return _clues_of(used, clock, tuple(witnesses), declared.date_order)

    clues = clues_of(rows)
    sources, counted = told_apart(clues, declared, clues_of)
    kept = np.ones(n_rows, dtype=bool)
    for place, wanted in sources:
        kept &= rows.cells(place).isin(wanted).to_numpy()
    clues = clues_of(rows.of(kept)) if LEAST_FRAMES <= kept.sum() < n_rows else clues
    log_format = replace(log_format, clock=clock, sources=sources, counted=counted)
    if not (sources or counted):
        fault, on_sources = several_sources(clues)
        log_format = replace(log_format, fault=fault, findings=(*log_format.findings, *on_sources))
        if fault is not None:
            return log_format
    stated = _stated(clues, declared, confirmed)
    reading = stated or next(one for rule in _RULES if (one := rule(clues)))
    if rows.unreadable and (reading.certainty < Certainty.PROVEN or reading.place is None):
        # One of them may be the column that is meant; the error names the line in which something else stands.
        read_columns(table, sorted(rows.unreadable))
    if stated is None:
        kinds_known = declared.states_kinds or bool(counted)
        reading, on_rows = doubts_told(
            clues, reading, log_format.findings, kinds_known=kinds_known, rows_chosen=bool(sources)
        )
        log_format = replace(log_format, findings=(*log_format.findings, *on_rows))
    return _as_format(
        _with_other_columns(log_format, reading, clues, declared), _marked(reading, whole), clues, declared
    )


def too_few(table: LogTable, n_frames: int) -> Fault:
    """Return why a file of a few rows is no run.

    Parameters
    ----------
    table : the log
    n_frames : frames in it
    """
    if n_frames == 0:
        return Fault(table.name, "there are no rows; one row per frame is expected.", "Record the run again.")
    counted = f"{n_frames} frame" if n_frames == 1 else f"{n_frames} frames"
    problem = f"it holds {counted}; at least {LEAST_FRAMES} are expected, and a run has thousands."
    return Fault(table.name, problem, "Record the run again, or take its row off the run sheet.")


def _clues_of(
    rows: LogRows, clock: tuple[ColumnChoice, ...], witnesses: tuple[Witness, ...], date_order: str
) -> Clues:
    """Return the columns of a log that frame times can be told from."""
    on_clock, times, values = {choice.column for choice in clock}, [], {}
    for place, column in rows.numbers.items():
        known, unit = column[np.isfinite(column)], rows.units[place]
        numbers_rows = counts_rows(column) and rows.steps[place] >= 1
        if place in on_clock or numbers_rows or known.size <= 0.5 * column.size:
            continue
        if _rises_as(rows, place):
            if unit is None or unit.quantity == "time":
                times.append(TimeColumn(place, rows.label(place), column, rows.unit_ms(place), rows.steps[place]))
        elif (
            not rises(column)
            and np.median(known) > 0
            and (known <= 0).mean() <= _FEW
            and _may_be_frames(rows, place)
        ):
            values[place] = column
    times += _clock_of(rows, clock, date_order, is_alone=not times and not values)
    dialect = rows.table.dialect
    below = rows.table.text[summary_start(rows.table.text, dialect) :]
    lines = (rows.table.text[: dialect.first_row][:100_000] + below).decode("utf-8", "replace").splitlines()
    above = fold("\n".join(line for line in lines if line not in (dialect.heading, dialect.units_line)))
    # Of several numbers none is known to be the counter's.
    counts = _PER_SECOND.findall(above)
    is_of_others = any(words_of(one) & _OTHER_CLOCKS for one, _ in counts)
    per_s = float(counts[0][1]) if len({found for _, found in counts}) == 1 and not is_of_others else 0.0
    said = (Witness(line, ms / 1e3, 0.1) for line, ms in said_above(above, "time"))
    return Clues(rows, tuple(times), values, per_s, (*witnesses, *said), above)


def _may_be_frames(rows: LogRows, place: int) -> bool:
    """Return whether the words of a heading leave room for frame times or rates of frames."""
    words = words_of(rows.name(place))
    if rows.steps[place] >= 1 and rows.units[place] is None and names_number_of_frames(rows.name(place)):
        return False
    return not words & _NO_FRAME_WORDS and (rows.unit_ms(place) is not None or not words & _SENSOR_WORDS)


def _rises_as(rows: LogRows, place: int) -> bool:
    """Return whether a column can be a time: all its cells are numbers, it rises, and does not number the rows."""
    values = rows.numbers[place]
    # The largest value so far rises too.
    if not np.isfinite(values).all() or not rises(values) or is_average(rows, place):
        return False
    if rows.steps[place] < 1 or rows.unit_ms(place) is not None:
        return True
    steps = np.diff(values)
    is_stride = bool((steps == steps[0]).all()) and steps[0] <= _LARGEST_STRIDE
    return not (is_stride or np.median(steps) == 1)


def _clock_of(
    rows: LogRows, clock: tuple[ColumnChoice, ...], date_order: str, *, is_alone: bool
) -> list[TimeColumn]:
    """Return the wall clock as a time; numbers since 1970 in their own column, and none where stamps are missing.

    Where there is nothing else the stamps that are there will do: the row without one is named in reading.
    """
    stamps = clock_of_rows(rows, clock, date_order=date_order)
    if stamps is None:
        return []
    time_s, known, place = stamps.time_s, np.isfinite(stamps.time_s), clock[0].column
    if is_alone and known.mean() > 0.9:
        time_s = np.maximum.accumulate(np.interp(np.arange(time_s.size), np.flatnonzero(known), time_s[known]))
    elif not known.all() or (np.diff(time_s) < 0).any():
        return []
    written = clock_of_numbers(rows.numbers[place]) if place in rows.numbers else None
    if written is not None:
        unit_ms = 1e3 * written.step_s
        return [TimeColumn(place, rows.label(place), rows.numbers[place], unit_ms, rows.steps[place])]
    return [TimeColumn(CLOCK, say("evidence.clock.wall"), time_s, 1e3, stamps.step_s)]


def _stated(clues: Clues, declared: Declaration, confirmed: ConfirmedFormat | None) -> Reading | None:
    """Return the frame times that the plan declares or confirms, held against what contradicts; None without."""
    if confirmed is not None and not confirmed.rows_are_frames:
        return Reading(question="the plan says that its rows are no frames", is_sampled=True)
    if declared.frame_time is not None:
        heading, unit = declared.frame_time
        return _held(clues, _stated_column(clues, heading, unit, say("evidence.declared")))
    why = say("evidence.confirmed")
    if confirmed is None or not confirmed.has_frames:
        return None
    if confirmed.time:
        reading = _held(clues, _stated_column(clues, confirmed.time, confirmed.unit, why))
    elif confirmed.time_steps:
        place = _place(clues, confirmed.time_steps, "the time of the frames")
        reading = _steps_of(clues, place, 1e3 / confirmed.per_s, why, unit_ms=None)
    else:
        place = _place(clues, confirmed.rate, "frame rates")
        reading = _held(clues, Reading("rates", place, certainty=Certainty.STATED, why=(why,)))
    why = denial(clues, reading) if reading.certainty > Certainty.OPEN else ""
    if not why:
        return reading
    question = f"the plan confirms this format, but here {why}"
    return replace(reading, certainty=Certainty.OPEN, question=question, is_denied=True)


def _place(clues: Clues, heading: str, what: str) -> int:
    """Return the place of a declared column of numbers; raise where there is none."""
    place = clues.rows.table.place_of(heading)
    if place is None or place not in clues.rows.numbers:
        raise no_such_column(clues.rows.table, heading, what)
    return place


def _steps_of(clues: Clues, place: int, factor: float, why: str, *, unit_ms: float | None) -> Reading:
    """Return the steps of a declared time."""
    rows = clues.rows
    time = TimeColumn(place, rows.label(place), rows.numbers[place], unit_ms, rows.steps[place])
    return Reading("steps", None, time, factor, Certainty.STATED, (why,), time_factor=factor)


def _stated_column(clues: Clues, heading: str, unit: str, why: str) -> Reading:
    """Return a declared column with the time that agrees with it; its steps where it rises as time does."""
    rows, factor = clues.rows, ELAPSED_UNITS_MS[unit]
    place = _place(clues, heading, "frame time")
    values = rows.numbers[place]
    usual_ms = float(np.nanmedian(np.diff(values))) * factor
    if rises(values) and is_plausible(usual_ms) and not is_plausible(float(np.nanmedian(values)) * factor):
        return _steps_of(clues, place, factor, why, unit_ms=factor)
    reading = Reading("column", place, None, factor, Certainty.STATED, (why,))
    clues = replace(clues, values={**clues.values, place: values})
    pairs = [pair for time in clues.times if (pair := pair_of(clues, time, place))]
    if pairs:
        best = max(pairs, key=lambda one: (one.time.place != CLOCK, one.share, -one.time.step))
        equal = say("evidence.frames.steps_equal", share=best.share, label=best.time.label)
        return replace(reading, time=best.time, time_factor=factor / best.ratio, why=(why, equal))
    total_ms = float(np.nansum(values[1:])) * factor
    for time in (one for one in clues.times if one.place != CLOCK and one.span > 0):
        for unit_ms in (time.unit_ms,) if time.unit_ms else ELAPSED_UNITS_MS.values():
            if abs(time.span * unit_ms / total_ms - 1) <= 0.02:
                return replace(reading, time=time, time_factor=unit_ms)
    return reading


def _held(clues: Clues, reading: Reading) -> Reading:
    """Return what the plan declares, unless the rows contradict it: samples, or a unit that a time denies."""
    place, rows, time = reading.place, clues.rows, reading.time
    if place is None:
        return reading
    usual_ms = float(np.nanmedian(rows.numbers[place])) * reading.factor
    if reading.take == "column" and clues.is_rate(place):
        question = f"{rows.label(place)} is declared to be a time, but its heading speaks of frame rates"
        return replace(reading, certainty=Certainty.OPEN, question=question, can_confirm=False)
    if time is None or time.unit_ms is None:
        denied = by_samples(replace(clues, values={place: rows.numbers[place]})) or _farther_apart(clues, reading)
        if denied is not None:
            return denied
    elif abs(reading.time_factor / time.unit_ms - 1) > 0.05:
        by_time_ms = usual_ms * time.unit_ms / reading.time_factor
        question = (
            f"{rows.label(place)} is declared to be in {unit_name(reading.factor)}, but by {time.label} "
            f"a frame takes {by_time_ms:.3g} ms, not {usual_ms:.3g} ms"
        )
        return replace(reading, certainty=Certainty.OPEN, question=question, can_confirm=False)
    slow = held_against_rates(clues, reading, usual_ms) if reading.take == "column" else reading
    return slow if slow.is_sampled else reading


def _farther_apart(clues: Clues, reading: Reading) -> Reading | None:
    """Return the question why rows are farther apart than what the plan declares says; None where they are not."""
    known, label = clues.rows.numbers[reading.place or 0], clues.rows.label(reading.place or 0)
    usual = float(np.median(known[known > 0])) if (known > 0).any() else np.nan
    frame_ms = 1e3 / usual if reading.take == "rates" else usual * reading.factor
    for time in clues.times:
        apart_ms = float(np.median(time.steps)) * (time.unit_ms or np.nan)
        if apart_ms > _APART * frame_ms + time.step * (time.unit_ms or 0.0):
            question = (
                f"rows are {apart_ms:.3g} ms apart by {time.label}, but {label} says {frame_ms:.3g} ms a frame"
            )
            return replace(reading, certainty=Certainty.OPEN, question=question, can_confirm=False)
    return None


def _marked(reading: Reading, whole: Repaired) -> Reading:
    """Return a reading, asked where a cell of its column lost its decimal mark and no time beside it tells."""
    lost = [row for place, row in whole.lost_marks if place == reading.place]
    has_time = reading.time is not None and reading.time.place != CLOCK
    if not lost or (has_time and reading.certainty > Certainty.OPEN):
        return reading
    table, place = whole.rows.table, reading.place or 0
    line = table.dialect.first_line + lost[0]
    question = f"{table.label(place)} has a cell without its decimal mark in line {line}; correct that line"
    return replace(reading, certainty=Certainty.OPEN, question=question, can_confirm=False)


def _with_other_columns(log_format: LogFormat, reading: Reading, clues: Clues, declared: Declaration) -> LogFormat:
    """Return the format with columns of sensors, and those that may tell what became of each frame."""
    taken = {choice.column for choice in log_format.clock}
    taken |= {place for place, _ in (*log_format.sources, *log_format.counted)}
    own = (reading.place, reading.time.place if reading.time else None)
    taken |= {place for place in own if place is not None}
    sensors, on_sensors = sensors_of_rows(clues.rows, declared, taken=taken)
    outcomes = outcome_columns(clues.rows, taken | {sensor.column for sensor in sensors})
    numbers = tuple(place for place, values in clues.rows.numbers.items() if counts_rows(values))
    times = tuple((one.place, one.unit_ms) for one in clues.times if one.unit_ms and one.place not in (CLOCK, *own))
    rates = tuple(one for one in clues.rates if says_pace(clues.rows.name(one), clues.rows.units[one]))
    log_format = replace(log_format, sensors=sensors, outcomes=outcomes, numbers=numbers, times=times, rates=rates)
    return replace(log_format, findings=(*log_format.findings, *on_sensors))


def _as_format(log_format: LogFormat, reading: Reading, clues: Clues, declared: Declaration) -> LogFormat:
    """Return the format with its columns of frame times, or with the fault that asks."""
    rows, time, why = clues.rows, reading.time, "; ".join(reading.why)
    is_steps, is_clock = reading.take == "steps", time is not None and time.place == CLOCK
    frame_time = elapsed = None
    if (place := reading.place) is not None:
        role, unit = ("frame_rate", "fps") if reading.take == "rates" else ("frame_time", unit_name(reading.factor))
        about = (rows.label(place), unit, why, reading.certainty, reading.factor, rows.steps[place])
        frame_time = ColumnChoice(role, place, *about)
    if time is not None and (not is_clock or is_steps):
        place, unit = log_format.clock[-1].column if is_clock else time.place, unit_name(reading.time_factor)
        if frame_time is not None and not is_steps:
            why = say("evidence.frames.rises_with", label=frame_time.label)
        is_near = abs(ELAPSED_UNITS_MS[unit] / reading.time_factor - 1) < 0.02
        factor = ELAPSED_UNITS_MS[unit] if is_near else reading.time_factor
        elapsed = ColumnChoice(
            "elapsed_time", place, rows.label(place), unit, why, reading.certainty, factor, time.step
        )
    is_asked = reading.certainty <= Certainty.LIKELY and not reading.is_sampled
    line, paste = lines_to_paste(rows, reading) if is_asked else ("", "")
    log_format = replace(
        log_format, kind="sampled" if reading.is_sampled else "frames", certainty=reading.certainty,
        frame_time=frame_time, elapsed=elapsed, has_stamps_only=is_clock and is_steps, paste=paste,
    )  # fmt: skip
    changed = declared.changed_from(log_format.format_id)
    if reading.certainty == Certainty.OPEN:
        return replace(log_format, fault=_fault(rows.table, reading, line, changed))
    if reading.certainty == Certainty.LIKELY:
        steps_of = say("evidence.frames.steps_of", label=log_format.elapsed.label) if log_format.elapsed else ""
        label = log_format.frame_time.label if log_format.frame_time else steps_of
        entry = format_entry(log_format) if log_format.paste else ""
        below = say("list.or").join(filter(None, (f"[logs] {line}" if line else "", entry)))
        told: dict[str, Any] = {
            "label": label,
            "unit_taken": unit_name(reading.factor),
            "why": "; ".join(reading.why),
        }
        found = float(reading.certainty)
        likely = note("logs.format_likely", name=rows.table.name, changed=changed, found=found, line=below, **told)
        return replace(log_format, findings=(*log_format.findings, likely))
    return log_format


def format_entry(log_format: LogFormat, *, card: str = "") -> str:
    """Return the entry of ``[[logs.format]]`` that confirms a format, in one line.

    Parameters
    ----------
    log_format : what was found
    card : name of the card; a place for it where not given
    """
    parts = [
        f"card = {quoted(card or say('evidence.name_of_card'))}",
        f'id = "{log_format.format_id}"',
        f"seen = {quoted(log_format.seen)}",
        f"frames = {log_format.paste}" if log_format.paste else "",
    ]
    return f"[[logs.format]] {'; '.join(filter(None, parts))}"


def _fault(table: LogTable, reading: Reading, line: str, changed: str) -> Fault:
    """Return the question that an open format asks, or why samples are refused."""
    if reading.is_sampled:
        action = "One row per frame is needed; averages can be typed into the run sheet."
        return Fault(table.name, f"{reading.question}.", action)
    problem = reading.question or f"which column holds the frame times is not known ({'; '.join(reading.why)})"
    action = "One row per frame with its time is expected."
    if line.startswith("frame_time"):
        action = f"Say in the plan which it is, below [logs], for example: {line}"
    elif line:
        action = f"Say in the plan, in an entry of [[logs.format]]: frames = {{ {line} }}"
    return Fault(table.name, (problem if problem.endswith("?") else f"{problem}.") + changed, action)
