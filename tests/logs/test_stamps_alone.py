"""Frame logs of which only the clock's stamps tell how long frames took."""

import numpy as np
import pytest
from made_logs import clock, frame_times, table

from gpubench_kit.logs.format import Certainty
from gpubench_kit.logs.read_frames import FormatMemory, read_frame_log
from gpubench_kit.model.errors import LogError

FRAME_MS = frame_times(1200)
STARTS_MS = np.rint(np.cumsum(FRAME_MS))
COUNTS = range(1, 1201)


def _hours(times_ms):
    """Return times [ms] as h:mm:ss with milliseconds."""
    return [
        f"{int(one) // 3_600_000}:{int(one) // 60_000 % 60:02d}:{one % 60_000 / 1000:06.3f}" for one in times_ms
    ]


STAMPS = clock(STARTS_MS / 1000)
WRITTEN = {
    "date and time": {"n": COUNTS, "c": STAMPS},
    "date and time of day apart": {
        "n": COUNTS,
        "d": [one[:10] for one in STAMPS],
        "c": [one[11:] for one in STAMPS],
    },
    "time of day": {"n": COUNTS, "c": [one[11:] for one in STAMPS]},
    "past midnight": {"n": COUNTS, "c": [one[11:] for one in clock(STARTS_MS / 1000, start="2026-11-02T23:59:55")]},
    "from zero": {"n": COUNTS, "c": _hours(STARTS_MS - STARTS_MS[0])},
}


def _log(tmp_path, columns, **options):
    """Return the frame log of these columns."""
    path = tmp_path / "frames.csv"
    path.write_text(table(columns), encoding="utf-8")
    return read_frame_log(path, **options)


@pytest.mark.parametrize("columns", WRITTEN.values(), ids=WRITTEN.keys())
def test_frame_times_are_the_steps_of_the_stamps(tmp_path, columns):
    log = _log(tmp_path, columns)
    assert log.frames.frame_ms == pytest.approx(np.diff(STARTS_MS), abs=1e-6)
    assert log.frames.step_ms == pytest.approx(1.0)
    (told,) = [one for one in log.findings if one.check == "frame_times_from_steps"]
    assert told.message.endswith("from the steps of column 'c', as no column holds them; they are written to 1 ms.")


def test_the_clock_at_the_start_is_the_first_stamp(tmp_path):
    log = _log(tmp_path, WRITTEN["date and time"])
    first = np.datetime64(STAMPS[0]).astype("datetime64[ms]").astype(int) / 1000
    assert (log.clock, log.clock_kind, log.origin_s) == (pytest.approx(first, abs=1e-6), "dated", None)


def test_stamps_from_zero_are_no_clock_but_time_that_has_passed(tmp_path):
    log = _log(tmp_path, WRITTEN["from zero"])
    assert (log.clock, log.origin_s) == (None, pytest.approx(0.0))
    assert "counted_from_zero" in [one.check for one in log.findings]


def test_a_column_whose_sum_is_the_time_on_the_clock_goes_first(tmp_path):
    log = _log(tmp_path, {"c": STAMPS, "x": np.r_[FRAME_MS[1:], 16.0].round(3)})
    assert log.frames.frame_ms[:-1] == pytest.approx(FRAME_MS[1:])


def test_a_column_that_disagrees_with_fine_stamps_is_no_frame_time(tmp_path):
    log = _log(tmp_path, {"c": STAMPS, "x": (FRAME_MS * 0.6).round(3)})
    assert log.frames.frame_ms == pytest.approx(np.diff(STARTS_MS), abs=1e-6)


def test_stamps_with_pauses_or_with_rows_left_out_at_random_are_only_likely(tmp_path):
    rng = np.random.default_rng(5)
    frame_ms = np.tile(FRAME_MS, 3)
    paused_ms = np.where(np.arange(frame_ms.size) % 200 == 100, 600.0, frame_ms)
    ends_s = np.cumsum(frame_ms) / 1000
    for times_s in (np.cumsum(paused_ms) / 1000, ends_s[rng.random(ends_s.size) < 0.5]):
        assert _log(tmp_path, {"c": clock(times_s)}).certainty.word == "likely"


def test_stamps_of_whole_seconds_are_too_coarse(tmp_path):
    with pytest.raises(LogError, match="no column can be the frame times"):
        _log(tmp_path, {"n": COUNTS, "c": [one[:19] for one in STAMPS]})


