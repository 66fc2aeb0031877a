"""Reviews to check: with mishaps planted, begun but not finished, and with a broken sheet and broken logs."""

from __future__ import annotations

import csv
import shutil
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pytest

import gpubench_kit as kit
from gpubench_kit.logs.review import Review
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.synthetic.recipe import MadeGame, MadeReview, MadeTuning, Mishap
from gpubench_kit.synthetic.review import write_review

TUNINGS = (
    MadeTuning("factory"),
    MadeTuning("quiet", fps_pct=-4.0, power_pct=-15.0, core_mhz=2610.0, core_mv=960.0, changes={"voltage_mv": -90}),
)
GAMES = (
    MadeGame("Low Tide Racers", 140.0, run_cv_pct=0.4),
    MadeGame("Salt Orchard", 90.0, run_cv_pct=0.4),
    MadeGame("Glass Tundra", 70.0, run_cv_pct=0.4),
)
#: The last is excluded in the sheet and repeated at once, so that nothing is left to redo.
PLANTED = (
    Mishap("gap", "quiet", "Low Tide Racers", 1),
    Mishap("cap", "quiet", "Salt Orchard", 2),
    Mishap("loading_pause", "quiet", "Glass Tundra", 3),
    Mishap("short_run", "quiet", "Low Tide Racers", 4),
    Mishap("tuning_lost", "quiet", "Salt Orchard", 5),
    Mishap("background_load", "factory", "Glass Tundra", 1),
    Mishap("short_run", "factory", "Salt Orchard", 3, excluded="crash"),
)
RECIPE = MadeReview("Mishaps", tunings=TUNINGS, games=GAMES, seed=5, scene_s=8.0, mishaps=PLANTED)


@dataclass(frozen=True)
class Checked:
    """What the notebook of `check` makes of a review, by name of the section."""

    plan: ReviewPlan
    review: Review
    findings: pd.DataFrame
    runs: pd.DataFrame
    redo: pd.DataFrame
    noise: pd.DataFrame
    sections: dict

    @property
    def text(self) -> str:
        """The whole page as HTML."""
        return "\n".join(section._repr_html_() for section in self.sections.values())

    def run_of(self, mishap: Mishap) -> str:
        """Return the run that a mishap was planted in."""
        asked = {"tuning": mishap.tuning, "game": mishap.game, "round": mishap.round, "purpose": "measure"}
        rows = self.review.runs
        for name, value in asked.items():
            rows = rows[rows[name] == value]
        return rows["run"].iloc[0]


def check(folder: Path) -> Checked:
    """Check a review as the notebook does."""
    found = kit.check(folder)
    names = ("head", "redo", "findings", "progress", "noise", "runs", "logs", "limits")
    sections = {one.name: one for one in map(found.section, names)}
    return Checked(found.plan, found.logs, found.findings, found.runs, found.redo, found.noise, sections)


@pytest.fixture(scope="session")
def mishaps_folder(tmp_path_factory) -> Path:
    """Return the folder of a review with mishaps planted."""
    return write_review(tmp_path_factory.mktemp("mishaps"), RECIPE)


@pytest.fixture(scope="session")
def mishaps(mishaps_folder) -> Checked:
    """Return the review with mishaps, checked."""
    return check(mishaps_folder)


@pytest.fixture(scope="session")
def begun_folder(mishaps_folder, tmp_path_factory) -> Path:
    """Return the folder of the same review after the first sixteen rows."""
    folder = _copy(mishaps_folder, tmp_path_factory.mktemp("begun"))
    rows = _rows(folder)
    for row in rows[16:]:
        for name in filter(None, (row["frame_log"], row["sensor_log"])):
            (folder / name).unlink()
        row |= {"frame_log": "", "sensor_log": "", "started_at": "", "excluded": "", "replaces": ""}
    _write(folder, rows)
    return folder


@pytest.fixture(scope="session")
def begun(begun_folder) -> Checked:
    """Return the review that was begun, checked."""
    return check(begun_folder)


@pytest.fixture(scope="session")
def broken(mishaps_folder, tmp_path_factory) -> Checked:
    """Return the review with a misspelt game, a missing log, a log of something else, and a file too many."""
    folder = _copy(mishaps_folder, tmp_path_factory.mktemp("broken"))
    rows = _rows(folder)
    rows[2]["game"] = "Salt Orchid"
    (folder / rows[8]["frame_log"]).unlink()
    (folder / rows[9]["frame_log"]).write_bytes(b"this is no log\n\x00\x01")
    (folder / "logs" / "stray.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    _write(folder, rows)
    return check(folder)


def _copy(source: Path, target: Path) -> Path:
    """Copy a review into a folder."""
    shutil.copytree(source, target, dirs_exist_ok=True)
    return target


def _rows(folder: Path) -> list[dict]:
    """Return the rows of a run sheet."""
    with (folder / "runs.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _write(folder: Path, rows: list[dict]) -> None:
    """Write a run sheet."""
    with (folder / "runs.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
