"""What the bench desk costs: while a recording grows, and after it; and how often a made-up writer is taken early.

Run with:  python benchmarks/desk.py [SECONDS]       (default: 60)

A process of its own appends 125 rows a second to a log beside 20 old ones, while the desk looks once a second; its
processor time is counted from the first growth to the last. Meant to be: at most 0.1 % of a core while it grows, no
byte written to the screen, no log opened; after it less than 1 s for 9,000 frames and a sensor log.
"""

from __future__ import annotations

import io
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "support"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "desk"))

from made_evening import Evening, made_review
from test_watch import NAMES, _taken_at, _writers

from gpubench_kit.desk.keeper import Clock
from gpubench_kit.desk.recordings import FileView, Watch

_WRITER = """
import sys, time
with open(sys.argv[1], "w", buffering=1) as out:
    out.write("elapsed_s,frame_ms\\n")
    end = time.monotonic() + float(sys.argv[2])
    n = 0
    while time.monotonic() < end:
        out.write(f"{n * 0.008:.6f},8.0000\\n")
        n += 1
        time.sleep(0.008)
"""


def _processor_s() -> float:
    """Return the processor time of this process [s]."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def idle_share(seconds: float) -> tuple[float, int]:
    """Return the share of a core that looks take while a log grows, and how often a log was opened."""
    with tempfile.TemporaryDirectory() as name:
        folder, opened = Path(name), []
        for number in range(20):
            (folder / f"old {number}.csv").write_bytes(b"1,2\n" * 5000)
        view = FileView()
        view.ends_whole = lambda file: opened.append(file) or True
        watch = Watch((folder,), view, lambda file: opened.append(file) or seconds, wanted_s=seconds)
        clock = Clock()
        watch.look(clock.monotonic(), clock.monotonic)
        writer = subprocess.Popen([sys.executable, "-c", _WRITER, str(folder / "new.csv"), str(seconds)])
        time.sleep(2.0)
        before, began = _processor_s(), time.monotonic()
        while writer.poll() is None:
            now = clock.monotonic()
            watch.look(now, clock.monotonic)
            watch.complete(now)
            watch.growing()
            time.sleep(max(0.0, 1.0 - (clock.monotonic() - now)))
        return (_processor_s() - before) / (time.monotonic() - began), len(opened)


def cost_after(frames: int = 9000) -> tuple[float, float]:
    """Return the processor time from the end of a recording to the next run: the first time, and later [s]."""
    review = made_review(games=1, rounds=2, scene_s=60.0, fps=frames / 60)
    with tempfile.TemporaryDirectory() as name, Evening(Path(name), review) as evening:
        costs = []
        for _ in range(3):
            evening.record(rest=0)
            before = _processor_s()
            evening.wait(20)
            costs.append(_processor_s() - before)
        return costs[0], float(np.median(costs[1:]))


def early_share(times: int = 100) -> tuple[dict[str, float], float]:
    """Return the share of files of each made-up writer taken early, and the median wait after the end [s]."""
    rng, early, waits = np.random.default_rng(1), dict.fromkeys(NAMES, 0), []
    for name in NAMES * times:
        size_at, end = _writers(rng)[name]
        _, is_early, at = _taken_at(size_at, end)
        early[name] += is_early
        waits.append(at - end)
    return {name: count / times for name, count in early.items()}, float(np.median(waits))


def main() -> None:
    """Print all numbers."""
    share, opened = idle_share(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
    print(f"while a recording grows: {100 * share:.3f} % of a core, {opened} logs opened (goal: 0.1 %, none)")
    first, later = cost_after()
    print(f"after it, 9,000 frames and sensors: {first:.2f} s the first time, then {later:.2f} s (goal: 1 s)")
    shares, wait = early_share()
    out = io.StringIO()
    for name, one in shares.items():
        out.write(f"  {name:<18} {100 * one:5.1f} %\n")
    print(f"taken early, of 100 files each (median wait {wait:.1f} s):\n{out.getvalue()}", end="")
    print(f"  {'all':<18} {100 * float(np.mean(list(shares.values()))):5.1f} % (goal: 2 %)")


if __name__ == "__main__":
    main()
