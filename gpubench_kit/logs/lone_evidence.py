"""What speaks for and against a reading of a frame log's columns where no time agrees with a column row by row."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np

from gpubench_kit.logs.format import Certainty
from gpubench_kit.logs.frame_evidence import (
    CLOCK,
    SHARE_EQUAL,
    SHORT_RUN_MS,
    Clues,
    Reading,
    TimeColumn,
    held_against_rates,
    is_plausible,
    lifted,
    unit_name,
)
from gpubench_kit.logs.log_table import LogRows, said_above
from gpubench_kit.model.words import (
    AT_WORK,
    DURATION,
    NOT_A_READING,
    QUANTITY,
    SAMPLED,
    Unit,
    unknown_of_frames,
    without_brackets,
    words_of,
)
from gpubench_kit.wording.catalogue import say

#: Stamps of a clock that frame times are taken from are written at least this finely [s].
_FINE_S = 0.0021
#: Standard deviation of their steps from which they vary, and surely do, in steps of the stamps; and from which
#: they vary as frames do, as a share of the usual step.
_VARIED, _SURELY_VARIED, _AS_FRAMES = 0.6, 2.0, 0.08

#: Rows this far apart are samples as likely as frames, 20 a second by a timer that shakes among them [ms].
_AS_SENSORS_MS = 45.0

#: A frame takes at most this many times the part that a column holds.
_PART = 1.7

#: Steps and values of the same shape have one ratio, within this share in half of the rows.
_SAME_SHAPE = 0.02

#: A rate that differs by more than this share from that of the rows denies that each row is a frame; rates say the
#: same pace as frame times within the second. A length said above the heading may be a planned one.
_SAME_RATE, _SAME_PACE, _SAME_LENGTH, _AS_IT_IS = 0.15, 0.1, 0.25, 0.005

#: Below this many ms a lone column could only be less than 15 frames per second [ms].
_SURELY_MS = 15.0

#: Frame rates that a lone column could hold [fps].
_RATES = (4.0, 1200.0)

#: So many samples of frame rates, at one a second, would be longer than a run.
_SURELY_FRAMES = 2000

#: Counts per second that clocks of computers often have; the last ones are not told in the question.
_COUNTS_PER_S = (1e6, 1e7, 1e9, 9e4, 1.92e7, 3e6, 2.4e7)
_COUNTS_TOLD = 5

#: Quantities of sensors by their units.
SENSOR_QUANTITIES = frozenset({"power", "heat", "percent", "clock", "fan", "volt", "bytes", "current"})


def by_sum(clues: Clues) -> Reading | None:
    """Return the one column whose sum is the time that passed."""
    rows = clues.rows
    near: list[tuple[float, bool, TimeColumn, float, int, float]] = []
    spans = [(time, unit) for time in clues.times for unit in time.units_ms]
    readings = [(place, unit) for place in clues.plain for unit in clues.units_of(place)]
    for time, time_unit in spans:
        # Where stamps are coarse, a change of one is as sure as the row is long.
        rise = np.flatnonzero(time.steps) + 1
        first, last = (int(rise[0]), int(rise[-1])) if rise.size > 1 else (0, 0)
        span_ms, slack_ms = float(time.values[last] - time.values[first]) * time_unit, time.step * time_unit
        is_long = span_ms > max(35 * slack_ms, 0.8 * SHORT_RUN_MS)
        for place, unit in readings if is_long else ():
            error = abs(float(np.nansum(clues.values[place][first + 1 : last + 1])) * unit - span_ms) / span_ms
            if error <= 0.03 + 2 * slack_ms / span_ms:
                slack_ms = min(slack_ms, 2 * clues.usual(place) * unit)
                is_tight = error <= 0.004 + 1.1 * slack_ms / span_ms
                near.append((error, is_tight, time, time_unit, place, unit))
    tight = [one for one in near if one[1]]
    if not tight or len({one[4:] for one in tight}) != 1:
        return None
    error, _, time, time_unit, place, unit = min(tight, key=lambda one: one[0])
    has_unit = rows.unit_ms(place) is not None
    # A rate may equal the distance of samples by chance: a column without a unit needs to be the only one.
    if any(one[4] != place and one[0] < 3 * error + 0.004 for one in near) or (
        not has_unit and any(rows.unit_ms(one) is not None for one in clues.plain)
    ):
        return None
    is_alone = len({one[4] for one in near}) == 1 and (len(clues.plain) == 1 or clues.is_frame_word(place))
    differ = abs(time_unit / unit - 1) > 0.01 and time.step < 1
    is_known = has_unit or (is_alone and (differ or any(one[2].unit_ms for one in tight)))
    certainty = Certainty.PROVEN if is_known else Certainty.LIKELY
    why = (say("evidence.frames.sum_is_span", label=time.label, error=error),)
    reading = Reading("column", place, time, unit, certainty, why, time_factor=time_unit)
    return lifted(clues, held_against_rates(clues, reading, clues.usual(place) * unit))


def by_inverse_columns(clues: Clues) -> Reading | None:
    """Return the column of times that is the inverse of a column of rates."""
    pairs = itertools.product(clues.plain, clues.rates or clues.plain)
    factors = ((place, other, _inverse_of(clues, place, other)) for place, other in pairs if place != other)
    place, other, factor = next((one for one in factors if one[2]), (0, 0, 0.0))
    if not factor:
        return None
    rows = clues.rows
    unit_ms, why = rows.unit_ms(place), (say("evidence.frames.inverse_column", label=rows.label(other)),)
    if unit_ms is not None or clues.is_rate(other):
        return _without_time(clues, place, unit_ms or factor, why)
    readings = [Reading("column", one, None, factor, why=why) for one in (place, other)]
    question = say("evidence.question.inverse", label=rows.label(place), other=rows.label(other))
    found = clues.witnessed(*((one, clues.total(one.place) * factor) for one in readings if one.place is not None))
    return found or replace(readings[0], question=question)


def _inverse_of(clues: Clues, place: int, other: int) -> float:
    """Return the factor of a column to ms where another is its inverse in nearly all rows; else 0."""
    known = (clues.values[place] > 0) & (clues.values[other] > 0)
    if known.sum() < 10:
        return 0.0
    times, rates = clues.values[place][known], clues.values[other][known]
    step, product = clues.rows.steps[place], times * rates
    power = float(10.0 ** np.round(np.log10(np.median(product))))
    slack = 0.55 * step / times + 0.55 * clues.rows.steps[other] / rates + 1e-9
    is_inverse = (np.abs(product / power - 1) <= 2 * slack).mean() > 0.97
    return 1e3 / power if is_inverse and times.std() > 3 * step and power in (1.0, 1e3, 1e6) else 0.0


def _without_time(clues: Clues, place: int, factor: float, why: tuple[str, ...]) -> Reading:
    """Return a column without time: likely, unless a length or a doubt says more."""
    total_ms, label = clues.total(place) * factor, clues.rows.label(place)
    reading = Reading("column", place, None, factor, Certainty.LIKELY, (*why, say("evidence.frames.no_time")))
    known = np.isfinite(clues.values[place])
    if other := rates_deny(clues, total_ms / known.sum()):
        question = say("evidence.question.denied", label=label, why=say("evidence.frames.other_pace", label=other))
        return reading.at_most(Certainty.OPEN, question=question)
    if found := clues.witnessed((reading, total_ms)):
        return found
    if is_average(clues.rows, place):
        return reading.at_most(Certainty.OPEN, question=say("evidence.question.average", label=label))
    if not all(one.place == CLOCK and one.step >= 0.5 and one.values[-1] < 40 * one.step for one in clues.times):
        times = ", ".join(time.label for time in clues.times)
        question = say("evidence.question.nothing_agrees", label=label, times=times)
        return reading.at_most(Certainty.OPEN, question=question)
    if total_ms < SHORT_RUN_MS:
        question = say("evidence.question.short", label=label, seconds=total_ms / 1e3)
        return reading.at_most(Certainty.OPEN, question=question)
    return reading


def says_pace(heading: str, unit: Unit | None) -> bool:
    """Return whether a heading speaks of frame rates, and of nothing else such as a mean or a limit.

    Parameters
    ----------
    heading : as written
    unit : the unit that it states
    """
    is_rate = bool(words_of(heading) & QUANTITY["rate"])
    return is_rate and not set(unknown_of_frames(heading, unit, is_moment=False)) - QUANTITY["rate"]


def is_pace(rates: np.ndarray, mean_ms: float) -> bool:
    """Return whether frame rates are those of frames that take so long in the mean.

    Parameters
    ----------
    rates : array of shape (n,) [fps]
    mean_ms : mean frame time [ms]
    """
    known = rates[rates > 0]
    return known.size > 0 and bool(abs(mean_ms / float(np.mean(1e3 / known)) - 1) <= _SAME_PACE)


def rates_deny(clues: Clues, mean_ms: float) -> str:
    """Return what to call frame rates, of a column or said above the heading, of another pace; empty for none.

    Parameters
    ----------
    clues : the log
    mean_ms : mean frame time [ms]
    """
    rows = clues.rows
    rates = (place for place in clues.rates if says_pace(rows.name(place), rows.units[place]))
    label = next((rows.label(place) for place in rates if not is_pace(clues.values[place], mean_ms)), "")
    said = [(line, 1e3 / fps, _SAME_RATE) for line, fps in said_above(clues.above, "rate")]
    said += [(line, ms / rows.n_rows, _SAME_LENGTH) for line, ms in said_above(clues.above, "time")]
    said += [(line, mean_ms * pace, _AS_IT_IS) for line, pace in said_above(clues.above, "pace") if pace != 100]
    return label or next((line for line, own_ms, share in said if abs(mean_ms / own_ms - 1) > share), "")


def by_steps_alone(clues: Clues) -> Reading | None:
    """Return the steps of a time as frame times, where no column holds them."""
    rivals = [place for place in clues.plain if not _is_part(clues, place)]
    # What cannot be frame times is no rival, unless a time moves as it does: one of their units is wrong then.
    possible = [place for place in rivals if clues.units_of(place) or _moves_as_time(clues, place)]
    if any(clues.rows.unit_ms(place) is not None for place in possible):
        return None
    has_rival = bool(possible)

    def order(one: TimeColumn) -> tuple:
        return one.place != CLOCK, one.unit_ms is None, one.step * (one.unit_ms or 1.0)

    for time in sorted(clues.times, key=order):
        if time.place != CLOCK:
            found = _time_alone(clues, time, has_rival=has_rival, is_alone=not rivals)
        else:
            found = None if clues.rates or has_rival else _clock_alone(time)
        if found is not None:
            usual_ms = float(np.median(time.steps)) * found.factor
            return found if found.question else _unless_sensors(clues, found, usual_ms)
    return None


def _is_part(clues: Clues, place: int) -> bool:
    """Return whether a column holds a large part of each frame, such as the time that something was at work."""
    if clues.is_frame_word(place):
        return False
    values = clues.rows.numbers[place] * (clues.rows.unit_ms(place) or 1.0)
    for time in clues.times:
        steps = time.steps * (time.unit_ms or 1.0)
        is_near = float(np.nanmedian(values)) * _PART >= float(np.median(steps)) > 0
        if is_near and max((steps >= 0.99 * part).mean() for part in (values[:-1], values[1:])) >= 0.95:
            return True
    return False


def _moves_as_time(clues: Clues, place: int) -> bool:
    """Return whether the steps of a time are a column's values but for their unit."""
    values = clues.values[place]
    for time, side in itertools.product(clues.times, (values[1:], values[:-1])):
        is_full = np.isfinite(side) & (side != 0)
        ratios = time.steps[is_full] / side[is_full]
        usual = float(np.median(ratios)) if ratios.size else 0.0
        if usual and np.median(np.abs(ratios / usual - 1)) < _SAME_SHAPE:
            return True
    return False


