"""Fixtures of the tests of reports."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from made_once import made_once
from small_folder import write_small_review

from gpubench_kit import build_report
from tests.page.conftest import MadeUp, made_up


@pytest.fixture(scope="session")
def review_of_pages() -> MadeUp:
    """Return a made-up review as tables."""
    return made_up()


@pytest.fixture(scope="session")
def _small_built_once(tmp_path_factory) -> Path:
    """Return a folder with a small review, and beside it its report with the first look."""

    def make(folder: Path) -> None:
        build_report(write_small_review(folder / "small"), folder / "out")

    return made_once("small_built", tmp_path_factory, make)


@pytest.fixture
def small_built(_small_built_once, tmp_path) -> Path:
    """Return a copy of a small review whose report lies beside it, in ``out``."""
    return shutil.copytree(_small_built_once, tmp_path, dirs_exist_ok=True) / "small"
