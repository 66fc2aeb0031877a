"""Logs whose rows are samples of a rate or of a frame time, not frames: refused, never counted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from gpubench_kit.logs.clues import Clues, Found, TimeColumn, is_plausible
from gpubench_kit.logs.damage import counts_rows
from gpubench_kit.logs.format import Certainty

#: Slower than this, rows may as well be samples [ms].
_SLOW_MS = 90.0

#: A row distance this many times the frame time is that of samples.
_SAMPLES_APART = 2.5

#: Rows further apart than this are samples where a frame time says less [ms].
_FAR_APART_MS = 150.0

#: Rows that come exactly evenly and this far apart are samples [ms].
_EVEN_MS = 50.0


def not_too_slow(clues: Clues, found: Found, median_ms: float) -> Found:
    """Return what was found, less sure where rows are as far apart as samples, or refused where rates deny them."""
    for place in clues.rates:
        rate = float(np.nanmedian(clues.values[place]))
        if rate > 0 and median_ms > _SAMPLES_APART * 1e3 / rate:
            what = f"{clues.rows.label(place)} says {1e3 / rate:.3g} ms a frame"
            return _sampled(f"{median_ms / 1e3:.3g} s", what)
    if median_ms <= _SLOW_MS:
        return found
    why = (*found.why, f"{1e3 / median_ms:.1f} rows a second could be samples")
    return replace(found, certainty=min(found.certainty, Certainty.LIKELY), why=why)


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
            return _sampled(apart, what)
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
        if (
            is_plausible(frame_ms)
            and (is_even or apart_ms > _FAR_APART_MS)
            and apart_ms > _SAMPLES_APART * frame_ms
        ):
            return _sampled(f"{apart_ms / 1e3:.3g} s", f"{clues.rows.label(place)} says {frame_ms:.3g} ms a frame")
    if not is_even or apart_ms < _EVEN_MS:
        return None
    return _sampled(f"{apart_ms / 1e3:.3g} s", "they come exactly evenly")


def _sampled(apart: str, what: str) -> Found:
    """Return that the rows of a log are samples."""
    question = f"rows are {apart} apart, and {what}: these are samples, not frames"
    return Found("", None, None, 1.0, Certainty.OPEN, (), question, is_sampled=True)
