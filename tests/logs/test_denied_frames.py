"""Rows that are pieces of frames, lost rows, and what times, rates and headings beside frames deny."""

import json

import numpy as np
import pytest
from made_dialects import frames, text_of, written
from source_trees import ROOT

from gpubench_kit.logs.format import Certainty, ConfirmedFormat, Declaration
from gpubench_kit.logs.loose_files import facts_of_log
from gpubench_kit.logs.read_frames import FormatMemory, read_frame_log
from gpubench_kit.model.errors import LogError

RNG = np.random.default_rng(47)
FRAME_MS = frames(RNG)


def _text(frame_ms, heading="d (ms)", **beside):
    """Return a log with the time, how long each row took, and further columns."""
    return text_of({"t (s)": written(np.cumsum(frame_ms), "s"), heading: frame_ms, **beside})


def _read(tmp_path, text, **options):
    path = tmp_path / "run.csv"
    path.write_text(text, encoding="utf-8")
    return read_frame_log(path, **options)


def _confirmed(tmp_path, text, **what):
    """Return a log whose format the plan confirms."""
    path = tmp_path / "run.csv"
    path.write_text(text, encoding="utf-8")
    format_id = facts_of_log(path).format_id
    return read_frame_log(path, declared=Declaration(formats=(ConfirmedFormat(format_id, **what),)))


def _steps(frame_ms, **beside):
    """Return a log with a time alone, and what stands beside it."""
    return text_of({"t (s)": written(np.cumsum(frame_ms), "s"), **beside})


def _split(frame_ms, *shares):
    """Return the rows of a log that has several for each frame, each with a share of its time."""
    return np.column_stack([frame_ms * share for share in shares]).ravel().round(3)


HALF = RNG.normal(0.5, 0.06, FRAME_MS.size)
PIECES = {
    "even halves": _split(FRAME_MS, 0.5, 0.5),
    "uneven halves": _split(FRAME_MS, 0.44, 0.56),
    "halves of any share": _split(FRAME_MS, HALF, 1 - HALF),
    "thirds": _split(FRAME_MS, 0.3, 0.36, 0.34),
    "quarters": _split(FRAME_MS, 0.25, 0.25, 0.25, 0.25),
    "one long quarter": _split(
        np.exp(0.15 * np.sin(np.arange(FRAME_MS.size) / 90)) * FRAME_MS, 0.32, 0.22, 0.23, 0.23
    ),
    "halves in a last third": np.concatenate([np.tile(FRAME_MS, 2), _split(FRAME_MS, 0.49, 0.51)])[800:],
    "halves in a last quarter": np.concatenate([np.tile(FRAME_MS, 3), _split(FRAME_MS[:400], 0.49, 0.51)])[-2600:],
    "halves at the end": np.concatenate([np.tile(FRAME_MS, 5), _split(FRAME_MS, 0.49, 0.51)]),
}


@pytest.mark.parametrize("name", PIECES)
def test_rows_that_hang_together_in_groups_may_be_pieces_of_frames(tmp_path, name):
    text = _text(PIECES[name], "frame (ms)")
    assert _read(tmp_path, text).certainty == Certainty.LIKELY
    memory = FormatMemory()
    assert _read(tmp_path, _text(FRAME_MS, "frame (ms)"), memory=memory).certainty == Certainty.PROVEN
    assert _read(tmp_path, text, memory=memory).certainty == Certainty.LIKELY
    steps = text_of({"t (s)": written(np.cumsum(PIECES[name]), "s")})
    assert _read(tmp_path, steps).certainty == Certainty.LIKELY


def test_measured_runs_are_proven():
    logs = sorted((ROOT / "data" / "real_scenes").rglob("*.frames.csv.gz"))
    assert len(logs) > 50
    assert {read_frame_log(log).certainty for log in logs} == {Certainty.PROVEN}


@pytest.mark.parametrize("tie", [0.0, 0.6, 0.95])
def test_frames_that_are_like_their_neighbours_do_not_come_in_groups(tmp_path, tie):
    rng = np.random.default_rng(7)
    pace = np.zeros(3000)
    for row in range(1, pace.size):
        pace[row] = tie * pace[row - 1] + 0.1 * np.sqrt(1 - tie**2) * rng.standard_normal()
    frame_ms = (9 * np.exp(pace) * np.resize([1.03, 0.97], pace.size)).round(3)
    frame_ms[rng.integers(0, pace.size, 12)] += 30
    frame_ms[1500:] *= 1.3
    assert _read(tmp_path, _text(frame_ms.round(3), "frame (ms)")).certainty == Certainty.PROVEN


