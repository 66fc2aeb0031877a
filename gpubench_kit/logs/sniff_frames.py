"""A frame log to its format: which column holds the frame times, in which unit, and whether each row is a frame."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

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
    Found,
    TimeColumn,
    by_inverse_steps,
    by_steps_that_equal,
    by_sum,
    is_plausible,
    line_of_time,
    may_be_frames,
    not_too_slow,
    pair_of,
    rises_as,
    unit_name,
)
from gpubench_kit.logs.log_table import LogRows, LogTable
from gpubench_kit.logs.lone_evidence import by_inverse_columns, by_lone_column, by_steps_alone, sampled
from gpubench_kit.logs.sniff_sensors import sensors_of_rows
from gpubench_kit.logs.sources import outcome_columns, several_sources, told_apart
from gpubench_kit.logs.text_table import no_such_column, read_columns, rows_of
from gpubench_kit.model.errors import Fault
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.questions import quoted
from gpubench_kit.model.words import fold

#: A log with fewer frames is no run, and its numbers do not tell which of its columns is which.
LEAST_FRAMES = 10

#: Share of values that may be damaged.
_FEW = 0.02

#: A line above the heading that states how many counts a second has.
_PER_SECOND = re.compile(r"(?:frequen\w*|ticks?\w*)[^\d\n]{0,24}(\d{4,12})\b")

#: The rules in their order; the first that applies decides.
_RULES = (
    by_steps_that_equal,
    by_inverse_steps,
    sampled,
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
    log_format = LogFormat(
        "frames", format_id, seen_in(table), row_rules=whole.rules, findings=whole.findings,
        date_order=declared.date_order,
    )  # fmt: skip
    if whole.fault is not None:
        return replace(log_format, fault=whole.fault)
    if whole.rows.n_rows < LEAST_FRAMES:
        return replace(log_format, kind="none", fault=too_few(table, whole.rows.n_rows))
    return _sniffed(log_format, whole, declared=declared, confirmed=confirmed, witnesses=tuple(witnesses))


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


def _sniffed(
    log_format: LogFormat,
    whole: Repaired,
    *,
    declared: Declaration,
    confirmed: ConfirmedFormat | None,
    witnesses: tuple[Witness, ...],
) -> LogFormat:
    """Return the format of rows without damage."""
    rows = whole.rows
    clock = find_clock(rows)
    clues = _clues_of(rows, clock, witnesses, declared.date_order)
    sources, counted = told_apart(clues, declared, lambda used: _clues_of(used, clock, (), declared.date_order))
    if sources:
        kept = np.ones(rows.n_rows, dtype=bool)
        for place, wanted in sources:
            kept &= rows.cells(place).isin(wanted).to_numpy()
        if kept.sum() >= LEAST_FRAMES:
            clues = _clues_of(rows.of(kept), clock, witnesses, declared.date_order)
    log_format = replace(log_format, clock=clock, sources=sources, counted=counted)
    if not (sources or counted):
        fault, on_sources = several_sources(clues)
        log_format = replace(log_format, findings=(*log_format.findings, *on_sources))
        if fault is not None:
            return replace(log_format, fault=fault)
    found = _declared(clues, declared, confirmed) or next(one for rule in _RULES if (one := rule(clues)))
    if rows.unreadable and (found.certainty < Certainty.PROVEN or found.place is None):
        # One of them may be the column that is meant; the error names the line in which something else stands.
        read_columns(rows.table, sorted(rows.unreadable))
    found = _with_lost_marks(found, whole, clues)
    taken = {found.place, found.time.place if found.time else None, *(choice.column for choice in clock)}
    taken |= {place for place, _ in (*sources, *counted)}
    sensors, on_sensors = sensors_of_rows(
        clues.rows, declared, taken={place for place in taken if place is not None}
    )
    outcomes = outcome_columns(rows, taken | {sensor.column for sensor in sensors})
    findings = (*log_format.findings, *on_sensors)
    log_format = replace(log_format, sensors=sensors, outcomes=outcomes, findings=findings)
    return _as_format(log_format, found, clues, changed=declared.changed_from(log_format.format_id))


def _clues_of(
    rows: LogRows, clock: tuple[ColumnChoice, ...], witnesses: tuple[Witness, ...], date_order: str
) -> Clues:
    """Return the columns of a log that frame times can be told from."""
    on_clock = {choice.column for choice in clock}
    places = [place for place in rows.numbers if place not in on_clock and _is_live(rows, place)]
    rising = [place for place in places if rises_as(rows, place)]
    times = [
        TimeColumn(place, rows.label(place), rows.numbers[place], rows.unit_ms(place), rows.steps[place])
        for place in rising
        if (unit := rows.units[place]) is None or unit.quantity == "time"
    ]
    values = {
        place: rows.numbers[place]
        for place in places
        if place not in rising and _may_be_length(rows, place) and may_be_frames(rows, place)
    }
    times += _clock_of(rows, clock, date_order, is_alone=not times and not values)
    above = fold(rows.table.text[: rows.table.dialect.first_row][:100_000].decode("utf-8", "replace"))
    per_s = _PER_SECOND.search(above)
    return Clues(rows, tuple(times), values, float(per_s[1]) if per_s else 0.0, witnesses)


def _is_live(rows: LogRows, place: int) -> bool:
    """Return whether a column holds more than holes and the numbers of rows."""
    column = rows.numbers[place]
    numbers_rows = counts_rows(column) and rows.steps[place] >= 1
    return not numbers_rows and int(np.isfinite(column).sum()) > 0.5 * column.size


def _may_be_length(rows: LogRows, place: int) -> bool:
    """Return whether values can be lengths: they do not rise, and all but a few are above zero."""
    column = rows.numbers[place]
    known = column[np.isfinite(column)]
    return not rises(column) and float(np.median(known)) > 0 and float((known <= 0).mean()) <= _FEW


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
    return [TimeColumn(CLOCK, "the wall clock", time_s, 1e3, stamps.step_s)]


def _declared(clues: Clues, declared: Declaration, confirmed: ConfirmedFormat | None) -> Found | None:
    """Return the frame times that the plan declares or confirms, held against what contradicts; None without."""
    if confirmed is not None and not confirmed.rows_are_frames:
        question = "the plan says that its rows are no frames"
        return Found("", None, None, 1.0, Certainty.OPEN, (), question, is_sampled=True)
    if declared.frame_time is not None:
        heading, unit = declared.frame_time
        return _held(clues, _stated_column(clues, heading, unit, "declared in the plan"))
    if confirmed is None:
        return None
    if confirmed.time:
        return _held(clues, _stated_column(clues, confirmed.time, confirmed.unit, "confirmed in the plan"))
    if confirmed.time_steps:
        place = _place(clues, confirmed.time_steps, "the time of the frames")
        time = TimeColumn(place, clues.rows.label(place), clues.rows.numbers[place], None, clues.rows.steps[place])
        factor = 1e3 / confirmed.per_s
        why = ("confirmed in the plan",)
        return Found("steps", None, time, factor, Certainty.STATED, why, time_factor=factor)
    if confirmed.rate:
        place = _place(clues, confirmed.rate, "frame rates")
        return _held(clues, Found("rates", place, None, 1.0, Certainty.STATED, ("confirmed in the plan",)))
    return None


def _place(clues: Clues, heading: str, what: str) -> int:
    """Return the place of a declared column of numbers; raise where there is none."""
    place = clues.rows.table.place_of(heading)
    if place is None or place not in clues.rows.numbers:
        raise no_such_column(clues.rows.table, heading, what)
    return place


def _stated_column(clues: Clues, heading: str, unit: str, why: str) -> Found:
    """Return a declared column of frame times with the time beside it; its steps where it rises as time."""
    rows, factor = clues.rows, ELAPSED_UNITS_MS[unit]
    place = _place(clues, heading, "frame time")
    values = rows.numbers[place]
    usual_ms = float(np.nanmedian(np.diff(values))) * factor
    line = line_of_time(rows, place, unit)
    if rises(values) and is_plausible(usual_ms) and not is_plausible(float(np.nanmedian(values)) * factor):
        time = TimeColumn(place, rows.label(place), values, factor, rows.steps[place])
        return Found("steps", None, time, factor, Certainty.STATED, (why,), line=line, time_factor=factor)
    return _with_time(clues, Found("column", place, None, factor, Certainty.STATED, (why,), line=line), place)


def _with_time(clues: Clues, found: Found, place: int) -> Found:
    """Return a declared column with the time whose steps or span agree with it."""
    rows = clues.rows
    with_column = replace(clues, values={**clues.values, place: rows.numbers[place]})
    pairs = [pair for time in clues.times if (pair := pair_of(with_column, time, place))]
    if pairs:
        best = max(pairs, key=lambda one: (one.time.place != CLOCK, one.share, -one.time.step))
        why = (*found.why, f"{best.share:.1%} of the steps of {best.time.label} equal it")
        return replace(found, time=best.time, time_factor=found.factor / best.ratio, why=why)
    total_ms = float(np.nansum(rows.numbers[place][1:])) * found.factor
    spans = [(time, float(time.values[-1] - time.values[0])) for time in clues.times if time.place != CLOCK]
    near = [
        (time, factor)
        for time, span in spans
        for factor in ((time.unit_ms,) if time.unit_ms else ELAPSED_UNITS_MS.values())
        if span > 0 and abs(span * factor / total_ms - 1) <= 0.02
    ]
    return replace(found, time=near[0][0], time_factor=near[0][1]) if near else found


def _held(clues: Clues, found: Found) -> Found:
    """Return what the plan declares, unless the rows contradict it: samples, or a unit that a time denies."""
    if found.place is None or found.place == CLOCK:
        return found
    rows = clues.rows
    usual_ms = float(np.nanmedian(rows.numbers[found.place])) * found.factor
    if found.take == "rates":
        usual_ms = 1e3 / max(usual_ms, 1e-9)
    alone = replace(clues, values={found.place: rows.numbers[found.place]})
    if found.time is None or found.time.unit_ms is None:
        denied = sampled(alone)
        if denied is not None:
            return denied
    elif abs(found.time_factor / found.time.unit_ms - 1) > 0.05:
        stated_ms = usual_ms * found.time.unit_ms / found.time_factor
        question = (
            f"{rows.label(found.place)} is declared to be in {unit_name(found.factor)}, but by {found.time.label} "
            f"a frame takes {stated_ms:.3g} ms, not {usual_ms:.3g} ms"
        )
        return replace(found, certainty=Certainty.OPEN, question=question, line="")
    slow = not_too_slow(clues, found, usual_ms) if found.take == "column" else found
    return slow if slow.is_sampled else found


def _with_lost_marks(found: Found, whole: Repaired, clues: Clues) -> Found:
    """Return what was found, asked where a cell of the column lost its decimal mark and no time beside it tells."""
    lost = [row for place, row in whole.lost_marks if place == found.place]
    if found.place is None or not lost or (found.time is not None and found.certainty > Certainty.OPEN):
        return found
    label, first = clues.rows.label(found.place), clues.rows.table.dialect.first_line
    question = f"{label} has a cell without its decimal mark in line {first + lost[0]}; correct that line"
    return replace(found, certainty=Certainty.OPEN, question=question, line="")


def _as_format(log_format: LogFormat, found: Found, clues: Clues, *, changed: str) -> LogFormat:
    """Return the format with its columns of frame times, or with the fault that asks."""
    rows, time = clues.rows, found.time
    why = "; ".join(found.why)
    frame_time = elapsed = None
    if found.place is not None:
        role = "frame_rate" if found.take == "rates" else "frame_time"
        unit = "fps" if found.take == "rates" else unit_name(found.factor)
        step = rows.steps[found.place]
        frame_time = ColumnChoice(
            role, found.place, rows.label(found.place), unit, why, found.certainty, found.factor, step
        )
    is_clock = time is not None and time.place == CLOCK
    if time is not None and (not is_clock or found.take == "steps"):
        place = log_format.clock[-1].column if is_clock else time.place
        label = rows.label(place)
        why_time = (
            why
            if frame_time is None or found.take == "steps"
            else f"it rises, and its steps or its length agree with {frame_time.label}"
        )
        unit = unit_name(found.time_factor)
        factor = (
            ELAPSED_UNITS_MS[unit]
            if abs(ELAPSED_UNITS_MS[unit] / found.time_factor - 1) < 0.02
            else found.time_factor
        )
        elapsed = ColumnChoice("elapsed_time", place, label, unit, why_time, found.certainty, factor, time.step)
    log_format = replace(
        log_format,
        kind="sampled" if found.is_sampled else "frames",
        certainty=found.certainty,
        frame_time=frame_time,
        elapsed=elapsed,
        has_stamps_only=is_clock and found.take == "steps",
        paste=_paste(found, rows) if found.certainty <= Certainty.LIKELY and not found.is_sampled else "",
    )
    log_format = replace(log_format, findings=(*log_format.findings, *_notes(log_format, found, rows, changed)))
    return replace(log_format, fault=_fault(rows, found, changed) if found.certainty == Certainty.OPEN else None)


def _paste(found: Found, rows: LogRows) -> str:
    """Return the value of ``frames`` below ``[[logs.format]]`` that confirms or answers."""
    if found.take == "steps" and found.line.startswith("time_steps"):
        return f'{{ {found.line}, rows = "frames" }}'
    if found.take == "rates":
        return f"{{ {found.line} }}"
    place = found.place if found.place is not None else found.time.place if found.time else None
    if place is None or place == CLOCK:
        return ""
    return f'{{ time = {quoted(rows.table.key(place))}, unit = "{unit_name(found.factor)}", rows = "frames" }}'


def _notes(log_format: LogFormat, found: Found, rows: LogRows, changed: str) -> list[Finding]:
    """Return the note on a format that is only likely, or whose frame times are steps."""
    name, notes = rows.table.name, []
    if found.certainty == Certainty.LIKELY:
        label = (
            log_format.frame_time.label if log_format.frame_time else f"the steps of {log_format.time_axis.label}"
        )
        message = f"{name}: {label} is likely the frame time in {unit_name(found.factor)}: {'; '.join(found.why)}."
        message += changed
        action = (
            f"It is shown and not used in verdicts. If it is right, confirm the format: [logs] {found.line}, or "
            f"{format_entry(log_format)}"
        )
        notes.append(Finding("note", "format_likely", message, found=float(found.certainty), action=action))
    return notes


def format_entry(log_format: LogFormat, *, card: str = "") -> str:
    """Return the entry of ``[[logs.format]]`` that confirms a format, in one line.

    Parameters
    ----------
    log_format : what was found
    card : name of the card; a place for it where not given
    """
    parts = [
        f"card = {quoted(card or 'name of the card')}",
        f'id = "{log_format.format_id}"',
        f"seen = {quoted(log_format.seen)}",
        f"frames = {log_format.paste}" if log_format.paste else "",
    ]
    return f"[[logs.format]] {'; '.join(filter(None, parts))}"


def _fault(rows: LogRows, found: Found, changed: str) -> Fault:
    """Return the question that an open format asks, or why samples are refused."""
    if found.is_sampled:
        action = "One row per frame is needed; averages can be typed into the run sheet."
        return Fault(rows.table.name, f"{found.question}.", action)
    problem = found.question or f"which column holds the frame times is not known ({'; '.join(found.why)})"
    if not found.line:
        action = "One row per frame with its time is expected."
    elif found.line.startswith("frame_time"):
        action = f"Say in the plan which it is, below [logs], for example: {found.line}"
    else:
        action = f"Say in the plan, in an entry of [[logs.format]]: frames = {{ {found.line} }}"
    sentence = problem if problem.endswith("?") else f"{problem}."
    return Fault(rows.table.name, sentence + changed, action)
