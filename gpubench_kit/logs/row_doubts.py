"""What the rows of a frame log still say against a reading that their columns prove: which rows are frames.

That a column agrees with the time beside it proves how long each row took, and not that a row is one frame that the
card rendered.
"""

from __future__ import annotations

import numpy as np

from gpubench_kit.logs.cells import split_line
from gpubench_kit.logs.clock import rises
from gpubench_kit.logs.format import Certainty
from gpubench_kit.logs.frame_evidence import CLOCK, Clues, Reading
from gpubench_kit.logs.frame_timing import are_clipped, are_too_short, come_evenly, take_turns
from gpubench_kit.logs.log_table import LogRows, LogTable
from gpubench_kit.logs.lone_evidence import SENSOR_QUANTITIES
from gpubench_kit.logs.sources import kinds_asked
from gpubench_kit.model.tables import Finding
from gpubench_kit.model.words import (
    COUNT,
    COUNTED_TIME,
    FRAMES,
    NOT_A_READING,
    PIECES,
    QUANTITY,
    SAMPLED,
    unit_stated,
    without_brackets,
    words_of,
)
from gpubench_kit.wording.catalogue import say

#: Most frames that a row may be said to hold.
_MOST_A_ROW = 1000

#: Words beside those for frames in the heading of their number.
_NUMBERED = frozenset({"no", "nr", "id", "index"})

#: A number of frames goes up by another step than one in more than this share of rows where some are left out, or
#: where a frame has several rows.
_SKIPS = 0.02

#: What goes up by so much a row, not as evenly as a clock does (in counts), may be a number of frames whatever its
#: heading says.
_MOST_STEPS, _LEAST_STEPS, _AS_A_CLOCK = 8.0, 0.25, 0.5

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
    is_plain = words <= QUANTITY["frame"] | FRAMES | COUNT
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
    if skipping := "" if kinds_known or rows_chosen else _numbers_skip(clues, reading):
        return reading.at_most(Certainty.LIKELY, say("evidence.frames.numbers_skip", label=skipping)), ()
    values, label = (np.array([]), "") if time is None else (time.steps, time.label)
    if place is not None:
        values, label = clues.values[place], clues.rows.label(place)
    if why := _no_single_frames(clues, reading, values):
        return reading.at_most(Certainty.LIKELY, why), ()
    if not words_of(label) & QUANTITY["frame"]:
        as_samples = _as_samples(clues, values * reading.factor, label, is_column=place is not None)
        if as_samples:
            return reading.at_most(Certainty.LIKELY, say(f"evidence.frames.{as_samples}")), ()
    asked = [one for one in told if one.check == "frames_of_two_kinds"]
    if kinds_known or not (asked or take_turns(values)):
        return reading, ()
    low, high = (float(one) for one in np.nanquantile(values, (0.25, 0.75)))
    on_rows = (
        ()
        if asked
        else (kinds_asked(clues.rows.table, label, say("evidence.frames.about_two", low=low, high=high)),)
    )
    return reading.at_most(Certainty.LIKELY, say("evidence.frames.kinds_not_said")), on_rows


def _no_single_frames(clues: Clues, reading: Reading, values: np.ndarray) -> str:
    """Return what speaks against rows that are one whole frame each, whatever their heading; empty for nothing."""
    place = reading.place
    if are_too_short(values):
        return say("evidence.frames.too_short")
    if are_clipped(values):
        return say("evidence.frames.clipped")
    if place is not None and words_of(without_brackets(clues.rows.name(place))) & NOT_A_READING:
        return say("evidence.frames.no_moment")
    if other := _other_pace(clues, reading):
        return say("evidence.frames.other_pace", label=other)
    other = _frames_beside(clues, reading)
    return say("evidence.frames.frames_beside", label=other) if other else ""


def _as_samples(clues: Clues, row_ms: np.ndarray, label: str, *, is_column: bool) -> str:
    """Return what speaks for samples or pieces of frames, where no word speaks of frames; empty for nothing."""
    if come_evenly(row_ms):
        return "come_evenly"
    words = words_of(label)
    if words & PIECES:
        return "piece_word"
    # A time alone may be told in ticks.
    sampled = SAMPLED if is_column else SAMPLED - COUNTED_TIME
    if any(word.startswith(one) for word in words for one in sampled):
        return "sampled_word"
    # Sensors are read slower than frames come: values stand still over several rows.
    is_slow = not clues.rates and float(np.nanmedian(row_ms)) >= _SENSORS_MS
    return "sensors_new" if is_slow and any(map(_is_new_in_each_row, _sensor_values(clues.rows))) else ""


