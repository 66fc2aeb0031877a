"""Formats of frame logs: nothing is counted on a guess, samples are refused, damage is seen."""

import numpy as np
import pytest
from made_dialects import (
    MadeLog,
    contradicted,
    damaged,
    frame_dialects,
    frames,
    outcome_of,
    random_layouts,
    text_of,
    told_in_lines,
    written,
)
from made_logs import sensor_signal, table

from gpubench_kit.logs import loose_files
from gpubench_kit.logs.format import Certainty, ConfirmedFormat, Declaration, RunTask, Witness
from gpubench_kit.logs.read_frames import read_frame_log
from gpubench_kit.logs.review import open_review
from gpubench_kit.logs.run_log import read_run
from gpubench_kit.model.errors import LogError
from gpubench_kit.model.plan import ReviewPlan

RNG = np.random.default_rng(11)
FRAME_MS = frames(RNG)


def _read(tmp_path, text, **options):
    """Return the frame log with this text."""
    path = tmp_path / "run.csv"
    path.write_text(text, encoding="utf-8")
    return read_frame_log(path, **options)


def _outcome(tmp_path, logs):
    """Return how made logs are read."""

    def answer(log: MadeLog):
        try:
            read = _read(tmp_path, log.text)
        except LogError:
            return None
        return 1000.0 * read.frames.frame_ms.size / float(read.frames.frame_ms.sum()), read.certainty.word

    return outcome_of(logs, answer)


def test_no_dialect_is_read_wrong_and_counted(tmp_path):
    found = _outcome(tmp_path, frame_dialects(1))
    assert found.wrong == []
    assert (found.counts, found.shown) == (68, 19)


def test_no_damaged_log_is_read_wrong_and_counted(tmp_path):
    found = _outcome(tmp_path, damaged(1))
    assert found.wrong == []
    assert (found.counts, found.shown, found.asked) == (6, 4, 3)


def test_frames_told_in_lines_are_read_and_none_is_wrong(tmp_path):
    found = _outcome(tmp_path, told_in_lines(1))
    assert (found.wrong, found.wrong_shown) == ([], 0)
    assert (found.counts, found.shown, found.asked) == (33, 12, 3)


def test_nothing_that_a_log_itself_contradicts_is_counted(tmp_path):
    found = _outcome(tmp_path, contradicted(1))
    assert (found.wrong, found.counts) == ([], 1)


@pytest.mark.parametrize("seed", range(2))
def test_no_random_layout_is_read_wrong_and_counted(tmp_path, seed):
    found = _outcome(tmp_path, random_layouts(seed, 60))
    assert found.wrong == []
    assert found.counts >= 20


DAMAGE = {
    "every row twice": "every_row_twice",
    "block repeated": "block_repeated",
    "reversed": "rows_reversed",
    "sum row": "summary_rows",
    "mean, least, largest": "summary_rows",
    "lost mark beside time": "cells_denied",
    "empty cells beside time": "cells_denied",
}


@pytest.mark.parametrize("name", DAMAGE)
def test_damage_that_is_repaired_is_told(tmp_path, name):
    (log,) = [one for one in damaged(1) if one.name == name]
    assert DAMAGE[name] in [one.check for one in _read(tmp_path, log.text).findings]


def test_a_last_frame_as_long_as_the_mean_is_a_frame_where_its_time_goes_on(tmp_path):
    frame_ms = FRAME_MS.round(3)
    frame_ms[-1] = frame_ms[:-1].mean().round(3)
    columns = {"elapsed_s": written(np.cumsum(frame_ms), "s"), "frame_ms": [f"{one:.3f}" for one in frame_ms]}
    read = _read(tmp_path, text_of(columns))
    assert read.frames.frame_ms.size == frame_ms.size
    assert "summary_rows" not in [one.check for one in read.findings]
    for last in ("", "0.000"):
        columns["elapsed_s"][-1] = last
        assert "summary_rows" in [one.check for one in _read(tmp_path, text_of(columns)).findings]


