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
from gpubench_kit.logs.sources import kinds_asked
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.words import COUNT, FRAMES, QUANTITY, SAMPLED, without_brackets, words_of
from gpubench_kit.wording.catalogue import say

#: Most frames that a row may be said to hold.
_MOST_A_ROW = 1000


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
    words = words_of(label)
    if come_evenly(values) and not words & QUANTITY["frame"]:
        return reading.at_most(Certainty.LIKELY, say("evidence.frames.come_evenly")), ()
    if words & SAMPLED and not words & QUANTITY["frame"] and place is not None:
        return reading.at_most(Certainty.LIKELY, say("evidence.frames.sampled_word")), ()
    asked = [one for one in told if one.check == "frames_of_two_kinds"]
    if kinds_known or not (asked or take_turns(values)):
        return reading, ()
    low, high = (float(one) for one in np.nanquantile(values, (0.25, 0.75)))
    on_rows = (
        () if asked else (kinds_asked(rows.table, label, say("evidence.frames.about_two", low=low, high=high)),)
    )
    return reading.at_most(Certainty.LIKELY, say("evidence.frames.kinds_not_said")), on_rows


def _are_several(heading: str, values: np.ndarray) -> bool:
    """Return whether a column tells a number of frames above one for each row, and does not number the rows."""
    if not names_number_of_frames(heading):
        return False
    known = values[np.isfinite(values)]
    if known.size < 2 or not 2 <= np.median(known) <= _MOST_A_ROW or (known != np.rint(known)).any():
        return False
    return bool((np.diff(known) == 1).mean() < 0.5) and not rises(values)
