"""The clock of a sensor log that spans several runs: found and taken out, or refused, never wrong."""

import numpy as np
import pytest
from made_clocks import clocks, outcome_of_clocks

from gpubench_kit.logs.one_clock import ahead_by_files, find_one_clock


def _evening(rng, *, n=20, pause=(20.0, 120.0), length=60.0, step=1.0, ahead=0.0, drift=0.0):
    """Return starts, lengths, times of samples and load of an evening of runs."""
    lengths = length + rng.uniform(-0.4, 0.4, n) if length else rng.uniform(40, 95, n)
    starts = 50.0 + np.cumsum(np.r_[0.0, (lengths + rng.uniform(*pause, n))[:-1]])
    times = np.arange(0.0, starts[-1] + lengths[-1] + 40.0, step)
    busy = ((times[:, None] >= starts) & (times[:, None] < starts + lengths)).any(axis=1)
    load = np.where(busy, 97.0, 4.0) + rng.uniform(0, 2, times.size)
    return starts, lengths, times * (1 + drift) + ahead, load


@pytest.mark.parametrize("ahead", [0.0, 80.0, -80.0, 3600.0])
def test_a_clock_that_is_off_is_found(ahead):
    starts, lengths, times, load = _evening(np.random.default_rng(3), ahead=ahead)
    clock = find_one_clock(starts, lengths, time_s=times, signal=load)
    assert clock.is_proven
    assert clock.offset_s == pytest.approx(ahead, abs=1.0)
    assert "runs lie on a busy stretch with both edges" in clock.why


def test_a_drift_is_found():
    starts, lengths, times, load = _evening(np.random.default_rng(5), n=30, drift=5e-4, step=0.5)
    clock = find_one_clock(starts, lengths, time_s=times, signal=load)
    assert clock.at(starts[0]) == pytest.approx(starts[0] * 5e-4, abs=0.6)
    assert clock.at(starts[-1]) == pytest.approx(starts[-1] * 5e-4, abs=0.6)


def test_runs_evenly_paced_and_equally_long_prove_nothing():
    starts, lengths, times, load = _evening(np.random.default_rng(1), pause=(20.0, 20.1), ahead=80.0)
    clock = find_one_clock(starts, lengths, time_s=times, signal=load)
    assert not clock.is_proven
    assert "it could as well be off by" in clock.why


def test_one_odd_pause_lets_an_evenly_paced_evening_be_proven():
    rng = np.random.default_rng(1)
    lengths, pauses = np.full(12, 60.0), np.full(12, 20.0)
    pauses[5] = 57.0
    starts = 50.0 + np.cumsum(np.r_[0.0, (lengths + pauses)[:-1]])
    times = np.arange(0.0, starts[-1] + 100.0, 1.0)
    busy = ((times[:, None] >= starts) & (times[:, None] < starts + 60.0)).any(axis=1)
    clock = find_one_clock(
        starts, lengths, time_s=times + 80.0, signal=np.where(busy, 97.0, 4.0) + rng.uniform(0, 2, times.size)
    )
    assert not clock.is_proven or clock.offset_s == pytest.approx(80.0, abs=1.0)


def test_the_log_of_another_evening_is_refused():
    starts, lengths, *_ = _evening(np.random.default_rng(7))
    *_, times, load = _evening(np.random.default_rng(8))
    assert not find_one_clock(starts, lengths, time_s=times, signal=load).is_proven


def test_few_runs_and_a_steady_signal_are_refused():
    starts, lengths, times, load = _evening(np.random.default_rng(3), n=3)
    assert "not enough" in find_one_clock(starts, lengths, time_s=times, signal=load).why
    assert not find_one_clock(starts, lengths, time_s=times, signal=np.full(times.size, 50.0)).is_proven


@pytest.mark.parametrize("seed", range(12))
def test_a_proven_clock_is_never_wrong(seed):
    rng = np.random.default_rng(100 + seed)
    pause = [(20.0, 120.0), (28.0, 42.0), (20.0, 20.4), (40.0, 40.4)][seed % 4]
    ahead = float(rng.choice([0.0, 20.0, 37.0, 80.0, 300.0])) * rng.choice([-1, 1])
    n = int(rng.choice([6, 12, 20]))
    starts, lengths, times, load = _evening(
        rng, n=n, pause=pause, length=rng.choice([0.0, 60.0]), step=float(rng.choice([0.5, 1.0, 2.0])), ahead=ahead
    )
    known = rng.random(n) > 0.15
    clock = find_one_clock(
        starts[known] + rng.uniform(-0.5, 0.5, known.sum()), lengths[known], time_s=times, signal=load
    )
    assert not clock.is_proven or clock.offset_s == pytest.approx(ahead, abs=2.0)


def _evenly_paced(*, by_files_s):
    """Return the clock of an evening whose runs begin every 80 s, by a sensor log that is 80 s ahead."""
    starts, lengths, times, load = _evening(np.random.default_rng(2), n=12, pause=(20.0, 20.1), ahead=80.0)
    return find_one_clock(starts, lengths, time_s=times, signal=load, told_s=by_files_s)


def test_times_of_files_prove_the_best_of_offsets_that_are_nearly_as_good():
    assert not _evenly_paced(by_files_s=np.nan).is_proven
    clock = _evenly_paced(by_files_s=81.0)
    assert clock.is_proven
    assert clock.offset_s == pytest.approx(80.0, abs=1.0)
    assert clock.why.endswith("and the times of the files say the same")


@pytest.mark.parametrize("by_files_s", [0.0, 40.0, 160.0, 3680.0])
def test_times_of_files_that_say_another_offset_prove_nothing(by_files_s):
    assert not _evenly_paced(by_files_s=by_files_s).is_proven


def test_times_of_files_tell_where_each_log_was_closed_as_late_as_the_others():
    late = np.array([1.0, 1.4, 0.8, 1.1, 2.0])
    assert ahead_by_files(late, -79.5) == pytest.approx(80.6)
    assert ahead_by_files(late + 3600.0, 3600.5) == pytest.approx(0.6)  # files by another zone than the logs


@pytest.mark.parametrize("late", [[1.0, 1.0, 1.0], [1.0, 1.0, 1.0, np.nan], [0.0, 80.0, 160.0, 240.0, 320.0]])
def test_times_of_few_files_or_of_copies_tell_nothing(late):
    assert np.isnan(ahead_by_files(np.array(late), 0.0))


def test_of_made_evenings_none_is_wrong_and_times_of_files_prove_more():
    alone = outcome_of_clocks(clocks(20261130, 160), with_files=False)
    with_files = outcome_of_clocks(clocks(20261130, 160))
    assert (alone["wrong"], with_files["wrong"]) == (0, 0)
    assert with_files["right"] > alone["right"] > 0.3 * 160