@pytest.mark.parametrize("share", [0.004, 0.01, 0.02])
def test_a_time_that_goes_on_where_slow_rows_are_missing_denies_that_all_frames_are_there(tmp_path, share):
    kept = np.argsort(np.argsort(-FRAME_MS)) >= share * FRAME_MS.size
    columns = {"t (s)": np.array(written(np.cumsum(FRAME_MS), "s"))[kept], "frame (ms)": FRAME_MS[kept]}
    assert _read(tmp_path, text_of(columns)).certainty == Certainty.LIKELY
    closed = _text(FRAME_MS[kept], "frame (ms)", frame=np.flatnonzero(kept))
    assert _read(tmp_path, closed).certainty == Certainty.LIKELY
    at_start = {**columns, "t (s)": np.array(written(np.cumsum(FRAME_MS) - FRAME_MS, "s"))[kept]}
    assert _read(tmp_path, text_of(at_start)).certainty == Certainty.LIKELY
    with pytest.raises(LogError, match="rows are lost"):
        _confirmed(tmp_path, text_of(columns), time="frame (ms)", unit="ms")


def test_a_pause_and_a_single_lost_row_leave_the_others_proven(tmp_path):
    ends_ms = np.cumsum(FRAME_MS) + np.where(np.arange(FRAME_MS.size) > 500, 3000, 0)
    kept = np.arange(FRAME_MS.size) != 700
    columns = {"t (s)": np.array(written(ends_ms, "s"))[kept], "frame (ms)": FRAME_MS[kept]}
    assert _read(tmp_path, text_of(columns)).certainty == Certainty.PROVEN


@pytest.mark.parametrize(
    "heading",
    ["1% low (ms)", "p99 (ms)", "P1 frame (ms)", "0.1 % low frame (ms)", "nominal frame (ms)",
     "pace (ms)", "frame (smoothed) [ms]", "2 frames (ms)", "active (ms)", "rtt (ms)", "frame ms x 2.5"],
)  # fmt: skip
def test_words_and_numbers_that_say_more_than_a_frame_time_make_it_likely(tmp_path, heading):
    assert _read(tmp_path, _text(FRAME_MS, heading)).certainty == Certainty.LIKELY


@pytest.mark.parametrize(
    "heading",
    ["FrameTime (ms)", "MsPerFrame", "frame_ms", "dt (ms)", "Δt (ms)", "delta_ms", "Bildzeit (ms)", "bildtid (ms)",
     "beeldtijd [ms]", "kuva-aika (ms)", "帧时间 (ms)", "프레임 시간 (ms)",
     "Durée d'image (ms)", "durata fotogramma (ms)", "кадр (мс)", "フレーム時間 (ms)",
     "Время кадра (мс)", "Doba snímku (ms)", "帧时间 (毫秒)",
     "time since last frame (ms)", "ms", "frame ms.1", "v1 (ms)", "cuadro (ms)", "quadro ms", "ruutu [ms]",
     "picture (ms)", "whole frame (ms)", "frame_interval_ms", "Bildintervall (ms)"],
)  # fmt: skip
def test_plain_headings_of_frame_times_count_in_many_languages(tmp_path, heading):
    assert _read(tmp_path, _text(FRAME_MS, heading)).certainty == Certainty.PROVEN


@pytest.mark.parametrize("heading", ["时间(秒)", "経過時間(秒)", "Süre (sn)"])
def test_times_in_seconds_are_known_in_other_languages(tmp_path, heading):
    columns = {heading: written(FRAME_MS.cumsum(), "s"), "frame (ms)": FRAME_MS, "帧率": (1e3 / FRAME_MS).round(1)}
    assert _read(tmp_path, text_of(columns)).certainty == Certainty.PROVEN


@pytest.mark.parametrize("heading", ["game time (s)", "sim time (s)", "Weltzeit (s)", "gpu time (s)"])
def test_a_time_that_may_run_as_the_game_or_the_card_does_is_only_likely(tmp_path, heading):
    ends_s = written(FRAME_MS.cumsum(), "s")
    assert _read(tmp_path, text_of({heading: ends_s, "frame (ms)": FRAME_MS})).certainty == Certainty.LIKELY
    assert _read(tmp_path, text_of({heading: ends_s})).certainty == Certainty.LIKELY