def test_stamps_as_far_apart_as_samples_are_no_frames(tmp_path):
    with pytest.raises(LogError, match="these are samples, not frames"):
        _log(tmp_path, {"n": COUNTS, "c": clock(np.arange(1200) * 0.1)})


@pytest.mark.parametrize("bad", ["", "-", "21:0x:01.000"])
def test_a_row_without_a_stamp_is_refused_and_named(tmp_path, bad):
    stamps = [one[11:] for one in STAMPS]
    stamps[700] = bad
    with pytest.raises(LogError, match=rf"row 701 has no stamp in column 'c' \('{bad}' was found\)"):
        _log(tmp_path, {"n": COUNTS, "c": stamps})


def test_time_that_goes_back_is_refused(tmp_path):
    stamps = [*STAMPS[:900], *STAMPS[:300]]
    with pytest.raises(LogError, match="time goes back at row"):
        _log(tmp_path, {"n": COUNTS, "c": stamps})


def test_what_was_read_before_changes_nothing(tmp_path):
    memory = FormatMemory()
    logs = [_log(tmp_path, columns, memory=memory) for columns in (WRITTEN["date and time"],) * 2]
    assert np.array_equal(logs[0].frames.frame_ms, logs[1].frames.frame_ms)
    assert logs[0].choices == logs[1].choices


LONE = {
    "heading": ("Frame start", "{}"),
    "no heading": ("", "{}"),
    "quoted": ("Frame start", '"{}"'),
    "zone": ("Frame start", "{}+01:00"),
}


@pytest.mark.parametrize(("heading", "cell"), LONE.values(), ids=LONE.keys())
def test_stamps_may_stand_alone(tmp_path, heading, cell):
    rows = [cell.format(one) for one in STAMPS]
    path = tmp_path / "frames.csv"
    path.write_text("\n".join([heading, *rows] if heading else rows) + "\n", encoding="utf-8")
    log = read_frame_log(path)
    assert log.frames.frame_ms == pytest.approx(np.diff(STARTS_MS), abs=1e-6)
    assert log.certainty == Certainty.PROVEN


@pytest.mark.parametrize(("spread", "certainty"), [(0.15, Certainty.PROVEN), (0.1, Certainty.LIKELY)])
def test_steps_that_hardly_vary_more_than_their_rounding_are_only_likely(tmp_path, spread, certainty):
    steps_ms = np.random.default_rng(4).normal(16.0, 16.0 * spread, 1200)
    stamps = [one[11:] for one in clock(np.cumsum(steps_ms) / 1000)]
    log = _log(tmp_path, {"Frame start": stamps})
    assert (log.certainty, log.frames.frame_ms.mean()) == (certainty, pytest.approx(steps_ms[1:].mean(), rel=1e-3))


def test_even_steps_rounded_to_the_stamps_are_no_frames(tmp_path):
    with pytest.raises(LogError, match="no column can be the frame times"):
        _log(tmp_path, {"Frame start": [one[11:] for one in clock(np.arange(1200) * 0.0166)]})


def test_a_lone_stamp_that_is_torn_is_named(tmp_path):
    path = tmp_path / "frames.csv"
    stamps = list(STAMPS)
    stamps[700] = "2026-11-02T21:0x"
    path.write_text("\n".join(["Frame start", *stamps]) + "\n", encoding="utf-8")
    with pytest.raises(LogError, match=r"row 701 has no stamp in column 'Frame start' \('2026-11-02T21:0x' was"):
        read_frame_log(path)


def test_lines_of_text_behind_stamps_are_no_rows(tmp_path):
    path = tmp_path / "frames.csv"
    path.write_text("".join(f"{one} loaded the map\n" for one in STAMPS), encoding="utf-8")
    with pytest.raises(LogError, match="no rows with numbers were found"):
        read_frame_log(path)


@pytest.mark.parametrize("every_ms", [20.0, 100.0])
def test_samples_of_a_timer_that_shakes_a_little_are_no_frames(tmp_path, every_ms):
    times_ms = np.arange(600) * every_ms + np.random.default_rng(5).normal(0, 0.6, 600)
    stamps = [one[11:] for one in clock(times_ms / 1000)]
    with pytest.raises(LogError, match=r"no column can be the frame times|these are samples"):
        _log(tmp_path, {"c": stamps, "board_w": np.random.default_rng(6).normal(300, 2, 600).round(1)})