def _several_a_row(clues: Clues, taken: int | None) -> str:
    """Return the question whether rows hold several frames, as a number of frames beside them says; else empty."""
    rows = clues.rows
    for place, values in rows.numbers.items():
        if place == taken or rows.units[place] is not None:
            continue
        if _are_several(rows.name(place), values):
            n_frames = np.nanmedian(values)
        elif _numbers_frames(rows.name(place)) and _share_of_skips(values, rows.steps[place]) > _SKIPS:
            n_frames = np.median(np.diff(values))
        else:
            continue
        if n_frames >= 2:
            return f"{rows.label(place)} says {n_frames:g} a row: several frames, and no single one?"
    return ""


def _numbers_frames(heading: str) -> bool:
    """Return whether a heading speaks of frames, and of nothing else but their number."""
    words = words_of(without_brackets(heading))
    is_plain = words <= QUANTITY["frame"] | FRAMES | COUNT | _NUMBERED
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
        if place in own or rows.units[place] is not None or _share_of_skips(values, rows.steps[place]) <= _SKIPS:
            continue
        if _numbers_frames(rows.name(place)):
            return rows.label(place)
        steps = np.diff(values)
        if time is None or not _LEAST_STEPS <= steps.mean() <= _MOST_STEPS or (steps == steps[0]).all():
            continue
        off = values - np.polyval(np.polyfit(time.values - time.values[0], values, 1), time.values - time.values[0])
        if off.std() > _AS_A_CLOCK:
            return rows.label(place)
    return ""


def _other_pace(clues: Clues, reading: Reading) -> str:
    """Return what to call a time that spans another length than the one that frame times agree with; else empty."""
    own = reading.time
    if own is None:
        return ""
    span_ms = own.span * reading.time_factor
    for time in clues.times:
        unit_ms = 1e3 if time.place == CLOCK else time.unit_ms
        slack_ms = _SAME_PACE * span_ms + 2 * (time.step * unit_ms if unit_ms else 0.0)
        if unit_ms and time.place != own.place and abs(time.span * unit_ms - span_ms) > slack_ms:
            return time.label
    return ""


def _frames_beside(clues: Clues, reading: Reading) -> str:
    """Return what to call a column that speaks of frames where the time agrees with another one; else empty."""
    place, rows = reading.place, clues.rows
    if place is None or clues.is_frame_word(place):
        return ""
    others = [one for one in clues.plain if one != place and clues.is_frame_word(one) and rows.unit_ms(one)]
    return rows.label(others[0]) if others else ""


def needs_all_columns(table: LogTable, label: str) -> bool:
    """Return whether columns beside time and frame time tell what the rows are, of each log anew.

    Parameters
    ----------
    table : the log
    label : what the column is called that holds frame times
    """
    if any(map(names_number_of_frames, table.dialect.names)):
        return True
    units = map(unit_stated, table.dialect.names, table.dialect.units)
    has_sensors = any(unit is not None and unit.quantity in SENSOR_QUANTITIES for unit in units)
    return has_sensors and not words_of(label) & QUANTITY["frame"]


def still_number(table: LogTable, places: tuple[int, ...], n_rows: int) -> bool:
    """Return whether columns that numbered the rows of other logs go up by one a row in this one as well.

    Parameters
    ----------
    table : the log
    places : the columns
    n_rows : its rows
    """
    start, last = table.dialect.first_row, table.text.rstrip().rfind(b"\n") + 1
    lines = (table.text[start : table.text.find(b"\n", start)], table.text[last:].rstrip())
    rows = [split_line(line.decode("utf-8", "replace").rstrip("\r"), table.dialect.separator) for line in lines]
    if any(len(row) != table.dialect.n_columns for row in rows):
        return False
    pairs = [(rows[0][place].strip(), rows[1][place].strip()) for place in places]
    return all(a.isdecimal() and b.isdecimal() and int(b) - int(a) == n_rows - 1 for a, b in pairs)


def _sensor_values(rows: LogRows) -> list[np.ndarray]:
    """Return the columns of numbers that state the unit of a sensor."""
    units = ((values, rows.units[place]) for place, values in rows.numbers.items())
    return [values for values, unit in units if unit is not None and unit.quantity in SENSOR_QUANTITIES]


def _is_new_in_each_row(values: np.ndarray) -> bool:
    """Return whether a sensor has another value in nearly each row."""
    return values.size > 1 and bool((np.diff(values) != 0).mean() >= _NEW_SHARE)


def _are_several(heading: str, values: np.ndarray) -> bool:
    """Return whether a column tells a number of frames above one for each row, and does not number the rows."""
    if not names_number_of_frames(heading):
        return False
    known = values[np.isfinite(values)]
    if known.size < 2 or not 2 <= np.median(known) <= _MOST_A_ROW or (known != np.rint(known)).any():
        return False
    return bool((np.diff(known) == 1).mean() < 0.5) and not rises(values)