def test_a_time_that_sums_the_work_of_the_card_is_no_time_of_frames(tmp_path):
    text = _steps(FRAME_MS, **{"gpu (ms)": FRAME_MS})
    assert _read(tmp_path, text).certainty == Certainty.LIKELY


def test_rates_of_another_pace_deny_the_frames(tmp_path):
    rates = (1e3 / FRAME_MS).round(2)
    assert _read(tmp_path, _text(FRAME_MS / 2, "dt (ms)", fps=rates)).certainty == Certainty.LIKELY
    assert _read(tmp_path, _text(FRAME_MS, "dt (ms)", fps=rates)).certainty == Certainty.PROVEN
    assert _read(tmp_path, _text(FRAME_MS, "dt (ms)", **{"fps limit": np.full(FRAME_MS.size, 60)})).certainty == 3


@pytest.mark.parametrize(
    ("line", "expected"),
    [("average fps: {half:.1f}", "likely"), ("mean = {half:.1f} fps", "likely"),
     ("average fps: {fps:.1f}", "proven"), ("duration {double:.1f} s", "likely"),
     ("Dauer: {length:.1f} s", "proven"), ("fps limit: 60", "proven"),
     ("frame generation: on (x2)", "likely"), ("generated frames: 0", "proven"), ("frame generation off", "proven"),
     ("start 3 s", "proven"), ("start time: 3 s", "proven"), ("time: 3 s", "proven"),
     ("Mean frame rate {half:.1f} fps", "likely"), ("Erzeugte Bilder: an", "likely"), ("time scale 0.5", "likely"),
     ("game speed: 1.0", "proven"), ("speed = 50 %", "likely"), ("fan speed 0.5", "proven")],
)  # fmt: skip
def test_what_a_line_above_or_below_says_of_the_whole_run_denies_another_pace(tmp_path, line, expected):
    fps, length_s = 1e3 / FRAME_MS.mean(), FRAME_MS.sum() / 1e3
    told = line.format(half=fps / 2, fps=fps, double=2 * length_s, length=length_s)
    for text in (f"# {told}\n{_text(FRAME_MS, 'frame (ms)')}", f"{_text(FRAME_MS, 'frame (ms)')}\n{told}\n"):
        assert _read(tmp_path, text).certainty.word == expected


def test_what_a_json_document_says_beside_its_rows_denies_another_pace(tmp_path):
    rows = [{"t_s": t, "frame_ms": f} for t, f in zip(np.cumsum(FRAME_MS) / 1e3, FRAME_MS, strict=True)]
    for share, expected in ((1.0, "proven"), (0.5, "likely")):
        fps = share * 1e3 / FRAME_MS.mean()
        text = json.dumps({"summary": {"avg fps": fps, "frames": len(rows)}, "rows": rows})
        assert _read(tmp_path, text).certainty.word == expected


def test_a_length_above_the_heading_proves_a_lone_column_that_is_as_long(tmp_path):
    lone = text_of({"frame (ms)": FRAME_MS})
    for share, expected in ((1.0, "proven"), (1.1, "likely")):
        line = f"# length: {share * FRAME_MS.sum() / 1e3:.2f} s\n"
        assert _read(tmp_path, line + lone).certainty.word == expected


def test_a_lone_time_that_rates_beside_it_deny_is_asked(tmp_path):
    columns = {
        "work (ms)": (FRAME_MS * RNG.uniform(0.6, 0.7, FRAME_MS.size)).round(3),
        "fps": (1e3 / FRAME_MS).round(1),
    }
    with pytest.raises(LogError, match="'fps' says another pace"):
        _read(tmp_path, text_of(columns))


@pytest.mark.parametrize(
    ("heading", "n", "expected"), [("frame", 3000, "likely"), ("frame", 1000, "open"), ("sample", 3000, "open")]
)
def test_thousands_of_rates_that_vary_from_row_to_row_are_likely_those_of_frames(tmp_path, heading, n, expected):
    text = text_of({heading: np.arange(n), "fps": (1e3 / np.resize(FRAME_MS, n)).round(1)})
    if expected == "likely":
        assert _read(tmp_path, text).certainty == Certainty.LIKELY
    else:
        with pytest.raises(LogError, match="a frame or a sample"):
            _read(tmp_path, text)


def test_sensors_without_a_time_are_told_what_samples_need(tmp_path):
    text = text_of({"card watt [W]": FRAME_MS.round(1), "core [°C]": (60 + FRAME_MS).round(1)})
    with pytest.raises(LogError, match=r"those of sensors, and none is a time .* samples need stamps"):
        _read(tmp_path, text)


