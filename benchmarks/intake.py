"""How fast logs become metrics and findings, against bare reading of the same files, measured in one run.

    python benchmarks/intake.py [--runs 300] [--frames 9000] [--repeats 9] [--folder FOLDER]

Makes a review of frame logs with eight columns (in a folder that is kept, if one is named) and prints, as
ratios to reading every file whole with pandas' C engine one at a time: the kit's whole intake, to metrics and
findings, with and without ``hitch_ms_per_min``; with sensors in the same rows; with two processes over ten
times as many logs; and bare reading by libraries that use every core: pyarrow, and polars where it is installed.
Peak memory is that of a fresh process for each number of runs.

A machine's speed can double or halve within seconds. So every way is measured between two bare readings, again and
again, and its ratio is the median of its ratios to the mean of both; the least and the greatest stand beside it.
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
import pyarrow.csv
from joblib import Parallel, delayed

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "support"))
import made_clocks
import made_dialects
import made_sensors

from gpubench_kit.checks.review import check_review
from gpubench_kit.logs.read_frames import read_frame_log
from gpubench_kit.logs.read_samples import read_sensor_log
from gpubench_kit.logs.review import open_review
from gpubench_kit.metrics.per_run import compute_run_metrics
from gpubench_kit.model.errors import LogError
from gpubench_kit.model.plan import ReviewPlan

try:
    import resource
except ImportError:  # Windows
    resource = None

try:
    # Not in the processes whose memory is measured.
    polars = None if "--measure-memory" in sys.argv else importlib.import_module("polars")
except ImportError:
    polars = None

TARGETS = {
    "intake to metrics and findings": 1.0,
    "the same, with hitches": 1.3,
    "intake, sensors beside frames": 1.6,
}
#: Peak memory with 3,000 runs [MB].
MOST_MB = 210
METRICS = ["avg_fps", "low_1pct_fps", "low_0p1pct_fps", "pacing_ms"]
FRAME_COLUMNS = ("frame", "elapsed_s", "frame_ms", "card_ms", "wait_ms", "queue_ms", "shown_ms", "scene_part")
SENSOR_COLUMNS = ("frame", "elapsed_s", "frame_ms", "board_w", "core_c", "core_mhz", "load_pct", "fan_rpm")


def main() -> None:
    """Make logs, measure, print."""
    options = _options()
    if not options.measure_memory:
        _print_shares()
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
        _measure_two_processes(folder / "times 10", repeats=max(1, options.repeats // 3))
        for times in (1, 10):
            place = str(folder / f"times {times}")
            # As in the process of a notebook, where the commands read logs.
            environment = {**os.environ, "ARROW_DEFAULT_MEMORY_POOL": "system"}
            subprocess.run([sys.executable, __file__, "--measure-memory", place], check=True, env=environment)


def _print_shares() -> None:
    """Print how logs of invented recorders with known truth are read; none may be wrong and counted."""
    kinds = {
        "dialects and samples": made_dialects.frame_dialects(20261102),
        "random layouts": made_dialects.random_layouts(20261102, 400),
        "damaged logs": made_dialects.damaged(20261102),
        "frames told in lines": made_dialects.told_in_lines(20261102),
        "logs that contradict themselves": made_dialects.contradicted(20261102),
    }
    outcomes = {name: made_dialects.outcome_of(logs, _read_made) for name, logs in kinds.items()}
    outcomes["sensors"] = made_sensors.outcome_of_sensors(
        made_sensors.sensor_logs(20261102, 400), _read_made_sensors
    )
    for name, found in outcomes.items():
        right = f"{found.counts} right and counted, {found.shown} right and shown, {found.asked} asked or refused"
        print(f"{name}: {right}, {found.wrong_shown} wrong and shown, {len(found.wrong)} WRONG AND COUNTED")
    for how, with_files in (("", True), (" without the times of files", False)):
        found_clocks = made_clocks.outcome_of_clocks(made_clocks.clocks(20261102, 800), with_files=with_files)
        right = f"{found_clocks['right']} clocks right and counted, {found_clocks['refused']} refused"
        print(f"evenings{how}: {right}, {found_clocks['wrong']} WRONG AND COUNTED")


def _read_made(log: made_dialects.MadeLog) -> tuple[float, str] | None:
    """Return average frame rate and certainty of a made log; None where it asks or refuses."""
    with tempfile.TemporaryDirectory(prefix="made-") as name:
        path = Path(name) / "run.csv"
        path.write_text(log.text, encoding="utf-8")
        try:
            read = read_frame_log(path)
        except LogError:
            return None
    return 1000.0 * read.frames.frame_ms.size / float(read.frames.frame_ms.sum()), read.certainty.word


def _read_made_sensors(log: made_sensors.MadeSensorLog) -> dict[str, tuple[float, str]]:
    """Return mean and certainty of each sensor of a made log; none where it asks or refuses."""
    with tempfile.TemporaryDirectory(prefix="made-") as name:
        path = Path(name) / "sensors.csv"
        path.write_text(log.text, encoding="utf-8")
        try:
            read = read_sensor_log(path)
        except LogError:
            return {}
    certainty = {choice.role: choice.certainty.word for choice in read.choices}
    return {metric: (float(np.nanmean(values)), certainty[metric]) for metric, values in read.values.items()}


def _options() -> argparse.Namespace:
    """Return the command's options."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=300)
    parser.add_argument("--frames", type=int, default=9000)
    parser.add_argument("--repeats", type=int, default=9)
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
        "card_ms": (frame_ms * rng.uniform(0.7, 0.9, n)).round(4),
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
    _read_files(sorted((folder / "logs").iterdir()))


