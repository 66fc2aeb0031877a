"""How many reports an hour: one worker, two workers of this machine, and two workers of a cluster beside it.

Run with:  python benchmarks/many_reviews.py [REVIEWS]       (default: 12)

The reviews are small, so that what the work costs beside the reports themselves shows. The cluster runs on this
machine, a scheduler and two workers, so that it has the same cores as the two processes it is held against.
"""

from __future__ import annotations

import sys
import tempfile
import time
from contextlib import nullcontext
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests" / "support"))

from local_cluster import LocalCluster  # noqa: E402
from small_folder import write_small_review  # noqa: E402

from gpubench_kit.model.errors import ReportError  # noqa: E402
from gpubench_kit.report.cluster import Cluster  # noqa: E402
from gpubench_kit.report.many_reviews import ThisMachine, make_reports, tasks_of  # noqa: E402

#: Two workers are meant to do this many times the work of one.
GOAL_TWO = 1.7
#: Share of the time that the cluster may take beside what two processes of this machine take.
GOAL_OVERHEAD = 0.10
_START_S = 120


def main(count: int) -> None:
    """Print seconds for all reviews, and the ratios against their goals."""
    with tempfile.TemporaryDirectory() as scratch:
        place = Path(scratch)
        reviews = [write_small_review(place / "reviews" / f"review {number:03d}") for number in range(count)]
        one = _seconds(reviews, place / "one", nullcontext(_one_worker(count)))
        two = _seconds(reviews, place / "two", nullcontext(ThisMachine(count, workers=2)))
        with LocalCluster(place / "cluster") as running:
            _wait_for(running.address)
            cluster = _seconds(reviews, place / "through", Cluster(running.address))
    for name, seconds in (("one worker", one), ("two workers", two), ("cluster of two workers", cluster)):
        print(f"{name:24s} {seconds:7.1f} s  {3600 * count / seconds:6.0f} reviews an hour")
    print(
        f"two workers do {one / two:.2f} times the work of one (goal {GOAL_TWO}), "
        f"through the cluster {one / cluster:.2f}"
    )
    print(
        f"the cluster takes {cluster / two - 1:+.1%} of the time of two workers (goal: below {GOAL_OVERHEAD:.0%})"
    )


def _one_worker(count: int) -> ThisMachine:
    """Return one worker like each of the two: alone on the machine, it would draw pictures with every core."""
    engine = ThisMachine(count, workers=1)
    engine.cores = 1
    return engine


def _seconds(reviews: list[Path], output: Path, engine) -> float:
    """Return how long all reports take [s]."""
    with engine as place:
        start = time.perf_counter()
        outcomes = make_reports(tasks_of(reviews, output), place)
        seconds = time.perf_counter() - start
    missing = [one.review for one in outcomes if one.outcome != "made"]
    if missing:
        raise SystemExit(f"not made: {missing}")
    return seconds


def _wait_for(address: str) -> None:
    """Wait until a cluster has its workers."""
    end = time.monotonic() + _START_S
    while time.monotonic() < end:
        try:
            with Cluster(address) as found:
                if found.workers >= 2:
                    return
        except ReportError:
            pass
        time.sleep(0.5)
    raise SystemExit("the workers of the cluster did not start")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 12)