@pytest.mark.parametrize(("cut", "expected"), [(np.floor, "likely"), (np.rint, "proven")])
def test_rows_cut_to_whole_units_add_up_to_another_time_than_the_clock(tmp_path, cut, expected):
    stamps = [f"21:{int(t // 60):02d}:{t % 60:07.4f}" for t in np.cumsum(FRAME_MS) / 1e3]
    assert (
        _read(tmp_path, text_of({"clock": stamps, "frame (ms)": cut(10 * FRAME_MS) / 10})).certainty.word
        == expected
    )


def test_cells_that_only_a_clock_denies_do_not_count(tmp_path):
    stamps = [f"21:{int(t // 60):02d}:{t % 60:07.4f}" for t in np.cumsum(FRAME_MS) / 1e3]
    wrong = np.where(np.arange(FRAME_MS.size) % 100 == 50, 999.9, FRAME_MS)
    assert _read(tmp_path, text_of({"clock": stamps, "frame (ms)": FRAME_MS})).certainty == Certainty.PROVEN
    assert _read(tmp_path, text_of({"clock": stamps, "frame (ms)": wrong})).certainty == Certainty.LIKELY
    lost = [f"{one:.4f}" if row != 500 else f"{one:.4f}".replace(".", "") for row, one in enumerate(FRAME_MS)]
    with pytest.raises(LogError, match="without its decimal mark in line 502"):
        _read(tmp_path, text_of({"clock": stamps, "frame (ms)": lost}))


def test_rows_lost_in_a_few_bursts_and_beside_rates_are_seen(tmp_path):
    rates = (1e3 / FRAME_MS).round(3)
    ends_s = np.array(written(np.cumsum(FRAME_MS), "s"))
    burst, slow = np.ones(FRAME_MS.size, dtype=bool), np.quantile(FRAME_MS, 0.99) > FRAME_MS
    burst[500:540] = False
    for kept in (burst, slow):
        assert _read(tmp_path, text_of({"t (s)": ends_s[kept], "ms": FRAME_MS[kept]})).certainty == Certainty.LIKELY
        assert _read(tmp_path, text_of({"t (s)": ends_s[kept], "fps": rates[kept]})).certainty == Certainty.LIKELY


def test_a_clock_of_whole_seconds_tells_frames_that_are_all_there_from_others(tmp_path):
    frame_ms = np.tile(FRAME_MS, 4)
    clock = np.array([f"12:{int(t // 60):02d}:{int(t % 60):02d}" for t in np.cumsum(frame_ms) / 1e3])
    slow = frame_ms < np.quantile(frame_ms, 0.99)
    assert _read(tmp_path, text_of({"clock": clock, "frame ms": frame_ms})).certainty == Certainty.PROVEN
    with pytest.raises(LogError, match="nor its length agree"):
        _read(tmp_path, text_of({"clock": clock[slow], "frame ms": frame_ms[slow]}))


def test_start_and_end_of_each_frame_are_no_times_of_two_things(tmp_path):
    ends_ms = np.cumsum(FRAME_MS)
    text = text_of({"start (ms)": (ends_ms - FRAME_MS).round(3), "end (ms)": ends_ms.round(3)})
    assert _read(tmp_path, text).certainty == Certainty.STATED
    in_ns = text_of({"begin_ns": (1e6 * (ends_ms - FRAME_MS)).round(), "end_ns": (1e6 * ends_ms).round()})
    assert _read(tmp_path, in_ns).certainty == Certainty.STATED


@pytest.mark.parametrize(
    "heading",
    ["capture time (s)", "Messzeit (s)", "bench_time_s", "qpc (ms)", "verstreken [s]", "decorrido (s)",
     "shown at (ms)", "moment (s)"],
)  # fmt: skip
def test_clocks_of_recorders_under_many_names_count(tmp_path, heading):
    unit = "ms" if "ms" in heading else "s"
    text = text_of({heading: written(np.cumsum(FRAME_MS), unit), "frame (ms)": FRAME_MS})
    assert _read(tmp_path, text).certainty == Certainty.PROVEN


def test_two_times_that_each_agree_with_a_column_are_of_two_series(tmp_path):
    other = RNG.permutation(FRAME_MS)
    columns = {
        "1": written(np.cumsum(FRAME_MS), "s"),
        "2": FRAME_MS,
        "3": written(np.cumsum(other), "s"),
        "4": other,
    }
    headless = text_of(columns).partition("\n")[2]
    assert _read(tmp_path, headless).certainty == Certainty.LIKELY


