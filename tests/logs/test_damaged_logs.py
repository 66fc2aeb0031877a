"""Whatever happens to a log, it is read with findings or refused in one message; never a value is made up."""

import re
import time
from pathlib import Path

import numpy as np
import pytest
from made_logs import clock, frame_log, frame_times, sensor_signal, table
from mutations import CONTAINERS, damaged_container, mutated, packed

from gpubench_kit.logs.format import RunTask
from gpubench_kit.logs.run_log import read_run
from gpubench_kit.logs.text_table import open_table, read_columns
from gpubench_kit.model.errors import LogError

#: Longest that one file may take [s]; the promise is 2 s, on a machine that does nothing else.
LONGEST_S = 2.0

REFERENCE = Path(__file__).parents[1] / "reference" / "frames"


def _seeds():
    """Return logs to be damaged: frames and sensors, several dialects, real numbers."""
    frame_ms = frame_times(300)
    starts = (np.cumsum(frame_ms) - frame_ms) / 1000
    times, load, watts = sensor_signal(frame_ms.sum() / 1000, step_s=0.1)
    clocked = {"c": clock(starts), "t": [f"{one:.6f}" for one in starts], "f": frame_ms, "w": ['"a, b"'] * 300}
    sensors = {
        "clock_time": clock(times),
        "board_w": watts.round(1),
        "load_pct": load,
        "core_c": 50 + times.round(1),
    }
    reference = (REFERENCE / "frames_06.csv").read_bytes()[:12_000]
    texts = [
        frame_log(frame_ms),
        frame_log(frame_ms, stamped="end"),
        table(clocked),
        table(sensors),
        table(sensors, ";", ","),
        "# made at the bench\n\n" + table({"frame": range(300), "took": frame_ms}, "\t"),
        table({"t": [f"{one:.6f} s" for one in starts], "f": [f"{one} ms" for one in frame_ms]}),
        table({"t": [f"{one // 60:.0f}:{one % 60:09.6f}" for one in 50 + starts], "f": frame_ms}, ";", ","),
    ]
    foreign = [
        table({"Время": [f"{one:.6f}" for one in starts], "Кадр, мс": frame_ms}, ";").encode("cp1251"),
        table(
            {"時間": [f"{one:.6f}" for one in starts], "フレーム時間": frame_ms, "ポンプ": [7] * 300}, "|"
        ).encode("cp932"),
    ]
    return [reference, *(text.encode() for text in texts), *foreign]


def _read_everything(folder, content):
    """Read a file in every way the kit has; return faults and findings, or raise what escaped."""
    path = folder / "run.csv"
    path.write_bytes(content)
    as_frames = read_run(RunTask("r", path, "run.csv", gap_ms=1000.0))
    as_sensors = read_run(RunTask("r", None, "", path, "run.csv"))
    as_both = read_run(RunTask("r", path, "run.csv", path, "run.csv")) if as_frames.frames else as_frames
    return as_frames, as_sensors, as_both


def _check_damaged(folder, files, n_files):
    """Read each of so many damaged logs; all is read or refused, and there is some of both."""
    n_read = 0
    for number, content in zip(range(n_files), files, strict=False):
        started = time.process_time()
        read = _read_everything(folder, content)
        assert time.process_time() - started < LONGEST_S, f"file {number} took too long"
        for run_log in read:
            assert not any("Traceback" in str(fault) or len(str(fault)) > 1500 for fault in run_log.faults)
            assert bool(run_log.faults) or run_log.frames is not None or run_log.sensors is not None
        n_read += read[0].frames is not None
    # A fuzz in which nothing is read, or nothing refused, tests nothing.
    assert 0.02 * n_files < n_read < 0.95 * n_files


def _damaged_logs(seed):
    """Yield logs damaged in many ways."""
    rng, seeds = np.random.default_rng(seed), _seeds()
    while True:
        yield mutated(seeds[int(rng.integers(len(seeds)))], seeds[int(rng.integers(len(seeds)))], rng)


def _damaged_containers(seed):
    """Yield packed logs: most containers are damaged in many ways, some hold a damaged log."""
    rng = np.random.default_rng(seed)
    logs = [frame_log(frame_times(300)).encode(), (REFERENCE / "frames_06.csv").read_bytes()[:12_000]]
    files = [packed(log, kind) for log in logs for kind in CONTAINERS]
    while True:
        if rng.random() < 0.8:
            yield damaged_container(files[int(rng.integers(len(files)))], rng)
        else:
            yield packed(mutated(logs[0], logs[1], rng), ("gz", "bz2", "xz", "zst", "zip")[int(rng.integers(5))])


def test_damaged_logs_are_read_or_refused(tmp_path):
    _check_damaged(tmp_path, _damaged_logs(1), 400)


def test_damaged_containers_are_read_or_refused(tmp_path):
    _check_damaged(tmp_path, _damaged_containers(1), 200)


@pytest.mark.slow
@pytest.mark.parametrize(("files", "count"), [(_damaged_logs, 1000), (_damaged_containers, 1800)])
def test_thousands_of_damaged_files_are_read_or_refused(tmp_path, files, count):
    _check_damaged(tmp_path, files(2), count)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(3, 13))
def test_ten_thousand_damaged_logs_are_read_or_refused(tmp_path, seed):
    _check_damaged(tmp_path, _damaged_logs(seed), 1000)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(3, 23))
def test_twenty_thousand_damaged_containers_are_read_or_refused(tmp_path, seed):
    _check_damaged(tmp_path, _damaged_containers(seed), 1000)


@pytest.mark.parametrize("kind", CONTAINERS)
def test_a_container_that_is_whole_is_read(tmp_path, kind):
    frames, *_ = _read_everything(tmp_path, packed((REFERENCE / "frames_06.csv").read_bytes(), kind))
    assert frames.frames is not None, frames.faults


def _assert_values_are_in_the_text(text, values):
    """Check that each number stands in the file's text."""
    numbers = {float(one) for one in re.findall(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?", text)}
    made_up = [value for value in values.tolist() if np.isfinite(value) and value not in numbers]
    assert not made_up, f"values that are not in the file: {made_up[:5]}"


def test_no_value_differs_from_the_text_of_the_file(tmp_path):
    rng, seeds = np.random.default_rng(5), _seeds()[:3]
    n_compared = 0
    for _ in range(300):
        content = mutated(seeds[int(rng.integers(3))], seeds[int(rng.integers(3))], rng)
        if not content.isascii() or content.count(b";") or b"\0" in content:
            continue
        path = tmp_path / "run.csv"
        path.write_bytes(content)
        try:
            log = open_table(path)
            read = read_columns(log, range(log.dialect.n_columns))
        except LogError:
            continue
        if log.dialect.decimal == "." and not log.dialect.thousands:
            for values in read.numbers.values():
                _assert_values_are_in_the_text(content.decode(), values)
            n_compared += 1
    assert n_compared > 30