def _clock_alone(time: TimeColumn) -> Reading | None:
    """Return the steps of fine stamps as frame times."""
    usual_ms = float(np.median(time.steps)) * 1e3
    varied = float(time.steps.std()) / time.step
    if time.step > _FINE_S or not is_plausible(usual_ms):
        return None
    certainty = Certainty.PROVEN
    if varied < _SURELY_VARIED:
        # Even steps that are rounded differ by up to half a step of the stamps, and timers of samples by a little.
        if varied < _VARIED or usual_ms >= _AS_SENSORS_MS or time.steps.std() < _AS_FRAMES * np.median(time.steps):
            return None
        certainty = Certainty.LIKELY
    why = (say("evidence.frames.fine_stamps", apart=usual_ms, step=1000.0 * time.step),)
    return Reading("steps", None, time, 1e3, certainty, why, time_factor=1e3)


def _time_alone(clues: Clues, time: TimeColumn, *, has_rival: bool, is_alone: bool) -> Reading | None:
    """Return the steps of a column of numbers as frame times; None where another column may hold them."""
    steps, usual = time.steps, float(np.median(time.steps))
    fitting = [unit for unit in time.units_ms if is_plausible(usual * unit)]
    is_even = np.quantile(np.abs(steps - usual), 0.98) <= max(1.1 * time.step, 0.01 * usual)
    if is_even and fitting and usual > 3 * time.step:
        question = say("evidence.question.even", step=usual, label=time.label)
        return Reading("steps", None, time, fitting[0], question=question, time_factor=fitting[0])
    if has_rival and not clues.rates:
        return None
    per_count = 1e3 / clues.per_s if clues.per_s and time.step >= 1 else 0.0
    if time.unit_ms or is_plausible(usual * per_count):
        factor, certainty = time.unit_ms or per_count, Certainty.STATED
        why = (
            say("evidence.frames.unit_stated")
            if time.unit_ms
            else say("evidence.frames.counts_stated", per_s=clues.per_s)
        )
    elif time.step >= 1:
        factor, certainty, why = 1.0, Certainty.OPEN, say("evidence.frames.whole_numbers")
    else:
        certainty = Certainty.LIKELY if len(fitting) == 1 else Certainty.OPEN
        factor = fitting[0] if fitting else 0.0
        why = say("evidence.frames.one_unit_fits" if len(fitting) == 1 else "evidence.frames.several_units")
    is_known = certainty >= Certainty.STATED
    if not factor or (time.unit_ms and not fitting) or not (is_alone or is_known):
        return None
    reading = Reading("steps", None, time, factor, certainty, (why,), time_factor=factor)
    if is_known:
        return reading
    # Proven where a length from outside fits the steps.
    units = [reading.factor] if time.step < 1 else [*fitting, *(1e3 / per_s for per_s in _COUNTS_PER_S)]
    options = [replace(reading, factor=unit, time_factor=unit) for unit in units if is_plausible(usual * unit)]
    found = clues.witnessed(*((one, time.span * one.factor) for one in options))
    if found or reading.certainty == Certainty.LIKELY:
        return found or reading
    counts = [per_s for per_s in _COUNTS_PER_S[:_COUNTS_TOLD] if is_plausible(1e3 * usual / per_s)]
    rates = ", ".join(say("evidence.question.gives", per_s=per_s, fps=per_s / usual) for per_s in counts)
    question = say(
        "evidence.question.count", label=time.label, rates=rates or say("evidence.question.no_clock_fits")
    )
    return replace(reading, question=question, is_count=True)


