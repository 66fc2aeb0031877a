"""The bundled reviews as folders: the recorded one has all its logs, unshaped, in a sound order."""

from __future__ import annotations

import csv
import gzip
import re
import tomllib
from collections import Counter
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

DATA = Path(__file__).parent.parent / "data"
REAL = DATA / "real_scenes"


@pytest.fixture(scope="module")
def sheet() -> list[dict]:
    """Rows of the recorded review's run sheet."""
    with (REAL / "runs.csv").open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def test_each_round_holds_each_state_of_each_scene_once(sheet):
    seen = Counter((row["game"], row["round"], row["tuning"]) for row in sheet)
    assert len(seen) == 3 * 5 * 4
    assert set(seen.values()) == {1}


def test_every_log_of_the_sheet_is_there_and_no_other(sheet):
    named = {row[column] for row in sheet for column in ("frame_log", "sensor_log")}
    assert named == {path.relative_to(REAL).as_posix() for path in (REAL / "logs").iterdir()}


def test_sensor_clocks_confirm_the_order_of_the_sheet(sheet):
    starts = [(REAL / row["sensor_log"]).read_text(encoding="utf-8").splitlines()[1].split(",")[0] for row in sheet]
    assert all(earlier < later for earlier, later in pairwise(starts))


def test_frame_times_of_a_recorded_log_are_the_steps_of_its_time_column(sheet):
    for row in sheet[::13]:
        lines = gzip.decompress((REAL / row["frame_log"]).read_bytes()).decode().splitlines()
        assert lines[0] == "elapsed_s,frame_ms"
        time_s, frame_ms = np.array([line.split(",") for line in lines[1:]], dtype=float).T
        np.testing.assert_allclose(np.diff(time_s) * 1000, frame_ms[:-1], atol=0.0016)
        assert time_s[-1] + frame_ms[-1] / 1000 == pytest.approx(7.0, abs=0.1)


@pytest.mark.parametrize("name", ["ten_games", "real_scenes"])
def test_plan_and_sheet_of_a_bundled_review_name_the_same_things(name):
    plan = tomllib.loads((DATA / name / "plan.toml").read_text(encoding="utf-8"))
    with (DATA / name / "runs.csv").open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    assert {row["tuning"] for row in rows} == {tuning["name"] for tuning in plan["tunings"]}
    assert {row["game"] for row in rows} == {game["name"] for game in plan["games"]}
    assert [tuning["name"] for tuning in plan["tunings"] if tuning.get("reference")] == ["factory"]


@pytest.mark.parametrize("name", ["ten_games", "real_scenes"])
def test_the_readme_of_a_bundled_review_explains_each_of_its_tunings(name):
    readme = (DATA / name / "README.md").read_text(encoding="utf-8")
    plan = tomllib.loads((DATA / name / "plan.toml").read_text(encoding="utf-8"))
    for tuning in plan["tunings"]:
        assert re.search(rf"\b{tuning['name']}\b", readme)
