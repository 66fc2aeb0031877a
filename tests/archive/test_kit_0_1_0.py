"""What kit 0.1.0 wrote is still read: its reports by `archive`, `report --previous` and the list, its archive."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import pytest

from gpubench_kit.archive.archive import gather_archive, open_archive
from gpubench_kit.model.errors import PlanError
from gpubench_kit.model.formats import RENAMED_COLUMNS, current_columns, current_manifest
from gpubench_kit.model.plan import load_plan
from gpubench_kit.model.tables import ALL_TABLES
from gpubench_kit.report.build import is_up_to_date, write_site_index
from gpubench_kit.report.earlier_report import changes_between, read_earlier
from gpubench_kit.sheet.looks import open_looks

OLD = Path(__file__).parents[1] / "reference" / "kit_0_1_0"


def _rows(name: str) -> list[dict[str, str]]:
    """Return the rows of a table of the old report, as text."""
    with (OLD / "reports" / "spring" / "tables" / f"{name}.csv").open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


@pytest.mark.parametrize("name", ["comparisons", "overall"])
def test_an_old_reports_numbers_stand_under_the_new_names(name):
    archive = gather_archive(OLD / "reports")
    found = archive.ask(f"SELECT o.* FROM {name} o JOIN reviews v USING (review) WHERE v.place LIKE '%spring'")
    old = _rows(name)
    renamed = [one for one in old[0] if RENAMED_COLUMNS.get(one) in ALL_TABLES[name].names]
    assert {"low", "high", "p_diff", "p_no_loss_adjusted"} <= set(renamed)
    for column in renamed:
        values = [float(row[column]) if row[column] else None for row in old] if "verdict" not in column else None
        new = found[RENAMED_COLUMNS[column]]
        wanted = values or [row[column] for row in old]
        assert [None if one is None or one != one else one for one in new] == wanted


def test_every_new_name_is_a_declared_column_and_no_old_one_is():
    declared = {column.name for table in ALL_TABLES.values() for column in table.columns}
    old = {name for one in ("comparisons", "overall") for name in _rows(one)[0]}
    assert {RENAMED_COLUMNS[name] for name in old & RENAMED_COLUMNS.keys()} <= declared
    assert not declared & RENAMED_COLUMNS.keys()


def test_old_and_new_reports_make_one_archive():
    archive = gather_archive(OLD / "reports")
    assert list(archive.reviews["format_version"]) == [2, 2]
    assert archive.reviews["n_runs"].tolist() == [24, 24]
    assert archive.findings.empty
    change = archive.driver_changes.query("metric == 'avg_fps'").iloc[0]
    assert change["ci_low"] < change["change"] < change["ci_high"] or change["reason"] == "confounded"


def test_an_old_archive_is_opened_and_says_what_a_new_one_says():
    old, new = open_archive(OLD / "archive"), gather_archive(OLD / "reports")
    for name in ("run_noise", "restart_spread", "driver_changes", "control_runs", "games", "cards"):
        mine, theirs = (one.tables[name].drop(columns="review", errors="ignore") for one in (old, new))
        assert mine.equals(theirs), name
    assert old.ask("SELECT min(ci_low) AS least FROM overall")["least"].notna().all()


def test_an_old_report_is_compared_with_itself_and_nothing_changed():
    earlier = read_earlier(OLD / "reports" / "spring")
    row = earlier.manifest["verdicts"]["overall"][0]
    assert row["ci_low"] < row["change"] < row["ci_high"]
    assert "low" not in row
    assert "low" in earlier.written["verdicts"]["overall"][0]
    assert list(changes_between(earlier.manifest, current_manifest(earlier.written))) == []


def _review_with_new_keys(folder: Path) -> Path:
    """Return a copy of the old review whose plan has the keys of now."""
    review = shutil.copytree(OLD / "reviews" / "spring", folder / "spring")
    plan = (review / "plan.toml").read_text(encoding="utf-8")
    (review / "plan.toml").write_text(plan.replace("power_point", "power_measured_at"), encoding="utf-8")
    return review


def test_a_report_made_again_lists_what_changed_since_the_old_one(tmp_path):
    assert not is_up_to_date(_review_with_new_keys(tmp_path), OLD / "reports" / "spring")
    earlier = read_earlier(OLD / "reports" / "spring")
    now = current_manifest(earlier.written)
    first = dict(now["verdicts"]["overall"][0], ci_low=-9.0)
    now["verdicts"] = {**now["verdicts"], "overall": [first, *now["verdicts"]["overall"][1:]]}
    (changed,) = changes_between(earlier.manifest, now)
    assert (changed["before_ci_low"], changed["now_ci_low"]) == (
        earlier.manifest["verdicts"]["overall"][0]["ci_low"],
        -9,
    )


def test_what_an_old_report_was_measured_under_stands_under_the_new_names():
    manifest = read_earlier(OLD / "reports" / "spring").manifest
    assert manifest["measured"]["cards"][0]["power_measured_at"] == "board_sensor"
    assert manifest["decisions"]["cards.Larkmoor 4"]["power_measured_at"] == "board_sensor"
    assert manifest["decisions"]["checks.align_s"] == 3.0
    assert "checks.line_up_s" not in manifest["decisions"]
    cards = gather_archive(OLD / "reports").ask("SELECT power_measured_at FROM cards")
    assert set(cards["power_measured_at"]) == {"board_sensor"}


def test_an_old_look_does_not_take_a_renamed_key_for_a_changed_decision(tmp_path):
    review = _review_with_new_keys(tmp_path)
    changed = open_looks(load_plan(review / "plan.toml")).changes
    assert not [what for what, _, _ in changed if what.startswith(("cards", "games", "tunings", "checks"))]


def test_an_old_plan_is_refused_with_the_lines_to_write(tmp_path):
    plan = (OLD / "reviews" / "spring" / "plan.toml").read_text(encoding="utf-8")
    (tmp_path / "plan.toml").write_text(
        plan + "[evening]\nminutes = 90\n[checks]\nline_up_s = 2.5\n", encoding="utf-8"
    )
    with pytest.raises(PlanError) as refused:
        load_plan(tmp_path / "plan.toml")
    assert [fault.action for fault in refused.value.faults] == [
        'Write: power_measured_at = "board_sensor"',
        "Write: align_s = 2.5",
        "Write: [session_plan] in place of [evening]",
    ]


def test_corrections_that_an_old_report_lists_stay_listed():
    old = {
        "previous": {"fingerprint": "a", "corrections": [{"correction": 1, "before_low": -1.5, "now_high": 2.0}]}
    }
    assert current_manifest(old)["previous"]["corrections"] == [
        {"correction": 1, "before_ci_low": -1.5, "now_ci_high": 2.0}
    ]


def test_the_list_of_reports_shows_old_ones(tmp_path):
    shutil.copytree(OLD / "reports", tmp_path / "reports")
    page = write_site_index(tmp_path / "reports").read_text(encoding="utf-8")
    assert "Larkmoor 4: spring" in page
    assert "Larkmoor 4: summer" in page


@pytest.mark.parametrize("manifest", [{}, {"verdicts": None}, {"verdicts": {"overall": [1, None], "games": "x"}}])
def test_a_manifest_that_is_not_what_it_should_be_stays_as_it_is(manifest):
    assert current_manifest(manifest) == manifest


def test_a_table_with_both_names_keeps_both():
    assert current_columns(["low", "ci_low", "high"]) == ("low", "ci_low", "ci_high")