def _read_files(paths: list[Path]) -> None:
    """Read files whole with pandas' C engine, one at a time."""
    for path in paths:
        pd.read_csv(path, engine="c")


def _read_by_two(paths: list[Path]) -> None:
    """Read files whole with two warm processes, pieces in turn, and give nothing back: what this machine allows."""
    pieces = [paths[start : start + 64] for start in range(0, len(paths), 64)]
    Parallel(n_jobs=2)(delayed(_read_files)(piece) for piece in pieces)


def _read_arrow(folder: Path) -> None:
    """Read every file whole with the threads of pyarrow, one at a time."""
    for path in sorted((folder / "logs").iterdir()):
        pyarrow.csv.read_csv(path)


def _read_polars(folder: Path) -> None:
    """Read every file whole with the threads of polars, one at a time."""
    for path in sorted((folder / "logs").iterdir()):
        polars.read_csv(path)


def _measure_times(folder: Path, *, repeats: int) -> None:
    """Measure each way between two bare readings of its files, and print its times and ratios."""
    frames, sensors = folder / "frames", folder / "sensors"
    ways: dict[str, tuple[Path, Callable[[], None]]] = {
        "bare reading": (frames, lambda: _read_bare(frames)),
        "intake to metrics and findings": (frames, lambda: _intake(frames)),
        "the same, with hitches": (frames, lambda: _intake(frames, "hitch_ms_per_min")),
        "intake, sensors beside frames": (sensors, lambda: _intake(sensors)),
    }
    ways["pyarrow's threads, bare reading"] = (frames, lambda: _read_arrow(frames))
    if polars is not None:
        ways["polars' threads, bare reading"] = (frames, lambda: _read_polars(frames))
    logs = list((frames / "logs").iterdir())
    n_files, size_mb = len(logs), sum(log.stat().st_size for log in logs) / 1e6
    print(f"{n_files} logs, {size_mb:.0f} MB, {os.cpu_count()} processors; medians of {repeats}")
    print(f"  {'':38s}{'clock':>8s}  ratio to bare reading{'processor':>14s}  ratio to bare reading")
    for name, (place, way) in ways.items():
        rounds = [_between_bare_readings(way, place) for _ in range(repeats)]
        (wall_s, bare_s), (cpu_s, bare_cpu_s) = np.moveaxis(np.array(rounds), 0, -1)
        target = f"   (at most {TARGETS[name]})" if name in TARGETS else ""
        print(
            f"  {name:38s}{np.median(wall_s):6.2f} s  {_ratio_text(wall_s / bare_s):21s}"
            f"{np.median(cpu_s):12.2f} s  {_ratio_text(cpu_s / bare_cpu_s)}{target}",
            flush=True,
        )


def _between_bare_readings(way: Callable[[], None], folder: Path) -> list[tuple[float, float]]:
    """Return (time of a way, mean of the bare readings before and after it), by the clock and by processor."""
    before, spent, after = (_timed(one) for one in (lambda: _read_bare(folder), way, lambda: _read_bare(folder)))
    return [(own, (first + last) / 2) for own, first, last in zip(spent, before, after, strict=True)]


def _ratio_text(ratios: np.ndarray) -> str:
    """Return the median of ratios, with the least and the greatest."""
    return f"{np.median(ratios):.2f} ({ratios.min():.2f} to {ratios.max():.2f})"


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
    one, two, busiest, bare = [], [], [], []
    paths = [task.frame_path for task in review.tasks]
    for _ in range(repeats):
        one.append(_timed(lambda: compute_run_metrics(open_review(plan), plan, processes=1)))
        before = _worked_by_children()
        two.append(_timed(lambda: compute_run_metrics(open_review(plan), plan, processes=2)))
        busiest.append(max((_worked_by_children()[pid] - before.get(pid, 0.0) for pid in before), default=np.nan))
        bare.append(_timed(lambda: _read_files(paths))[0] / _timed(lambda: _read_by_two(paths))[0])
    (clock, alone_s), (clock_two, collecting_s) = np.transpose(one), np.transpose(two)
    free = alone_s / (collecting_s + np.array(busiest))
    print(f"{len(review.tasks)} logs with two processes, warm, medians of {repeats}:")
    print(f"  by the clock {_ratio_text(clock / clock_two)} times as fast (at least 1.8 on two free cores)")
    print(
        f"  bare reading of the same files: {_ratio_text(np.array(bare))} times, which is what the machine allows"
    )
    print(f"  on two free cores {_ratio_text(free)} times, by processor time:")
    print(f"  one process {np.median(alone_s):.2f} s, busier of two {np.median(busiest):.2f} s,", end=" ")
    print(f"collecting {np.median(collecting_s):.2f} s")


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
    goal = f"; at most {MOST_MB} MB" if n_runs >= 3000 else ""
    peaks = f"peak memory {_peak_mb():.0f} MB ({before_mb:.0f} MB before the first log{goal})"
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
