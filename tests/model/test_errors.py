"""Errors in a notebook: the faults, without lines of the kit's code."""

from __future__ import annotations

from IPython.core.interactiveshell import InteractiveShell


def test_a_notebook_shows_the_faults_alone(capsys):
    shell = InteractiveShell()
    shell.run_cell("from gpubench_kit.model.errors import PlanError\nraise PlanError(['plan.toml: one', 'two'])")
    lines = capsys.readouterr().out.splitlines()
    assert lines == ["PlanError: plan.toml: one", "PlanError: two"]