def _unless_sensors(clues: Clues, reading: Reading, usual_ms: float) -> Reading:
    """Return steps as frame times, less sure where rows may as well be samples of what stands beside."""
    rows, quantities = clues.rows, {unit.quantity for unit in clues.rows.units if unit is not None}
    if usual_ms >= _AS_SENSORS_MS and quantities & SENSOR_QUANTITIES:
        question = say("evidence.question.sensors_beside", apart=usual_ms)
        return reading.at_most(Certainty.OPEN, question=question)
    if usual_ms >= _AS_SENSORS_MS:
        why = say("evidence.frames.could_be_samples", per_s=1000.0 / usual_ms)
        reading = reading.at_most(Certainty.LIKELY, why)
    if any(abs(1e3 / clues.usual(place) - usual_ms) > _SAME_RATE * usual_ms for place in clues.rates):
        question = say("evidence.question.another_rate", apart=usual_ms, label=rows.label(clues.rates[0]))
        return reading.at_most(Certainty.OPEN, question=question)
    if other := _other_beside(clues, reading):
        reading = reading.at_most(Certainty.LIKELY, say("evidence.frames.other_beside", label=other))
    return held_against_rates(clues, reading.at_most(Certainty.LIKELY) if clues.rates else reading, usual_ms)


def _other_beside(clues: Clues, reading: Reading) -> str:
    """Return what to call a column that rows may be samples of, or a time that steps in another way; else empty."""
    rows, own = clues.rows, reading.time
    parts = (place for place in rows.numbers if words_of(rows.name(place)) & AT_WORK and rows.unit_ms(place))
    if own is None or any(_is_part(clues, place) for place in parts):
        # Work that fills most of each row is that of a frame.
        return ""
    for time in clues.times:
        if time.place != own.place and not _step_alike(own, time):
            return time.label
    timed = {time.place for time in clues.times}
    units = (
        (place, rows.units[place]) for place in rows.numbers if place not in timed and place not in clues.rates
    )
    return next((rows.label(place) for place, unit in units if unit is not None and unit.quantity), "")


