"""The same logs give the same report, byte for byte: elsewhere, in another locale, time zone and hash seed."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from gpubench_kit.synthetic.recipe import MadeGame, MadeReview, MadeTuning
from gpubench_kit.synthetic.review import write_review

pytestmark = pytest.mark.slow

#: Sensor logs carry clocks, and names sort differently by locale.
RECIPE = MadeReview(
    "Névé Crossing and the rest",
    tunings=(MadeTuning("factory"), MadeTuning("élan", fps_pct=-4.0, power_pct=-15.0, changes={"voltage_mv": -90})),
    games=(MadeGame("Névé Crossing", 90.0, run_cv_pct=0.4), MadeGame("Salt Orchard", 70.0, run_cv_pct=0.4)),
    seed=5,
    scene_s=6.0,
)
PLACES = {
    "here": {"TZ": "UTC", "LC_ALL": "C.UTF-8", "LANG": "C.UTF-8", "PYTHONHASHSEED": "0"},
    "there": {"TZ": "Asia/Kathmandu", "LC_ALL": "C", "LANG": "C", "PYTHONHASHSEED": "7", "OMP_NUM_THREADS": "2"},
}


def _report(folder: Path, output: Path, environment: dict[str, str]) -> dict[str, bytes]:
    """Build a report in a process of its own, and return its files, notebooks apart."""
    words = f"{os.fspath(folder)!r}, {os.fspath(output)!r}, record_look=False"
    code = f"from gpubench_kit import build_report; build_report({words})"
    subprocess.run([sys.executable, "-c", code], env=os.environ | environment, check=True)
    files = (path for path in sorted(output.rglob("*")) if path.is_file() and path.parent.name != "notebooks")
    return {path.relative_to(output).as_posix(): path.read_bytes() for path in files}


@pytest.fixture(scope="module")
def reports(tmp_path_factory) -> list[dict[str, bytes]]:
    """Return the files of two reports of the same logs."""
    made = []
    for name, environment in PLACES.items():
        folder = tmp_path_factory.mktemp(name)
        if made:
            shutil.copytree(tmp_path_factory.getbasetemp() / "here0" / "review", folder / "review")
        else:
            write_review(folder / "review", RECIPE)
        made.append(_report(folder / "review", folder / "out", environment))
    return made


def test_two_places_give_the_same_files(reports):
    here, there = reports
    assert {"index.html", "manifest.json", "tables.zip", "tables/runs.csv"} <= set(here)
    assert sum(name.endswith(".png") for name in here) > 10
    assert sorted(here) == sorted(there)
    assert [name for name in here if here[name] != there[name]] == []


def test_no_file_tells_where_or_when_it_was_made(reports):
    for name, content in reports[0].items():
        assert b"/out" not in content, name
        assert b"pytest" not in content, name
