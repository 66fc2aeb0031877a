"""How fast logs become metrics and findings, against bare reading of the same files, measured in one run.

    python benchmarks/intake.py [--runs 300] [--frames 9000] [--repeats 3] [--folder FOLDER]

Makes a review of frame logs with eight columns (in a folder that is kept, if one is named) and prints, as
ratios to reading every file whole with pandas' C engine one at a time: the kit's whole intake, to metrics and
findings, with and without ``hitch_ms_per_min``; with sensors in the same rows; with two processes over ten
times as many logs; and, where it is installed, a multi-threaded data-frame library. Peak memory is that of a
fresh process for each number of runs.

Two columns: time by the clock, which other work on the machine lengthens, and processor time, which it hardly
does. What two processes would reach on two free cores follows from processor time: that of one process, over
that of the busier of two and of the process that collects.
"""

from __future__ import annotations

import argparse
import importlib
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from gpubench_kit.checks.review import check_review
from gpubench_kit.metrics.per_run import compute_run_metrics
from gpubench_kit.plan import ReviewPlan
from gpubench_kit.reading.review import open_review

try:
    import resource
except ImportError:  # Windows
    resource = None

try:
    # Not in the processes whose memory is measured.
    polars = None if "--measure-memory" in sys.argv else importlib.import_module("polars")
except ImportError:
    polars = None

TARGETS = {"intake to metrics and findings": 1.3}
METRICS = ["avg_fps", "low_1pct_fps", "low_0p1pct_fps", "pacing_ms"]
FRAME_COLUMNS = ("frame", "elapsed_s", "frame_ms", "busy_ms", "wait_ms", "queue_ms", "shown_ms", "scene_part")
SENSOR_COLUMNS = ("frame", "elapsed_s", "frame_ms", "board_w", "core_c", "core_mhz", "load_pct", "fan_rpm")


def main() -> None:
    """Make logs, measure, print."""
    options = _options()
    if options.measure_memory:
        _print_peak(Path(options.measure_memory))
        return
    with tempfile.TemporaryDirectory(prefix="intake-") as name:
        folder = Path(options.folder or name)
        for kind, columns in (("frames", FRAME_COLUMNS), ("sensors", SENSOR_COLUMNS)):
            if not (folder / kind).exists():
                make_review(folder / kind, columns, n_runs=options.runs, n_frames=options.frames)
        for times in (1, 10):
            make_copies(folder, times=times, n_runs=options.runs)
        _measure_times(folder, repeats=options.repeats)
        _measure_two_processes(folder / "times 10", repeats=options.repeats)
        for times in (1, 10):
            place = str(folder / f"times {times}")
            # As in the process of a notebook, where the commands read logs.
            environment = {**os.environ, "ARROW_DEFAULT_MEMORY_POOL": "system"}
            subprocess.run([sys.executable, __file__, "--measure-memory", place], check=True, env=environment)


