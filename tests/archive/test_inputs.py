"""What a plan takes from the archive is an input of its report: named in the manifest, with its hash."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from small_folder import PLAN, write_small_review

from gpubench_kit.archive.gather import RESTART_SPREAD, RUN_NOISE
from gpubench_kit.model.plan import load_plan
from gpubench_kit.model.tables import CLAIMS, COMPARISONS, OVERALL
from gpubench_kit.report.build import build_report, is_up_to_date
from gpubench_kit.report.manifest import make_manifest
from gpubench_kit.report.package import csv_text

pytestmark = pytest.mark.usefixtures("notebooks_here")

SPREAD, NOISE = "reports/archive/tables/restart_spread.csv", "reports/archive/tables/run_noise.csv"
#: `metrics` is the last line of the plan, so further lines belong to the same section.
WIDENED = 'restart_spread = "archive"\n'
PLANNED = '[session_plan]\nnoise_from = "archive"\n'


def _spread(value: float) -> str:
    """Return the archive's table of restarts with one row."""
    row = {
        "scope": "all",
        "metric": "avg_fps",
        "restarts": 9,
        "spread": value,
        "widen_by": value,
        "widen_restarts": 9,
    }
    return csv_text(RESTART_SPREAD.frame([row]), RESTART_SPREAD)


@pytest.fixture
def desk(tmp_path, monkeypatch) -> Path:
    """Return the working directory, with a review and an archive."""
    write_small_review(tmp_path / "review")
    tables = tmp_path / "reports" / "archive" / "tables"
    tables.mkdir(parents=True)
    (tmp_path / SPREAD).write_text(_spread(0.4), encoding="utf-8")
    row = {"scope": "all", "game": "Salt Orchard", "metric": "avg_fps", "n": 9, "df": 8, "sd": 0.004}
    (tmp_path / NOISE).write_text(csv_text(RUN_NOISE.frame([row]), RUN_NOISE), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def _inputs(more: str) -> dict[str, str]:
    """Return the inputs that the manifest names, for a plan with some lines more."""
    Path("review", "plan.toml").write_text(PLAN + more, encoding="utf-8")
    none = {"overall": OVERALL.frame(), "comparisons": COMPARISONS.frame(), "claims": CLAIMS.frame()}
    return make_manifest(load_plan(Path("review")), ["plan.toml"], **none, looks_made=0)["inputs"]


def _digest(path: str) -> str:
    """Return the hash of a file, calculated here."""
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()


@pytest.mark.parametrize(
    ("more", "names"),
    [("", []), (WIDENED, [SPREAD]), (PLANNED, [NOISE]), (WIDENED + PLANNED, [SPREAD, NOISE])],
    ids=["neither", "restart_spread", "noise_from", "both"],
)
def test_what_the_plan_takes_from_the_archive_is_named_with_its_hash(desk, more, names):
    found = _inputs(more)
    assert found == {"plan.toml": _digest("review/plan.toml")} | {name: _digest(name) for name in names}


def test_copies_beside_the_plan_are_named_in_place_of_the_archive(desk):
    (desk / "review" / "restart_spread.csv").write_text(_spread(0.7), encoding="utf-8")
    (desk / "review" / "noise.csv").write_text("scope\n", encoding="utf-8")
    found = _inputs(WIDENED + PLANNED)
    assert {name: found[name] for name in found if name != "plan.toml"} == {
        name: _digest(f"review/{name}") for name in ("noise.csv", "restart_spread.csv")
    }


def test_files_of_such_a_name_in_the_review_folder_are_not_taken_for_the_archive(desk):
    other = desk / "review" / SPREAD
    other.parent.mkdir(parents=True)
    other.write_text(_spread(0.9), encoding="utf-8")
    assert _inputs(WIDENED)[SPREAD] == _digest(SPREAD)


def test_a_report_can_be_made_where_the_noise_it_was_planned_by_is_no_longer_at_hand(desk):
    (desk / NOISE).unlink()
    assert list(_inputs(PLANNED)) == ["plan.toml"]


@pytest.mark.slow
def test_a_report_names_the_archive_that_widens_and_is_out_of_date_when_it_grows(desk):
    review = desk / "review"
    (review / "plan.toml").write_text(PLAN + WIDENED, encoding="utf-8")
    page = build_report(review, record_look=False)
    inputs = json.loads((page.parent / "manifest.json").read_text(encoding="utf-8"))["inputs"]
    assert inputs[SPREAD] == _digest(SPREAD)
    assert is_up_to_date(review, page.parent)
    (desk / SPREAD).write_text(_spread(0.5), encoding="utf-8")
    assert not is_up_to_date(review, page.parent)