def test_a_last_row_that_meets_the_mean_of_one_column_is_a_row(tmp_path):
    """One whole number in a hundred does so by chance; the mean of every column makes a summary."""
    clock_mhz = np.random.default_rng(3).integers(1900, 2000, FRAME_MS.size)
    clock_mhz[-1] = round(clock_mhz[:-1].mean())
    columns = {
        "elapsed_s": written(np.cumsum(FRAME_MS), "s"),
        "frame_ms": written(FRAME_MS, "ms"),
        "board_w": [f"{watts:.1f}" for watts in np.random.default_rng(4).normal(300, 5, FRAME_MS.size)],
        "core_mhz": [str(mhz) for mhz in clock_mhz],
    }
    read = _read(tmp_path, text_of(columns))
    assert read.frames.frame_ms.size == FRAME_MS.size
    assert "summary_rows" not in [one.check for one in read.findings]
    means = ["", f"{FRAME_MS.mean():.3f}", f"{np.mean([float(one) for one in columns['board_w']]):.1f}"]
    summary = text_of({name: [*cells, mean] for (name, cells), mean in
                       zip(columns.items(), [*means, f"{clock_mhz.mean():.0f}"], strict=True)})  # fmt: skip
    read = _read(tmp_path, summary)
    assert read.frames.frame_ms.size == FRAME_MS.size
    assert "summary_rows" in [one.check for one in read.findings]


@pytest.mark.parametrize(("count", "time"), [("Bild", "Dauer"), ("frame", "dur"), ("image", "temps")])
@pytest.mark.parametrize("decimals", [4, 0])
def test_a_column_that_may_count_is_not_proposed_beside_one_that_names_a_duration(tmp_path, count, time, decimals):
    counted = np.random.default_rng(1).integers(3, 10, FRAME_MS.size)
    timed = [f"{one:.{decimals}f}" for one in FRAME_MS]
    for columns in ({count: counted, time: timed}, {time: timed, count: counted}):
        read = _read(tmp_path, text_of(columns))
        assert read.certainty == Certainty.LIKELY
        assert read.frames.frame_ms.mean() == pytest.approx(FRAME_MS.mean(), rel=0.02)
    # A column that names frames and how long they take is proposed as before.
    read = _read(tmp_path, text_of({f"{count} {time}": np.round(FRAME_MS).astype(int), "wait": counted / 10}))
    assert read.frames.frame_ms.mean() == pytest.approx(FRAME_MS.mean(), rel=0.02)


def test_a_second_run_in_the_log_is_asked_for_and_its_part_can_be_named(tmp_path):
    (log,) = [one for one in damaged(1) if one.name == "second run below"]
    with pytest.raises(LogError, match=r"2 runs stand in one log \(rows 1-\d+, \d+-\d+\).*part = 1"):
        _read(tmp_path, log.text)
    format_id = _format_id(tmp_path, log.text)
    for part, usual in ((1, 9.0), (2, 12.0)):
        declared = Declaration(formats=(ConfirmedFormat(format_id, "frame ms", "ms", part=part),))
        read = _read(tmp_path, log.text, declared=declared)
        assert np.median(read.frames.frame_ms) == pytest.approx(usual, rel=0.05)


def _format_id(tmp_path, text):
    """Return the short name of a log's format."""
    from gpubench_kit.logs.loose_files import facts_of_log

    path = tmp_path / "run.csv"
    path.write_text(text, encoding="utf-8")
    return facts_of_log(path).format_id


def test_a_confirmed_format_counts_as_stated(tmp_path):
    text = text_of({"dur": written(FRAME_MS, "ms")})
    likely = _read(tmp_path, text)
    assert likely.certainty == Certainty.LIKELY
    declared = Declaration(formats=(ConfirmedFormat(likely.format.format_id, "dur", "ms"),))
    stated = _read(tmp_path, text, declared=declared)
    assert stated.certainty == Certainty.STATED
    assert np.array_equal(stated.frames.frame_ms, likely.frames.frame_ms)


