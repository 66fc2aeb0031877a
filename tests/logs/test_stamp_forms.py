"""Stamps in the forms that recorders write come back as the same instant; what is no stamp is not taken for one."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_logs import frame_times, sensor_signal, table

from gpubench_kit.logs.cells import begins_with_words, is_clock, plain_stamp
from gpubench_kit.logs.clock import begins_at_zero, clock_of_texts, is_date_only, is_time_only
from gpubench_kit.logs.read_samples import read_sensor_log

FOUR_PAST_NINE_PM = 1793653445.0  # 2026-11-02 21:04:05

#: Cell -> seconds since FOUR_PAST_NINE_PM, kind, resolution [s].
DATED = {
    "02-Nov-2026 21:04:05": (0.0, "dated", 1.0),
    "02 Nov 2026 21:04:05.250": (0.25, "dated", 0.001),
    "2 November 2026 9:04:05 pm": (0.0, "dated", 1.0),
    "Nov 02, 2026 21:04:05": (0.0, "dated", 1.0),
    "NOV 2 2026, 21:04:05,5": (0.5, "dated", 0.1),
    "Mon Nov  2 21:04:05 2026": (0.0, "dated", 1.0),
    "Mon Nov 02 21:04:05.25 UTC 2026": (0.25, "zoned", 0.01),
    "Mon, 02 Nov 2026 21:04:05 GMT": (0.0, "zoned", 1.0),
    "2026-11-02 09:04:05 PM": (0.0, "dated", 1.0),
    "2026/11/02 9:04:05.250 p.m.": (0.25, "dated", 0.001),
    "2026-11-02 21:04:05 UTC": (0.0, "zoned", 1.0),
    "2026-11-02 21:04:05.250 GMT": (0.25, "zoned", 0.001),
    "2026-11-02 23:04:05 +02:00": (0.0, "zoned", 1.0),
    "02.11.2026, 21:04:05": (0.0, "dated", 1.0),
    "13.11.2026 09:04:05.250 PM": (11 * 86_400 + 0.25, "dated", 0.001),
    "2026-11-02, 21:04:05": (0.0, "dated", 1.0),
    "20261102T210405.250": (0.25, "dated", 0.001),
    "20261102T210405Z": (0.0, "zoned", 1.0),
    "2026-11-02 21:04:05:250": (0.25, "dated", 0.001),
    "[2026-11-02 21:04:05.250]": (0.25, "dated", 0.001),
    "2026-11-02_21:04:05": (0.0, "dated", 1.0),
    "  [ 02-Nov-2026 21:04:05 ] ": (0.0, "dated", 1.0),
}

NO_STAMPS = (
    *("20261102210405", "46328.87783854", "20261102", "21.0405", "-12:30", "1e5", "12,5", "[12.5]", "[]", ""),
    *("31.0.15.5123", "v2026.11.02", "560.94-rc1", "Sunmere 02, 2026", "Marvel 02, 2026", "Nov", "May 12"),
    *("02-Nox-2026 21:04:05", "02-11 2026 21:04:05", "2026-11-02 21:04:05 CET", "21:04:05:25", "21:04:05:2500"),
    *("Monday", "2026T21", "Larkmoor 4", "Nov 2 21:04:05", "2026-11-02 21:04:05 average"),
)


def _clock(*cells):
    """Return the clock of these cells."""
    return clock_of_texts(np.array(cells, dtype=object))


@pytest.mark.parametrize(("cell", "expected"), DATED.items(), ids=DATED)
def test_dated_stamp_is_read_with_its_kind_and_resolution(cell, expected):
    clock = _clock(cell)
    assert (clock.start_s - FOUR_PAST_NINE_PM, clock.kind, clock.step_s) == expected
    assert is_clock(cell)
    assert not begins_with_words(f'"{cell.strip()}";12.5')


def test_milliseconds_behind_a_colon_are_read_in_a_time_of_day():
    clock = _clock("21:04:05:250", "21:04:05:753", "21:04:06:001")
    assert clock.start_s == 21 * 3600 + 4 * 60 + 5.25
    assert clock.time_s == pytest.approx([0.0, 0.503, 0.751], abs=1e-9)
    assert (clock.kind, clock.step_s) == ("time_of_day", 0.001)


@pytest.mark.parametrize(
    ("cell", "hour"), [("12:04:05 AM", 0), ("1:04:05 AM", 1), ("12:04:05 PM", 12), ("11:04:05 PM", 23)]
)
def test_hours_before_and_after_noon_are_those_of_the_day(cell, hour):
    clock = _clock(f"2026-11-02 {cell}")
    assert (clock.start_s - FOUR_PAST_NINE_PM) / 3600 == hour - 21


def test_time_just_past_midnight_is_no_time_that_has_passed():
    assert not begins_at_zero("12:00:01 AM")
    assert not begins_at_zero("[12:00:01 AM]")
    assert begins_at_zero("00:00:01:250")


def test_date_with_a_month_by_name_stands_beside_a_time_of_day():
    assert is_date_only("02-Nov-2026")
    assert not is_date_only("02-Nov-2026 21:04:05")
    assert is_time_only("21:04:05:250")
    assert not is_time_only("20261102T210405")


def test_stamp_that_is_none_among_others_is_missing():
    clock = _clock("02-Nov-2026 21:04:05", "later", "02-Nov-2026 21:04:07", "31-Feb-2026 21:04:08", "")
    assert clock.time_s[[0, 2]].tolist() == [0.0, 2.0]
    assert np.isnan(clock.time_s[[1, 3, 4]]).all()


@pytest.mark.parametrize("cell", NO_STAMPS)
def test_what_is_no_stamp_is_not_taken_for_one(cell):
    assert _clock(cell) is None
    assert plain_stamp(cell) == cell


def test_day_and_month_stay_in_doubt_in_every_form_with_slashes():
    for cell in ("11/02/2026, 21:04:05", "[11/02/2026 09:04:05 PM]", "11/02/2026_21:04:05"):
        clock = _clock(cell)
        assert clock.in_doubt
        assert clock.other_start_s == FOUR_PAST_NINE_PM


FORMS = (
    *("%d-%b-%Y %H:%M:%S.%f", "%d %b %Y %H:%M:%S.%f", "%d %B %Y, %H:%M:%S.%f", "%b %d, %Y %H:%M:%S.%f"),
    *("%Y-%m-%d %I:%M:%S.%f %p", "%Y/%m/%d %I:%M:%S.%f%p", "%Y-%m-%d %H:%M:%S.%f UTC", "%d.%m.%Y, %H:%M:%S.%f"),
    *("%Y%m%dT%H%M%S.%f", "[%Y-%m-%d %H:%M:%S.%f]", "%Y-%m-%d_%H:%M:%S.%f", "%a %b %d %H:%M:%S.%f %Y"),
    *("%Y-%m-%dT%H:%M:%S.%f", "%Y-%m-%d %H:%M:%S,%f", "%a, %d %b %Y %H:%M:%S.%f GMT", "%B %d %Y %I:%M:%S.%f %p"),
)


@settings(max_examples=200, deadline=None)
@given(
    start=st.datetimes(datetime(2001, 1, 1), datetime(2037, 12, 30)),
    steps_ms=st.lists(st.integers(0, 90_000_000), min_size=1, max_size=5),
    form=st.sampled_from(FORMS),
)
def test_stamps_written_in_any_form_come_back_as_the_same_instants(start, steps_ms, form):
    start = start.replace(microsecond=0)
    at_ms = np.cumsum([0, *steps_ms])
    clock = _clock(*((start + timedelta(milliseconds=int(one))).strftime(form) for one in at_ms))
    assert clock.start_s == start.replace(tzinfo=UTC).timestamp()
    assert clock.time_s == pytest.approx(at_ms / 1000, abs=1e-6)
    assert clock.kind == ("zoned" if form.endswith(("UTC", "GMT")) else "dated")


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("form", FORMS)
def test_sensor_log_with_stamps_in_any_form_has_its_clock(tmp_path, form, separator):
    times, load, watts = sensor_signal(frame_times(3000).sum() / 1000)
    first = datetime(2026, 11, 2, 21, 4, 5)
    stamps = [(first + timedelta(seconds=float(one))).strftime(form) for one in times]
    stamps = [f'"{one}"' if separator in one else one for one in stamps]
    text = table({"at": stamps, "board_w": watts.round(1), "load_pct": load}, separator=separator)
    (tmp_path / "sensors.csv").write_text(text, encoding="utf-8")
    log = read_sensor_log(tmp_path / "sensors.csv")
    assert log.clock == FOUR_PAST_NINE_PM
    assert log.time_s == pytest.approx(times, abs=1e-3)
    assert set(log.values) == {"board_w", "load_pct"}
