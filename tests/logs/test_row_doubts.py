"""Rows that agree with the time beside them and may still be no frames: several a row, samples, two kinds."""

import numpy as np
import pytest
from made_dialects import frames, text_of, written

from gpubench_kit.logs.format import Certainty, ConfirmedFormat, Declaration
from gpubench_kit.logs.loose_files import facts_of_log
from gpubench_kit.logs.read_frames import FormatMemory, read_frame_log
from gpubench_kit.model.errors import LogError

RNG = np.random.default_rng(31)
FRAME_MS = frames(RNG)
EVEN_MS = RNG.normal(10.0, 0.05, 3000).round(3)
IN_TURN_MS = np.where(np.arange(FRAME_MS.size) % 2 == 0, FRAME_MS, FRAME_MS / 4).round(3)


def _text(frame_ms, heading="d (ms)", **beside):
    """Return a log with the time, how long each row took, and further columns."""
    return text_of({"t (s)": written(np.cumsum(frame_ms), "s"), heading: frame_ms, **beside})


def _read(tmp_path, text, **options):
    path = tmp_path / "run.csv"
    path.write_text(text, encoding="utf-8")
    return read_frame_log(path, **options)


@pytest.mark.parametrize(
    "heading", ["frames", "n frames", "frame count", "Anzahl Bilder", "frames shown per rendered"]
)
def test_rows_that_hold_several_frames_are_asked_for(tmp_path, heading):
    several = np.full(FRAME_MS.size, 2)
    with pytest.raises(LogError, match=r"says 2 a row: several frames"):
        _read(tmp_path, _text(FRAME_MS, **{heading: several}))
    with pytest.raises(LogError, match=r"says 2 a row: several frames"):
        _read(tmp_path, text_of({"t (s)": written(np.cumsum(FRAME_MS), "s"), heading: several}))


@pytest.mark.parametrize(
    ("heading", "values"),
    [("frames", np.ones(FRAME_MS.size, dtype=int)), ("frame number", np.arange(FRAME_MS.size) % 60 + 1),
     ("frame count", np.arange(FRAME_MS.size) + 500), ("frames waiting", np.full(FRAME_MS.size, 2))],
)  # fmt: skip
def test_one_frame_a_row_and_numbers_of_rows_are_not_asked_for(tmp_path, heading, values):
    assert _read(tmp_path, _text(FRAME_MS, **{heading: values})).certainty == Certainty.PROVEN


def test_what_is_told_of_frames_a_row_does_not_depend_on_logs_read_before(tmp_path):
    memory = FormatMemory()
    _read(tmp_path, _text(FRAME_MS, frames=np.ones(FRAME_MS.size, dtype=int)), memory=memory)
    with pytest.raises(LogError, match="several frames"):
        _read(tmp_path, _text(FRAME_MS, frames=np.full(FRAME_MS.size, 3)), memory=memory)


@pytest.mark.parametrize(("heading", "expected"), [("d (ms)", "likely"), ("frame (ms)", "proven")])
def test_rows_that_come_as_evenly_as_samples_count_where_the_heading_speaks_of_frames(tmp_path, heading, expected):
    assert _read(tmp_path, _text(EVEN_MS, heading)).certainty.word == expected
    memory = FormatMemory()
    assert _read(tmp_path, _text(FRAME_MS, heading), memory=memory).certainty == Certainty.PROVEN
    assert _read(tmp_path, _text(EVEN_MS, heading), memory=memory).certainty.word == expected


def test_long_and_short_frames_in_turn_are_a_question(tmp_path):
    read = _read(tmp_path, _text(IN_TURN_MS, "frame (ms)"))
    assert read.certainty == Certainty.LIKELY
    assert [one.check for one in read.findings] == ["frames_of_two_kinds", "format_likely"]
    stated = _read(tmp_path, _text(IN_TURN_MS, "frame (ms)"), declared=Declaration(states_kinds=True))
    assert stated.certainty == Certainty.PROVEN
    memory = FormatMemory()
    _read(tmp_path, _text(FRAME_MS, "frame (ms)"), memory=memory)
    assert _read(tmp_path, _text(IN_TURN_MS, "frame (ms)"), memory=memory).certainty == Certainty.LIKELY


