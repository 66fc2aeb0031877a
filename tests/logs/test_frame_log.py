"""Frames come out of a log whatever its columns are called, and doubts are told."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_logs import clock, frame_log, frame_times, table

from gpubench_kit.logs.format import Certainty, Declaration
from gpubench_kit.logs.read_frames import FormatMemory, read_frame_log
from gpubench_kit.model.errors import LogError

FRAME_MS = frame_times()


def _read(tmp_path, text, **options):
    """Return the frame log with this text."""
    path = tmp_path / "run.csv"
    path.write_text(text, encoding="utf-8", newline="")
    return read_frame_log(path, **options)


def _checks(log):
    """Return which findings a log gave."""
    return [finding.check for finding in log.findings]


@pytest.mark.parametrize("stamped", ["start", "end"])
def test_side_of_the_stamps_is_found_and_frames_start_at_zero(tmp_path, stamped):
    log = _read(tmp_path, frame_log(FRAME_MS, stamped=stamped, origin_s=3.5))
    assert log.stamped == stamped
    assert log.frames.frame_ms.tolist() == FRAME_MS.tolist()
    assert log.frames.time_s == pytest.approx((np.cumsum(FRAME_MS) - FRAME_MS) / 1000, abs=2e-6)
    assert log.frames.end_s == pytest.approx(FRAME_MS.sum() / 1000, abs=2e-6)
    assert log.origin_s == pytest.approx(3.5, abs=2e-6)
    assert _checks(log) == []


UNITS = {"s": 1000.0, "ms": 1.0, "us": 1e-3, "ns": 1e-6}


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize("elapsed_unit", UNITS)
def test_units_are_found_from_size_and_sums(tmp_path, unit, elapsed_unit):
    starts = np.cumsum(FRAME_MS) - FRAME_MS
    digits = {"s": 7, "ms": 4, "us": 1, "ns": 0}
    columns = {
        "x": [f"{one / UNITS[elapsed_unit]:.{digits[elapsed_unit]}f}" for one in starts],
        "y": [f"{one / UNITS[unit]:.{digits[unit]}f}" for one in FRAME_MS],
    }
    if unit == elapsed_unit == "ns":
        # Whole numbers without a unit could as well be ticks of some clock.
        with pytest.raises(LogError, match=r"the unit of column 'y' .* is not stated"):
            _read(tmp_path, table(columns))
        return
    log = _read(tmp_path, table(columns))
    assert [(one.role, one.unit) for one in log.choices] == [("frame_time", unit), ("elapsed_time", elapsed_unit)]
    assert log.certainty == (Certainty.LIKELY if unit == elapsed_unit else Certainty.PROVEN)
    assert log.frames.frame_ms == pytest.approx(FRAME_MS, rel=1e-12)


def test_frame_time_is_told_from_columns_that_only_resemble_it(tmp_path):
    rng = np.random.default_rng(2)
    columns = {
        "n": range(1, 401),
        "busy": (FRAME_MS * 0.9).round(3),
        "late": (FRAME_MS + rng.normal(0, 0.4, 400)).round(3),
        "took": FRAME_MS,
        "when": [f"{one:.6f}" for one in (np.cumsum(FRAME_MS) / 1000)],
    }
    log = _read(tmp_path, table(columns))
    assert [one.column for one in log.choices] == [3, 4]
    assert "399 of 399 steps of column 'when' [s] equal the frame time" in log.choices[0].why


def test_frame_times_are_steps_where_no_column_holds_them(tmp_path):
    stamps = np.concatenate(([0.0], np.cumsum(FRAME_MS)))
    log = _read(tmp_path, table({"t (ms)": [f"{one:.3f}" for one in stamps], "load": [97] * 401}))
    assert log.frames.frame_ms == pytest.approx(FRAME_MS, abs=1e-9)
    assert (log.certainty, _checks(log)) == (Certainty.STATED, ["frame_times_from_steps"])


def test_steps_of_a_time_without_unit_are_only_likely(tmp_path):
    log = _read(tmp_path, table({"t": [f"{one:.3f}" for one in np.cumsum(FRAME_MS)], "load": [97] * 400}))
    assert (log.certainty, _checks(log)) == (Certainty.LIKELY, ["format_likely", "frame_times_from_steps"])


def test_only_column_that_can_be_a_frame_time_is_only_likely(tmp_path):
    short_ms = frame_times(1000) / 2
    log = _read(tmp_path, table({"took": short_ms, "watts": [250.5] * 1000}))
    assert (log.choices[0].column, log.choices[0].certainty) == (0, Certainty.LIKELY)
    assert log.frames.time_s[1] == pytest.approx(short_ms[0] / 1000)
    (finding,) = [one for one in log.findings if one.check == "format_likely"]
    assert "column 'took' is likely the frame time in ms" in finding.message
    assert 'frames = { time = "took", unit = "ms", rows = "frames" }' in finding.action


def test_a_column_that_could_be_times_or_rates_is_asked(tmp_path):
    with pytest.raises(LogError, match="could be frame times in ms or frame rates in fps"):
        _read(tmp_path, table({"took": FRAME_MS, "watts": [250.5] * 400}))


def test_two_columns_that_could_be_frame_times_ask_for_a_declaration(tmp_path):
    text = table({"took": FRAME_MS, 'odd "one"': FRAME_MS + 1})
    message = r'2 columns could be .*below \[logs\], for example: frame_time = \{ column = "took", unit = "ms" \}'
    with pytest.raises(LogError, match=message):
        _read(tmp_path, text)
    declared = Declaration(frame_time=('odd "one"', "ms"))
    assert _read(tmp_path, text, declared=declared).frames.frame_ms.tolist() == (FRAME_MS + 1).tolist()


def test_columns_without_any_frame_time_are_refused(tmp_path):
    with pytest.raises(
        LogError, match=r"no column can be the frame times \(found: column 'power'; column 'name'\)"
    ):
        _read(tmp_path, table({"power": [-5 - k for k in range(20)], "name": ["x"] * 20}))


def test_declared_column_that_is_missing_is_named_with_those_there(tmp_path):
    message = r"column 'q', declared as frame time, is not in the log \(found: 'a', 'b'\)"
    with pytest.raises(LogError, match=message):
        _read(tmp_path, frame_log(FRAME_MS), declared=Declaration(frame_time=("q", "ms")))


def test_declared_unit_that_cannot_be_is_refused(tmp_path):
    with pytest.raises(LogError, match=r"mean frame time would be 1[0-9.]+ ms; 0.4 to 200 ms is expected"):
        _read(tmp_path, frame_log(FRAME_MS), declared=Declaration(frame_time=("b", "s")))


def test_exact_repeat_of_a_row_is_left_out(tmp_path):
    lines = frame_log(FRAME_MS).splitlines(keepends=True)
    log = _read(tmp_path, "".join([*lines[:101], lines[100], *lines[101:]]))
    assert log.frames.frame_ms.tolist() == FRAME_MS.tolist()
    assert _checks(log) == ["repeated_rows"]


def test_log_written_twice_is_read_once(tmp_path):
    text = frame_log(FRAME_MS)
    log = _read(tmp_path, text + text)
    assert log.frames.frame_ms.tolist() == FRAME_MS.tolist()
    assert sorted(_checks(log)) == ["block_repeated", "repeated_heading"]


def test_row_with_a_repeated_stamp_and_another_frame_time_stays(tmp_path):
    lines = frame_log(FRAME_MS).splitlines(keepends=True)
    stamp = lines[100].split(",")[0]
    log = _read(tmp_path, "".join([*lines[:101], f"{stamp},1.000\n", *lines[101:]]))
    assert log.frames.frame_ms.size == FRAME_MS.size + 1
    assert _checks(log) == []


def test_pause_stays(tmp_path):
    frame_ms = FRAME_MS.copy()
    frame_ms[200] = 3200.0
    assert _read(tmp_path, frame_log(frame_ms)).frames.frame_ms.max() == 3200.0


def test_an_empty_cell_is_filled_from_the_time_beside_it_and_told(tmp_path):
    text = frame_log(FRAME_MS).replace(f",{FRAME_MS[50]:.3f}\n", ",N/A\n", 1)
    log = _read(tmp_path, text)
    assert log.frames.frame_ms == pytest.approx(FRAME_MS, abs=0.0011)
    assert [one.check for one in log.findings] == ["cells_denied"]
    assert "first in row 51: no value where the time says" in log.findings[0].message


def test_as_many_cells_are_replaced_as_may_differ_where_the_others_prove_the_column(tmp_path):
    lines = frame_log(FRAME_MS).splitlines(keepends=True)
    lost = range(1, len(lines), 40)
    for place in lost:
        time, frame_ms = lines[place].split(",")
        lines[place] = f"{time},{frame_ms.replace('.', '')}"
    log = _read(tmp_path, "".join(lines))
    assert 0.02 < len(lost) / FRAME_MS.size < 0.03
    assert (log.certainty.word, log.frames.frame_ms) == ("proven", pytest.approx(FRAME_MS, abs=0.0011))


@pytest.mark.parametrize("row", [1, -1])
def test_a_cell_at_an_end_that_no_step_reaches_is_no_frame_of_minutes(tmp_path, row):
    lines = frame_log(FRAME_MS).splitlines(keepends=True)
    lines[row] = lines[row].replace(lines[row].split(",")[1], "15250\n")
    mean_ms = _read(tmp_path, "".join(lines)).frames.frame_ms.mean()
    assert mean_ms == pytest.approx(FRAME_MS.mean(), rel=1e-2)


def test_a_cell_that_the_time_beside_it_denies_is_replaced_and_told(tmp_path):
    text = frame_log(FRAME_MS).replace(f",{FRAME_MS[50]:.3f}\n", ",99.000\n", 1)
    log = _read(tmp_path, text)
    assert log.frames.frame_ms == pytest.approx(FRAME_MS, abs=0.0011)
    assert "first in row 51: 99 ms where the time says" in log.findings[0].message


def test_rows_without_frame_time_are_left_out_and_counted(tmp_path):
    lines = table({"frame (ms)": frame_times(1000)}).splitlines(keepends=True)
    log = _read(tmp_path, "".join([*lines[:51], "N/A\n", *lines[52:]]))
    assert log.frames.frame_ms.size == 999
    assert log.findings[-1].check == "rows_without_frame_time"
    assert log.findings[-1].found == 1.0


def test_negative_frame_time_is_refused(tmp_path):
    text = frame_log(FRAME_MS).replace(f",{FRAME_MS[60]:.3f}\n", ",-16.000\n", 1)
    with pytest.raises(LogError, match="row 61 has a frame time of -16 ms, below zero"):
        _read(tmp_path, text)


CLOCKS = {
    "ISO": "%Y-%m-%dT%H:%M:%S.%f",
    "ISO with zone": "%Y-%m-%d %H:%M:%S.%fZ",
    "day first": "%d.%m.%Y %H:%M:%S.%f",
    "slashes": "%Y/%m/%d %H:%M:%S.%f",
}


@pytest.mark.parametrize("form", CLOCKS.values(), ids=CLOCKS.keys())
def test_wall_clock_beside_elapsed_time_is_found(tmp_path, form):
    starts = (np.cumsum(FRAME_MS) - FRAME_MS) / 1000
    stamps = [stamp if form.endswith("f") else stamp[:-4] + "Z" for stamp in clock(starts, form=form)]
    log = _read(tmp_path, table({"c": stamps, "t": [f"{one:.6f}" for one in starts], "f": FRAME_MS}))
    assert log.clock == pytest.approx(1793653200.0)  # 2026-11-02 21:00:00
    assert log.clock_kind == ("zoned" if form.endswith("Z") else "dated")


def test_date_and_time_of_day_in_two_columns_are_one_clock(tmp_path):
    starts = (np.cumsum(FRAME_MS) - FRAME_MS) / 1000
    columns = {
        "d": ["02/11/2026"] * 400,
        "h": clock(starts, form="%H:%M:%S.%f"),
        "t": [f"{one:.6f}" for one in starts],
        "f": FRAME_MS,
    }
    assert _read(tmp_path, table(columns)).clock == pytest.approx(1793653200.0)


def test_seconds_since_1970_serve_as_clock_and_as_elapsed_time(tmp_path):
    stamps = [f"{1793653200 + one:.6f}" for one in (np.cumsum(FRAME_MS) - FRAME_MS) / 1000]
    log = _read(tmp_path, table({"t": stamps, "f": FRAME_MS}))
    assert log.clock == pytest.approx(1793653200.0)
    assert log.stamped == "start"


def test_sensors_beside_the_frames_are_read_by_metric_name_or_declaration(tmp_path):
    starts = (np.cumsum(FRAME_MS) - FRAME_MS) / 1000
    columns = {"t": [f"{one:.6f}" for one in starts], "f": FRAME_MS, "board_w": [250.5] * 400, "heat": [61] * 400}
    log = _read(tmp_path, table(columns), declared=Declaration(sensors={"core_c": "heat"}))
    assert {metric: set(values) for metric, values in log.sensors.items()} == {"board_w": {250.5}, "core_c": {61.0}}


def test_memory_of_layouts_changes_nothing(tmp_path):
    memory, texts = (
        FormatMemory(),
        [frame_log(frame_times(seed=k), stamped=("start", "end")[k % 2]) for k in range(4)],
    )
    # Steps that no longer equal all frame times must be looked at afresh.
    texts.append(texts[0].replace("16.", "17.", 5))
    texts.append(table({"a": FRAME_MS, "b": [f"{one:.6f}" for one in np.cumsum(FRAME_MS) / 1000]}))
    for text in texts:
        fresh, remembered = _read(tmp_path, text), _read(tmp_path, text, memory=memory)
        assert fresh.choices == remembered.choices
        assert fresh.frames.frame_ms.tolist() == remembered.frames.frame_ms.tolist()
        assert fresh.frames.time_s.tolist() == remembered.frames.time_s.tolist()
        assert (fresh.stamped, fresh.n_mismatched) == (remembered.stamped, remembered.n_mismatched)


@settings(max_examples=40, deadline=None)
@given(
    frame_us=st.lists(st.integers(2_000, 60_000), min_size=12, max_size=80),
    unit=st.sampled_from(["ms", "s"]),
    stamped=st.sampled_from(["start", "end"]),
)
def test_unit_never_changes_what_is_read(tmp_path_factory, frame_us, unit, stamped):
    frame_ms = np.array(frame_us) / 1000
    ends = np.cumsum(frame_us) / 1000
    times = ends if stamped == "end" else ends - frame_ms
    scale, digits = (1.0, 3) if unit == "ms" else (1000.0, 6)
    columns = {
        "t": [f"{one / scale:.{digits}f}" for one in times],
        "f": [f"{one / scale:.{digits}f}" for one in frame_ms],
    }
    declared = Declaration(frame_time=("f", unit))
    log = _read(tmp_path_factory.mktemp("log"), table(columns), declared=declared)
    assert log.frames.frame_ms == pytest.approx(frame_ms, rel=1e-12)


def _two_sources():
    """Return a log in which rows of a game and of a small window over it take turns by time."""
    own, other = frame_times(300), frame_times(90, seed=8) * 3
    starts = [(np.cumsum(one) - one) / 1000 for one in (own, other)]
    rows = [(t, f, "game") for t, f in zip(starts[0], own, strict=True)]
    rows += [(t + 0.0031, f, "window") for t, f in zip(starts[1], other, strict=True)]
    rows.sort()
    columns = [f"{t:.6f}" for t, _, _ in rows], [f"{f:.3f}" for _, f, _ in rows], [name for _, _, name in rows]
    return table(dict(zip(("when", "took", "of"), columns, strict=True))), own


def test_frames_of_several_sources_are_asked_for_and_the_declared_one_is_read(tmp_path):
    text, own = _two_sources()
    with pytest.raises(LogError, match=r"'game' \(300 rows\), 'window' \(90 rows\); which is the game\?"):
        _read(tmp_path, text)
    log = _read(tmp_path, text, declared=Declaration(count_only={"of": ("game",)}))
    assert log.frames.frame_ms.tolist() == own.tolist()
    assert log.n_mismatched == 0
    assert "'game' are declared and used (300 rows), the others are not: 'window' (90)" in log.findings[0].message


def test_frames_with_another_outcome_are_counted_and_told(tmp_path):
    starts = (np.cumsum(FRAME_MS) - FRAME_MS) / 1000
    outcome = np.where(np.arange(400) % 97 == 5, "dropped", "shown")
    log = _read(tmp_path, table({"t": [f"{one:.6f}" for one in starts], "f": FRAME_MS, "end": outcome}))
    assert log.frames.frame_ms.size == 400
    assert _checks(log) == ["other_outcomes"]
    assert log.findings[0].found == 5.0


def test_start_is_told_to_a_frame_from_stamps_of_whole_seconds(tmp_path):
    starts = (np.cumsum(FRAME_MS) - FRAME_MS) / 1000
    stamps = clock(np.floor(starts + 0.4), form="%Y-%m-%d %H:%M:%S")
    log = _read(tmp_path, table({"c": stamps, "t": [f"{one:.6f}" for one in starts], "f": FRAME_MS}))
    assert log.clock == pytest.approx(1793653200.4, abs=0.02)