def test_a_confirmation_holds_for_its_format_alone(tmp_path):
    text = text_of({"dur": written(FRAME_MS, "ms")})
    declared = Declaration(formats=(ConfirmedFormat("00000000", "dur", "ms", seen="n;dur"),))
    log = _read(tmp_path, text, declared=declared)
    assert log.certainty == Certainty.LIKELY
    (told,) = [one for one in log.findings if one.check == "format_likely"]
    assert (
        "confirms another format of this card, 00000000 (n;dur): this log's columns are not the same"
        in told.message
    )


def test_a_question_says_that_the_columns_are_not_those_confirmed(tmp_path):
    text = text_of({"x": [f"{one:.0f}" for one in np.cumsum(FRAME_MS) * 1e4]})
    declared = Declaration(formats=(ConfirmedFormat("00000000", "dur", "ms"),))
    with pytest.raises(LogError, match="confirms another format of this card, 00000000: this log's columns"):
        _read(tmp_path, text, declared=declared)


def test_a_contradiction_beats_a_confirmation(tmp_path):
    seconds = [f"{one:.3f}" for one in np.arange(900) * 0.1]
    text = text_of({"t (s)": seconds, "dur": (9 * RNG.normal(1, 0.05, 900)).round(2)})
    declared = Declaration(formats=(ConfirmedFormat(_format_id(tmp_path, text), "dur", "ms"),))
    with pytest.raises(LogError, match="these are samples, not frames"):
        _read(tmp_path, text, declared=declared)
    with pytest.raises(LogError, match="these are samples, not frames"):
        _read(tmp_path, text, declared=Declaration(frame_time=("dur", "ms")))


_RATES = [f"{1000 / one:.3f}" for one in FRAME_MS]
_ENDS = np.cumsum(FRAME_MS)
CONTRADICTIONS = {
    "units that the steps deny": ({"t [us]": written(_ENDS, "ms"), "d [ms]": FRAME_MS}, None, "neither the steps"),
    "a time in other units": ({"t [ms]": written(_ENDS, "s"), "d [ms]": FRAME_MS}, None, "neither the steps"),
    "rates as time": ({"t [s]": written(_ENDS, "s"), "fps": _RATES}, ("fps", "ms"), "speaks of frame rates"),
    "rates as time, alone": ({"fps": _RATES}, ("fps", "ms"), "speaks of frame rates"),
    "even steps alone": ({"t [s]": written(np.arange(900) * 16.667, "s")}, None, "a frame limit, or samples"),
    "a time of another run": ({"t [s]": written(_ENDS * 2.1, "s"), "d [ms]": FRAME_MS}, None, "neither the steps"),
}


@pytest.mark.parametrize("name", CONTRADICTIONS)
def test_what_contradicts_itself_is_not_counted(tmp_path, name):
    columns, declared, message = CONTRADICTIONS[name]
    with pytest.raises(LogError, match=message):
        _read(tmp_path, text_of(columns), declared=Declaration(frame_time=declared))


def test_a_pause_that_no_cell_shows_is_no_frame(tmp_path):
    ends = _ENDS + np.where(np.arange(_ENDS.size) >= 400, 2500.0, 0.0)
    read = _read(tmp_path, text_of({"t [s]": written(ends, "s"), "d [ms]": FRAME_MS}))
    assert (read.certainty, read.frames.frame_ms.max()) == (Certainty.PROVEN, FRAME_MS.max())
    assert read.frames.end_s == pytest.approx(float(ends[-1]) / 1e3, abs=1e-5)


def test_a_unit_that_the_time_denies_is_a_fault(tmp_path):
    text = text_of({"t (s)": written(np.cumsum(FRAME_MS), "s"), "dur": written(FRAME_MS, "ms")})
    with pytest.raises(LogError, match=r"declared to be in us, but by column 't \(s\)' a frame takes 9"):
        _read(tmp_path, text, declared=Declaration(frame_time=("dur", "us")))


