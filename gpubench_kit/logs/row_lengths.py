"""What the lengths of rows say against each being one whole frame, whatever stands beside them."""

from __future__ import annotations

import numpy as np

from gpubench_kit.model.words import speaks_of_frames

#: No frame takes less than this share of the usual one, but for a few; more such rows are of several sources.
_NEXT_TO_NOTHING, _TOO_SHORT = 0.1, 0.02
#: Rows that took exactly as long as the longest one: more of them, and a larger share, are cut to a limit.
_LEAST_CLIPPED, _CLIPPED = 5, 0.004
#: Groups are told from so many blocks of so many rows; slow changes are those over more rows than this, and what is
#: farther off than so many usual distances is taken as so far.
_LEAST_BLOCKS, _BLOCK, _SLOW, _FAR_OFF = 16, 24, 12, 3.0

#: In groups of so many rows what neighbours have in common differs by this share of the variance, and by so many
#: standard errors; drivers that prepare three frames ahead reach 0.35 and 5.8 in measured runs.
_OTHER_TIE, _SURE = {2: 0.25, 3: 0.5}, 5.0

#: An interval of a display is as long as short rows are; nearly all rows that wait for it are near a whole number.
_SHORT_ROWS, _NEAR_WHOLE, _ON_GRID = 0.1, 0.1, 0.95

#: Rows are even where this share of them takes this part more or less than the usual time.
_EVEN_SHARE, _EVEN_PART = 0.9, 0.03

#: Kinds of frames take turns where they come again after so many rows at most, in this share of rows, change in
#: this share of rows, and long ones are longer than short ones by this part of the mean.
LONGEST_TURN, _TURNS, _CHANGES, _TURN_PART = 4, 0.9, 0.45, 0.3


def come_evenly(frame_ms: np.ndarray) -> bool:
    """Return whether rows come as evenly as samples do.

    Parameters
    ----------
    frame_ms : array of shape (n,) [ms]
    """
    known = frame_ms[np.isfinite(frame_ms)]
    usual = float(np.median(known)) if known.size else 0.0
    return bool(known.size) and bool((np.abs(known - usual) <= _EVEN_PART * usual).mean() >= _EVEN_SHARE)


def take_turns(frame_ms: np.ndarray) -> bool:
    """Return whether long and short frames take turns, as rendered and generated ones do.

    Parameters
    ----------
    frame_ms : array of shape (n,) [ms]
    """
    known = frame_ms[np.isfinite(frame_ms)]
    mean = float(known.mean()) if known.size else 0.0
    is_long = known > mean
    # Frames of one kind lie near their mean, which is seen at once.
    if (np.abs(known - mean) < _TURN_PART / 3 * mean).mean() > _TURN_PART or not come_again(is_long):
        return False
    return bool(np.median(known[is_long]) - np.median(known[~is_long]) > _TURN_PART * mean)


def doubt_of_rows(row_ms: np.ndarray, heading: str) -> str:
    """Return what rows say against being one frame each: a key of ``evidence.frames``; empty for nothing.

    Parameters
    ----------
    row_ms : array of shape (n,), what the rows took, in any unit
    heading : of the column that they are from
    """
    known = row_ms[np.isfinite(row_ms)]
    usual = float(np.median(known)) if known.size else 0.0
    if known.size == 0 or usual <= 0:
        return ""
    if (known < _NEXT_TO_NOTHING * usual).mean() > _TOO_SHORT:
        return "too_short"
    n_longest = int((known == known.max()).sum())
    if n_longest > max(_LEAST_CLIPPED, _CLIPPED * known.size):
        others = known[known < known.max()]
        if np.unique(others).size > max(_LEAST_CLIPPED, others.size / 4):
            return "clipped"
    if _come_in_groups(known) and not _wait_for_display(known):
        return "in_groups"
    return "come_evenly" if not speaks_of_frames(heading) and come_evenly(known) else ""


def _come_in_groups(row_ms: np.ndarray) -> bool:
    """Return whether rows hang together in groups, as pieces of one frame do.

    What a row and the next one have in common is the same from every row on if each is a frame. Where pieces stand
    in a log it is more, or less, within a frame than from one frame to the next, and so in all blocks of a run.
    Slow changes are taken out first, and each half is tested too, as a lost row shifts the groups.
    """
    sums = np.concatenate(([0.0], np.cumsum(row_ms)))
    off = row_ms[_SLOW // 2 : 1 - _SLOW // 2] - (sums[_SLOW:] - sums[:-_SLOW]) / _SLOW
    if off.size < _LEAST_BLOCKS * _BLOCK:
        return False
    far = _FAR_OFF * float(np.median(np.abs(off[::4])))
    off = np.clip(off[: off.size // _BLOCK * _BLOCK], -far, far)
    for size, share in _OTHER_TIE.items():
        alone = off.copy()
        for place in range(size):
            alone[place::size] -= alone[place::size].mean()
        products = np.append(alone[:-1] * alone[1:], 0.0).reshape(-1, _BLOCK // size, size)
        ties = np.einsum("brp->bp", products) * (size / _BLOCK)
        least = share * float(alone @ alone) / alone.size
        for part in (ties, ties[: len(ties) // 2], ties[len(ties) // 2 :]):
            error = float(np.sqrt(2 * part.var(axis=0).mean() / len(part)))
            if len(part) >= _LEAST_BLOCKS and np.ptp(part.mean(axis=0)) > max(least, _SURE * error):
                return True
    return False


def _wait_for_display(row_ms: np.ndarray) -> bool:
    """Return whether rows take one, two or more intervals of a display, which may come in turn for a while."""
    intervals = row_ms / np.quantile(row_ms, _SHORT_ROWS)
    is_whole = np.abs(intervals - np.rint(intervals)) < _NEAR_WHOLE
    return bool(is_whole.mean() > _ON_GRID and (np.rint(intervals) > 1).mean() > 1 - _ON_GRID)


def come_again(cells: np.ndarray) -> bool:
    """Return whether values come again in the same order every few rows, and change from row to row.

    Parameters
    ----------
    cells : array of shape (n,)
    """
    if cells.size < 3 * LONGEST_TURN or (cells[1:] != cells[:-1]).mean() < _CHANGES:
        return False
    return any((cells[turn:] == cells[:-turn]).mean() >= _TURNS for turn in range(2, LONGEST_TURN + 1))
