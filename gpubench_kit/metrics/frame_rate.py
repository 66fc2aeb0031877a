"""Average frame rate and the lows: frame times of one run to one number.

All functions take frame times in milliseconds and give frames per second.
"""

from __future__ import annotations

import numpy as np

#: The three definitions of a low, in words; reports print the one that was used.
LOW_DEFINITIONS: dict[str, str] = {
    "quantile": "1000 / the {share} quantile of the frame times (linear interpolation)",
    "slowest_frames": "1000 / mean of the slowest {part} of the frames (their number rounded up)",
    "time_share": "1000 / the frame time from which on frames make up at least {part} of the run's time",
}

#: Frames below which the slowest thousandth is too few frames to speak of.
FRAMES_NEEDED_FOR_0P1PCT = 5000


def average_fps(frame_ms: np.ndarray) -> float:
    """Return frames divided by the time they took.

    Parameters
    ----------
    frame_ms : array of shape (n,), frame times [ms]

    Returns
    -------
    float, frames per second; nan without frames. It is never the mean of instantaneous rates.
    """
    total_ms = float(frame_ms.sum())
    return 1000.0 * frame_ms.size / total_ms if total_ms > 0 else float("nan")


def low_fps(frame_ms: np.ndarray, *, definition: str = "quantile", one_in: int = 100) -> float:
    """Return the frame rate of the slowest part of a run.

    Parameters
    ----------
    frame_ms : array of shape (n,), frame times [ms]
    definition : ``quantile``, ``slowest_frames`` or ``time_share``
    one_in : 100 for the 1 % low, 1000 for the 0.1 % low

    Returns
    -------
    float, frames per second; nan without frames

    Raises
    ------
    KeyError : the definition is none of the three

    Notes
    -----
    With q the (1 - 1/one_in) quantile by linear interpolation at 1 + (n - 1) p, ``quantile`` is 1000 / q;
    ``slowest_frames`` is 1000 / mean of the ceil(n / one_in) slowest frames; ``time_share`` is 1000 / the
    largest t such that frames of at least t ms make up 1 / one_in of the summed frame times. All three need
    the slowest ceil(n / one_in) frames only, as a slow frame takes more than its share of the time.

    References
    ----------
    Hyndman and Fan (1996), Sample quantiles in statistical packages, doi:10.1080/00031305.1996.10473566
    (the quantile is their type 7).
    """
    formula = _FORMULAS[definition]
    if frame_ms.size == 0:
        return float("nan")
    return 1000.0 / formula(_slow_tail(frame_ms, one_in), frame_ms, one_in)


def both_lows_fps(
    frame_ms: np.ndarray, *, definition: str = "quantile", slowest_ms: np.ndarray | None = None
) -> tuple[float, float]:
    """Return the 1 % low and the 0.1 % low of a run, as `low_fps` gives them one by one.

    Parameters
    ----------
    frame_ms : array of shape (n,), frame times [ms]
    definition : ``quantile``, ``slowest_frames`` or ``time_share``
    slowest_ms : the slowest ceil(n / 100) + 1 frames in rising order, where they are known
    """
    formula = _FORMULAS[definition]
    if frame_ms.size == 0:
        return float("nan"), float("nan")
    tail = _slow_tail(frame_ms, 100) if slowest_ms is None else slowest_ms
    return 1000.0 / formula(tail, frame_ms, 100), 1000.0 / formula(tail, frame_ms, 1000)


def low_definition_text(definition: str, one_in: int) -> str:
    """Return the definition of a low in words, with its share filled in."""
    share, part = {100: ("99 %", "1 %"), 1000: ("99.9 %", "0.1 %")}[one_in]
    return LOW_DEFINITIONS[definition].format(share=share, part=part)


def _slow_tail(frame_ms: np.ndarray, one_in: int) -> np.ndarray:
    """Return the slowest frames in rising order, one more than the share asks for."""
    n_tail = min(frame_ms.size, -(-frame_ms.size // one_in) + 1)
    first = frame_ms.size - n_tail
    return np.sort(np.partition(frame_ms, first)[first:])


def _quantile_ms(tail: np.ndarray, frame_ms: np.ndarray, one_in: int) -> float:
    """Return the quantile, calculated in whole numbers so that no rounding can shift its rank."""
    rank, remainder = divmod((frame_ms.size - 1) * (one_in - 1), one_in)
    place = rank - (frame_ms.size - tail.size)
    if remainder == 0:
        return float(tail[place])
    return float(tail[place] + (tail[place + 1] - tail[place]) * (remainder / one_in))


def _slowest_mean_ms(tail: np.ndarray, frame_ms: np.ndarray, one_in: int) -> float:
    """Return the mean of the slowest frames."""
    n_slow = -(-frame_ms.size // one_in)
    return float(tail[-n_slow:].mean())


def _time_share_ms(tail: np.ndarray, frame_ms: np.ndarray, one_in: int) -> float:
    """Return the frame time from which on frames make up the share of the time."""
    slowest_first = tail[::-1]
    # Sums in another order differ in the last bits: a share met exactly must count as met.
    enough = float(frame_ms.sum()) * (1 - 1e-12)
    place = int(np.searchsorted(np.cumsum(slowest_first) * one_in, enough))
    return float(slowest_first[min(place, slowest_first.size - 1)])


_FORMULAS = {"quantile": _quantile_ms, "slowest_frames": _slowest_mean_ms, "time_share": _time_share_ms}
