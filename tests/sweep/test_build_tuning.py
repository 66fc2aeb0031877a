"""The command: page and files beside the report, whole or not at all."""

import json
import shutil
from pathlib import Path

import nbformat
import pandas as pd
import pytest

from gpubench_kit.cli import main
from gpubench_kit.model.errors import DesignError, PlanError
from gpubench_kit.report.pages import build_tuning

pytestmark = pytest.mark.usefixtures("notebooks_here")

ROOT = Path(__file__).parents[2]
REVIEW = ROOT / "data" / "limit_sweep"


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """Return what the command makes of the bundled sweep."""
    folder = tmp_path_factory.mktemp("sweep")
    shutil.copytree(REVIEW, folder / "review")
    return build_tuning(folder / "review", folder / "out")


@pytest.mark.slow
def test_page_tables_and_notebook_stand_beside_the_report(built):
    files = built.page.parent / "tuning"
    assert built.page.name == "tuning.html"
    assert {path.name for path in files.iterdir()} == {"find_tuning.ipynb", "tables", "tables.zip"}
    described = json.loads((files / "tables" / "datapackage.json").read_text(encoding="utf-8"))
    assert {"sweep", "sweep_answers", "sweep_next"} <= {one["name"] for one in described["resources"]}


@pytest.mark.slow
def test_the_page_is_whole_and_carries_the_cautions(built):
    html = built.page.read_text(encoding="utf-8")
    for text in (
        "Lowest power losing less than",
        "What to measure next",
        "Tuning can void it, lose unsaved work",
        "one limit at a time",
    ):
        assert text in html
    assert "http" not in html.split("<body", 1)[1].replace("http-equiv", "")


@pytest.mark.slow
def test_the_answers_are_admissible_and_the_true_losses_lie_in_the_intervals(built):
    found = pd.read_csv(
        built.page.parent / "tuning" / "tables" / "sweep.csv", keep_default_na=False, na_values=[""]
    )
    rows = found.set_index("tuning")
    assert [one["tuning"] for one in built.settings] == list(found["tuning"])
    assert built.answers[0]["lowest_tuning"]
    truth = _truth()
    inside = rows[rows["is_inside"] == True]  # noqa: E712 - a column of true, false and missing
    assert len(inside) >= 4
    assert all(truth[name][0] > -2.0 for name in inside.index)
    covered = [
        row.fps_ci_low <= truth[name][0] <= row.fps_ci_high for name, row in rows.iterrows() if name != "factory"
    ]
    assert sum(covered) >= len(covered) - 2


@pytest.mark.slow
def test_a_look_is_written_down(built):
    assert (built.page.parents[1] / "review" / "looks.csv").is_file()


@pytest.mark.slow
def test_the_executed_notebook_names_no_folder_of_the_machine(built):
    notebook = (built.page.parent / "tuning" / "find_tuning.ipynb").read_text(encoding="utf-8")
    nbformat.validate(nbformat.reads(notebook, as_version=4))
    assert str(built.page.parents[1]) not in notebook


def _truth() -> dict[str, tuple[float, float]]:
    """Return the true changes from the bundled README."""
    lines = (REVIEW / "README.md").read_text(encoding="utf-8").replace("−", "-").splitlines()
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines if line.startswith("| ")][2:]
    return {name: (float(fps.rstrip(" %")), float(power.rstrip(" %"))) for name, fps, power in cells}


def write_review(folder: Path, *, sweep: str = "", tunings: str) -> Path:
    """Write a small review with typed numbers."""
    folder.mkdir()
    plan = f"""[review]
title = "small"
[[cards]]
name = "Larkmoor 4"
[[tunings]]
name = "factory"
reference = true
{tunings}
[[games]]
name = "Low Tide Racers"
{sweep}"""
    (folder / "plan.toml").write_text(plan, encoding="utf-8")
    (folder / "runs.csv").write_text(
        "run,tuning,game,round,order,avg_fps\nr1,factory,Low Tide Racers,1,1,100\n", "utf-8"
    )
    return folder


TWO_CHANGES = """[[tunings]]
name = "a"
changes = { power_limit_pct = -10 }
[[tunings]]
name = "b"
changes = { voltage_mv = -60 }
"""


def test_a_missing_ladder_is_told_before_any_log_is_read(tmp_path, capsys):
    review = write_review(tmp_path / "review", tunings=TWO_CHANGES)
    with pytest.raises(PlanError, match="no ladder is named"):
        build_tuning(review, tmp_path / "out")
    assert main(["sweep", str(review), "-o", str(tmp_path / "out")]) == 2
    assert "Say which change is stepped" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_a_ladder_with_nothing_stepped_is_told(tmp_path):
    only = '[[tunings]]\nname = "a"\nchanges = { power_limit_pct = -10 }\nheld_at = { core_mv = 900 }\n'
    review = write_review(tmp_path / "review", tunings=only, sweep='[sweep]\nladder = "power_limit_pct"\n')
    with pytest.raises(DesignError, match="stands beside the factory state"):
        build_tuning(review, tmp_path / "out")


def test_help_shows_an_example(capsys):
    with pytest.raises(SystemExit) as stopped:
        main(["sweep", "--help"])
    assert stopped.value.code == 0
    assert "gpubench-kit sweep my-review" in capsys.readouterr().out


def test_the_bundled_sweep_is_made_again_byte_for_byte(tmp_path):
    import runpy
    import sys
    from unittest.mock import patch

    with patch.object(sys, "argv", ["make", str(tmp_path)]):
        runpy.run_path(str(ROOT / "data" / "make_limit_sweep.py"), run_name="__main__")
    for name in ("plan.toml", "runs.csv", "README.md"):
        assert (tmp_path / name).read_bytes() == (REVIEW / name).read_bytes()


def test_the_notebook_is_plain():
    notebook = nbformat.read(ROOT / "notebooks" / "find_tuning.ipynb", as_version=4)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert [cell.metadata.get("tags", []) for cell in code].count(["parameters"]) == 1
    for cell in code:
        assert len(cell.source.splitlines()) <= 12
        assert "def " not in cell.source
        assert not cell.outputs
        assert cell.execution_count is None
