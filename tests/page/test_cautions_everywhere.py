"""Every page, notebook, plan template and command that leads someone to tune carries the cautions that fit it."""

from __future__ import annotations

import re

import pytest

from gpubench_kit import page
from gpubench_kit.cli import main
from gpubench_kit.report.page_build import bundled_notebook
from gpubench_kit.sheet.new_review import PLAN_TEMPLATE

pytestmark = pytest.mark.usefixtures("notebooks_here")

NOTEBOOKS = ("archive", "card_review", "check_logs", "find_tuning", "plan_runs")
#: What is said wherever someone is about to tune: small steps, when to stop, who works on mains.
AT_THE_SETUP = (r"one limit at a time", r"second crash", r"picture errors, smell\s+or\s+heat", r"licensed\s+people")


def _missing(text: str) -> list[str]:
    """Return what a text does not say."""
    plain = re.sub(r"[\s#]+", " ", text)
    return [one for one in AT_THE_SETUP if not re.search(one, plain)]


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_each_notebook_begins_with_the_cautions_and_shows_a_section_of_them(name):
    notebook = bundled_notebook(f"{name}.ipynb")
    assert not _missing(notebook.cells[0].source)
    assert any(re.search(r'\.section\("\w*cautions"\)', cell.source) for cell in notebook.cells)


def test_the_section_for_the_test_setup_says_all():
    assert not _missing(page.bench_cautions()._repr_html_())


def test_the_plan_to_fill_in_carries_them():
    assert not _missing(PLAN_TEMPLATE)


def test_the_command_that_makes_a_review_says_them(tmp_path, capsys):
    assert main(["new", str(tmp_path / "mine")]) == 0
    assert not _missing(capsys.readouterr().out)


def test_a_draft_from_a_table_says_them_on_the_terminal_and_in_its_plan(tmp_path, capsys):
    table = tmp_path / "runs of one evening.csv"
    rows = [f"{game},{tuning},{fps + n}" for game, fps in (("Salt Orchard", 88), ("Glass Tundra", 71))
            for tuning in ("factory", "quiet") for n in (0, 1)]  # fmt: skip
    table.write_text("\n".join(["game,tuning,avg_fps", *rows]) + "\n", encoding="utf-8")
    main(["new", str(tmp_path / "mine"), "--from", str(table), "--no-input"])
    assert not _missing(capsys.readouterr().out)
    assert not _missing((tmp_path / "mine" / "plan.toml").read_text(encoding="utf-8"))
    main(["new", str(tmp_path / "quiet"), "--from", str(table), "--no-input", "--quiet"])
    assert capsys.readouterr().out == ""


def test_the_archive_says_that_one_card_is_not_another():
    assert "Another sample, driver, case or room can differ." in page.archive_cautions()._repr_html_()
