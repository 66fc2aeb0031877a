"""Running notebooks: parameters, failures, ends."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from nbformat.v4 import new_code_cell, new_notebook

from gpubench_kit.model.errors import LogError, ReportError
from gpubench_kit.report.notebook_run import parameter_names, run_notebook

slow = pytest.mark.slow


def _notebook(*sources):
    """Return a notebook with a cell of parameters and the given cells."""
    first = new_code_cell("plan_file = 'a'\noutput_folder = ''", metadata={"tags": ["parameters"]})
    return new_notebook(cells=[first, *(new_code_cell(source) for source in sources)])


def test_parameters_are_read_from_the_tagged_cell():
    assert parameter_names(_notebook("other = 1")) == ["plan_file", "output_folder"]


def test_a_misspelt_parameter_is_refused_with_the_known_names():
    with pytest.raises(ReportError, match=r"no parameter 'plan_flie' \(parameters: 'plan_file', 'output_folder'\)"):
        run_notebook(_notebook(), {"plan_flie": "x"})


@pytest.mark.parametrize(
    "value", [(1, 2), Path("x"), {1: "a"}, b"x", [(1, 2)]], ids=["tuple", "path", "integer key", "bytes", "nested"]
)
def test_a_value_that_json_would_change_is_refused(value):
    with pytest.raises(ReportError, match=r"parameter 'plan_file' is a .* cannot be passed on"):
        run_notebook(_notebook(), {"plan_file": value})


def test_all_faults_of_the_parameters_are_listed_at_once():
    with pytest.raises(ReportError) as caught:
        run_notebook(_notebook(), {"plan_flie": "x", "output_folder": (1,)})
    assert len(caught.value.faults) == 2


@slow
def test_text_reaches_the_notebook_unchanged():
    text = 'C:\\Bench\\{plan}\\d\'un "test"\nimport os'
    executed = run_notebook(_notebook("print(plan_file == " + repr(text) + ")"), {"plan_file": text})
    assert executed.cells[-1].outputs[0].text == "True\n"


@slow
def test_an_error_of_the_kit_keeps_its_class_and_message():
    source = "from gpubench_kit.model.errors import LogError\nraise LogError(['a.csv: empty.', 'b.csv: empty.'])"
    with pytest.raises(LogError) as caught:
        run_notebook(_notebook(source), {})
    assert str(caught.value) == "a.csv: empty.\nb.csv: empty."
    assert len(caught.value.faults) == 2


@slow
def test_any_other_error_names_the_cell_and_asks_for_a_report():
    with pytest.raises(ReportError, match=r"'card_review', cell 2: unexpected error: ZeroDivisionError.*report it"):
        run_notebook(_notebook("1 / 0"), {}, name="card_review")


@slow
def test_leaving_python_in_a_cell_is_no_success():
    with pytest.raises(ReportError, match="ended before its last cell"):
        run_notebook(_notebook("import sys; sys.exit(0)", "1 + 1"), {})


@slow
def test_a_hung_cell_is_stopped():
    with pytest.raises(ReportError, match="took longer than 1 s"):
        run_notebook(_notebook("import time; time.sleep(60)"), {}, cell_timeout_s=1)


@slow
def test_a_killed_process_is_put_down_to_memory():
    with pytest.raises(ReportError, match="memory ran out"):
        run_notebook(_notebook("import os; os._exit(1)"), {})


@slow
def test_a_foreign_kernel_named_python3_is_not_used(tmp_path, monkeypatch):
    folder = tmp_path / "kernels" / "python3"
    folder.mkdir(parents=True)
    (folder / "kernel.json").write_text('{"argv": ["false"], "display_name": "x", "language": "python"}')
    monkeypatch.setenv("JUPYTER_PATH", os.fspath(tmp_path))
    monkeypatch.setenv("JUPYTER_PREFER_ENV_PATH", "0")
    assert run_notebook(_notebook("print(1)"), {}).cells[-1].outputs[0].text == "1\n"


@slow
def test_progress_counts_the_cells():
    seen = []
    run_notebook(_notebook("1", "2"), {"plan_file": "x"}, on_cell=seen.append)
    assert seen == [1, 2, 3, 4]


@slow
def test_what_a_notebooks_process_logs_of_its_end_is_not_told(capfd):
    """As it does when it is interrupted after the last cell, before it is ended."""
    notebook = _notebook('get_ipython().kernel.log.error("KeyboardInterrupt caught in kernel.")')
    run_notebook(notebook, {"plan_file": "b"})
    assert capfd.readouterr() == ("", "")
