"""The folder of a small review: numbers typed by hand, one game, two tunings, five rounds."""

from __future__ import annotations

from pathlib import Path

PLAN = """
[review]
title = "Larkmoor 4: a small review"
[[cards]]
name = "Larkmoor 4"
[[tunings]]
name = "factory"
reference = true
[[tunings]]
name = "quiet"
[[games]]
name = "Salt Orchard"
[analysis]
metrics = ["avg_fps"]
"""


def write_small_review(folder: Path) -> Path:
    """Make the folder of a review with its plan and run sheet, and return it."""
    folder.mkdir(parents=True)
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    rows = ["run,tuning,game,round,order,avg_fps"]
    for number in range(10):
        tuning, value = ("factory", 100.0) if number % 2 == (number // 2) % 2 else ("quiet", 97.0)
        rows.append(f"r{number},{tuning},Salt Orchard,{number // 2 + 1},{number + 1},{value + number % 3 / 10:.1f}")
    (folder / "runs.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return folder
