"""A second source of frames that shows late in a log, or beside elapsed time alone, is told apart, not mixed in."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from made_logs import clock, frame_times, table

from gpubench_kit.logs.format import Declaration
from gpubench_kit.logs.read_frames import FormatMemory, read_frame_log
from gpubench_kit.model.errors import LogError

#: Frames of 12 and 8 ms in turn: 100 frames per second on average.
GAME_MS = np.tile([12.0, 8.0], 500)
GAME = Declaration(count_only={"app": ("game",)})


def _rows(name, frame_ms, start_ms=0.0):
    """Return the rows of one source: start and length of each frame [ms], and its name."""
    starts_ms = start_ms + np.cumsum(frame_ms) - frame_ms
    return [(start, length, name) for start, length in zip(starts_ms, frame_ms, strict=True)]


def _text(*sources, has_frame_times=True, has_clock=False):
    """Return the log in which rows of several sources stand in the order of their starts."""
    starts_ms, lengths_ms, names = zip(*sorted(row for rows in sources for row in rows), strict=True)
    columns = {"app": names, "t (ms)": [f"{one:.3f}" for one in starts_ms]}
    columns |= {"f (ms)": [f"{one:.3f}" for one in lengths_ms]} if has_frame_times else {}
    columns |= {"at": clock(np.array(starts_ms) / 1000)} if has_clock else {}
    return table(columns)


def _read(tmp_path, text, **options):
    """Return the frame log with this text."""
    path = tmp_path / "run.csv"
    path.write_text(text, encoding="utf-8")
    return read_frame_log(path, **options)


def _late(**options):
    """Return a log that begins with 150 frames of a desktop alone; the game starts after 3 s, and lasts longer."""
    return _text(_rows("desktop", np.full(600, 20.0)), _rows("game", np.tile(GAME_MS, 2), 3000.5), **options)


def _asks(tmp_path, text):
    """Assert that a log is asked for its sources, and return the fault."""
    with pytest.raises(LogError, match="which is the game") as caught:
        _read(tmp_path, text)
    return caught.value.faults[0]


def test_a_game_that_starts_after_the_first_rows_is_asked_for(tmp_path):
    fault = _asks(tmp_path, _late())
    assert "'game' (2000 rows), 'desktop' (600 rows)" in fault.problem
    assert fault.action.endswith('[logs] count_only = { "app" = ["game"] }')


def test_a_declared_source_that_shows_late_is_read_alone(tmp_path):
    log = _read(tmp_path, _late(), declared=Declaration(count_only={"app": ("game",)}))
    assert log.frames.frame_ms.tolist() == np.tile(GAME_MS, 2).tolist()
    log = _read(tmp_path, _late(), declared=Declaration(count_only={"app": ("desktop",)}))
    assert log.frames.frame_ms.tolist() == [20.0] * 600
    # Rows that all take 20 ms may be samples.
    assert [one.check for one in log.findings] == ["format_likely", "several_sources"]


def test_clock_starts_with_the_first_frame_of_the_source_that_shows_late(tmp_path):
    stamps = _read(tmp_path, _late(has_clock=True), declared=GAME)
    alone = _read(tmp_path, _text(_rows("game", GAME_MS, 3000.5), has_clock=True))
    assert stamps.clock == pytest.approx(alone.clock, abs=0.0015)


@pytest.mark.parametrize("n_foreign", [4, 40])
def test_a_few_late_rows_of_another_source_are_enough(tmp_path, n_foreign):
    popup = _rows("popup", np.full(n_foreign, 50.25), 5003.0)
    text = _text(_rows("game", GAME_MS), popup)
    _asks(tmp_path, text)
    assert _read(tmp_path, text, declared=GAME).frames.frame_ms.tolist() == GAME_MS.tolist()


def test_sources_beside_elapsed_time_alone_are_told_apart(tmp_path):
    overlay = _rows("overlay", np.full(590, 16.9), 1.5)
    text = _text(_rows("game", frame_times(1000) * 0.6), overlay, has_frame_times=False)
    _asks(tmp_path, text)
    log = _read(tmp_path, text, declared=GAME)
    assert log.frames.frame_ms == pytest.approx((frame_times(1000) * 0.6)[:-1], abs=0.0011)
    assert "several_sources" in [one.check for one in log.findings]


def test_stamps_of_whole_milliseconds_tell_sources_apart_too(tmp_path):
    # Every fiftieth frame follows at once on the one before.
    game_ms = np.where(np.arange(2000) % 50 == 49, 0.2, frame_times(2000))
    times_ms = {"game": np.cumsum(game_ms), "overlay": np.cumsum(np.full(1850, 16.9)) + 0.7}
    rows = sorted((one, name) for name, times in times_ms.items() for one in times)
    text = table({"app": [row[1] for row in rows], "elapsed (ms)": [int(row[0]) for row in rows]})
    _asks(tmp_path, text)
    log = _read(tmp_path, text, declared=GAME)
    assert log.frames.frame_ms.tolist() == np.diff(times_ms["game"].astype(int)).tolist()


def test_sources_that_no_time_tells_apart_are_asked_for(tmp_path):
    names, lengths = ["game", "overlay"] * 200, np.column_stack([frame_times(200), np.full(200, 33.3)]).ravel()
    fault = _asks(tmp_path, table({"app": names, "f": lengths}))
    assert fault.action.endswith('[logs] count_only = { "app" = ["game"] }')


@pytest.mark.parametrize(
    "kinds",
    [
        np.where(np.arange(1000) % 2, "made up", "drawn"),
        np.where(np.random.default_rng(2).random(1000) < 0.3, "lost", "shown"),
        np.where(np.arange(1000) // 40 % 2, "menu", "drive"),
        np.random.default_rng(3).integers(0, 4, 1000),
        np.repeat(["opening", "scene"], [700, 300]),
    ],
    ids=["every other frame", "lost frames", "scenes in turn", "processor cores", "two scenes"],
)
@pytest.mark.parametrize("timed", [True, False], ids=["frame times", "elapsed time alone"])
def test_columns_that_tell_something_else_of_frames_are_no_sources(tmp_path, kinds, timed):
    starts_ms = np.cumsum(frame_times(1000)) - frame_times(1000)
    # Stamps that do not quite agree with the frame times put the log in doubt.
    columns = {"t": [f"{one + 0.4 * (k % 90 == 70):.3f}" for k, one in enumerate(starts_ms)], "kind": kinds}
    columns |= {"f": frame_times(1000)} if timed else {}
    log = _read(tmp_path, table(columns))
    assert log.frames.frame_ms.size == (1000 if timed else 999)
    assert "several_sources" not in [one.check for one in log.findings]


def test_what_is_measured_in_a_unit_is_no_source(tmp_path):
    frame_ms = frame_times(3000) * 0.4
    load = 41 + (np.cumsum(frame_ms) // 700 % 5).astype(int)
    stamps = [f"{one:.3f}" for one in np.cumsum(frame_ms) / 1000]
    log = _read(tmp_path, table({"time [s]": stamps, "frame [ms]": frame_ms.round(2), "processor [%]": load}))
    assert log.frames.frame_ms == pytest.approx(frame_ms, abs=0.006)


def test_memory_of_layouts_changes_nothing_about_late_sources(tmp_path):
    texts = [_text(_rows("game", GAME_MS)), _late(), _text(_rows("game", GAME_MS))]
    texts += [_text(_rows("game", GAME_MS), _rows("popup", np.full(5, 50.0), 3.3)), texts[0]]
    memory = FormatMemory()
    for text in texts:
        if "desktop" in text or "popup" in text:
            with pytest.raises(LogError, match="which is the game"):
                _read(tmp_path, text, memory=memory)
            continue
        with_memory, without = _read(tmp_path, text, memory=memory), _read(tmp_path, text)
        assert with_memory.frames.frame_ms.tolist() == without.frames.frame_ms.tolist()
        assert with_memory.findings == without.findings


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    seed=st.integers(0, 2**32 - 1),
    start_ms=st.floats(0.1, 9_000.0),
    other_ms=st.floats(3.0, 60.0),
    share=st.floats(0.05, 0.85),
)
def test_whatever_starts_whenever_beside_a_game_leaves_its_frames_as_they_are(
    tmp_path, seed, start_ms, other_ms, share
):
    game_ms = np.random.default_rng(seed).gamma(30, 10 / 30, 1000).round(3)
    n_others = max(4, int(share * game_ms.sum() / other_ms))
    other = np.random.default_rng(seed + 1).uniform(0.9, 1.1, n_others) * other_ms
    text = _text(_rows("game", game_ms), _rows("other", other.round(3), round(start_ms, 3)))
    log = _read(tmp_path, text, declared=GAME)
    assert log.frames.frame_ms == pytest.approx(game_ms, abs=1e-9)