def test_columns_that_a_number_or_a_letter_tells_apart_may_be_of_two_cards(tmp_path):
    other = RNG.permutation(FRAME_MS)
    for own, second in [("frame 1 (ms)", "frame 2 (ms)"), ("A (ms)", "B (ms)"), ("frame ms", " frame ms")]:
        assert _read(tmp_path, _text(FRAME_MS, own, **{second: other})).certainty == Certainty.LIKELY
    position = {one: RNG.normal(5.0, 1.0, FRAME_MS.size).round(2) for one in ("x", "y")}
    assert _read(tmp_path, _text(FRAME_MS, "frame (ms)", **position)).certainty == Certainty.PROVEN


@pytest.mark.parametrize(
    "beside",
    [{"real (s)": written(2 * np.cumsum(FRAME_MS), "s")}, {"fps": (5e2 / FRAME_MS).round(2)},
     {"clock": [f"12:{int(t // 60):02d}:{int(t % 60):02d}" for t in 2 * np.cumsum(FRAME_MS) / 1e3]}],
    ids=["time", "rate", "clock"],
)  # fmt: skip
def test_another_pace_is_seen_in_later_logs_of_a_format_and_beats_what_was_confirmed(tmp_path, beside):
    (heading,) = beside
    same = {
        "real (s)": written(np.cumsum(FRAME_MS), "s"), "fps": (1e3 / FRAME_MS).round(2),
        "clock": [f"12:{int(t // 60):02d}:{int(t % 60):02d}" for t in np.cumsum(FRAME_MS) / 1e3],
    }  # fmt: skip
    plain, text = _text(FRAME_MS, "delta (ms)", **{heading: same[heading]}), _text(FRAME_MS, "delta (ms)", **beside)
    memory = FormatMemory()
    assert _read(tmp_path, plain, memory=memory).certainty == Certainty.PROVEN
    assert _read(tmp_path, text, memory=memory).certainty == Certainty.LIKELY
    assert _confirmed(tmp_path, plain, time="delta (ms)", unit="ms").certainty == Certainty.STATED
    with pytest.raises(LogError, match=r"(?s)confirms this format, but here .* says another pace.*frame_time = "):
        _confirmed(tmp_path, text, time="delta (ms)", unit="ms")
    declared = Declaration(frame_time=("delta (ms)", "ms"))
    assert _read(tmp_path, text, declared=declared).certainty == Certainty.STATED


def test_what_another_pace_denies_is_answered_by_a_declaration_alone(tmp_path):
    read = _read(tmp_path, _text(FRAME_MS, "delta (ms)", **{"real (s)": written(2 * np.cumsum(FRAME_MS), "s")}))
    assert "frame_time = " in read.findings[-1].action
    assert "[[logs.format]]" not in read.findings[-1].action


def test_runs_and_rows_before_a_run_are_asked_for(tmp_path):
    first = np.arange(FRAME_MS.size) < FRAME_MS.size / 3
    with pytest.raises(LogError, match="which is the run"):
        _read(tmp_path, _text(FRAME_MS, "frame (ms)", run=np.where(first, 1, 2)))
    assert (
        _read(tmp_path, _text(FRAME_MS, "frame (ms)", run=np.full(FRAME_MS.size, 3))).certainty == Certainty.PROVEN
    )
    for heading in ("warm-up", "valid"):
        with pytest.raises(LogError, match="tells frames of 2 sources apart"):
            _read(tmp_path, _text(FRAME_MS, "frame (ms)", **{heading: first.astype(int)}))
    anew = np.concatenate([np.arange(300), np.arange(FRAME_MS.size - 300)])
    with pytest.raises(LogError, match="2 runs stand in one log"):
        _read(tmp_path, _text(FRAME_MS, "frame (ms)", frame=anew))
    tunings = _text(FRAME_MS, "frame (ms)", tuning=np.where(first, "factory", "quiet"))
    with pytest.raises(LogError, match="which is the run"):
        _read(tmp_path, tunings)
    phases = _text(FRAME_MS, "frame (ms)", phase=np.where(first, "warm-up", "bench"))
    with pytest.raises(LogError, match="which is the game"):
        _read(tmp_path, phases)
    counted = _read(tmp_path, phases, declared=Declaration(count_only={"phase": ("bench",)}))
    assert counted.frames.frame_ms.size == (~first).sum()
