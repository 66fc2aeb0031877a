"""Plans and run sheets that tests of the plan share: small, valid, to be changed one thing at a time."""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from gpubench_kit.model.plan import ReviewPlan

SMALL_PLAN: dict[str, Any] = {
    "review": {"title": "Larkmoor 4: what a lower power limit costs"},
    "cards": [{"name": "Larkmoor 4"}],
    "tunings": [{"name": "factory", "reference": True}, {"name": "quiet"}],
    "games": [{"name": "Low Tide Racers"}, {"name": "Salt Orchard"}],
}

HEADINGS = "run,tuning,game,round,order,avg_fps"


def small_plan(folder: Path | None = None, changes: Mapping[str, Any] | None = None) -> ReviewPlan:
    """Return the small plan with some sections replaced."""
    return ReviewPlan.from_dict(copy.deepcopy(SMALL_PLAN) | dict(changes or {}), folder=folder)


def rival_plan(changes: Mapping[str, Any] | None = None) -> ReviewPlan:
    """Return the small plan with a rival card."""
    cards = [{"name": "Larkmoor 4"}, {"name": "Fernholt 3", "role": "rival"}]
    return small_plan(changes={"cards": cards, **(changes or {})})


def write_sheet(folder: Path, *rows: str, headings: str = HEADINGS) -> Path:
    """Write ``runs.csv`` with one line per row."""
    file = folder / "runs.csv"
    file.write_text("\n".join([headings, *rows]) + "\n", encoding="utf-8")
    return file


def full_sheet(folder: Path, rounds: Iterable[int] = (1, 2)) -> Path:
    """Write a sheet in which every tuning has a run of every game in every round."""
    cells = [(n, game, tuning) for n in rounds for game in ("Low Tide Racers", "Salt Orchard")
             for tuning in ("factory", "quiet")]  # fmt: skip
    rows = [f"r{k},{tuning},{game},{n},{k},{90 + k}.50" for k, (n, game, tuning) in enumerate(cells, start=1)]
    return write_sheet(folder, *rows)
