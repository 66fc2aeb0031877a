"""Notebooks of pages run in this process: a quarter of the time, where the process is not what a test is about.

`tests/report/test_notebooks_here.py` holds what comes of it against a report of the real way.
"""

from __future__ import annotations

import ast
import json
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import pytest
from nbformat import NotebookNode

from gpubench_kit.report import page_build
from gpubench_kit.sheet.looks import COUNTED_BY_REPORT


@contextmanager
def notebooks_run_here() -> Iterator[None]:
    """Have the commands that make a page run its notebook by `run_here`."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(page_build, "run_notebook", run_here)
        yield


def run_here(
    notebook: NotebookNode,
    parameters: Mapping[str, Any],
    *,
    on_cell: Callable[[int], None] | None = None,
    **_options: Any,
) -> NotebookNode:
    """Run a notebook in this process, and return it with what its sections show.

    Parameters
    ----------
    notebook : the notebook
    parameters : values in place of those of its own cell
    on_cell : called with the number of cells done, after each
    """
    names: dict[str, Any] = {"In": []}
    os.environ[COUNTED_BY_REPORT] = "1"
    try:
        for number, cell in enumerate(notebook.cells, start=1):
            if cell.cell_type == "code":
                _run_cell(cell, names, parameters)
            if on_cell is not None:
                on_cell(number)
    finally:
        del os.environ[COUNTED_BY_REPORT]
    return notebook


def _run_cell(cell: NotebookNode, names: dict[str, Any], parameters: Mapping[str, Any]) -> None:
    """Run one cell, and keep in it what its last line shows."""
    body = ast.parse(cell.source).body
    last = body.pop() if body and isinstance(body[-1], ast.Expr) else None
    exec(compile(ast.Module(body, []), cell.id, "exec"), names)
    if "parameters" in cell.metadata.get("tags", []):
        names |= parameters
    value = eval(compile(ast.Expression(last.value), cell.id, "eval"), names) if last else None
    if hasattr(value, "_repr_mimebundle_"):
        # As it comes from another process.
        data = json.loads(json.dumps(value._repr_mimebundle_()), object_hook=NotebookNode)
        cell.outputs = [NotebookNode(output_type="display_data", metadata=NotebookNode(), data=data)]
