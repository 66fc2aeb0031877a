"""Frame times in a column, or the steps of one that rises: what decides where the two disagree."""

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from made_logs import frame_times, table

from gpubench_kit.logs.format import Declaration
from gpubench_kit.logs.read_frames import read_frame_log
from gpubench_kit.model.errors import LogError

FRAME_MS = frame_times(600)
ENDS_MS = np.cumsum(FRAME_MS)
RNG = np.random.default_rng(5)
MISSED = np.cumsum(1 + (RNG.random(600) < 0.02))


def _log(folder, columns, **declared):
    """Return the frame log of these columns."""
    path = folder / "frames.csv"
    path.write_text(table(columns), encoding="utf-8")
    return read_frame_log(path, declared=Declaration(**declared))


NO_TIMES = {
    "a number that skips": MISSED,
    "every other number": np.arange(0, 1200, 2),
    "ticks of 100 ns": np.rint(88_123_456_789 + 1e4 * ENDS_MS).astype(np.int64),
    "ticks of 3.58 MHz": np.rint(88_123_456_789 + 3579.545 * ENDS_MS).astype(np.int64),
    "energy": (0.21 * ENDS_MS).round(2),
}


@pytest.mark.parametrize("rises", NO_TIMES.values(), ids=NO_TIMES.keys())
@pytest.mark.parametrize("heading", ["frame_time_ms", "f"])
def test_what_rises_and_is_no_time_does_not_stand_in_for_frame_times(tmp_path, rises, heading):
    if heading == "f" and rises.max() < 5000 and (rises == np.rint(rises)).all():
        # Numbers of rows say nothing, so that the column stands alone.
        with pytest.raises(LogError, match="could be frame times in ms or frame rates in fps"):
            _log(tmp_path, {"x": rises, heading: FRAME_MS})
        return
    log = _log(tmp_path, {"x": rises, heading: FRAME_MS})
    assert log.frames.frame_ms == pytest.approx(FRAME_MS)
    assert log.choices[0].label == f"column '{heading}'"


def test_a_time_in_seconds_goes_before_a_column_that_disagrees(tmp_path):
    columns = {"x": [f"{one:.6f}" for one in ENDS_MS / 1000], "wait_ms": (30 + RNG.normal(0, 3, 600)).round(3)}
    assert _log(tmp_path, columns).frames.frame_ms == pytest.approx(np.diff(ENDS_MS), abs=2e-3)


@pytest.mark.parametrize("heading", ["t [ms]", "t_ms", "t (ms)"])
def test_a_time_whose_unit_is_stated_goes_before_a_column_that_disagrees(tmp_path, heading):
    columns = {heading: ENDS_MS.round(3), "wait_ms": (30 + RNG.normal(0, 3, 600)).round(3)}
    assert _log(tmp_path, columns).frames.frame_ms == pytest.approx(np.diff(ENDS_MS), abs=2e-3)


def test_a_part_of_each_frame_is_no_frame_time(tmp_path):
    busy = (FRAME_MS * RNG.uniform(0.6, 0.95, 600)).round(3)
    log = _log(tmp_path, {"x": ENDS_MS.round(3), "busy_ms": busy})
    assert log.frames.frame_ms == pytest.approx(np.diff(ENDS_MS), abs=2e-3)
    (told,) = [one for one in log.findings if one.check == "format_likely"]
    assert '[logs] frame_time = { column = "x", unit = "ms" }' in told.action


def test_loads_and_temperatures_are_no_rivals_of_a_time(tmp_path):
    log = _log(tmp_path, {"x": ENDS_MS.round(3), "load": [97] * 600, "die": np.linspace(40, 65, 600).round()})
    assert log.frames.frame_ms == pytest.approx(np.diff(ENDS_MS), abs=2e-3)


AMBIGUOUS = {"x": ENDS_MS.round(3), "took_ms": (30 + RNG.normal(0, 3, 600)).round(3)}


def test_where_both_are_possible_the_plan_is_asked(tmp_path):
    message = "column 'took_ms' could be the frame times, but neither the steps of column 'x' nor its length agree"
    with pytest.raises(LogError, match=message) as caught:
        _log(tmp_path, AMBIGUOUS)
    assert caught.value.faults[0].action.endswith('frame_time = { column = "took_ms", unit = "ms" }')


