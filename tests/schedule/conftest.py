"""Review folders to be planned: a plan, a run sheet, and runs recorded as typed numbers."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gpubench_kit.model.plan import ReviewPlan

GAMES = (
    "Low Tide Racers", "Salt Orchard", "Copper Monsoon", "Glass Tundra", "Dust Meridian", "Harbour Lanterns",
    "Ninefold Keep", "Kestrel Parish", "Thornway Express", "Widow's Aqueduct",
)  # fmt: skip
HEADINGS = "run,tuning,game,purpose,session,round,order,avg_fps"


class Folder:
    """A review folder, to be planned and recorded in turn."""

    def __init__(self, path: Path, sections: dict[str, Any]):
        self.path, self.sections = path, sections
        path.mkdir(exist_ok=True)

    @property
    def plan(self) -> ReviewPlan:
        """The plan, read anew."""
        return ReviewPlan.from_dict(self.sections, folder=self.path)

    @property
    def sheet(self) -> Path:
        """The run sheet."""
        return self.path / "runs.csv"

    def write_plan_file(self) -> None:
        """Write the plan as a file, for the command; only what these tests set is written."""
        (self.path / "plan.toml").write_text("\n".join(_toml_lines(self.sections)) + "\n", encoding="utf-8")

    def write_sheet(self, *rows: str, headings: str = HEADINGS) -> None:
        """Write the run sheet."""
        self.sheet.write_text("\n".join([headings, *rows]) + "\n", encoding="utf-8")

    def rows(self) -> list[dict[str, str]]:
        """Return the rows of the run sheet."""
        return list(csv.DictReader(io.StringIO(self.sheet.read_text(encoding="utf-8"))))

    def record(self, *, noise: float = 0.004, effect: float = 0.0, seed: int = 1) -> None:
        """Type a value for every run that has none; ``quiet`` differs by ``effect`` (natural log)."""
        rng, rows = np.random.default_rng(seed), self.rows()
        for row in (row for row in rows if not row["avg_fps"]):
            level = 4.6 + noise * rng.standard_normal() + effect * (row["tuning"] == "quiet")
            row["avg_fps"] = f"{np.exp(level):.4f}"
        out = io.StringIO()
        writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        self.sheet.write_text(out.getvalue(), encoding="utf-8")


@pytest.fixture
def folder(tmp_path):
    """Return a maker of folders: number of games, names of tunings, further sections of the plan."""

    def make(n_games: int = 10, tunings=("factory", "quiet"), **sections) -> Folder:
        games = [{"name": (*GAMES, *(f"Part {number}" for number in range(99)))[place]} for place in range(n_games)]
        base = {
            "review": {"title": "Larkmoor 4: a plan"},
            "cards": [{"name": "Larkmoor 4"}],
            "tunings": [{"name": name, "reference": place == 0} for place, name in enumerate(tunings)],
            "games": games,
            "analysis": {"metrics": ["avg_fps"]},
        }
        return Folder(tmp_path / "review", base | sections)

    return make


def _toml_lines(sections: dict[str, Any]) -> list[str]:
    """Return sections of plain values as TOML."""
    lines = []
    for name, content in sections.items():
        for part in content if isinstance(content, list) else [content]:
            lines.append(f"[[{name}]]" if isinstance(content, list) else f"[{name}]")
            lines += [f"{key} = {_toml(value)}" for key, value in part.items()]
    return lines


def _toml(value: Any) -> str:
    """Return a plain value as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_toml(one) for one in value) + "]"
    return f'"{value}"' if isinstance(value, str) else repr(value)