def _options() -> argparse.Namespace:
    """Return the command's options."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=300)
    parser.add_argument("--frames", type=int, default=9000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--folder", help="where logs are made, or were made by an earlier call")
    parser.add_argument("--measure-memory", help=argparse.SUPPRESS)
    return parser.parse_args()


def make_review(folder: Path, columns: tuple[str, ...], *, n_runs: int, n_frames: int) -> None:
    """Write a review with one frame log per run; two tunings take turns."""
    (folder / "logs").mkdir(parents=True)
    rng = np.random.default_rng(20261102)
    for number in range(n_runs):
        _frame_table(columns, n_frames, rng).to_csv(folder / "logs" / f"r{number}.csv", index=False)
    write_sheet(folder, [f"logs/r{number}.csv" for number in range(n_runs)])


def _frame_table(columns: tuple[str, ...], n: int, rng: np.random.Generator) -> pd.DataFrame:
    """Return one run of frames around 7 ms with a few hitches; whatever is asked for stands beside them."""
    frame_ms = rng.gamma(60, 7 / 60, n)
    frame_ms[rng.integers(0, n, 8)] += 40
    frame_ms = frame_ms.round(4)
    values = {
        "frame": np.arange(1, n + 1),
        "elapsed_s": (np.cumsum(frame_ms) / 1000).round(6),
        "frame_ms": frame_ms,
        "busy_ms": (frame_ms * rng.uniform(0.7, 0.9, n)).round(4),
        "wait_ms": (frame_ms * rng.uniform(0.1, 0.3, n)).round(4),
        "queue_ms": rng.gamma(20, 0.5, n).round(4),
        "shown_ms": (frame_ms + rng.normal(0, 0.5, n)).round(4),
        "scene_part": rng.integers(1, 9, n),
        "board_w": rng.normal(300, 5, n).round(2),
        "core_c": rng.integers(60, 70, n),
        "core_mhz": rng.integers(1900, 2000, n),
        "load_pct": rng.integers(90, 100, n),
        "fan_rpm": rng.integers(900, 1000, n),
    }
    return pd.DataFrame({column: values[column] for column in columns})


def write_sheet(folder: Path, logs: list[str]) -> None:
    """Write a run sheet with one row per log."""
    rows = [
        {"run": f"r{k}", "tuning": ("factory", "quiet")[k % 2], "round": k // 2 + 1, "order": k + 1}
        for k in range(len(logs))
    ]
    pd.DataFrame(rows).assign(game="Salt Orchard", frame_log=logs).to_csv(folder / "runs.csv", index=False)


def plan_of(folder: Path, *metrics: str) -> ReviewPlan:
    """Return the plan of a made review."""
    plan = {
        "review": {"title": "Intake"},
        "cards": [{"name": "Larkmoor 4"}],
        "tunings": [{"name": "factory", "reference": True}, {"name": "quiet"}],
        "games": [{"name": "Salt Orchard"}],
        "analysis": {"metrics": [*METRICS, *metrics]},
    }
    return ReviewPlan.from_dict(plan, folder=folder)


def make_copies(folder: Path, *, times: int, n_runs: int) -> None:
    """Make a review of so many times as many runs out of the logs, no two alike: each copy ends a frame earlier."""
    place, logs = folder / f"times {times}", sorted((folder / "frames" / "logs").iterdir())
    if place.exists():
        return
    (place / "logs").mkdir(parents=True)
    for number in range(times * n_runs):
        rows = logs[number % n_runs].read_bytes().splitlines(keepends=True)
        kept = b"".join(rows[: len(rows) - number // n_runs])
        (place / "logs" / f"r{number}.csv").write_bytes(kept)
    write_sheet(place, [f"logs/r{number}.csv" for number in range(times * n_runs)])


def _intake(folder: Path, *metrics: str, processes: int = 1) -> None:
    """Take a review in, from its folder to metrics and findings."""
    plan = plan_of(folder, *metrics)
    review = open_review(plan)
    table = compute_run_metrics(review, plan, processes=processes)
    assert not table["value"].isna().any()
    assert len(check_review(review, table, plan))


def _read_bare(folder: Path) -> None:
    """Read every file whole with pandas' C engine, one at a time."""
    for path in sorted((folder / "logs").iterdir()):
        pd.read_csv(path, engine="c")


def _read_polars(folder: Path) -> None:
    """Read every file whole with a multi-threaded library, one at a time."""
    for path in sorted((folder / "logs").iterdir()):
        polars.read_csv(path)


