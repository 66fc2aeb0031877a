"""The notebook of the review: plain, small, kept without outputs, and it runs as it stands."""

from __future__ import annotations

import ast
import re

import nbformat
import pytest

import gpubench_kit as kit
from gpubench_kit.report.build import review_notebook
from gpubench_kit.report.notebook_run import parameter_names, run_notebook

NOTEBOOK = review_notebook()
CODE = [cell for cell in NOTEBOOK.cells if cell.cell_type == "code"]


def test_it_is_a_sound_notebook():
    nbformat.validate(NOTEBOOK)
    assert len({cell.id for cell in NOTEBOOK.cells}) == len(NOTEBOOK.cells)


def test_it_is_kept_without_outputs_and_counts():
    assert all(not cell.outputs and cell.execution_count is None for cell in CODE)


def test_one_cell_of_literals_holds_the_parameters():
    tagged = [cell for cell in CODE if "parameters" in cell.metadata.get("tags", [])]
    assert len(tagged) == 1
    assert all(isinstance(one.value, ast.Constant) for one in ast.parse(tagged[0].source).body)
    assert parameter_names(NOTEBOOK) == ["plan_file", "output_folder", "pictures"]


@pytest.mark.parametrize("cell", CODE, ids=lambda cell: cell.id)
def test_a_cell_is_short_and_defines_nothing(cell):
    assert len(cell.source.splitlines()) <= 12
    kinds = {type(node) for node in ast.walk(ast.parse(cell.source))}
    assert not kinds & {ast.FunctionDef, ast.ClassDef, ast.Lambda, ast.AsyncFunctionDef}


def test_it_uses_public_names_only():
    text = "\n".join(cell.source for cell in CODE)
    assert set(re.findall(r"\bkit\.(\w+)", text)) - {"page"} <= set(kit.__all__)
    assert set(re.findall(r"\bkit\.page\.(\w+)", text)) <= set(kit.page.__all__)
    assert re.findall(r"^\s*(?:import|from) .*$", text, re.MULTILINE) == ["import gpubench_kit as kit"]


def test_no_threshold_is_typed_into_a_cell():
    numbers = [
        node.value
        for cell in CODE
        for node in ast.walk(ast.parse(cell.source))
        if isinstance(node, ast.Constant) and isinstance(node.value, (int, float))
    ]
    assert numbers == []


@pytest.mark.slow
def test_it_runs_as_it_stands_from_the_folder_of_notebooks(monkeypatch, request):
    monkeypatch.chdir(request.config.rootpath / "notebooks")
    executed = run_notebook(NOTEBOOK, {})
    shown = [output for cell in executed.cells for output in cell.get("outputs", [])]
    assert all(output.output_type == "execute_result" for output in shown)
    assert "Larkmoor 4" in str([output.data.get("text/html") for output in shown])
