"""A log, sheet or plan that changes while a report is made is noticed: one message, nothing published."""

from __future__ import annotations

import shutil

import pytest
from small_folder import write_small_review

from gpubench_kit.bundled import bundled_path
from gpubench_kit.model.errors import ReportError
from gpubench_kit.report import build
from gpubench_kit.report import pages as build_tuning
from gpubench_kit.report.build import build_report
from gpubench_kit.synthetic.recipe import MadeGame, MadeReview, MadeTuning
from gpubench_kit.synthetic.review import write_review

RECIPE = MadeReview(
    "Changing",
    tunings=(MadeTuning("factory"), MadeTuning("quiet", power_pct=-15.0)),
    games=(MadeGame("Salt Orchard", 90.0),),
    seed=5,
    rounds=2,
    scene_s=4.0,
)


def _changed_meanwhile(monkeypatch, change, module=build):
    """Let something happen after the notebook has run and before the report is put in its place."""
    run = build.run_bundled

    def run_then_change(*operands, **options):
        executed = run(*operands, **options)
        change()
        return executed

    monkeypatch.setattr(module, "run_bundled", run_then_change)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["plan.toml", "runs.csv"])
def test_a_changed_plan_or_sheet_stops_the_report(tmp_path, monkeypatch, name):
    folder = write_small_review(tmp_path / "review")
    _changed_meanwhile(monkeypatch, lambda: (folder / name).write_bytes((folder / name).read_bytes() + b"\n"))
    with pytest.raises(
        ReportError, match=rf"inputs: '{name}' changed while the report was made, so nothing"
    ) as raised:
        build_report(folder, tmp_path / "reports" / "review")
    assert len(raised.value.faults) == 1
    assert list((tmp_path / "reports").iterdir()) == []
    assert not (folder / "looks.csv").exists()


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["frames", "sensors"])
def test_a_changed_log_stops_the_report(tmp_path, monkeypatch, kind):
    folder = tmp_path / "review"
    folder.mkdir()
    write_review(folder, RECIPE)
    log = next((folder / "logs").rglob(f"*{kind}*"))
    report = build_report(folder, tmp_path / "reports" / "review").parent
    before = {path: path.read_bytes() for path in report.rglob("*") if path.is_file()}
    _changed_meanwhile(monkeypatch, lambda: log.write_bytes(log.read_bytes()[:-40]))
    with pytest.raises(ReportError, match=rf"'logs/{log.name}' changed while the report was made"):
        build_report(folder, tmp_path / "reports" / "review")
    assert {path: path.read_bytes() for path in report.rglob("*") if path.is_file()} == before


@pytest.mark.slow
def test_a_log_that_changed_and_changed_back_is_noticed(tmp_path, monkeypatch):
    folder = tmp_path / "review"
    folder.mkdir()
    write_review(folder, RECIPE)
    log = next((folder / "logs").rglob("*frames*"))
    whole, run = log.read_bytes(), build.run_bundled

    def run_on_another_log(*operands, **options):
        log.write_bytes(whole[: len(whole) * 9 // 10])
        executed = run(*operands, **options)
        log.write_bytes(whole)
        return executed

    monkeypatch.setattr(build, "run_bundled", run_on_another_log)
    with pytest.raises(ReportError, match="a frame log' changed while the report was made"):
        build_report(folder, tmp_path / "reports" / "review")


@pytest.mark.slow
def test_a_sheet_that_changes_stops_the_search_for_the_tuning(tmp_path, monkeypatch):
    folder = shutil.copytree(bundled_path("data", "limit_sweep"), tmp_path / "review")
    sheet = folder / "runs.csv"
    _changed_meanwhile(monkeypatch, lambda: sheet.write_bytes(sheet.read_bytes() + b"\n"), build_tuning)
    with pytest.raises(ReportError, match=r"inputs: 'runs\.csv' changed while the report was made"):
        build_tuning.build_tuning(folder, tmp_path / "reports" / "review")
    assert list((tmp_path / "reports").iterdir()) == []
    assert not (folder / "looks.csv").exists()
