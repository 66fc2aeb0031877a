"""The command `check`: exit codes, help, files beside the report, the notebook as it stands."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pandas as pd
import pytest

from gpubench_kit.cli import command as cli
from gpubench_kit.model.errors import Fault, PlanError, TableError
from gpubench_kit.model.plan.rules import Checks
from gpubench_kit.report.notebook_run import check_page
from gpubench_kit.report.page_build import bundled_notebook
from gpubench_kit.report.pages import CHECK_NOTEBOOK as NOTEBOOK
from gpubench_kit.report.pages import BuiltCheck, build_check
from gpubench_kit.sheet.look_files import LOOKS_FILE
from gpubench_kit.sheet.new_review import new_review

pytestmark = pytest.mark.usefixtures("notebooks_here")

CODE = [cell for cell in bundled_notebook(NOTEBOOK).cells if cell.cell_type == "code"]


def test_the_help_lists_every_limit_with_its_default_from_the_models(capsys):
    with pytest.raises(SystemExit) as ended:
        cli.main(["check", "--help"])
    out = capsys.readouterr().out
    assert ended.value.code == 0
    for key, one in Checks.model_fields.items():
        assert re.search(rf"^  {key} = {one.default:g} +\S", out, re.MULTILINE), key
        assert one.description.split(",")[0] in " ".join(out.split())


@pytest.mark.parametrize(("is_any", "code"), [(True, 0), (False, 1)], ids=["recorded", "nothing yet"])
def test_the_exit_code_tells_whether_there_was_anything_to_check(monkeypatch, capsys, is_any, code):
    made = BuiltCheck(Path("reports/x/check.html"), is_any, "what the head says.")
    monkeypatch.setattr("gpubench_kit.report.pages.build_check", lambda *_words, **_options: made)
    for question in ("confirm_formats_of", "ask_about_claims"):
        monkeypatch.setattr(f"gpubench_kit.cli.inspection.{question}", lambda _folder: None)
    assert cli.main(["check", "x"]) == code
    assert capsys.readouterr().out.splitlines() == [str(made.page), "what the head says."]
    assert cli.main(["check", "x", "--quiet"]) == code
    assert capsys.readouterr().out == ""


def test_faults_in_rows_are_told_on_the_terminal_each_once(monkeypatch, capsys):
    fault = Fault("runs.csv, run 'r2'; run 'r3'", "tuning 'quite' is not in the plan.", "Did you mean 'quiet'?")
    made = BuiltCheck(Path("check.html"), True, "what the head says.", (fault,))
    monkeypatch.setattr("gpubench_kit.report.pages.build_check", lambda *_words, **_options: made)
    assert cli.main(["check", "x", "--quiet"]) == 0
    assert capsys.readouterr().err.splitlines() == [f"Fault: {fault}"]


def test_a_plan_that_is_not_filled_in_ends_with_two_and_makes_nothing(tmp_path, capsys):
    new_review(tmp_path / "fresh")
    assert cli.main(["check", str(tmp_path / "fresh"), "-o", str(tmp_path / "out")]) == 2
    assert "plan.toml" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
    with pytest.raises(PlanError):
        build_check(tmp_path / "fresh", tmp_path / "out")


def test_a_sheet_that_cannot_be_read_at_all_is_an_error(mishaps_folder, tmp_path):
    shutil.copytree(mishaps_folder, tmp_path / "broken", dirs_exist_ok=True)
    (tmp_path / "broken" / "runs.csv").write_text("this,is,no,run,sheet\n1,2,3,4,5\n", encoding="utf-8")
    with pytest.raises(TableError):
        build_check(tmp_path / "broken", tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_the_page_goes_beside_a_report_and_counts_as_no_look(begun_folder, tmp_path):
    review = tmp_path / "begun"
    shutil.copytree(begun_folder, review)
    out = tmp_path / "reports" / "begun"
    out.mkdir(parents=True)
    (out / "manifest.json").write_text('{"format_version": 1}', encoding="utf-8")
    (out / "index.html").write_text("the report", encoding="utf-8")
    seen = []
    made = build_check(review, out, progress=lambda share, what: seen.append(share))
    assert made.page == out / "check.html"
    assert made.is_anything_recorded
    assert "rows of the run sheet are recorded." in made.summary
    assert seen == sorted(seen)
    assert (seen[0], seen[-1]) == (0.0, 1.0)
    assert (out / "index.html").read_text(encoding="utf-8") == "the report"
    assert not (review / LOOKS_FILE).exists()
    check_page(made.page.read_text(encoding="utf-8"))
    tables = out / "check" / "tables"
    assert {one.name for one in tables.iterdir()} == {
        "datapackage.json", "findings.csv", "noise.csv", "possible.csv", "redo.csv", "runs.csv",
    }  # fmt: skip
    described = json.loads((tables / "datapackage.json").read_text(encoding="utf-8"))
    assert {one["path"] for one in described["resources"]} == {one.name for one in tables.glob("*.csv")}
    assert pd.read_csv(tables / "noise.csv")["mean"].isna().all()
    assert [one.name for one in out.parent.iterdir()] == ["begun"]


@pytest.mark.slow
def test_a_review_with_nothing_recorded_has_a_page_that_says_so(begun_folder, tmp_path, capsys):
    new_review(tmp_path / "fresh")
    shutil.copy(begun_folder / "plan.toml", tmp_path / "fresh" / "plan.toml")
    assert cli.main(["check", str(tmp_path / "fresh"), "-o", str(tmp_path / "out")]) == 1
    assert "Nothing to check yet" in capsys.readouterr().out
    assert "Nothing to check yet" in (tmp_path / "out" / "check.html").read_text(encoding="utf-8")


def test_the_notebook_never_compares():
    text = "\n".join(cell.source for cell in CODE)
    assert not re.findall(r"compare_|check_claims|levels_of_games|record_look", text)
