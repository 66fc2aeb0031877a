"""A misspelt parameter stops a notebook that papermill runs by itself, with the name that was meant."""

import re

import nbformat
import papermill
import pytest

from gpubench_kit.files import assigned_names, bundled_path, check_parameters
from gpubench_kit.model.errors import ReportError
from gpubench_kit.report.notebook_run import parameter_names

_OWN = 'plan_file = "a"  # the plan\noutput_folder = ""'
NOTEBOOKS = ("archive.ipynb", "card_review.ipynb", "check_logs.ipynb", "find_tuning.ipynb", "plan_runs.ipynb")


def test_a_misspelt_name_is_told_with_the_near_one():
    history = ["", _OWN, '# Parameters\nplan_fil = "b"\nother = 3\n', "import gpubench_kit as kit"]
    with pytest.raises(ReportError) as raised:
        check_parameters(history)
    first, second = raised.value.faults
    assert str(first) == (
        "parameters: the notebook has no parameter 'plan_fil' (parameters: 'plan_file', 'output_folder'). "
        "Did you mean 'plan_file'?"
    )
    assert str(second).endswith("Correct the name.")


@pytest.mark.parametrize(
    "history",
    [
        [],
        ['plan_fil = "by hand"'],
        ["", _OWN, '# Parameters\nplan_fil = "b"\n', _OWN, '# Parameters\nplan_file = "b"\n'],
        ["", _OWN, "# Parameters\n"],
    ],
    ids=["nothing", "a cell of one's own", "corrected", "none given"],
)
def test_nothing_is_said_where_the_last_parameters_are_those_of_the_notebook(history):
    check_parameters(history)


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_each_notebook_checks_its_parameters_right_behind_them(name):
    notebook = nbformat.read(bundled_path("notebooks", name), as_version=4)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert parameter_names(notebook) == assigned_names(code[0].source)
    first = re.search(r"= kit\.(\w+)\(", code[1].source)[1]
    assert first in ("review", "check", "find_tuning", "plan_session", "gather_archive")


@pytest.mark.slow
def test_papermill_alone_stops_at_a_misspelt_parameter(tmp_path):
    notebook = bundled_path("notebooks", "card_review.ipynb")
    given = {"foldr": str(tmp_path)}
    with pytest.raises(papermill.PapermillExecutionError) as raised:
        papermill.execute_notebook(
            notebook, tmp_path / "out.ipynb", given, kernel_name="python3", language="python", progress_bar=False
        )
    assert raised.value.ename == "ReportError"
    assert "Did you mean 'folder'?" in raised.value.evalue
