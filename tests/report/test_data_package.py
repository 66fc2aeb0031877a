"""The tables of every command, compared with the open standards by a validator that is not ours."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import frictionless
import pytest
from small_folder import write_small_review

from gpubench_kit.report.package import write_tables
from gpubench_kit.report.pages import build_check, build_tuning
from tests.page.conftest import made_up

pytestmark = pytest.mark.usefixtures("notebooks_here")

DATA = Path(__file__).parents[2] / "data"
#: Names that try to be formulas, several cells, or nothing.
HOSTILE = ("=1+1", "+2", 'a "quoted", name', "'=4", "NA", "雪の道")


def faults(folder: Path) -> list[str]:
    """Return what the validator finds wrong with the package: description, cells, keys, bytes, hashes."""
    found = frictionless.validate(str(folder / "datapackage.json"), type="package")
    assert found.stats["tasks"] > 0 or found.errors
    return [error.message for error in [*found.errors, *(error for task in found.tasks for error in task.errors)]]


@pytest.fixture
def hostile(tmp_path) -> Path:
    """Return the tables of a review whose names are hard on a file of cells."""
    review = made_up(HOSTILE)
    tables = {name: getattr(review, name) for name in ("runs", "run_metrics", "findings", "noise", "comparisons")}
    return write_tables(tables | {"overall": review.overall}, tmp_path, plan=review.plan)


def test_tables_with_hard_names_hold_to_the_standard(hostile):
    assert faults(hostile) == []


@pytest.mark.parametrize(
    ("given", "made", "told"),
    [
        (b",5,5,", b",5,five,", "five"),
        (b",better,", b",splendid,", "splendid"),
        (b"of_card,of_tuning", b"of_card,tuning", "tuning"),
    ],
    ids=["a number that is none", "a verdict that is none", "another column"],
)
def test_the_validator_sees_a_planted_fault(hostile, given, made, told):
    table = hostile / "comparisons.csv"
    assert given in table.read_bytes()
    table.write_bytes(table.read_bytes().replace(given, made, 1))
    assert any(told in fault for fault in faults(hostile))


def test_the_validator_sees_that_the_description_lacks_a_name(hostile):
    described = json.loads((hostile / "datapackage.json").read_text(encoding="utf-8"))
    del described["resources"][0]["name"]
    (hostile / "datapackage.json").write_text(json.dumps(described), encoding="utf-8")
    assert faults(hostile)


@pytest.mark.slow
@pytest.mark.parametrize("report", ["built_demo", "built_real_scenes"])
def test_the_tables_of_a_bundled_report_hold_to_the_standard(report, request):
    folder = request.getfixturevalue(report) / "tables"
    assert faults(folder) == []
    described = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
    assert described["licenses"][0]["name"]
    assert {one["name"] for one in described["resources"]} >= {"runs", "comparisons", "overall", "claims"}


@pytest.mark.slow
def test_the_tables_of_a_check_hold_to_the_standard(tmp_path):
    page = build_check(write_small_review(tmp_path / "small"), tmp_path / "out").page
    assert faults(page.parent / "check" / "tables") == []


@pytest.mark.slow
def test_the_tables_of_a_sweep_hold_to_the_standard(tmp_path):
    shutil.copytree(DATA / "limit_sweep", tmp_path / "review")
    page = build_tuning(tmp_path / "review", tmp_path / "out").page
    assert faults(page.parent / "tuning" / "tables") == []


def test_a_value_of_no_run_is_found_by_its_key(hostile):
    table = hostile / "run_metrics.csv"
    lines = table.read_text(encoding="utf-8").splitlines(keepends=True)
    lines[1] = "nowhere" + lines[1][lines[1].index(",") :]
    table.write_text("".join(lines), encoding="utf-8", newline="")
    assert any("nowhere" in fault and "runs" in fault for fault in faults(hostile))
