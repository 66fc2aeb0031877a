"""What speaks for frame times where no time agrees with a column, and rows that are samples, never counted."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from gpubench_kit.logs.clock import counts_rows
from gpubench_kit.logs.format import Certainty
from gpubench_kit.logs.frame_evidence import (
    CLOCK,
    SAMPLES_APART,
    SHORT_RUN_MS,
    UNITS_MS,
    Clues,
    Found,
    TimeColumn,
    is_plausible,
    line_of_time,
    not_too_slow,
    rows_are_samples,
    unit_name,
)
from gpubench_kit.model.questions import quoted

#: Rows further apart than this are samples where a frame time says less [ms].
_FAR_APART_MS = 150.0

#: Rows that come exactly evenly and this far apart are samples [ms].
_EVEN_MS = 50.0


def sampled(clues: Clues) -> Found | None:
    """Return that rows are samples, where they come evenly while values vary, or further apart than a frame."""
    varying = _varying(clues)
    for time in clues.times:
        steps = time.steps
        usual = float(np.median(steps))
        is_even = bool(np.quantile(np.abs(steps - usual), 0.98) <= max(1.1 * time.step, 0.03 * usual))
        place, swing = max(varying.items(), key=lambda one: one[1], default=(-1, 0.0))
        if is_even and not counts_rows(time.values) and steps.std() < 0.3 * usual * swing:
            what = f"they come evenly while {clues.rows.label(place)} varies"
            apart = f"{usual * time.unit_ms / 1e3:.3g} s" if time.unit_ms else f"{usual:.4g} of {time.label}"
            return rows_are_samples(apart, what)
        found = _far_apart(clues, time, usual, is_even=is_even)
        if found is not None:
            return found
    return None


def _varying(clues: Clues) -> dict[int, float]:
    """Return the columns of frame times or rates that vary, and by which share of their usual value."""
    swings = {}
    for place in (*clues.rates, *clues.plain):
        values = clues.values[place]
        usual, spread = float(np.nanmedian(values)), float(np.nanstd(values))
        if spread > max(3 * clues.rows.steps[place], 0.01 * usual):
            swings[place] = spread / usual
    return swings


def _far_apart(clues: Clues, time: TimeColumn, usual: float, *, is_even: bool) -> Found | None:
    """Return that rows are samples, where a frame time or rate says that frames were much shorter."""
    # Without a unit, what could be frame times in ms is asked for by later rules.
    is_seconds = time.step < 1 and not is_plausible(usual)
    unit_ms = time.unit_ms or (1e3 if is_seconds else 0.0)
    if not unit_ms or (counts_rows(time.values) and not time.unit_ms):
        return None
    apart_ms = usual * unit_ms
    for place in (*clues.rates, *clues.plain):
        known = clues.values[place][np.isfinite(clues.values[place])]
        known = known[known > 0]
        if clues.is_rate(place):
            frame_ms = float(np.mean(1e3 / known))
        else:
            frame_ms = float(np.mean(known)) * (clues.rows.unit_ms(place) or 1.0)
        if is_plausible(frame_ms) and (is_even or apart_ms > _FAR_APART_MS) and apart_ms > SAMPLES_APART * frame_ms:
            return rows_are_samples(
                f"{apart_ms / 1e3:.3g} s", f"{clues.rows.label(place)} says {frame_ms:.3g} ms a frame"
            )
    if not is_even or apart_ms < _EVEN_MS:
        return None
    return rows_are_samples(f"{apart_ms / 1e3:.3g} s", "they come exactly evenly")


#: Stamps of a clock that frame times are taken from are written at least this finely [s].
_FINE_S = 0.0021

#: Rows this far apart beside sensors are samples as likely as frames [ms].
_AS_SENSORS_MS = 50.0

#: A frame takes at most this many times the part that a column holds.
_PART = 1.7

#: A rate that differs by more than this share from that of the rows denies that each row is a frame.
_SAME_RATE = 0.15

#: Below this many ms a lone column could only be less than 15 frames per second [ms].
_SURELY_MS = 15.0

#: Frame rates that a lone column could hold [fps].
_RATES = (4.0, 1200.0)

#: Counts per second that clocks of computers often have, for the question.
_COUNTS_PER_S = (1e6, 1e7, 1e9, 9e4, 1.92e7)
_MORE_COUNTS_PER_S = (*_COUNTS_PER_S, 3e6, 2.4e7)

_SENSOR_QUANTITIES = frozenset({"power", "heat", "percent", "clock", "fan", "volt", "bytes", "current"})
_NO_TIME = "no time says that each row is a frame"


def by_inverse_columns(clues: Clues) -> Found | None:
    """Return the column of times that is the inverse of a column of rates."""
    for place, other in itertools.product(clues.plain, clues.rates or clues.plain):
        factor = 0.0 if place == other else _inverse_of(clues, place, other)
        if factor:
            return _told_by_inverse(clues, place, other, factor=factor)
    return None


def _inverse_of(clues: Clues, place: int, other: int) -> float:
    """Return the factor of a column to ms where another is its inverse in nearly all rows; else 0."""
    times, rates = clues.values[place], clues.values[other]
    known = np.isfinite(times) & np.isfinite(rates) & (times > 0) & (rates > 0)
    if known.sum() < 10:
        return 0.0
    times, rates = times[known], rates[known]
    step, step_of_rates = clues.rows.steps[place], clues.rows.steps[other]
    product = times * rates
    power = float(10.0 ** np.round(np.log10(np.median(product))))
    slack = 0.55 * step / times + 0.55 * step_of_rates / rates + 1e-9
    is_inverse = (np.abs(product / power - 1) <= 2 * slack).mean() > 0.97
    return 1e3 / power if is_inverse and times.std() > 3 * step and power in (1.0, 1e3, 1e6) else 0.0


def _told_by_inverse(clues: Clues, place: int, other: int, *, factor: float) -> Found:
    """Return which of two inverse columns holds the times, and how sure that is."""
    rows = clues.rows
    why: tuple[str, ...] = (f"{rows.label(other)} is its inverse in nearly all rows",)
    unit_ms = rows.unit_ms(place)
    if unit_ms is not None or clues.is_rate(other):
        factor = unit_ms or factor
        total_ms = float(np.nansum(clues.values[place])) * factor
        found = Found("column", place, None, factor, Certainty.LIKELY, (*why, _NO_TIME))
        return _without_time(clues, found, place, total_ms)
    totals = [float(np.nansum(clues.values[one])) * factor for one in (place, other)]
    fits = [clues.witness(total_ms) for total_ms in totals]
    pick = place if fits[0] or not fits[1] else other
    if bool(fits[0]) != bool(fits[1]):
        why = (*why, f"its sum is {fits[0] or fits[1]}")
        return Found("column", pick, None, factor, Certainty.PROVEN, why)
    question = f"{rows.label(place)} and {rows.label(other)} are inverse to each other; which is the time?"
    line = line_of_time(rows, place, unit_name(factor))
    return Found("column", place, None, factor, Certainty.OPEN, why, question, line)


def _without_time(clues: Clues, found: Found, place: int, total_ms: float) -> Found:
    """Return what was found of a column without time: likely, unless a length or a doubt says more."""
    line = line_of_time(clues.rows, place, unit_name(found.factor))
    found = replace(found, line=line)
    fits = clues.witness(total_ms)
    if fits:
        return replace(found, certainty=Certainty.PROVEN, why=(*found.why, f"its sum is {fits}"))
    label = clues.rows.label(place)
    if clues.times and not (
        all(time.place == CLOCK and time.step >= 0.5 and time.values[-1] < 40 * time.step for time in clues.times)
    ):
        times = ", ".join(time.label for time in clues.times)
        question = f"{label} could be the frame times, but neither the steps of {times} nor its length agree"
        return replace(found, certainty=Certainty.OPEN, question=question)
    if total_ms < SHORT_RUN_MS:
        question = f"{label} adds up to {total_ms / 1e3:.1f} s only: is each row a frame?"
        return replace(found, certainty=Certainty.OPEN, question=question)
    return found


def by_steps_alone(clues: Clues) -> Found | None:
    """Return the steps of a time as frame times, where no column holds them."""
    if any(clues.rows.unit_ms(place) is not None and not _is_part(clues, place) for place in clues.plain):
        return None
    order = sorted(
        clues.times,
        key=lambda one: (one.place != CLOCK, one.unit_ms is None, one.step * (one.unit_ms or 1.0)),
    )
    for time in order:
        found = _clock_alone(clues, time) if time.place == CLOCK else _time_alone(clues, time)
        if found is not None:
            return found
    return None


def _has_rival(clues: Clues) -> bool:
    """Return whether a column could hold frame times that the steps of no time agree with."""
    return any(
        not _is_part(clues, place) and any(True for _ in _units_that_fit(clues, place)) for place in clues.plain
    )


def _is_part(clues: Clues, place: int) -> bool:
    """Return whether a column holds a large part of each frame, such as the time that something was at work."""
    unit_ms, values = clues.rows.unit_ms(place) or 1.0, clues.values[place]
    for time in clues.times:
        steps = time.steps * (time.unit_ms or 1.0)
        parts = [side * unit_ms for side in (values[:-1], values[1:])]
        is_near = float(np.nanmedian(values)) * unit_ms * _PART >= float(np.median(steps)) > 0
        if is_near and max((steps >= 0.99 * part).mean() for part in parts) >= 0.95:
            return True
    return False


def _clock_alone(clues: Clues, time: TimeColumn) -> Found | None:
    """Return the steps of fine stamps as frame times."""
    usual_ms, steps = float(np.median(time.steps)) * 1e3, time.steps
    if time.step > _FINE_S or not is_plausible(usual_ms) or steps.std() < 2 * time.step:
        return None
    if clues.rates or _has_rival(clues):
        return None
    why = (f"its stamps are {usual_ms:.3g} ms apart (median) and written to {1e3 * time.step:g} ms",)
    return _unless_sensors(clues, Found("steps", None, time, 1e3, Certainty.PROVEN, why, time_factor=1e3), usual_ms)


def _unless_sensors(clues: Clues, found: Found, usual_ms: float) -> Found:
    """Return what was found, asked where rows come as seldom as samples and sensors stand beside."""
    quantities = {unit.quantity for unit in clues.rows.units if unit is not None}
    if usual_ms >= _AS_SENSORS_MS and quantities & _SENSOR_QUANTITIES:
        question = f"rows are {usual_ms:.3g} ms apart and sensors stand beside them: samples, or frames?"
        return replace(found, certainty=Certainty.OPEN, question=question)
    rates_ms = [1e3 / float(np.nanmedian(clues.values[place])) for place in clues.rates]
    if any(abs(one - usual_ms) > _SAME_RATE * usual_ms for one in rates_ms):
        question = f"rows are {usual_ms:.3g} ms apart, but {clues.rows.label(clues.rates[0])} says another rate"
        return replace(found, certainty=Certainty.OPEN, question=question)
    found = replace(found, certainty=min(found.certainty, Certainty.LIKELY)) if rates_ms else found
    return not_too_slow(clues, found, usual_ms)


def _time_alone(clues: Clues, time: TimeColumn) -> Found | None:
    """Return the steps of a column of numbers as frame times; None where another column may hold them."""
    steps, usual = time.steps, float(np.median(time.steps))
    units = (time.unit_ms,) if time.unit_ms else (1e3, 1.0, 1e-3, 1e-6, 6e4)
    fitting = [unit for unit in units if is_plausible(usual * unit)]
    is_even = np.quantile(np.abs(steps - usual), 0.98) <= max(1.1 * time.step, 0.01 * usual)
    line = line_of_time(clues.rows, time.place, unit_name(fitting[0]) if fitting else "ms")
    if is_even and fitting and usual > 3 * time.step:
        question = f"rows come evenly, every {usual:.4g} of {time.label}: a frame limit, or samples?"
        return Found("steps", None, time, fitting[0], Certainty.OPEN, (), question, line, fitting[0])
    rivals = [place for place in clues.plain if not _is_part(clues, place)]
    if _has_rival(clues) and not clues.rates:
        return None
    told = _unit_of_steps(clues, time, usual, fitting)
    if told is None or (rivals and told[1] <= Certainty.LIKELY):
        return None
    factor, certainty, why = told
    found = Found("steps", None, time, factor or 1.0, certainty, (why,), line=line, time_factor=factor or 1.0)
    return _unless_sensors(clues, _steps_lifted(clues, found, (factor, fitting), usual), usual * found.factor)


def _unit_of_steps(
    clues: Clues, time: TimeColumn, usual: float, fitting: list[float]
) -> tuple[float, Certainty, str] | None:
    """Return factor to ms, certainty and reason of steps that may be frame times; None where they are none."""
    if time.unit_ms:
        return (time.unit_ms, Certainty.STATED, "its unit is stated") if fitting else None
    if clues.per_s and time.step >= 1 and is_plausible(usual * 1e3 / clues.per_s):
        return 1e3 / clues.per_s, Certainty.STATED, f"the log states {clues.per_s:g} counts per second"
    if time.step >= 1:
        return 0.0, Certainty.OPEN, "whole numbers: how long one count is, nothing says"
    if len(fitting) == 1:
        return fitting[0], Certainty.LIKELY, "this unit alone gives a frame time"
    return (fitting[0], Certainty.OPEN, "several units give a frame time") if fitting else None


def _steps_lifted(clues: Clues, found: Found, told: tuple[float, list[float]], usual: float) -> Found:
    """Return steps as proven where a length from outside fits them, else with what is asked."""
    factor, fitting = told
    time = found.time
    if time is None or found.certainty >= Certainty.STATED:
        return found
    span = float(time.values[-1] - time.values[0])
    units = [factor] if factor else [*fitting, *(1e3 / per_s for per_s in _MORE_COUNTS_PER_S)]
    fits = [(unit, what) for unit in units if is_plausible(usual * unit) and (what := clues.witness(span * unit))]
    if len({round(unit, 12) for unit, _ in fits}) == 1:
        unit, what = fits[0]
        why = (*found.why, f"its span is {what}")
        return replace(found, factor=unit, time_factor=unit, certainty=Certainty.PROVEN, why=why)
    if found.certainty == Certainty.LIKELY:
        return found
    rates = [
        f"{per_s:g} per s gives {per_s / usual:.1f} fps"
        for per_s in _COUNTS_PER_S
        if is_plausible(1e3 * usual / per_s)
    ]
    question = f"how long one count of {time.label} is, nothing says ({', '.join(rates) or 'no usual clock fits'})"
    line = f"time_steps = {quoted(clues.rows.table.key(time.place))}, per_s = 10000000"
    return replace(found, question=question, line=line)


def by_lone_column(clues: Clues) -> Found:
    """Return what a column alone can tell: likely at best; else what is asked."""
    stated = _stated_units(clues)
    named = [place for place in clues.plain if clues.is_frame_word(place)]
    both = [place for place in stated if place in named]
    pick = next(iter(stated)) if len(stated) == 1 else both[0] if len(both) == 1 else None
    if pick is not None:
        factor = stated[pick]
        found = Found(
            "column",
            pick,
            None,
            factor,
            Certainty.LIKELY,
            (f"the log states that it is in {unit_name(factor)}", _NO_TIME),
        )
        return _without_time(clues, found, pick, float(np.nansum(clues.values[pick])) * factor)
    if clues.rates and not clues.plain:
        return _rates_alone(clues, clues.rates[0])
    alone = [] if len(stated) > 1 else named if len(named) == 1 else clues.plain
    if len(alone) != 1:
        alone = [place for place in alone if any(True for _ in _units_that_fit(clues, place))]
    return _by_size(clues, alone[0], named) if len(alone) == 1 else _none_found(clues)


def _stated_units(clues: Clues) -> dict[int, float]:
    """Return the columns that state a unit of time in which their values are frame times, with that unit [ms]."""
    units = ((place, clues.rows.unit_ms(place)) for place in clues.plain)
    return {
        place: unit_ms
        for place, unit_ms in units
        if unit_ms is not None and is_plausible(float(np.nanmedian(clues.values[place])) * unit_ms)
    }


def _units_that_fit(clues: Clues, place: int) -> Iterator[float]:
    """Yield the units of time in which a column's values are frame times."""
    stated, median = clues.rows.unit_ms(place), float(np.nanmedian(clues.values[place]))
    yield from (unit for unit in ((stated,) if stated else UNITS_MS.values()) if is_plausible(median * unit))


