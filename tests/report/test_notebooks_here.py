"""A report whose notebook runs in this process, as in most tests, is the one of a notebook in its own process."""

from __future__ import annotations

from pathlib import Path

import pytest

from gpubench_kit import build_report


def _files(folder: Path) -> dict[str, bytes]:
    """Return the files of a report, notebooks apart."""
    found = (path for path in sorted(folder.rglob("*")) if path.is_file() and path.parent.name != "notebooks")
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in found}


@pytest.mark.slow
def test_a_notebook_that_runs_here_gives_the_report_of_one_in_a_process_of_its_own(small_built, tmp_path, request):
    request.getfixturevalue("notebooks_here")
    page = build_report(small_built, tmp_path / "here")
    assert len(_files(page.parent)) > 20
    assert _files(page.parent) == _files(tmp_path / "out")
