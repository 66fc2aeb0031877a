"""A log, sheet or plan that changes while a report is made is noticed: one message, nothing published."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from made_reports import MadeReport, write_report
from small_folder import write_small_review

from gpubench_kit.files import bundled_path
from gpubench_kit.model.errors import ReportError
from gpubench_kit.report import build, page_build, pages
from gpubench_kit.report.build import build_report
from gpubench_kit.synthetic.recipe import MadeGame, MadeReview, MadeTuning
from gpubench_kit.synthetic.review import write_review

pytestmark = pytest.mark.usefixtures("notebooks_here")

RECIPE = MadeReview(
    "Changing",
    tunings=(MadeTuning("factory"), MadeTuning("quiet", power_pct=-15.0)),
    games=(MadeGame("Salt Orchard", 90.0),),
    seed=5,
    rounds=2,
    scene_s=4.0,
)


def _changed_meanwhile(monkeypatch, change):
    """Let something happen after the notebook has run and before the report is put in its place."""
    run = page_build.execute

    def run_then_change(*operands, **options):
        executed = run(*operands, **options)
        change()
        return executed

    monkeypatch.setattr(page_build, "execute", run_then_change)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["plan.toml", "runs.csv"])
def test_a_changed_plan_or_sheet_stops_the_report(tmp_path, monkeypatch, name):
    folder = write_small_review(tmp_path / "review")
    _changed_meanwhile(monkeypatch, lambda: (folder / name).write_bytes((folder / name).read_bytes() + b"\n"))
    with pytest.raises(
        ReportError, match=rf"inputs: '{name}' changed while the page was made, so nothing"
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
    with pytest.raises(ReportError, match=rf"'logs/{log.name}' changed while the page was made"):
        build_report(folder, tmp_path / "reports" / "review")
    assert {path: path.read_bytes() for path in report.rglob("*") if path.is_file()} == before


@pytest.mark.slow
def test_a_log_that_changed_and_changed_back_is_noticed(tmp_path, monkeypatch):
    folder = tmp_path / "review"
    folder.mkdir()
    write_review(folder, RECIPE)
    log = next((folder / "logs").rglob("*frames*"))
    whole, run = log.read_bytes(), page_build.execute

    def run_on_another_log(*operands, **options):
        log.write_bytes(whole[: len(whole) * 9 // 10])
        executed = run(*operands, **options)
        log.write_bytes(whole)
        return executed

    monkeypatch.setattr(page_build, "execute", run_on_another_log)
    with pytest.raises(ReportError, match="a frame log' changed while the page was made"):
        build_report(folder, tmp_path / "reports" / "review")


@pytest.mark.slow
def test_a_sheet_that_changes_stops_the_search_for_the_tuning(tmp_path, monkeypatch):
    folder = shutil.copytree(bundled_path("data", "limit_sweep"), tmp_path / "review")
    sheet = folder / "runs.csv"
    _changed_meanwhile(monkeypatch, lambda: sheet.write_bytes(sheet.read_bytes() + b"\n"))
    with pytest.raises(ReportError, match=r"inputs: 'runs\.csv' changed while the page was made"):
        pages.build_tuning(folder, tmp_path / "reports" / "review")
    assert list((tmp_path / "reports").iterdir()) == []
    assert not (folder / "looks.csv").exists()


def _nothing_is_run(monkeypatch, meanwhile):
    """Let pages be made of empty tables without any notebook; something happens while it would run."""

    def run(_kind, parameters, **_options):
        Path(parameters["output_folder"], pages.TOLD_FILE).touch()
        meanwhile()

    monkeypatch.setattr(page_build, "execute", run)
    monkeypatch.setattr(page_build, "page_of", lambda _executed, **_options: "a page")
    for module in (page_build, pages):
        monkeypatch.setattr(module, "read_table", lambda _file, declared: declared.frame())
    for name in ("published", "nbformat"):
        monkeypatch.setattr(page_build, name, _Anything())


class _Anything:
    """Stands for a notebook that was not run."""

    def __call__(self, _executed):
        return self

    def writes(self, _notebook):
        return "a notebook"


MAKERS = {
    "report": build.build_report,
    "check": pages.build_check,
    "schedule": pages.build_schedule,
    "sweep": pages.build_tuning,
    "archive": pages.build_archive,
}


@pytest.fixture
def made_of(tmp_path):
    """Return a function from a command to what it reads, and to a file of that."""

    def make(command):
        if command == "archive":
            write_report(tmp_path / "shelf" / "one", MadeReport(games=2), seed=1)
            return [tmp_path / "shelf"], tmp_path / "shelf" / "one" / "tables" / "runs.csv"
        source = bundled_path("data", "limit_sweep")
        folder = shutil.copytree(source, tmp_path / "review", ignore=shutil.ignore_patterns("looks*.csv"))
        return folder, folder / "runs.csv"

    return make


@pytest.mark.parametrize("command", MAKERS)
def test_every_command_writes_nothing_where_what_it_reads_has_changed(tmp_path, monkeypatch, made_of, command):
    read, file = made_of(command)
    _nothing_is_run(monkeypatch, lambda: file.write_bytes(file.read_bytes() + b"\n"))
    with pytest.raises(ReportError, match="changed while the page was made, so nothing was written") as raised:
        MAKERS[command](read, tmp_path / "pages" / "here")
    assert len(raised.value.faults) == 1
    assert list((tmp_path / "pages").iterdir()) == []


@pytest.mark.parametrize("command", MAKERS)
def test_every_command_stops_with_one_message_where_another_is_at_work(tmp_path, monkeypatch, made_of, command):
    read, _ = made_of(command)
    _nothing_is_run(monkeypatch, lambda: pytest.fail("a notebook was run"))
    with page_build.ReportPlace(tmp_path / "pages" / "here", tmp_path / "other") as staging:
        (staging / "begun").touch()
        with pytest.raises(ReportError, match="'here': another command of the kit is at work on it") as raised:
            MAKERS[command](read, tmp_path / "pages" / "here")
        assert len(raised.value.faults) == 1
        assert (staging / "begun").exists(), "the work of the other was taken away"
