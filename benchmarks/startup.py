"""How long the command takes before it does anything, against a bare interpreter.

Run with:  python benchmarks/startup.py [repeats]
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

#: What the start of the command may take beyond the bare interpreter [s].
GOAL_S = 0.5

CASES = {
    "bare interpreter": ["-c", "pass"],
    "import gpubench_kit": ["-c", "import gpubench_kit"],
    "gpubench-kit --help": ["-m", "gpubench_kit", "--help"],
    "gpubench-kit report --help": ["-m", "gpubench_kit", "report", "--help"],
    "import gpubench_kit and pandas": ["-c", "import gpubench_kit, pandas"],
}


def main(repeats: int) -> None:
    """Print the median seconds of each case, and its ratio to the bare interpreter."""
    medians = {name: median_seconds(arguments, repeats) for name, arguments in CASES.items()}
    bare = medians["bare interpreter"]
    for name, seconds in medians.items():
        print(f"{name:32s} {seconds:6.3f} s  {seconds / bare:5.1f} times bare")
    print(f"help is {medians['gpubench-kit --help'] / GOAL_S:.0%} of its {GOAL_S} s")


def median_seconds(arguments: list[str], repeats: int) -> float:
    """Return the median time of a fresh interpreter with some arguments [s]."""
    return statistics.median(seconds_once(arguments) for _ in range(repeats))


def seconds_once(arguments: list[str]) -> float:
    """Return how long a fresh interpreter takes [s]."""
    start = time.perf_counter()
    subprocess.run([sys.executable, *arguments], capture_output=True, check=True)
    return time.perf_counter() - start


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 7)