def _rates_alone(clues: Clues, place: int) -> Found:
    """Return what is asked where a log holds rates and no time."""
    rows = clues.rows
    with np.errstate(divide="ignore"):
        fits = clues.witness(float(np.nansum(1e3 / clues.values[place])))
    if fits:
        return Found("rates", place, None, 1.0, Certainty.PROVEN, (f"its inverse adds up to {fits}",))
    question = f"{rows.label(place)} holds rates, and nothing says whether a row is a frame or a sample"
    line = f'rate = {quoted(rows.table.key(place))}, rows = "frames"'
    return Found("rates", place, None, 1.0, Certainty.OPEN, (), question, line)


def _by_size(clues: Clues, place: int, named: list[int]) -> Found:
    """Return what the size of a column's values tells where nothing else does."""
    rows, values = clues.rows, clues.values[place]
    known = values[np.isfinite(values) & (values > 0)]
    median, units = float(np.median(known)), list(_units_that_fit(clues, place))
    may_be_rates = _RATES[0] < median < _RATES[1]
    fits = [("column", unit, what) for unit in units if (what := clues.witness(float(known.sum()) * unit))]
    if may_be_rates and (what := clues.witness(float((1e3 / known).sum()))):
        fits.append(("rates", 1.0, what))
    if len(fits) == 1:
        take, unit, what = fits[0]
        return Found(take, place, None, unit, Certainty.PROVEN, (f"its sum, or that of its inverse, is {what}",))
    is_decimal, is_fast = rows.steps[place] < 1, bool(units) and (units[0] == 1e3 or median < _SURELY_MS)
    if units and is_fast and (is_decimal or named == [place]):
        why = ("it alone could be frame times, and as rates they would be below 15 fps", _NO_TIME)
        found = Found("column", place, None, units[0], Certainty.LIKELY, why)
        return _without_time(clues, found, place, float(known.sum()) * units[0])
    readings = [f"{1e3 / median / unit:.0f} fps as {unit_name(unit)}" for unit in units]
    readings += [f"{median:.4g} fps as frame rates"] if may_be_rates else []
    question = (
        f"the values of {rows.label(place)} (median {median:.4g}) could be frame times in ms or frame rates in "
        f"fps, and no time stands beside them that could tell ({' or '.join(readings) or 'neither is usual'})"
    )
    line = line_of_time(rows, place, unit_name(units[0]) if units else "ms")
    return Found("column", place, None, units[0] if units else 1.0, Certainty.OPEN, (), question, line)


def _none_found(clues: Clues) -> Found:
    """Return the question where no column, or more than one, could be frame times."""
    rows, found = clues.rows, [place for place in clues.plain if any(True for _ in _units_that_fit(clues, place))]
    if not found:
        headings = "; ".join(rows.label(place) for place in range(min(rows.table.dialect.n_columns, 12)))
        question = f"no column can be the frame times (found: {headings})"
        return Found("", None, None, 1.0, Certainty.OPEN, (), question)
    shown = ", ".join(f"{rows.label(place)} (median {np.nanmedian(clues.values[place]):g})" for place in found[:8])
    question = f"{len(found)} columns could be the frame times, and no elapsed time tells which: {shown}"
    unit = next(_units_that_fit(clues, found[0]))
    return Found(
        "column", found[0], None, unit, Certainty.OPEN, (), question, line_of_time(rows, found[0], unit_name(unit))
    )
