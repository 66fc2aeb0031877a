"""How fast simulated suites go through the comparisons, against a plain loop over single t tests; and one review.

Goals in processor time: 10 s for 10,000 suites, 0.3 s for a review of ten games, three tunings and four metrics.

Run with:  python benchmarks/comparisons.py [suites]
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.statistics.compare import compare_over_games, compare_tunings

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "support"))

from simulated_runs import Design, make_review

GAMES, ROUNDS = 10, 5
METRICS = ("avg_fps", "low_1pct_fps", "board_w", "energy_per_frame_j")
TUNINGS = ("factory", "quiet", "brisk", "lowvolt")


def make_plan(tunings=TUNINGS[:2], metrics=METRICS[:1]) -> ReviewPlan:
    """Return a plan of tunings and metrics."""
    return ReviewPlan.from_dict(
        {
            "review": {"title": "Benchmark"},
            "cards": [{"name": "Larkmoor 4"}],
            "tunings": [{"name": name, "reference": name == TUNINGS[0]} for name in tunings],
            "games": [{"name": f"game {number:02d}"} for number in range(1, GAMES + 1)],
            "analysis": {"metrics": list(metrics)},
        }
    )


def seconds(function, *arguments) -> float:
    """Return how much processor time a call takes."""
    start = time.process_time()
    function(*arguments)
    return time.process_time() - start


def plain_loop(differences: np.ndarray) -> list:
    """Run one t test per game, one after the other: no layout, no borrowing, no overall result, no verdict."""
    return [stats.ttest_1samp(one, 0) for one in differences]


def one_review() -> float:
    """Return how much processor time the verdicts of a usual review take, the best of five."""
    effects = {name: 0.5 * place for place, name in enumerate(TUNINGS)}
    tables = [make_review(effects, Design(games=GAMES, rounds=ROUNDS, metric=metric), seed=2) for metric in METRICS]
    runs, plan = pd.concat(tables, ignore_index=True), make_plan(TUNINGS, METRICS)
    return min(seconds(compare_tunings, runs, plan) + seconds(compare_over_games, runs, plan) for _ in range(5))


def main(suites: int) -> None:
    """Print times and ratios."""
    runs = make_review({"factory": 0.0, "quiet": 0.0}, Design(games=GAMES, rounds=ROUNDS, suites=suites), seed=1)
    plan = make_plan()
    compare_tunings(runs.head(GAMES * ROUNDS * 2), plan)
    games, over = seconds(compare_tunings, runs, plan), seconds(compare_over_games, runs, plan)
    rng = np.random.default_rng(1)
    looped = min(suites, 200)
    loop = seconds(plain_loop, rng.standard_normal((looped * GAMES, ROUNDS))) / looped * suites
    print(f"{suites} suites of {GAMES} games, 2 tunings, {ROUNDS} rounds ({len(runs)} runs)")
    print(f"per game:      {games:7.2f} s  {suites / games:9.0f} suites/s")
    print(f"over games:    {over:7.2f} s  {suites / over:9.0f} suites/s")
    print(f"both:          {games + over:7.2f} s  {suites / (games + over):9.0f} suites/s")
    print(f"plain loop:    {loop:7.2f} s  {suites / loop:9.0f} suites/s  (scipy, from {looped} suites)")
    print(f"one review of {GAMES} games, {len(TUNINGS) - 1} tunings, {len(METRICS)} metrics: {one_review():.3f} s")
    print(f"the kit takes {(games + over) / loop:.3f} times as long as the plain loop")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
