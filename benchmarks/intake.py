"""How fast logs become metrics, against bare reading of the same files, measured in one run.

    python benchmarks/intake.py [--runs 300] [--frames 9000] [--repeats 3]

Makes a review of frame logs with eight columns in a temporary folder and prints, as ratios to reading
every file whole with pandas' C engine one at a time: the kit's intake to metrics, with and without
``hitch_ms_per_min``; with sensors in the same rows; with two processes; and, where it is installed, a
multi-threaded data-frame library. Peak memory is that of a fresh process for each number of runs.
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

TARGETS = {"intake to metrics": 1.3, "the same, with hitches": 2.0}
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
        folder = Path(name)
        for kind, columns in (("frames", FRAME_COLUMNS), ("sensors", SENSOR_COLUMNS)):
            make_review(folder / kind, columns, n_runs=options.runs, n_frames=options.frames)
        _measure_times(folder, repeats=options.repeats)
        _measure_memory(folder, n_runs=options.runs)


def _options() -> argparse.Namespace:
    """Return the command's options."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=300)
    parser.add_argument("--frames", type=int, default=9000)
    parser.add_argument("--repeats", type=int, default=3)
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


def _intake(folder: Path, *metrics: str, processes: int = 1) -> None:
    """Take a review in, from its folder to metrics."""
    plan = plan_of(folder, *metrics)
    table = compute_run_metrics(open_review(plan), plan, processes=processes)
    assert not table["value"].isna().any()


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
        "intake to metrics": (frames, lambda: _intake(frames)),
        "the same, with hitches": (frames, lambda: _intake(frames, "hitch_ms_per_min")),
        "the same, two processes": (frames, lambda: _intake(frames, processes=2)),
        "bare reading, sensors beside frames": (sensors, lambda: _read_bare(sensors)),
        "intake, sensors beside frames": (sensors, lambda: _intake(sensors)),
    }
    if polars is not None:
        ways["multi-threaded library, bare reading"] = (frames, lambda: _read_polars(frames))
    times: dict[str, list[float]] = {name: [] for name in ways}
    for _ in range(repeats):
        for name, (_, way) in ways.items():
            started = time.perf_counter()
            way()
            times[name].append(time.perf_counter() - started)
    best = {name: min(seconds) for name, seconds in times.items()}
    logs = list((frames / "logs").iterdir())
    n_files, size_mb = len(logs), sum(log.stat().st_size for log in logs) / 1e6
    print(f"{n_files} logs, {size_mb:.0f} MB, {os.cpu_count()} processors; shortest of {repeats}, ratio to bare")
    for name, (place, _) in ways.items():
        bare = best["bare reading" if place == frames else "bare reading, sensors beside frames"]
        target = f"   (target {TARGETS[name]})" if name in TARGETS else ""
        print(f"  {name:40s}{best[name]:8.2f} s {best[name] / bare:6.2f}{target}")
    faster = best["intake to metrics"] / best["the same, two processes"]
    print(f"  two processes are {faster:.2f} times as fast as one, their start not counted")


def _measure_memory(folder: Path, *, n_runs: int) -> None:
    """Print the peak memory of a fresh process, for the runs there are and for ten times as many."""
    logs = sorted((folder / "frames" / "logs").iterdir())
    for times in (1, 10):
        place = folder / f"memory {times}"
        (place / "logs").mkdir(parents=True)
        for number in range(times * n_runs):
            os.link(logs[number % n_runs], place / "logs" / f"r{number}.csv")
        write_sheet(place, [f"logs/r{number}.csv" for number in range(times * n_runs)])
        subprocess.run([sys.executable, __file__, "--measure-memory", str(place)], check=True)


def _print_peak(folder: Path) -> None:
    """Take a review in and print the peak memory of this process."""
    started = time.perf_counter()
    plan = plan_of(folder)
    review = open_review(plan)
    before_mb = _peak_mb()
    compute_run_metrics(review, plan)
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
