"""What the rows of a frame log still say against a reading that their columns prove: which rows are frames.

That a column agrees with the time beside it proves how long each row took, and not that a row is one frame that the
card rendered.
"""

from __future__ import annotations

import numpy as np

from gpubench_kit.logs.clock import rises
from gpubench_kit.logs.format import Certainty
from gpubench_kit.logs.frame_evidence import Clues, Reading
from gpubench_kit.logs.frame_timing import come_evenly, take_turns
from gpubench_kit.logs.log_table import LogRows, LogTable
from gpubench_kit.logs.lone_evidence import SENSOR_QUANTITIES
from gpubench_kit.logs.sources import kinds_asked
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.words import COUNT, FRAMES, QUANTITY, SAMPLED, unit_stated, without_brackets, words_of
from gpubench_kit.wording.catalogue import say

#: Most frames that a row may be said to hold.
_MOST_A_ROW = 1000

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
    clues: Clues, reading: Reading, told: tuple[Finding, ...], *, kinds_known: bool
) -> tuple[Reading, tuple[Finding, ...]]:
    """Return a reading, less sure where its rows may be no frames, and the question whether they are of two kinds.

    Parameters
    ----------
    clues : the log
    reading : what its frame times are taken for, by the log alone
    told : findings so far; one of them may ask of which kind frames are
    kinds_known : whether the plan says which frames count, or that generated ones stand in the log
    """
    rows, place, time = clues.rows, reading.place, reading.time
    if reading.certainty < Certainty.STATED or reading.take == "rates":
        return reading, ()
    several = [
        one
        for one, values in rows.numbers.items()
        if one != place and rows.units[one] is None and _are_several(rows.name(one), values)
    ]
    if several:
        n_frames = np.nanmedian(rows.numbers[several[0]])
        question = f"{rows.label(several[0])} says {n_frames:g} a row: several frames, and no single one?"
        return reading.at_most(Certainty.OPEN, question=question), ()
    values, label = (np.array([]), "") if time is None else (time.steps, time.label)
    if place is not None:
        values, label = clues.values[place], rows.label(place)
    if not words_of(label) & QUANTITY["frame"]:
        as_samples = _as_samples(
            clues, values * reading.factor, words_of(label) if place is not None else frozenset()
        )
        if as_samples:
            return reading.at_most(Certainty.LIKELY, say(f"evidence.frames.{as_samples}")), ()
    asked = [one for one in told if one.check == "frames_of_two_kinds"]
    if kinds_known or not (asked or take_turns(values)):
        return reading, ()
    low, high = (float(one) for one in np.nanquantile(values, (0.25, 0.75)))
    on_rows = (
        () if asked else (kinds_asked(rows.table, label, say("evidence.frames.about_two", low=low, high=high)),)
    )
    return reading.at_most(Certainty.LIKELY, say("evidence.frames.kinds_not_said")), on_rows


def _as_samples(clues: Clues, row_ms: np.ndarray, words: frozenset[str]) -> str:
    """Return what speaks for samples, where no word speaks of frames; empty for nothing."""
    if come_evenly(row_ms):
        return "come_evenly"
    if words & SAMPLED:
        return "sampled_word"
    # Sensors are read slower than frames come: values stand still over several rows.
    is_slow = not clues.rates and float(np.nanmedian(row_ms)) >= _SENSORS_MS
    return "sensors_new" if is_slow and any(map(_is_new_in_each_row, _sensor_values(clues.rows))) else ""


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