def _step_alike(one: TimeColumn, other: TimeColumn) -> bool:
    """Return whether two times have the same steps but for their unit and decimals."""
    ratio = other.span / one.span if one.span else 0.0
    ratio = one.unit_ms / other.unit_ms if one.unit_ms and other.unit_ms else ratio
    slack = 1.1 * (one.step * ratio + other.step)
    # One may tell when a frame ends, the other when it starts.
    own, others = one.steps * ratio, other.steps
    pairs = ((own, others), (own[1:], others[:-1]), (own[:-1], others[1:]))
    return any((np.abs(first - second) <= slack).mean() >= SHARE_EQUAL for first, second in pairs)


def by_lone_column(clues: Clues) -> Reading:
    """Return what a column alone can tell: likely at best; else what is asked."""
    rows, plain = clues.rows, [place for place in clues.plain if not is_average(clues.rows, place)] or clues.plain
    possible = {place: units for place in plain if (units := clues.units_of(place))}
    stated = [place for place in possible if rows.unit_ms(place) is not None]
    named = [place for place in plain if clues.is_frame_word(place)]
    timed = [place for place in possible if words_of(rows.name(place)) & DURATION]
    # Whole numbers under a heading without a duration may count frames or draws.
    whole = (place for place in named if rows.steps[place] >= 1 and rows.unit_ms(place) is None)
    counts = [place for place in whole if not words_of(rows.name(place)) & DURATION]
    if len(timed) == 1 and counts == named:
        named = timed if named else named
    both = [place for place in stated if place in named]
    pick = stated[0] if len(stated) == 1 else both[0] if len(both) == 1 else None
    if pick is not None:
        factor = possible[pick][0]
        return _without_time(clues, pick, factor, (say("evidence.frames.log_states_unit", unit=unit_name(factor)),))
    if clues.rates and not clues.plain:
        label, rates = rows.label(clues.rates[0]), clues.values[clues.rates[0]]
        total_ms = float(np.sum(1e3 / rates[rates > 0]))
        question = say("evidence.question.rates", label=label)
        if total_ms < SHORT_RUN_MS:
            question = say("evidence.question.short_rates", question=question, seconds=total_ms / 1e3)
            return Reading(question=question, is_sampled=True)
        reading = Reading("rates", clues.rates[0], question=question)
        # Rates that stand still for a while are means of it.
        is_of_rows = rates.size >= _SURELY_FRAMES and (np.diff(rates) != 0).mean() > 0.5 and not clues.times
        if is_of_rows and not words_of(" ".join(rows.table.dialect.names)) & (SAMPLED | NOT_A_READING):
            why = say("evidence.frames.many_rates", n=rates.size, apart=rates.size / 60)
            reading = replace(reading, certainty=Certainty.LIKELY, why=(why,))
        return clues.witnessed((reading, total_ms)) or reading
    alone = [] if len(stated) > 1 else named if len(named) == 1 else plain
    alone = alone if len(alone) == 1 else [place for place in alone if place in possible]
    if len(alone) == 1:
        return _by_size(clues, alone[0], is_named=named == alone)
    if not possible:
        headings = "; ".join(rows.label(place) for place in range(min(rows.table.dialect.n_columns, 12)))
        are_sensors = any(unit is not None and unit.quantity in SENSOR_QUANTITIES for unit in rows.units)
        how = "sensors_alone" if are_sensors and not clues.times else "nothing_fits"
        return Reading(question=say(f"evidence.question.{how}", found=headings))
    medians = ((rows.label(place), clues.usual(place)) for place in list(possible)[:8])
    shown = ", ".join(say("evidence.question.median", label=label, usual=usual) for label, usual in medians)
    question = say("evidence.question.several", n=len(possible), shown=shown)
    first, units = next(iter(possible.items()))
    return Reading("column", first, None, units[0], question=question)