def test_either_line_answers_the_question(tmp_path):
    steps = _log(tmp_path, AMBIGUOUS, frame_time=("x", "ms"))
    assert steps.frames.frame_ms == pytest.approx(np.diff(ENDS_MS), abs=2e-3)
    column = _log(tmp_path, AMBIGUOUS, frame_time=("took_ms", "ms"))
    assert column.frames.frame_ms == pytest.approx(AMBIGUOUS["took_ms"])


# A rate near a power of ten, and one that is a power of ten.
@example(rate=999001.0, start=0)
@example(rate=1000.9, start=88_123_456_789)
@example(rate=10.0, start=7)
@given(st.floats(1.7, 1e6), st.integers(0, 10**11))
def test_frame_times_are_found_beside_ticks_of_any_rate(tmp_path_factory, rate, start):
    ticks = np.rint(start + rate * 1000 * ENDS_MS).astype(np.int64)
    log = _log(tmp_path_factory.mktemp("ticks"), {"x": ticks, "f": FRAME_MS})
    assert log.frames.frame_ms == pytest.approx(FRAME_MS)


@pytest.mark.parametrize(
    ("cap_ms", "jitter_ms", "decimals"), [(10.0, 0.02, 1), (1000 / 30, 0.001, 2), (1000 / 60, 0.0, 3)]
)
@pytest.mark.parametrize("beside", ["", "busy", "load"])
def test_frames_of_one_length_are_found_where_their_column_agrees_with_the_time(
    tmp_path, cap_ms, jitter_ms, decimals, beside
):
    frame_ms = cap_ms + np.random.default_rng(3).normal(0, jitter_ms, 1500)
    more = {"": {}, "busy": {"busy": (frame_ms * 0.6).round(3)}, "load": {"load": np.arange(1500) % 49 + 50}}
    times = {"time_s": (np.cumsum(frame_ms) / 1000).round(3), "frame_ms": frame_ms.round(decimals)}
    log = _log(tmp_path, times | more[beside])
    assert log.certainty.word == "proven"
    assert log.frames.frame_ms.mean() == pytest.approx(cap_ms, rel=1e-3)


@pytest.mark.parametrize("bits", [16, 24, 31, 32])
def test_a_counter_that_begins_anew_is_counted_on(tmp_path, bits):
    per_ms = 10 if bits == 16 else 1e4
    ticks = np.rint(2.0**bits - 2000 * per_ms + per_ms * ENDS_MS) % 2.0**bits
    log = _log(tmp_path, {"ticks": ticks.astype(np.int64), "frame_ms": FRAME_MS})
    assert (np.diff(ticks) < 0).any()
    assert log.frames.end_s == pytest.approx(FRAME_MS.sum() / 1000, abs=2e-3)
    assert (np.diff(log.frames.time_s) > 0).all()
    assert "counter_wrapped" in {one.check for one in log.findings}


def test_two_runs_are_no_counter_that_begins_anew(tmp_path):
    twice = np.concatenate([ENDS_MS, ENDS_MS + 1]).round().astype(np.int64)
    with pytest.raises(LogError, match="begins anew 1 times: 2 runs stand in one log"):
        _log(tmp_path, {"ms": twice, "frame_ms": np.concatenate([FRAME_MS, FRAME_MS[::-1]])})


@pytest.mark.parametrize("heading", ["max (ms)", "max_ms", "largest so far: peak [ms]"])
def test_the_largest_frame_time_so_far_is_no_time(tmp_path, heading):
    log = _log(tmp_path, {"frame (ms)": FRAME_MS, heading: np.maximum.accumulate(FRAME_MS)})
    assert log.frames.frame_ms == pytest.approx(FRAME_MS)


@pytest.mark.parametrize("heading", ["elapsed (min)", "t_min", "min"])
def test_minutes_are_a_time(tmp_path, heading):
    log = _log(tmp_path, {heading: [f"{one:.8f}" for one in ENDS_MS / 60000], "frame (ms)": FRAME_MS})
    assert log.choices[0].certainty.word == "proven"


def test_rates_of_a_few_rows_are_offered_as_no_frames(tmp_path):
    rates = RNG.normal(190, 5, 60).round(1)
    with pytest.raises(LogError, match="as frames they are") as told:
        _log(tmp_path, {"second": np.arange(1, 61), "avg fps": rates, "max fps": rates + 30})
    assert "rows = " not in str(told.value)


def test_steps_as_far_apart_as_samples_are_only_likely(tmp_path):
    times = np.cumsum(RNG.normal(50.0, 5.0, 600)).round(4)
    log = _log(tmp_path, {"rate": RNG.normal(260, 15, 600).round(2), "elapsed [ms]": times})
    assert log.certainty.word == "likely"