def test_ticks_and_rates_can_be_confirmed(tmp_path):
    ticks = (np.cumsum(FRAME_MS) * 1e4).round().astype(int)
    text = text_of({"ticks": ticks})
    confirmed = ConfirmedFormat(_format_id(tmp_path, text), time_steps="ticks", per_s=1e7)
    read = _read(tmp_path, text, declared=Declaration(formats=(confirmed,)))
    assert read.frames.frame_ms == pytest.approx(FRAME_MS[1:], abs=1.1e-4)
    text = text_of({"fps": [f"{1000 / one:.4f}" for one in FRAME_MS]})
    confirmed = ConfirmedFormat(_format_id(tmp_path, text), rate="fps")
    read = _read(tmp_path, text, declared=Declaration(formats=(confirmed,)))
    assert read.frames.frame_ms == pytest.approx(FRAME_MS, rel=1e-4)


def test_a_length_known_from_outside_proves_what_is_only_likely(tmp_path):
    text = text_of({"dur": written(FRAME_MS, "ms")})
    length_s = float(FRAME_MS.sum()) / 1000
    assert _read(tmp_path, text, witnesses=[Witness("the video", length_s, 1.0)]).certainty == Certainty.PROVEN
    assert _read(tmp_path, text, witnesses=[Witness("the video", 2 * length_s, 1.0)]).certainty == Certainty.LIKELY


def test_the_busy_stretch_of_the_runs_own_sensor_log_is_such_a_length(tmp_path):
    frame_ms = frames(np.random.default_rng(4), 6000)
    (tmp_path / "f.csv").write_text(text_of({"dur": written(frame_ms, "ms")}), encoding="utf-8")
    times, load, watts = sensor_signal(float(frame_ms.sum()) / 1000)
    (tmp_path / "s.csv").write_text(table({"t (s)": times, "load_pct": load, "board_w": watts.round(1)}), "utf-8")
    alone = read_run(RunTask("r1", str(tmp_path / "f.csv"), "f.csv"))
    beside = read_run(RunTask("r1", str(tmp_path / "f.csv"), "f.csv", str(tmp_path / "s.csv"), "s.csv"))
    assert (alone.certainty, beside.certainty) == (Certainty.LIKELY, Certainty.PROVEN)


def _of_kinds(*kinds):
    """Return a log in whose rows these kinds of frames take turns."""
    columns = {"t (s)": written(np.cumsum(FRAME_MS), "s"), "d (ms)": FRAME_MS}
    return text_of({**columns, "kind": np.resize(kinds, FRAME_MS.size)})


def test_generated_frames_that_alternate_are_a_question_and_not_counted(tmp_path):
    asked = _read(tmp_path, _of_kinds("drawn", "made up"))
    assert asked.certainty == Certainty.LIKELY
    checks = [one.check for one in asked.findings]
    assert checks == ["frames_of_two_kinds", "format_likely"]
    confirmed = ConfirmedFormat(asked.format.format_id, time="d (ms)", unit="ms")
    stated = _read(tmp_path, _of_kinds("drawn", "made up"), declared=Declaration(formats=(confirmed,)))
    by_settings = _read(tmp_path, _of_kinds("drawn", "made up"), declared=Declaration(states_kinds=True))
    assert (stated.certainty, by_settings.certainty) == (Certainty.STATED, Certainty.PROVEN)


def test_generated_frames_are_asked_for_whatever_was_read_before(tmp_path):
    from gpubench_kit.logs.read_frames import FormatMemory

    memory = FormatMemory()
    kinds = [("drawn", "drawn"), ("drawn", "made up"), ("drawn", "drawn"), ("drawn", "made up")]
    read = [_read(tmp_path, _of_kinds(*one), memory=memory) for one in kinds]
    assert [one.certainty.word for one in read] == ["proven", "likely", "proven", "likely"]


