"""Logs whose rows are samples of a rate or of a frame time, not frames: refused, never counted."""

from __future__ import annotations

import numpy as np

from gpubench_kit.logs.clock import counts_rows
from gpubench_kit.logs.clues import SAMPLES_APART, Clues, Found, TimeColumn, is_plausible, rows_are_samples

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