def _measure_times(folder: Path, *, repeats: int) -> None:
    """Measure in turns, so that other load on the machine strikes all alike, and print the shortest of each."""
    frames, sensors = folder / "frames", folder / "sensors"
    ways: dict[str, tuple[Path, Callable[[], None]]] = {
        "bare reading": (frames, lambda: _read_bare(frames)),
        "intake to metrics and findings": (frames, lambda: _intake(frames)),
        "the same, with hitches": (frames, lambda: _intake(frames, "hitch_ms_per_min")),
        "bare reading, sensors beside frames": (sensors, lambda: _read_bare(sensors)),
        "intake, sensors beside frames": (sensors, lambda: _intake(sensors)),
    }
    if polars is not None:
        ways["multi-threaded library, bare reading"] = (frames, lambda: _read_polars(frames))
    times = {name: [] for name in ways}
    for _ in range(repeats):
        for name, (_, way) in ways.items():
            times[name].append(_timed(way))
    best = {name: tuple(map(min, zip(*spent, strict=True))) for name, spent in times.items()}
    logs = list((frames / "logs").iterdir())
    n_files, size_mb = len(logs), sum(log.stat().st_size for log in logs) / 1e6
    print(f"{n_files} logs, {size_mb:.0f} MB, {os.cpu_count()} processors; shortest of {repeats}, ratio to bare")
    print(f"  {'':40s}{'clock':>10s}{'ratio':>8s}{'processor':>12s}{'ratio':>8s}")
    for name, (place, _) in ways.items():
        bare = best["bare reading" if place == frames else "bare reading, sensors beside frames"]
        (wall_s, cpu_s), target = best[name], f"   (at most {TARGETS[name]})" if name in TARGETS else ""
        print(f"  {name:40s}{wall_s:8.2f} s{wall_s / bare[0]:8.2f}{cpu_s:10.2f} s{cpu_s / bare[1]:8.2f}{target}")


def _timed(way: Callable[[], None]) -> tuple[float, float]:
    """Return the time by the clock and the processor time that a way takes [s]."""
    started, worked = time.perf_counter(), time.process_time()
    way()
    return time.perf_counter() - started, time.process_time() - worked


def _measure_two_processes(folder: Path, *, repeats: int) -> None:
    """Print how much faster two warm processes read than one, by the clock and by processor time."""
    plan = plan_of(folder)
    review = open_review(plan)
    compute_run_metrics(review, plan, processes=2)
    one, two = [], []
    for _ in range(repeats):
        one.append(_timed(lambda: compute_run_metrics(open_review(plan), plan, processes=1)))
        before = _worked_by_children()
        wall_s, main_s = _timed(lambda: compute_run_metrics(open_review(plan), plan, processes=2))
        busiest_s = max((_worked_by_children()[pid] - before.get(pid, 0.0) for pid in before), default=float("nan"))
        two.append((wall_s, main_s, busiest_s))
    print(f"{len(review.tasks)} logs with two processes, warm:")
    print(f"  by the clock {min(one)[0] / min(two)[0]:.2f} times as fast (at least 1.7 on two free cores)")
    free, alone_s = min(two, key=lambda times: times[1] + times[2]), min(spent[1] for spent in one)
    print(f"  on two free cores {alone_s / (free[1] + free[2]):.2f} times, by processor time:")
    print(f"  one process {alone_s:.2f} s, busier of two {free[2]:.2f} s, collecting {free[1]:.2f} s")


def _worked_by_children() -> dict[int, float]:
    """Return the processor time of each process started by this one [s]; empty on systems that do not tell."""
    worked, tick_s = {}, 1 / os.sysconf("SC_CLK_TCK") if hasattr(os, "sysconf") else 0.01
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[1]) == os.getpid():
            worked[int(stat.parent.name)] = (int(fields[11]) + int(fields[12])) * tick_s
    return worked


def _print_peak(folder: Path) -> None:
    """Take a review in and print the peak memory of this process."""
    started = time.perf_counter()
    plan = plan_of(folder)
    review = open_review(plan)
    before_mb = _peak_mb()
    check_review(review, compute_run_metrics(review, plan, processes=1), plan)
    seconds = time.perf_counter() - started
    n_runs = len(review.tasks)
    peaks = f"peak memory {_peak_mb():.0f} MB ({before_mb:.0f} MB before the first log)"
    print(f"  {n_runs} runs: {seconds:.1f} s, {peaks}", flush=True)


def _peak_mb() -> float:
    """Return the peak memory of this process [MB]; nan on systems that do not tell."""
    status = Path("/proc/self/status")
    if status.exists():  # elsewhere the peak of the parent may be inherited
        peak = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return int(peak.split()[1]) / 1e3
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss if resource else float("nan")
    return peak / (1e6 if sys.platform == "darwin" else 1e3)


if __name__ == "__main__":
    main()