def is_average(rows: LogRows, place: int) -> bool:
    """Return whether a heading speaks of what is no value of a moment, such as a mean; min as a unit is minutes."""
    unit = rows.units[place]
    words = words_of(without_brackets(rows.name(place))) - words_of(unit.written if unit else "")
    return bool(words & NOT_A_READING)


def _by_size(clues: Clues, place: int, *, is_named: bool) -> Reading:
    """Return what the size of a column's values tells where nothing else does."""
    rows, units = clues.rows, clues.units_of(place)
    known = clues.values[place][clues.values[place] > 0]
    median = float(np.median(known))
    options = [(Reading("column", place, None, unit), float(known.sum()) * unit) for unit in units]
    may_be_rates = _RATES[0] < median < _RATES[1]
    options += [(Reading("rates", place), float((1e3 / known).sum()))] if may_be_rates else []
    if found := clues.witnessed(*options):
        return found
    is_fast = bool(units) and (units[0] == 1e3 or median < _SURELY_MS)
    if is_fast and (rows.steps[place] < 1 or is_named):
        why = (say("evidence.frames.alone_possible"),)
        return _without_time(clues, place, units[0], why)
    fits = ((1e3 / median / unit, unit_name(unit)) for unit in units)
    readings = [say("evidence.question.fps_as_time", fps=fps, unit=unit) for fps, unit in fits]
    readings += [say("evidence.question.fps_as_rates", fps=median)] if may_be_rates else []
    said = say("list.or").join(readings) or say("evidence.question.neither")
    question = say("evidence.question.time_or_rate", label=rows.label(place), usual=median, readings=said)
    return Reading("column", place, None, units[0] if units else 1.0, question=question)
