"""Dates that could begin with the day or the month, told by the clock of the other log or by midnight, or left."""

import numpy as np
import pytest
from made_logs import clock, frame_times, sensor_signal, table

from gpubench_kit.logs.align import align
from gpubench_kit.logs.clock import clock_of_texts
from gpubench_kit.logs.read_frames import read_frame_log
from gpubench_kit.logs.read_samples import read_sensor_log
from gpubench_kit.metrics.inspect_log import inspect_log

FRAME_MS = frame_times(3000)
STARTS_S = (np.cumsum(FRAME_MS) - FRAME_MS) / 1000
RUN_S = FRAME_MS.sum() / 1000

ISO, MONTH_FIRST, DAY_FIRST = "%Y-%m-%d %H:%M:%S.%f", "%m/%d/%Y %H:%M:%S.%f", "%d/%m/%Y %H:%M:%S.%f"


def _written(
    tmp_path, frame_form, sensor_form, *, at="2026-11-02T21:00:00", sensors_at="2026-11-02T20:59:55", before_s=5.0
):
    """Write the logs of a run whose sensors begin five seconds before it, unless told otherwise."""
    times, load, watts = sensor_signal(RUN_S, before_s=before_s)
    frames = {"c": clock(STARTS_S, at, frame_form), "t": [f"{one:.6f}" for one in STARTS_S], "f": FRAME_MS}
    sensors = {"c": clock(times, sensors_at, sensor_form), "board_w": watts.round(1), "load_pct": load}
    for name, columns in (("frames.csv", frames), ("sensors.csv", sensors)):
        (tmp_path / name).write_text(table(columns), encoding="utf-8")


def _aligned(tmp_path, *forms, **options):
    """Return how such logs are aligned."""
    _written(tmp_path, *forms, **options)
    return align(read_frame_log(tmp_path / "frames.csv"), read_sensor_log(tmp_path / "sensors.csv"))


def test_sensor_dates_are_read_month_first_where_only_then_they_meet_the_frames(tmp_path):
    aligned = _aligned(tmp_path, ISO, MONTH_FIRST)
    assert (aligned.method, aligned.overlap) == ("clock", 1.0)
    assert aligned.shift_s == pytest.approx(-5.0, abs=1e-6)
    (finding,) = aligned.findings
    assert finding.check == "date_order_by_clocks"
    assert "sensors.csv: its dates were read month first after all (2026-11-02, not 2026-02-11)" in finding.message
    assert finding.action == 'Pin it in the plan: [logs] date_order = "month_first"'


def test_frame_dates_are_read_month_first_where_only_then_they_meet_the_samples(tmp_path):
    aligned = _aligned(tmp_path, MONTH_FIRST, ISO)
    assert aligned.shift_s == pytest.approx(-5.0, abs=1e-6)
    assert aligned.findings[0].message.startswith("frames.csv: its dates were read month first after all")


def test_both_logs_are_read_month_first_where_a_midnight_lies_between_their_starts(tmp_path):
    at = {"at": "2026-11-02T23:59:55", "sensors_at": "2026-11-03T00:00:03", "before_s": 0.0}
    aligned = _aligned(tmp_path, MONTH_FIRST, MONTH_FIRST, **at)
    assert aligned.shift_s == pytest.approx(8.0, abs=1e-6)
    assert aligned.overlap == pytest.approx(1 - 8 / RUN_S, abs=0.01)
    assert "its dates and those of frames.csv were read month first" in aligned.findings[0].message


def test_zone_and_order_of_dates_are_both_told(tmp_path):
    aligned = _aligned(tmp_path, ISO, MONTH_FIRST, sensors_at="2026-11-02T19:59:55")
    assert aligned.shift_s == pytest.approx(-5.0, abs=1e-6)
    assert [one.check for one in aligned.findings] == ["date_order_by_clocks", "clocks_differ"]


@pytest.mark.parametrize("forms", [(ISO, DAY_FIRST), (DAY_FIRST, ISO), (DAY_FIRST, DAY_FIRST)])
def test_dates_that_meet_as_they_were_read_stay_without_a_word(tmp_path, forms):
    aligned = _aligned(tmp_path, *forms)
    assert aligned.shift_s == pytest.approx(-5.0, abs=1e-6)
    assert aligned.findings == ()


def test_log_that_meets_the_frames_in_neither_reading_stays_that_of_another_run(tmp_path):
    aligned = _aligned(tmp_path, ISO, MONTH_FIRST, sensors_at="2026-11-05T20:59:55")
    assert aligned.overlap == 0.0
    assert [one.check for one in aligned.findings] == ["sensor_log_of_another_run"]


def test_inspection_has_the_power_of_a_log_read_month_first(tmp_path):
    _written(tmp_path, ISO, MONTH_FIRST)
    found = inspect_log(tmp_path / "frames.csv", sensors=tmp_path / "sensors.csv")
    _written(tmp_path, ISO, ISO)
    expected = inspect_log(tmp_path / "frames.csv", sensors=tmp_path / "sensors.csv")
    assert found["metrics"] == expected["metrics"]
    assert found["metrics"]["board_w"] > 0


@pytest.mark.parametrize("form", [MONTH_FIRST, DAY_FIRST])
def test_midnight_from_stamp_to_stamp_tells_the_order_of_dates(form):
    stamps = clock(np.arange(0.0, 60.0, 0.1), "2026-11-02T23:59:30.7", form)
    found = clock_of_texts(np.array(stamps, dtype=object))
    assert found.time_s == pytest.approx(np.arange(0.0, 60.0, 0.1), abs=1e-6)
    assert found.start_s == pytest.approx(1793663970.7)
    assert not found.in_doubt


@pytest.mark.parametrize(
    "steps_h", [(0, 1, 2), (0, 24, 48), (0, 20)], ids=["one day", "days apart", "most of a day"]
)
def test_dates_that_no_midnight_tells_stay_in_doubt(steps_h):
    stamps = clock(3600.0 * np.array(steps_h), "2026-11-02T10:00:00", MONTH_FIRST)
    assert clock_of_texts(np.array(stamps, dtype=object)).in_doubt


def test_samples_behind_midnight_of_a_log_month_first_join_their_run(tmp_path):
    aligned = _aligned(tmp_path, ISO, MONTH_FIRST, at="2026-11-03T00:00:02", sensors_at="2026-11-02T23:59:57")
    assert (aligned.overlap, aligned.findings) == (1.0, ())
    assert aligned.shift_s == pytest.approx(-5.0, abs=1e-6)


def test_a_doubt_that_the_other_clock_settled_is_not_told_as_well(tmp_path):
    _written(tmp_path, ISO, MONTH_FIRST)
    told = inspect_log(tmp_path / "frames.csv", tmp_path / "sensors.csv")["findings"]
    assert [one["check"] for one in told if one["check"].startswith("date_order")] == ["date_order_by_clocks"]