def test_frame_times_that_only_scatter_do_not_take_turns(tmp_path):
    paced = FRAME_MS.mean() + np.where(np.arange(3000) % 2 == 0, 1.0, -1.0) + RNG.normal(0, 0.4, 3000)
    assert _read(tmp_path, _text(paced.round(3), "frame (ms)")).certainty == Certainty.PROVEN


def test_two_kinds_beside_a_time_alone_do_not_count_either(tmp_path):
    kinds = np.resize(["drawn", "made up"], FRAME_MS.size)
    text = text_of({"t (s)": written(np.cumsum(FRAME_MS), "s"), "kind": kinds})
    assert _read(tmp_path, text).certainty == Certainty.LIKELY


def test_a_lone_column_of_averages_is_asked_for(tmp_path):
    with pytest.raises(LogError, match="speaks of an average"):
        _read(tmp_path, text_of({"mean frame (ms)": FRAME_MS}))
    beside = _read(tmp_path, text_of({"mean ms": FRAME_MS, "frame ms": FRAME_MS[::-1]}))
    assert (beside.choices[0].label, beside.certainty) == ("column 'frame ms'", Certainty.LIKELY)


def test_a_part_that_cannot_be_a_frame_time_leaves_the_time_alone(tmp_path):
    part_us = RNG.normal(300.0, 20.0, FRAME_MS.size).round()
    read = _read(tmp_path, text_of({"part (us)": part_us, "t (s)": written(np.cumsum(FRAME_MS), "s")}))
    assert (read.certainty, read.format.frame_time) == (Certainty.LIKELY, None)
    assert read.frames.frame_ms.mean() == pytest.approx(FRAME_MS[1:].mean(), rel=1e-4)


def test_a_column_that_moves_as_the_time_does_in_another_unit_than_it_states_is_asked_for(tmp_path):
    with pytest.raises(LogError):
        _read(tmp_path, text_of({"t (s)": written(np.cumsum(FRAME_MS), "s"), "d (ms)": FRAME_MS * 1000}))


@pytest.mark.parametrize("per_s", [1.0, 1e3, 1e6, 1e9])
def test_a_rate_beside_a_time_proves_the_unit_of_the_time(tmp_path, per_s):
    time = [f"{one:.{0 if per_s > 1e3 else 6}f}" for one in np.cumsum(FRAME_MS) / 1e3 * per_s]
    read = _read(tmp_path, text_of({"time": time, "rate": (1000 / FRAME_MS).round(3)}))
    assert read.certainty == Certainty.PROVEN
    assert read.frames.frame_ms.mean() == pytest.approx(FRAME_MS[1:].mean(), rel=1e-4)


def _confirmed(tmp_path, text, **what):
    """Return a log whose format the plan confirms."""
    path = tmp_path / "run.csv"
    path.write_text(text, encoding="utf-8")
    format_id = facts_of_log(path).format_id
    return read_frame_log(path, declared=Declaration(formats=(ConfirmedFormat(format_id, **what),)))