@pytest.mark.parametrize(("stated", "expected"), [({}, "likely"), ({"generated_per_rendered": 1}, "proven")])
def test_settings_of_the_game_answer_for_its_runs(tmp_path, stated, expected):
    for name in ("factory", "quiet"):
        (tmp_path / f"{name}.csv").write_text(_of_kinds("drawn", "made up"), encoding="utf-8")
    rows = ["run,game,tuning,frame_log", *(f"{one},Salt Orchard,{one},{one}.csv" for one in ("factory", "quiet"))]
    (tmp_path / "runs.csv").write_text("\n".join(rows), encoding="utf-8")
    plan = {
        "review": {"title": "Two kinds"}, "cards": [{"name": "Larkmoor 4"}],
        "tunings": [{"name": "factory", "reference": True}, {"name": "quiet"}],
        "games": [{"name": "Salt Orchard", "settings": [stated]}],
    }  # fmt: skip
    tasks = open_review(ReviewPlan.from_dict(plan, folder=tmp_path)).tasks
    assert [read_run(task).certainty.word for task in tasks] == [expected, expected]


def test_what_a_format_says_names_the_log_that_is_read(tmp_path):
    from gpubench_kit.logs.read_frames import FormatMemory

    memory, columns = FormatMemory(), {"t (s)": written(np.cumsum(FRAME_MS), "s"), "d (ms)": FRAME_MS}
    text = text_of({**columns, "power [W]": RNG.normal(300, 9, FRAME_MS.size).round(1)})
    for name in ("first.csv", "second.csv"):
        (tmp_path / name).write_text(text, encoding="utf-8")
        findings = read_frame_log(tmp_path / name, memory=memory).findings
        assert findings
        assert all(one.message.startswith(f"{name}:") for one in findings)


def test_whole_milliseconds_are_told_as_too_coarse(tmp_path):
    columns = {"t (s)": written(np.cumsum(FRAME_MS), "s"), "d (ms)": FRAME_MS.round().astype(int)}
    read = _read(tmp_path, text_of(columns))
    assert [one.check for one in read.findings] == ["too_coarse"]


def test_a_frame_log_of_ten_frames_a_second_is_only_likely(tmp_path):
    slow_ms = frames(np.random.default_rng(2), 400, 110.0)
    columns = {"t (s)": written(np.cumsum(slow_ms), "s"), "d (ms)": slow_ms}
    assert _read(tmp_path, text_of(columns)).certainty == Certainty.LIKELY


def test_a_log_of_the_same_format_is_read_by_it_and_one_that_does_not_fit_is_sniffed_afresh(tmp_path):
    from gpubench_kit.logs.read_frames import FormatMemory

    memory = FormatMemory()
    columns = {"t (s)": written(np.cumsum(FRAME_MS), "s"), "a (ms)": FRAME_MS, "b (ms)": FRAME_MS[::-1]}
    first = _read(tmp_path, text_of(columns), memory=memory)
    swapped = {"t (s)": columns["t (s)"], "a (ms)": FRAME_MS[::-1], "b (ms)": FRAME_MS}
    second = _read(tmp_path, text_of(swapped), memory=memory)
    assert [log.choices[0].column for log in (first, second)] == [1, 2]
    assert np.array_equal(first.frames.frame_ms, second.frames.frame_ms)


def test_a_run_sheet_beside_logs_raises_nothing(tmp_path):
    path = tmp_path / "runs.csv"
    rows = [f"r{k},quiet,Salt Orchard,{k // 2 + 1},{k + 1},{100 - k % 2 * 3}.{k % 3}" for k in range(10)]
    path.write_text("\n".join(["run,tuning,game,round,order,avg_fps", *rows]) + "\n", encoding="utf-8")
    assert loose_files.facts_of_log(path).certainty != "proven"
