"""Evenings of invented runs beside one sensor log whose clock is off, with the truth, and times of their files."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from gpubench_kit.logs.one_clock import ahead_by_files, find_one_clock

#: Pauses between runs [s]: odd ones, nearly even ones, and paced ones.
_PAUSES = ((20.0, 120.0), (28.0, 42.0), (20.0, 20.4), (40.0, 40.4))

#: What became of the files: as closed, copied, the sensor log saved again, closed late by a slow recorder.
FILES = ("kept", "copied", "saved again", "slow")


@dataclass(frozen=True)
class MadeClock:
    """An evening: what the search is given, and how far the clock truly is ahead at each run's start [s]."""

    files: str
    starts_s: np.ndarray
    lengths_s: np.ndarray
    time_s: np.ndarray
    load: np.ndarray
    by_files_s: float
    ahead_s: np.ndarray


def clocks(seed: int, n: int) -> Iterator[MadeClock]:
    """Yield evenings of 6 to 40 runs; some runs are not in the sheet, some logs begin late, some clocks drift.

    Parameters
    ----------
    seed : of all of it
    n : how many evenings
    """
    rng = np.random.default_rng(seed)
    for place in range(n):
        n_runs = int(rng.choice([6, 10, 20, 40]))
        lengths = 60 + rng.uniform(-0.4, 0.4, n_runs) if rng.random() < 0.7 else rng.uniform(40, 95, n_runs)
        starts = 50 + np.cumsum(np.r_[0.0, (lengths + rng.uniform(*_PAUSES[place % 4], n_runs))[:-1]])
        first = starts[n_runs // 3] if rng.random() < 0.15 else 0.0
        times = np.arange(first, starts[-1] + lengths[-1] + rng.choice([5, 40, 400]), rng.choice([0.5, 1.0, 2.0]))
        is_busy = ((times[:, None] >= starts) & (times[:, None] < starts + lengths)).any(axis=1)
        ahead, drift = rng.choice([0, 20, 37, 80, 300, 3600]) * rng.choice([-1.0, 1.0]), rng.choice([0, 0, 0, 2e-4])
        named = rng.random(n_runs) > rng.choice([0, 0, 0.2, 0.5])
        if rng.random() < 0.2:
            named = np.arange(n_runs) % 2 == 0 if rng.random() < 0.5 else np.arange(n_runs) >= 2
        seen, length = starts[named] + rng.uniform(-0.3, 0.3, named.sum()), lengths[named]
        clock = times * (1 + drift) + ahead
        files = FILES[rng.integers(len(FILES))]
        closed, of_sensors = (
            starts[named] + length + rng.uniform(0, 1.5, named.sum()),
            times[-1] + rng.uniform(0, 1.5),
        )
        if files == "copied":
            closed, of_sensors = np.full(closed.size, times[-1] + 5000.0), times[-1] + 5000.0
        if files == "saved again":
            of_sensors += rng.uniform(5, 7200 if rng.random() < 0.5 else 600)
        if files == "slow":
            closed, of_sensors = closed + rng.uniform(0, 6, closed.size), of_sensors + rng.uniform(0, 30)
        by_files = ahead_by_files(closed - seen - length, of_sensors - float(clock[-1]))
        load = np.where(is_busy, 97.0, 4.0) + rng.uniform(0, 3, times.size)
        yield MadeClock(files, seen, length, clock, load, by_files, ahead + drift * starts[named])


def outcome_of_clocks(made: Iterator[MadeClock], *, with_files: bool = True) -> dict[str, int]:
    """Return how many clocks were found right, refused, and found wrong: by more than 4 s at any run.

    Parameters
    ----------
    made : evenings
    with_files : whether the times of the files are told
    """
    found = {"right": 0, "refused": 0, "wrong": 0}
    for one in made:
        by_files_s = one.by_files_s if with_files else np.nan
        clock = find_one_clock(one.starts_s, one.lengths_s, time_s=one.time_s, signal=one.load, told_s=by_files_s)
        off_s = np.abs([clock.at(start_s) for start_s in one.starts_s] - one.ahead_s).max(initial=0.0)
        found["refused" if not clock.is_proven else "right" if off_s < 4 else "wrong"] += 1
    return found
