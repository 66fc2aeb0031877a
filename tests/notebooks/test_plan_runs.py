"""The notebook of the planner: plain, small, kept without outputs, and it runs as it stands."""

from __future__ import annotations

import ast
import re

import nbformat
import pytest

import gpubench_kit as kit
from gpubench_kit.bundled import bundled_path
from gpubench_kit.report.notebook_run import parameter_names, run_notebook

PATH = bundled_path("notebooks", "plan_runs.ipynb")
NOTEBOOK = nbformat.read(PATH, as_version=4)
CODE = [cell for cell in NOTEBOOK.cells if cell.cell_type == "code"]


def test_it_is_sound_and_kept_without_outputs():
    nbformat.validate(NOTEBOOK)
    assert all(not cell.outputs and cell.execution_count is None for cell in CODE)


def test_one_cell_of_literals_holds_the_two_parameters():
    tagged = [cell for cell in CODE if "parameters" in cell.metadata.get("tags", [])]
    assert len(tagged) == 1
    assert all(isinstance(one.value, ast.Constant) for one in ast.parse(tagged[0].source).body)
    assert parameter_names(NOTEBOOK) == ["plan_file", "output_folder"]


@pytest.mark.parametrize("cell", CODE, ids=lambda cell: cell.id)
def test_a_cell_is_short_and_defines_nothing(cell):
    assert len(cell.source.splitlines()) <= 12
    kinds = {type(node) for node in ast.walk(ast.parse(cell.source))}
    assert not kinds & {ast.FunctionDef, ast.ClassDef, ast.Lambda, ast.AsyncFunctionDef}


def test_it_uses_public_names_only():
    names = {name for cell in CODE for name in re.findall(r"\bkit\.(\w+)", cell.source)}
    assert names <= set(kit.__all__)
    sections = {name for cell in CODE for name in re.findall(r"\bkit\.page\.(\w+)", cell.source)}
    assert sections <= set(kit.page.__all__)


@pytest.mark.slow
def test_it_runs_as_it_stands_and_writes_nothing_into_the_review(monkeypatch):
    monkeypatch.chdir(PATH.parent)
    review = PATH.parents[1] / "data" / "ten_games"
    before = {one: one.stat().st_mtime_ns for one in review.iterdir()}
    executed = run_notebook(NOTEBOOK, {}, name=PATH.name)
    shown = "".join(str(output.get("data", "")) for cell in executed.cells for output in cell.get("outputs", []))
    assert "runs measured so far" in shown
    assert {one: one.stat().st_mtime_ns for one in review.iterdir()} == before
