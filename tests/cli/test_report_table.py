"""`report TABLE`: a review folder beside the table, then the report of it; the example table raises no doubt."""

from __future__ import annotations

from pathlib import Path

import pytest
from made_tables import TABLES_BY_NAME, write_workbook
from source_trees import ROOT
from terminal import talk

from gpubench_kit import cli
from gpubench_kit.model.plan import load_plan
from gpubench_kit.sheet import load_run_sheet
from gpubench_kit.sheet.draft import all_questions
from gpubench_kit.sheet.from_table import draft_from_grids
from gpubench_kit.sheet.text import read_grids

pytestmark = pytest.mark.usefixtures("notebooks_here")

EXAMPLE = ROOT / "docs" / "example_results.xlsx"


@pytest.fixture
def reported(monkeypatch, tmp_path) -> list[Path]:
    """The folders of which a report was asked; none is made."""
    folders: list[Path] = []

    def make_report(folder, output=None, **_options) -> Path:
        folders.append(Path(folder))
        load_run_sheet(load_plan(folder), for_report=True)
        return tmp_path / "index.html"

    monkeypatch.setattr("gpubench_kit.report.build.make_report", make_report)
    monkeypatch.setattr("gpubench_kit.report.manifest.compared_anything", lambda _folder: True)
    return folders


def report(*words: str | Path) -> int:
    """Run the command without a terminal."""
    return cli.main(["report", *map(str, words)])


def answers(folder: Path, text: str = 'card = "Larkmoor 4"\n') -> Path:
    """Write answers."""
    (folder / "a.toml").write_text(text, encoding="utf-8")
    return folder / "a.toml"


def test_a_folder_beside_the_table_is_made_and_reported(tmp_path, reported, capsys):
    table = write_workbook(tmp_path / "larkmoor.xlsx", {"runs": TABLES_BY_NAME["plain"].rows})
    before = table.read_bytes()
    assert report(table, "--answers", answers(tmp_path)) == 0
    assert reported == [tmp_path / "larkmoor"]
    shown = capsys.readouterr().out
    assert f"larkmoor.xlsx is not changed, and not read again: edit {tmp_path / 'larkmoor' / 'runs.csv'}." in shown
    assert "look 1 of 2" not in shown
    assert table.read_bytes() == before


def test_a_table_of_another_kind_says_how_to_save_it(tmp_path, reported, capsys):
    (tmp_path / "larkmoor.xls").write_bytes(b"\xd0\xcf\x11\xe0" + bytes(900))
    assert report(tmp_path / "larkmoor.xls") == 2
    assert "Save it as .xlsx or CSV." in capsys.readouterr().err


def test_the_second_time_the_run_sheet_counts(tmp_path, reported, capsys):
    table = write_workbook(tmp_path / "larkmoor.xlsx", {"runs": TABLES_BY_NAME["plain"].rows})
    report(table, "--answers", answers(tmp_path))
    written = (tmp_path / "larkmoor" / "runs.csv").read_bytes()
    assert report(table) == 0
    assert "larkmoor.xlsx is not read again" in capsys.readouterr().err
    assert (tmp_path / "larkmoor" / "runs.csv").read_bytes() == written
    assert len(reported) == 2


def test_open_cells_stop_before_the_report(tmp_path, reported, capsys):
    table = write_workbook(tmp_path / "x.xlsx", {"a": TABLES_BY_NAME["strange tunings in columns"].rows})
    assert report(table, "--answers", answers(tmp_path)) == 2
    assert reported == []
    shown = capsys.readouterr().out
    assert "cells of runs.csv hold a question mark" in shown
    assert "take the question marks away in the columns game and tuning" in shown


def test_without_a_card_the_plan_says_what_to_fill_in(tmp_path, reported, capsys):
    table = write_workbook(tmp_path / "x.xlsx", {"a": TABLES_BY_NAME["plain"].rows})
    assert report(table) == 2
    assert "plan.toml, [[cards]] 1, name" in capsys.readouterr().err


def test_the_run_sheet_of_a_review_stands_for_its_folder(tmp_path, reported):
    table = write_workbook(tmp_path / "x.xlsx", {"a": TABLES_BY_NAME["plain"].rows})
    report(table, "--answers", answers(tmp_path))
    assert report(tmp_path / "x" / "runs.csv") == 0
    assert reported[-1] == tmp_path / "x"


@pytest.mark.slow
def test_a_dialog_ends_with_a_page(tmp_path):
    (tmp_path / "results.xlsx").write_bytes(EXAMPLE.read_bytes())
    shown = talk(["report", "results.xlsx"], ["", "Larkmoor 4", "power_limit_pct -12", ""], folder=tmp_path)
    assert shown.code == 0, shown.text
    assert "1 of 4   Is this table right?" in shown.text
    page = (tmp_path / "reports" / "results" / "index.html").read_text(encoding="utf-8")
    # The heading is the answer; card and change are those that were typed.
    assert "<h1>Quiet: 45 W less, " in page.replace("\N{NO-BREAK SPACE}", " ")
    assert "<b>Larkmoor 4</b> · 4 games · 24 runs" in page
    assert '<p class="what">power limit −12 %</p>' in page.replace("\N{NO-BREAK SPACE}", " ")
    assert load_plan(tmp_path / "results").review.title == "Larkmoor 4: quiet vs factory"


def test_the_example_table_is_read_without_a_doubt():
    draft = draft_from_grids(read_grids(EXAMPLE), EXAMPLE.name, {})
    assert (len(draft.rows), draft.n_open, draft.notes) == (24, 0, ())
    assert [one.key for one in all_questions(draft, {})] == ["table", "card", "tunings.quiet", "margin_pct"]
    assert set(draft.rows[0].cells) >= {"avg_fps", "low_1pct_fps", "board_w", "order", "round"}


def test_the_readme_links_the_example_table():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert "](docs/example_results.xlsx)" in readme
    assert readme.index("### You already have logs?") < readme.index("### A planned bench session")