def test_means_that_the_plan_confirms_as_frames_are_denied_by_the_time_beside_them(tmp_path):
    kept = FRAME_MS[: FRAME_MS.size // 10 * 10]
    ends_s, means = np.cumsum(kept)[9::10] / 1e3, kept.reshape(-1, 10).mean(axis=1).round(3)
    text = text_of({"t (s)": ends_s.round(5), "dur": means})
    with pytest.raises(LogError, match=r"rows are \d+\.?\d* ms apart by column 't \(s\)', but column 'dur' says"):
        _confirmed(tmp_path, text, time="dur", unit="ms")
    with pytest.raises(LogError, match="ms a frame"):
        _confirmed(tmp_path, text_of({"t (s)": ends_s.round(5), "r": (1e3 / means).round(3)}), rate="r")


def test_frames_beside_a_slower_clock_count_once_they_are_confirmed(tmp_path):
    text = text_of({"scene (s)": (np.cumsum(FRAME_MS) / 2e3).round(6), "dur": FRAME_MS})
    assert _confirmed(tmp_path, text, time="dur", unit="ms").certainty == Certainty.STATED


def _steps(frame_ms, **beside):
    """Return a log with a time alone, and what stands beside it."""
    return text_of({"t (s)": written(np.cumsum(frame_ms), "s"), **beside})


BESIDE = {
    "GPU power (W)": RNG.normal(300.0, 4.0, FRAME_MS.size).round(1),
    "ping (ms)": RNG.normal(20.0, 3.0, FRAME_MS.size).round(1),
    "audio buffer (ms)": FRAME_MS,
    "shown (s)": (np.cumsum(FRAME_MS) / 1e3 + RNG.uniform(0.002, 0.004, FRAME_MS.size)).round(6),
}


@pytest.mark.parametrize("heading", BESIDE)
def test_steps_of_a_time_beside_which_other_things_are_timed_may_be_samples_of_those(tmp_path, heading):
    assert _read(tmp_path, _steps(FRAME_MS)).certainty == Certainty.STATED
    assert _read(tmp_path, _steps(FRAME_MS, **{heading: BESIDE[heading]})).certainty == Certainty.LIKELY


def test_steps_that_the_work_of_the_card_fills_are_frames(tmp_path):
    work = (FRAME_MS * 0.96).round(3)
    read = _read(tmp_path, _steps(FRAME_MS, **{"gpu (ms)": work, "cpu (ms)": (FRAME_MS / 2).round(3)}))
    assert read.certainty == Certainty.STATED


def test_frames_of_which_rows_were_lost_at_random_are_asked_for(tmp_path):
    kept = RNG.random(FRAME_MS.size) < 0.5
    text = text_of({"t (s)": np.cumsum(FRAME_MS)[kept] / 1e3, "frame (ms)": FRAME_MS[kept]})
    with pytest.raises(LogError, match="neither the steps of"):
        _read(tmp_path, text)


@pytest.mark.parametrize("heading", ["server tick (ms)", "sample period (ms)", "poll (ms)"])
def test_a_heading_that_speaks_of_samples_is_only_likely(tmp_path, heading):
    assert _read(tmp_path, _text(FRAME_MS, heading)).certainty == Certainty.LIKELY
    memory = FormatMemory()
    for _ in range(2):
        assert _read(tmp_path, _text(FRAME_MS, heading), memory=memory).certainty == Certainty.LIKELY


KINDS = {
    "every third": (("kind"), np.resize(["real", "made", "made"], FRAME_MS.size)),
    "flag, two of three": ("x", np.resize([0, 1, 1], FRAME_MS.size)),
    "a word, in any order": ("generated", (RNG.random(FRAME_MS.size) < 0.4).astype(int)),
    "a heading for kinds of frames": ("frame type", np.where(RNG.random(FRAME_MS.size) < 0.4, "a", "b")),
    "a value that says it": ("kind", np.where(RNG.random(FRAME_MS.size) < 0.4, "interpolated", "drawn")),
}


@pytest.mark.parametrize("name", KINDS)
def test_kinds_of_frames_in_any_turn_are_a_question(tmp_path, name):
    heading, kinds = KINDS[name]
    read = _read(tmp_path, _text(FRAME_MS, "frame (ms)", **{heading: kinds}))
    assert read.certainty == Certainty.LIKELY
    assert "frames_of_two_kinds" in [one.check for one in read.findings]


@pytest.mark.parametrize(
    "values", [RNG.integers(1, 4, FRAME_MS.size), (RNG.random(FRAME_MS.size) < 0.4).astype(int)]
)
def test_numbers_in_no_order_are_no_kinds(tmp_path, values):
    assert _read(tmp_path, _text(FRAME_MS, "frame (ms)", waiting=values)).certainty == Certainty.PROVEN


def test_one_long_frame_and_three_short_ones_in_turn_are_a_question(tmp_path):
    frame_ms = (np.repeat(FRAME_MS, 4) * np.resize([0.9, 0.1, 0.1, 0.1], 4 * FRAME_MS.size) + 0.4).round(3)
    assert _read(tmp_path, _text(frame_ms, "frame (ms)")).certainty == Certainty.LIKELY


@pytest.mark.parametrize(
    ("heading", "values", "expected"),
    [("generated", ["0", "1"], "likely"), ("shown", ["yes", "dropped"], "likely"), ("event", ["A", "B"], "likely"),
     ("scene", ["A", "B"], "proven")],
)  # fmt: skip
def test_kinds_of_frames_in_a_last_part_are_a_question(tmp_path, heading, values, expected):
    cells = np.full(4000, values[0], dtype="<U8")
    place = np.arange(1200 if heading == "shown" else 400)
    cells[-place.size :] = np.where(place % (1 if heading == "shown" else 2) == 0, values[1], values[0])
    text = _text(np.resize(FRAME_MS, 4000), "frame (ms)", **{heading: cells})
    assert _read(tmp_path, text).certainty.word == expected


def test_a_number_of_generated_frames_beside_each_one_is_a_question(tmp_path):
    with pytest.raises(LogError, match="says 2 a row"):
        _read(tmp_path, _text(FRAME_MS, "frame (ms)", **{"generated frames": np.ones(FRAME_MS.size, dtype=int)}))
    none = _text(FRAME_MS, "frame (ms)", **{"generated frames": np.zeros(FRAME_MS.size, dtype=int)})
    assert _read(tmp_path, none).certainty == Certainty.PROVEN


@pytest.mark.parametrize("hertz", [60, 90, 144])
def test_frames_that_wait_for_a_display_do_not_come_in_groups(tmp_path, hertz):
    interval = 1000 / hertz
    shown = np.unique(np.ceil(np.cumsum(FRAME_MS * 1.3) / interval)) * interval
    frame_ms = np.diff(shown).round(3)
    assert _read(tmp_path, _text(frame_ms, "frame (ms)")).certainty == Certainty.PROVEN


def test_nearly_all_frames_cut_to_a_limit_do_not_count(tmp_path):
    cut = np.minimum(FRAME_MS, np.quantile(FRAME_MS, 0.15).round(3))
    assert _read(tmp_path, _text(cut, "frame (ms)")).certainty == Certainty.LIKELY


def test_statistics_of_a_whole_run_beside_its_frames_say_no_other_pace(tmp_path):
    beside = {"avg fps": np.full(FRAME_MS.size, 111.1), "1% low fps": np.full(FRAME_MS.size, 71.4)}
    assert _read(tmp_path, _text(FRAME_MS, "frame (ms)", **beside)).certainty == Certainty.PROVEN


def test_a_scene_that_gets_slower_takes_no_turns(tmp_path):
    frame_ms = np.concatenate([FRAME_MS, 3 * FRAME_MS]).round(3)
    assert _read(tmp_path, _text(frame_ms, "frame (ms)")).certainty == Certainty.PROVEN


def test_of_two_frequencies_above_the_heading_none_is_the_counters(tmp_path):
    ticks = text_of({"tick": (np.cumsum(FRAME_MS) * 1e4).round().astype(int)})
    assert _read(tmp_path, "# ticks per second: 10000000\n" + ticks).certainty == Certainty.STATED
    with pytest.raises(LogError, match="how long one count"):
        _read(tmp_path, "# ticks per second: 10000000, clock frequency 2400000000\n" + ticks)


@pytest.mark.parametrize(
    "line", ["memory frequency 9000000", "processor frequency 3600000 kHz", "poll frequency: 1000000"]
)
def test_the_frequency_of_something_else_is_not_the_counters(tmp_path, line):
    ticks = text_of({"tick": (np.cumsum(FRAME_MS) * 1e4).round().astype(int)})
    with pytest.raises(LogError, match="how long one count"):
        _read(tmp_path, f"{line}\n{ticks}")


def _rows_of(n_frames):
    """Return a time, and how long the rows took that hold so many frames each."""
    ends_ms = np.cumsum(np.resize(FRAME_MS, int(n_frames.sum())))[np.cumsum(n_frames) - 1]
    return {"t (s)": written(ends_ms, "s"), "frame (ms)": np.diff(ends_ms, prepend=0.0).round(3)}


@pytest.mark.parametrize("heading", ["frames", "Bild Nr", "frame id"])
@pytest.mark.parametrize("with_length", [True, False])
def test_a_number_of_frames_that_goes_up_by_several_is_a_question(tmp_path, heading, with_length):
    n_frames = RNG.integers(2, 5, 1200)
    columns = _rows_of(n_frames)
    columns = columns if with_length else {"t (s)": columns["t (s)"]}
    with pytest.raises(LogError, match="says 3 a row: several frames"):
        _read(tmp_path, text_of({heading: np.cumsum(n_frames), **columns}))


@pytest.mark.parametrize("heading", ["frame", "drawn so far"])
def test_frames_left_out_and_rows_of_one_frame_do_not_count(tmp_path, heading):
    skipping = np.where(np.arange(1200) % 3 == 0, 2, 1)
    text = text_of({heading: np.cumsum(skipping), **_rows_of(skipping)})
    assert _read(tmp_path, text).certainty == Certainty.LIKELY
    passes = np.repeat(np.arange(FRAME_MS.size // 3), 3)
    parts = RNG.permutation(FRAME_MS)[: passes.size]
    assert _read(tmp_path, _text(parts, "frame (ms)", **{heading: passes})).certainty == Certainty.LIKELY
    memory = FormatMemory()
    whole = text_of({heading: np.arange(1200), **_rows_of(np.ones(1200, dtype=int))})
    assert _read(tmp_path, whole, memory=memory).certainty == Certainty.PROVEN
    assert _read(tmp_path, text, memory=memory).certainty == Certainty.LIKELY


@pytest.mark.parametrize(("heading", "stride"), [("no", 2), ("index", 3), ("n", 2)])
def test_every_second_number_of_rows_says_that_the_others_are_missing(tmp_path, heading, stride):
    ends_s = written(np.cumsum(FRAME_MS), "s")
    number = stride * np.arange(FRAME_MS.size)
    assert _read(tmp_path, text_of({heading: number, "t (s)": ends_s})).certainty == Certainty.LIKELY
    assert _read(tmp_path, text_of({heading: number // stride, "t (s)": ends_s})).certainty == Certainty.STATED


def test_what_counts_as_a_clock_does_is_no_number_of_frames(tmp_path):
    ticks = np.floor(np.cumsum(FRAME_MS) / 16.667).astype(int)
    assert _read(tmp_path, _text(FRAME_MS, "frame (ms)", tick=ticks)).certainty == Certainty.PROVEN


def test_rows_of_two_displays_in_one_stream_do_not_count(tmp_path):
    ends_ms = np.sort(np.concatenate([np.cumsum(FRAME_MS), 3.3 + np.cumsum(FRAME_MS[::-1] * 0.73)]))
    assert _read(tmp_path, text_of({"t (s)": written(ends_ms, "s")})).certainty == Certainty.LIKELY
    memory, apart_ms = FormatMemory(), np.diff(ends_ms).round(3)
    assert _read(tmp_path, _text(FRAME_MS), memory=memory).certainty == Certainty.PROVEN
    assert _read(tmp_path, _text(apart_ms), memory=memory).certainty == Certainty.LIKELY


def test_a_time_that_runs_at_another_pace_denies_the_one_that_frames_agree_with(tmp_path):
    real = written(2 * np.cumsum(FRAME_MS), "s")
    assert _read(tmp_path, _text(FRAME_MS, "delta (ms)", **{"real (s)": real})).certainty == Certainty.LIKELY
    same = written(np.cumsum(FRAME_MS) + RNG.uniform(0, 1, FRAME_MS.size) + 700, "s")
    assert _read(tmp_path, _text(FRAME_MS, "delta (ms)", **{"seen (s)": same})).certainty == Certainty.PROVEN


@pytest.mark.parametrize(
    "heading", ["target frame (ms)", "avg frame (ms)", "best frame (ms)", "predicted frame (ms)"]
)
def test_headings_of_what_is_no_single_frame_are_only_likely(tmp_path, heading):
    assert _read(tmp_path, _text(FRAME_MS, heading)).certainty == Certainty.LIKELY


def test_frame_times_that_are_cut_to_a_limit_do_not_count(tmp_path):
    cut, memory = np.minimum(FRAME_MS, np.quantile(FRAME_MS, 0.98).round(3)), FormatMemory()
    assert _read(tmp_path, _text(cut, "frame (ms)")).certainty == Certainty.LIKELY
    assert _read(tmp_path, _text(FRAME_MS, "frame (ms)"), memory=memory).certainty == Certainty.PROVEN
    assert _read(tmp_path, _text(cut, "frame (ms)"), memory=memory).certainty == Certainty.LIKELY
    assert _read(tmp_path, _text(FRAME_MS.round(), "frame (ms)")).certainty == Certainty.PROVEN
    coarse = np.minimum(np.tile(FRAME_MS, 4), np.quantile(FRAME_MS, 0.97)).round(1)
    assert _read(tmp_path, _text(coarse, "frame (ms)")).certainty == Certainty.LIKELY


@pytest.mark.parametrize("heading", ["draw call (ms)", "shader pass (ms)", "polling (ms)", "refresh (ms)"])
def test_headings_of_pieces_of_a_frame_and_of_samples_are_only_likely(tmp_path, heading):
    assert _read(tmp_path, _text(FRAME_MS, heading)).certainty == Certainty.LIKELY


@pytest.mark.parametrize("heading", ["poll at (s)", "server tick at (s)", "draw at (s)"])
def test_times_of_samples_alone_are_only_likely(tmp_path, heading):
    assert _read(tmp_path, text_of({heading: written(np.cumsum(FRAME_MS), "s")})).certainty == Certainty.LIKELY


def test_a_column_that_speaks_of_frames_denies_another_one_that_the_time_agrees_with(tmp_path):
    text = _text(FRAME_MS, "shown (ms)", **{"frame (ms)": RNG.permutation(FRAME_MS) * 0.8})
    assert _read(tmp_path, text).certainty == Certainty.LIKELY


def test_several_programs_one_after_the_other_are_asked_for(tmp_path):
    names = np.where(np.arange(FRAME_MS.size) < FRAME_MS.size / 2, "Mossfall", "Dune Rail")
    text, memory = _text(FRAME_MS, "frame (ms)", game=names), FormatMemory()
    one = _text(FRAME_MS, "frame (ms)", game=np.repeat("Mossfall", FRAME_MS.size))
    assert _read(tmp_path, one, memory=memory).certainty == Certainty.PROVEN
    for known in (None, memory):
        with pytest.raises(LogError, match="which is the game"):
            _read(tmp_path, text, memory=known)
    counted = _read(tmp_path, text, declared=Declaration(count_only={"game": ("Mossfall",)}))
    assert counted.frames.frame_ms.size == (names == "Mossfall").sum()
    few = np.where(np.arange(FRAME_MS.size) < 12, "Loader", "Mossfall")
    assert _read(tmp_path, _text(FRAME_MS, "frame (ms)", game=few)).certainty == Certainty.PROVEN
    state = _text(FRAME_MS, "frame (ms)", **{"game state": names})
    assert _read(tmp_path, state).certainty == Certainty.PROVEN


def test_sensors_that_are_new_in_each_row_may_be_what_the_rows_are_samples_of(tmp_path):
    apart_ms = RNG.gamma(40, 30 / 40, 1500).round(3)
    new, held = RNG.normal(300.0, 4.0, 1500).round(1), np.repeat(RNG.normal(300.0, 4.0, 150).round(1), 10)
    memory = FormatMemory()
    for watts, expected in [(held, "proven"), (new, "likely"), (held, "proven")]:
        text = _text(apart_ms, "dt (ms)", **{"GPU power (W)": watts})
        assert _read(tmp_path, text).certainty.word == expected
        assert _read(tmp_path, text, memory=memory).certainty.word == expected
    assert _read(tmp_path, _text(apart_ms, "frame (ms)", **{"GPU (W)": new})).certainty == Certainty.PROVEN
