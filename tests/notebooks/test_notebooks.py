"""The notebooks: plain, small, kept without outputs, the result first, and they run as they stand."""

from __future__ import annotations

import ast
import re
import shutil
from pathlib import Path

import nbformat
import pytest

import gpubench_kit as kit
from gpubench_kit.files import bundled_path
from gpubench_kit.report.notebook_run import parameter_names, run_notebook
from gpubench_kit.report.page_build import OWN_QUESTIONS, bundled_notebook, page_notebook

#: Notebook -> its parameters.
PARAMETERS = {
    "archive": ["report_folders", "output_folder"],
    "card_review": ["folder", "output_folder", "pictures"],
    "check_logs": ["folder", "output_folder"],
    "find_tuning": ["folder", "output_folder"],
    "plan_runs": ["folder", "output_folder"],
}
NOTEBOOKS = {name: bundled_notebook(f"{name}.ipynb") for name in PARAMETERS}
CELLS = [
    pytest.param(cell, id=f"{name}-{cell.id}")
    for name, notebook in NOTEBOOKS.items()
    for cell in notebook.cells
    if cell.cell_type == "code"
]

each = pytest.mark.parametrize("name", PARAMETERS)


def _code(name: str) -> list[nbformat.NotebookNode]:
    """Return the cells of code of a notebook."""
    return [cell for cell in NOTEBOOKS[name].cells if cell.cell_type == "code"]


def test_every_notebook_is_among_those_tested():
    assert {one.stem for one in bundled_path("notebooks", "README.md").parent.glob("*.ipynb")} == set(PARAMETERS)


@each
def test_it_is_sound_and_kept_without_outputs_and_counts(name):
    nbformat.validate(NOTEBOOKS[name])
    assert len({cell.id for cell in NOTEBOOKS[name].cells}) == len(NOTEBOOKS[name].cells)
    assert all(not cell.outputs and cell.execution_count is None for cell in _code(name))


@each
def test_one_cell_of_literals_holds_the_parameters(name):
    tagged = [cell for cell in _code(name) if "parameters" in cell.metadata.get("tags", [])]
    assert tagged == _code(name)[:1]
    for line in ast.parse(tagged[0].source).body:
        ast.literal_eval(line.value)
    assert parameter_names(NOTEBOOKS[name]) == PARAMETERS[name]


@each
def test_the_second_cell_gives_the_first_result(name):
    *_, last = ast.parse(_code(name)[1].source).body
    assert isinstance(last, ast.Expr)
    assert isinstance(last.value, ast.Name)


@each
def test_it_ends_with_a_question_of_ones_own_that_no_page_shows(name):
    source = _code(name)[-1].source
    assert re.search(r"\bkit\.plots\.\w+\(", source)
    assert re.search(r"\bsns\.\w+\(", source)
    shown = [cell.id for cell in page_notebook(f"{name}.ipynb").cells]
    assert shown == [cell.id for cell in NOTEBOOKS[name].cells[:-1]]


@pytest.mark.parametrize("cell", CELLS)
def test_a_cell_is_short_defines_nothing_and_uses_public_names_alone(cell):
    assert len(cell.source.splitlines()) <= 12
    kinds = {type(node) for node in ast.walk(ast.parse(cell.source))}
    assert not kinds & {ast.FunctionDef, ast.ClassDef, ast.Lambda, ast.AsyncFunctionDef}
    assert set(re.findall(r"\bkit\.(\w+)", cell.source)) <= set(kit.__all__)
    assert set(re.findall(r"\bkit\.plots\.(\w+)", cell.source)) <= set(kit.plots.__all__)
    is_own = OWN_QUESTIONS in cell.metadata.get("tags", [])
    wanted = "import seaborn as sns" if is_own else "import gpubench_kit as kit"
    assert set(re.findall(r"^\s*(?:import|from) .*$", cell.source, re.MULTILINE)) <= {wanted}


def test_no_threshold_is_typed_into_a_cell_of_the_review():
    nodes = [node for cell in _code("card_review") for node in ast.walk(ast.parse(cell.source))]
    assert [one.value for one in nodes if isinstance(one, ast.Constant) and type(one.value) in (int, float)] == []


def _outputs(name: str, **parameters: object) -> list[nbformat.NotebookNode]:
    """Return what a notebook shows, its last cell included."""
    executed = run_notebook(NOTEBOOKS[name], parameters, name=name)
    return [output for cell in executed.cells for output in cell.get("outputs", [])]


@pytest.mark.slow
@pytest.mark.parametrize("name", [one for one in PARAMETERS if one != "archive"])
def test_it_runs_as_it_stands_and_writes_nothing_into_the_review(name, monkeypatch, request):
    monkeypatch.chdir(request.config.rootpath / "notebooks")
    before = {one: one.stat().st_mtime_ns for one in Path("../data").rglob("*")}
    shown = _outputs(name)
    assert {one.output_type for one in shown[:-2]} == {"execute_result"}
    assert ["image/png" in one.data for one in shown[-2:]] == [True, True]
    assert "Larkmoor 4" in shown[0].data["text/plain"]
    assert {one: one.stat().st_mtime_ns for one in Path("../data").rglob("*")} == before


@pytest.mark.slow
def test_the_notebook_of_the_archive_runs(built_demo, tmp_path):
    shutil.copytree(built_demo, tmp_path / "reports" / "demo")
    shown = _outputs("archive", report_folders=[str(tmp_path / "reports")])
    assert "1 review, " in shown[0].data["text/plain"]
    assert ["image/png" in one.data for one in shown[-2:]] == [True, True]
