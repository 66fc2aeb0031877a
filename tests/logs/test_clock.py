"""Stamps of wall clocks in the forms that logs have."""

import numpy as np
import pytest

from gpubench_kit.logs.clock import clock_of_numbers, clock_of_texts, is_date_only, is_time_only

NINE_PM = 1793653200.0  # 2026-11-02 21:00:00


def _clock(*cells):
    """Return the clock of these cells."""
    return clock_of_texts(np.array(cells, dtype=object))


SAME_MOMENT = {
    "ISO": "2026-11-02T21:00:00",
    "blank between": "2026-11-02 21:00:00.000",
    "decimal comma": "2026-11-02 21:00:00,000",
    "universal time": "2026-11-02T21:00:00Z",
    "offset": "2026-11-02T23:00:00+02:00",
    "slashes, year first": "2026/11/02 21:00:00",
    "points, day first": "02.11.2026 21:00:00",
    "two digits of the year": "02.11.26 21:00:00",
    "without seconds": "2026-11-02 21:00",
    "before and after noon": "02.11.2026 9:00:00 PM",
}


@pytest.mark.parametrize("cell", SAME_MOMENT.values(), ids=SAME_MOMENT.keys())
def test_forms_of_one_moment_are_one_clock(cell):
    assert _clock(cell).start_s == NINE_PM


def test_zone_is_known_only_where_it_is_written():
    assert not _clock("2026-11-02 21:00:00").has_zone
    assert _clock("2026-11-02T23:00:00+0200").has_zone


def test_day_and_month_are_told_apart_by_any_number_above_twelve():
    assert _clock("11/02/2026 21:00:00", "11/13/2026 21:00:00").start_s == NINE_PM
    assert _clock("02/11/2026 21:00:00", "13/11/2026 21:00:00").start_s == NINE_PM
    assert not _clock("02/11/2026 21:00:00", "13/11/2026 21:00:00").in_doubt
    assert _clock("02/11/2026 21:00:00").in_doubt
    assert _clock("13/11/2026 21:00:00", "11/13/2026 21:00:00") is None


def test_time_of_day_goes_on_past_midnight():
    clock = _clock("23:59:59.5", "00:00:00.0", "00:00:00.5")
    assert clock.time_s.tolist() == [0.0, 0.5, 1.0]
    assert not clock.has_date


def test_resolution_is_that_of_the_stamps_as_written():
    assert _clock("2026-11-02 21:00:00.125").step_s == pytest.approx(0.001)
    assert _clock("2026-11-02 21:00:00").step_s == 1.0
    assert _clock("2026-11-02 21:00").step_s == 60.0


def test_cell_that_is_no_stamp_is_missing_and_not_guessed():
    clock = _clock("2026-11-02 21:00:00", "later", "2026-11-02 21:00:02")
    assert clock.time_s[[0, 2]].tolist() == [0.0, 2.0]
    assert np.isnan(clock.time_s[1])


@pytest.mark.parametrize("cells", [("noon",), ("",), ("2026-13-45 99:00:00",)], ids=["word", "nothing", "no date"])
def test_what_is_no_clock_is_none(cells):
    assert _clock(*cells) is None


@pytest.mark.parametrize("unit_s", [1.0, 1e-3, 1e-6, 1e-9], ids=["s", "ms", "us", "ns"])
def test_numbers_since_1970_are_a_clock_in_every_unit(unit_s):
    clock = clock_of_numbers(np.array([NINE_PM, NINE_PM + 2.5]) / unit_s)
    assert clock.start_s == pytest.approx(NINE_PM)
    assert clock.time_s == pytest.approx([0.0, 2.5], abs=1e-5)


def test_small_numbers_are_no_clock():
    assert clock_of_numbers(np.array([0.0, 1.0, 2.0])) is None
    assert clock_of_numbers(np.array([np.nan])) is None


def test_dates_and_times_alone_are_known():
    assert is_date_only("02.11.2026")
    assert not is_date_only("02.11.2026 21:00")
    assert is_time_only("9:00:00.5 pm")
    assert not is_time_only("9.5")
