"""What the rows of a frame log still say against a reading that their columns prove: which rows are frames.

That a column agrees with the time beside it proves how long each row took, and not that a row is one frame that the
card rendered.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from gpubench_kit.logs.cells import number, split_line
from gpubench_kit.logs.clock import clock_of_sample, rises
from gpubench_kit.logs.damage import doubt_of_rows, take_turns
from gpubench_kit.logs.format import Certainty, LogFormat
from gpubench_kit.logs.frame_evidence import CLOCK, Clues, Reading, pair_of
from gpubench_kit.logs.log_table import LogTable
from gpubench_kit.logs.lone_evidence import SENSOR_QUANTITIES, rates_deny, says_pace
from gpubench_kit.logs.sources import kinds_asked
from gpubench_kit.model.tables import Finding
from gpubench_kit.model.words import (
    COUNT,
    FRAMES,
    GENERATED,
    QUANTITY,
    STEPS,
    speaks_of_frames,
    unit_stated,
    unknown_of_frames,
    without_brackets,
    words_of,
)
from gpubench_kit.wording.catalogue import say

#: Most frames that a row can be said to hold.
_MOST_A_ROW = 1000

#: Words beside those for frames in the heading of their number.
_NUMBERED = frozenset({"no", "nr", "id", "index"}) | COUNT
_DRAWN = frozenset({"drawn", "shown", "displayed", "presented", "rendered"})

#: Beginnings of words for frames that are made from others, and words for what is not in use.
_MADE = GENERATED - _DRAWN - {"ai"} | {"generation", "interpolation"}
_OFF = frozenset({"off", "no", "none", "not", "false", "disabled", "aus", "nein", "ohne", "non", "sans", "sin"})

#: A number of frames goes up by another step than one in more than this share of rows where some are left out, or
#: where a frame has several rows.
_SKIPS = 0.001

#: Rows are lost where a time, written finer than this share of the usual frame, goes on by this share of it more
#: than its row took; so few of them may be noise, unless they are this share of the time.
_FINE, _LOST, _FEW_LOST, _PAUSE_MS, _LOST_TIME = 0.25, 0.5, 2, 1000.0, 0.003

#: What goes up by so much a row, not as evenly as a clock does (in counts), may be a number of frames whatever its
#: heading says.
_MOST_STEPS, _LEAST_STEPS, _AS_A_CLOCK = 8.0, 0.25, 0.5

#: Steps this many times the usual one are pauses; more than this share of the time in them is doubted. Steps that
#: go over several rows are this many times a short one, in more than this share of rows.
_PAUSES, _IN_PAUSES, _OVER_SEVERAL, _MANY = 20.0, 0.1, 2.5, 0.1

#: Times of one run span the same within this share.
_SAME_PACE = 0.02

#: Sensors that are new in this share of rows, at least so far apart [ms], may be what the rows are samples of.
_NEW_SHARE, _SENSORS_MS = 0.95, 10.0


def names_number_of_frames(heading: str) -> bool:
    """Return whether a heading speaks of a number of frames, and of nothing else.

    Parameters
    ----------
    heading : as written
    """
    words = words_of(without_brackets(heading))
    is_plain = words <= QUANTITY["frame"] | FRAMES | COUNT | STEPS | GENERATED | _DRAWN
    return is_plain and bool(words & FRAMES or (words & COUNT and words & QUANTITY["frame"]))


def doubts_told(
    clues: Clues, reading: Reading, told: tuple[Finding, ...], *, kinds_known: bool, rows_chosen: bool
) -> tuple[Reading, tuple[Finding, ...]]:
    """Return a reading, less sure where its rows may be no frames, and the question whether they are of two kinds.

    Parameters
    ----------
    clues : the log
    reading : what its frame times are taken for, by the log alone
    told : findings so far; one of them may ask of which kind frames are
    kinds_known : whether the plan says which frames count, or that generated ones stand in the log
    rows_chosen : whether the rows are those that the plan counts
    """
    place, time = reading.place, reading.time
    if reading.certainty < Certainty.STATED or reading.take == "rates":
        return reading, ()
    if question := _several_a_row(clues, place):
        return reading.at_most(Certainty.OPEN, question=question), ()
    values, label = (np.array([]), "") if time is None else (time.steps, time.label)
    if place is not None:
        values, label = clues.values[place], clues.rows.label(place)
    asked = [one for one in told if one.check == "frames_of_two_kinds"]
    if not kinds_known and (asked or take_turns(values)):
        low, high = (float(one) for one in np.nanquantile(values, (0.25, 0.75)))
        shown = say("evidence.frames.about_two", low=low, high=high)
        on_rows = () if asked else (kinds_asked(clues.rows.table, label, shown),)
        return reading.at_most(Certainty.LIKELY, say("evidence.frames.kinds_not_said")), on_rows
    if not kinds_known and (line := _says_generated(clues.above)):
        return reading.at_most(Certainty.LIKELY, say("evidence.frames.generated_said", line=line)), ()
    if why := denial(clues, reading):
        return replace(reading, is_denied=True).at_most(Certainty.LIKELY, why), ()
    why = next(_doubts(clues, reading, values, rows_known=kinds_known or rows_chosen, kinds_known=kinds_known), "")
    return (reading.at_most(Certainty.LIKELY, why) if why else reading), ()


def _says_generated(above: str) -> str:
    """Return the line above the heading that says that frames are generated; empty for none."""
    for line in above.splitlines():
        words = words_of(line)
        are_frames = words & (QUANTITY["frame"] | FRAMES)
        is_told = are_frames and any(word.startswith(one) for word in words for one in _MADE)
        if is_told and not (words & _OFF or re.search(r"\b0\b", line)):
            return line.strip()[:60]
    return ""


def _doubts(
    clues: Clues, reading: Reading, values: np.ndarray, *, rows_known: bool, kinds_known: bool
) -> Iterator[str]:
    """Yield what speaks against rows that are one whole frame each, the cheapest first."""
    place = reading.place if reading.place is not None else reading.time.place if reading.time else CLOCK
    heading = clues.rows.name(place) if place != CLOCK else ""
    rows, column, time = clues.rows, reading.place, reading.time
    strange = (
        unknown_of_frames(rows.name(column), rows.units[column], is_moment=False) if column is not None else []
    )
    if time is not None and time.place != CLOCK:
        strange = [*strange, *unknown_of_frames(rows.name(time.place), rows.units[time.place], is_moment=True)]
    if strange:
        yield say("evidence.frames.strange", words=" ".join(strange))
    shape = doubt_of_rows(values, heading)
    # Frames that are made from others keep close to them.
    if shape and not (shape == "in_groups" and kinds_known):
        yield say(f"evidence.frames.{shape}")
    if column is None and time is not None and (why := _doubt_of_steps(values)):
        yield say(f"evidence.frames.{why}", label=time.label)
    if label := _frames_beside(clues, reading):
        yield say("evidence.frames.frames_beside", label=label)
    if label := _sums_another(clues, reading):
        yield say("evidence.frames.sum_of", label=label)
    if not rows_known and (label := _numbers_skip(clues, reading)):
        yield say("evidence.frames.numbers_skip", label=label)
    # Sensors are read slower than frames come: values stand still over several rows.
    is_slow = not clues.rates and float(np.nanmedian(values)) * reading.factor >= _SENSORS_MS
    if is_slow and not speaks_of_frames(heading):
        units = ((numbers, rows.units[one]) for one, numbers in rows.numbers.items())
        sensors = [one for one, unit in units if unit is not None and unit.quantity in SENSOR_QUANTITIES]
        if any(one.size > 1 and (np.diff(one) != 0).mean() >= _NEW_SHARE for one in sensors):
            yield say("evidence.frames.sensors_new")


def _doubt_of_steps(steps: np.ndarray) -> str:
    """Return what steps alone say against being frames: a key of ``evidence.frames``; empty for nothing."""
    usual, short = (float(one) for one in np.quantile(steps, (0.5, 0.2)))
    if steps[steps > _PAUSES * usual].sum() > _IN_PAUSES * steps.sum():
        return "long_steps"
    # Where rows were left out at random, steps over several come in no order; slow frames stand together.
    is_long = steps > _OVER_SEVERAL * short
    follows = (is_long[1:] & is_long[:-1]).mean() if steps.size > 1 else 0.0
    return "rows_lost" if is_long.mean() > _MANY and follows < 1.5 * is_long.mean() ** 2 else ""


def _several_a_row(clues: Clues, taken: int | None) -> str:
    """Return the question whether rows hold several frames, as a number of frames beside them says; else empty."""
    rows = clues.rows
    for place, values in rows.numbers.items():
        if place == taken or rows.units[place] is not None:
            continue
        if names_number_of_frames(rows.name(place)) and _are_numbers_of_frames(values):
            n_frames = np.nanmedian(values) + bool(words_of(rows.name(place)) & GENERATED - _DRAWN)
        elif _numbers_frames(rows.name(place)) and _share_of_skips(values, rows.steps[place]) > _SKIPS:
            n_frames = np.median(np.diff(values))
        else:
            continue
        if n_frames >= 2:
            return say("evidence.question.several_a_row", label=rows.label(place), n=float(n_frames))
    return ""


def _numbers_frames(heading: str) -> bool:
    """Return whether a heading speaks of frames, and of nothing else but their number."""
    words = words_of(without_brackets(heading))
    is_plain = words <= QUANTITY["frame"] | FRAMES | _NUMBERED
    return is_plain and bool(words & (QUANTITY["frame"] | FRAMES))


def _share_of_skips(values: np.ndarray, step: float) -> float:
    """Return the share of rows in which whole numbers that go up do so by another step than one; else 0."""
    steps = np.diff(values)
    if step < 1 or not np.isfinite(steps).all() or not rises(values):
        return 0.0
    return float(((steps == 0) | (steps > 1)).mean()) if np.median(steps) <= _MOST_A_ROW else 0.0


def _numbers_skip(clues: Clues, reading: Reading) -> str:
    """Return what to call a number that frames left out, or frames of several rows, show in; empty for none."""
    rows, time = clues.rows, reading.time
    own = {reading.place, time.place if time else None}
    for place, values in rows.numbers.items():
        if place in own or rows.units[place] is not None:
            continue
        if _share_of_skips(values, rows.steps[place]) <= _SKIPS:
            continue
        if _numbers_frames(rows.name(place)) or _NUMBERED >= words_of(rows.name(place)) != frozenset():
            return rows.label(place)
        steps = np.diff(values)
        if time is None or not _LEAST_STEPS <= steps.mean() <= _MOST_STEPS or (steps == steps[0]).all():
            continue
        off = values - np.polyval(np.polyfit(time.values - time.values[0], values, 1), time.values - time.values[0])
        if off.std() > _AS_A_CLOCK:
            return rows.label(place)
    return ""


def denial(clues: Clues, reading: Reading) -> str:
    """Return how the times and rates of one log deny frame times, whatever was confirmed of its format.

    Parameters
    ----------
    clues : the log
    reading : what its frame times are taken for

    Returns
    -------
    str, empty where none does
    """
    if label := _other_pace(clues, reading):
        return say("evidence.frames.other_pace", label=label)
    label = _time_of_lost_rows(clues, reading)
    return say("evidence.frames.rows_lost", label=label) if label else ""


def _other_pace(clues: Clues, reading: Reading) -> str:
    """Return what to call a time or rate of another length than the time that frames agree with; else empty."""
    own = reading.time
    if own is None:
        return ""
    span_ms = own.span * reading.time_factor
    for time in clues.times:
        unit_ms = 1e3 if time.place == CLOCK else time.unit_ms
        slack_ms = _SAME_PACE * span_ms + 2 * (time.step * unit_ms if unit_ms else 0.0)
        if unit_ms and time.place != own.place and abs(time.span * unit_ms - span_ms) > slack_ms:
            return time.label
    return rates_deny(clues, span_ms / own.steps.size)


def _frames_beside(clues: Clues, reading: Reading) -> str:
    """Return what to call another column that may as well be the frames: by its heading, or of another card.

    It is one that speaks of frames where the heading of the frames does not, or one whose heading differs by a
    number or a letter alone.
    """
    place, rows = reading.place, clues.rows
    if place is None:
        return ""
    own, values = _without_marks(rows.name(place)), clues.values[place]
    for one in (one for one in clues.plain if one != place):
        is_alike = own != "" and own == _without_marks(rows.name(one))
        if is_alike and not np.array_equal(clues.values[one], values):
            return rows.label(one)
        is_named = clues.is_frame_word(one) and rows.unit_ms(one)
        # A second time that agrees with a second column is that of another card, program or run.
        is_timed = any(pair_of(clues, time, one) for time in clues.times if time is not reading.time)
        if not clues.is_frame_word(place) and (is_named or is_timed):
            return rows.label(one)
    return ""


def _without_marks(heading: str) -> str:
    """Return a heading without numbers and single letters, which tell columns of one kind apart."""
    return re.sub(r"\d+|\b[^\W\d_]\b", "", heading.replace("_", " ")).strip()


def _sums_another(clues: Clues, reading: Reading) -> str:
    """Return what to call a column of something else whose sum a time is that frame times are taken from."""
    rows, time = clues.rows, reading.time
    if reading.place is not None or time is None:
        return ""
    timed = {one.place for one in clues.times}
    for place, values in rows.numbers.items():
        is_other = place not in timed and place not in clues.rates and np.nanmedian(values) > 0
        if is_other and pair_of(replace(clues, values={place: values}), time, place):
            return rows.label(place)
    return ""


def _time_of_lost_rows(clues: Clues, reading: Reading) -> str:
    """Return what to call a time that goes on by more than rows took, as where rows are lost; empty for none."""
    rows, place, time = clues.rows, reading.place, reading.time
    if time is None or reading.take == "rates":
        return ""
    steps_ms = time.steps * reading.time_factor
    usual = float(np.median(steps_ms))
    if place is not None:
        told = [rows.numbers[place] * reading.factor]
    else:
        with np.errstate(divide="ignore", invalid="ignore"):
            told = [1e3 / clues.values[one] for one in clues.rates]
    if time.step * reading.time_factor > _FINE * usual:
        return ""
    # A cell that is farther from the usual frame than the step is wrong itself, and a long step is a pause.
    is_long = (steps_ms > (1 + _LOST) * usual) & (steps_ms <= _PAUSE_MS)
    for row_ms in told:
        off_ms = [
            np.where(is_long & (np.abs(side - usual) < steps_ms - usual), steps_ms - side, 0.0)
            for side in (row_ms[1:], row_ms[:-1])
        ]
        lost_ms = min((one[one > _LOST * usual] for one in off_ms), key=np.size)
        n_most = max(_FEW_LOST, _SKIPS * steps_ms.size)
        if lost_ms.size > n_most or lost_ms.sum() > _LOST_TIME * steps_ms.sum():
            return time.label
    return ""


def needs_all_columns(table: LogTable, log_format: LogFormat) -> bool:
    """Return whether columns beside time and frame time tell what the rows are, of each log anew.

    Parameters
    ----------
    table : the log
    log_format : how it is read; with a column of frame times
    """
    own = log_format.frame_time.column if log_format.frame_time else -1
    names = table.dialect.names
    units = list(map(unit_stated, names, table.dialect.units))
    for place, (heading, unit) in enumerate(zip(names, units, strict=True)):
        is_told = speaks_of_frames(heading) or bool(words_of(heading) & FRAMES) or says_pace(heading, unit)
        if is_told and place not in (own, *log_format.numbers, *log_format.rates):
            return True
    has_sensors = any(unit is not None and unit.quantity in SENSOR_QUANTITIES for unit in units)
    return has_sensors and not speaks_of_frames(names[own])


def ends_agree(table: LogTable, log_format: LogFormat, *, span_ms: float, n_rows: int) -> bool:
    """Return whether first and last row say of other columns what was true of them in other logs of the format.

    Parameters
    ----------
    table : the log
    log_format : which columns number the rows, and which other times span as long as the frames
    span_ms : length of the frames [ms]
    n_rows : its rows
    """
    start, last = table.dialect.first_row, table.text.rstrip().rfind(b"\n") + 1
    lines = (table.text[start : table.text.find(b"\n", start)], table.text[last:].rstrip())
    rows = [split_line(line.decode("utf-8", "replace").rstrip("\r"), table.dialect.separator) for line in lines]
    if any(len(row) != table.dialect.n_columns for row in rows):
        return False
    marks = table.dialect.decimal, table.dialect.thousands

    def span_of(place: int) -> float:
        first, end = (number(row[place], *marks) for row in rows)
        return np.nan if first is None or end is None else end - first

    slack_ms = _SAME_PACE * span_ms + span_ms / max(n_rows - 1, 1)
    clock = clock_of_sample(replace(table, sample=rows), log_format.clock) if log_format.clock else None
    if log_format.clock and (
        clock is None or abs(clock.time_s[-1] * 1e3 - span_ms) > slack_ms + 2e3 * clock.step_s
    ):
        return False
    is_as_long = all(abs(span_of(place) * unit_ms - span_ms) <= slack_ms for place, unit_ms in log_format.times)
    return is_as_long and all(span_of(place) == n_rows - 1 for place in log_format.numbers)


def _are_numbers_of_frames(values: np.ndarray) -> bool:
    """Return whether a column may tell a number of frames for each row, and does not number the rows."""
    known = values[np.isfinite(values)]
    if known.size < 2 or not 1 <= np.median(known) <= _MOST_A_ROW or (known != np.rint(known)).any():
        return False
    return bool((np.diff(known) == 1).mean() < 0.5) and not rises(values)
