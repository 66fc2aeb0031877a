"""A library that takes long to load is read from disk when it is first used."""

from __future__ import annotations

import sys

import pytest

from gpubench_kit.processes import loaded_when_used


@pytest.fixture
def slow_library(tmp_path, monkeypatch) -> str:
    """Return the name of a library that leaves a file behind when it is run."""
    name = "library_that_takes_long"
    source = f"from pathlib import Path\nPath({str(tmp_path / 'was_run')!r}).touch()\nANSWER = 42\n"
    (tmp_path / f"{name}.py").write_text(source, encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    loaded_when_used.cache_clear()
    yield name
    sys.modules.pop(name, None)


def test_a_library_is_run_when_the_first_of_its_names_is_asked_for(slow_library, tmp_path):
    library = loaded_when_used(slow_library)
    assert not (tmp_path / "was_run").exists()
    assert library.ANSWER == 42
    assert (tmp_path / "was_run").exists()


def test_a_library_is_the_same_however_it_is_loaded(slow_library):
    assert loaded_when_used(slow_library) is loaded_when_used(slow_library)


def test_the_package_around_a_module_is_not_loaded_either(slow_library, tmp_path):
    library = tmp_path / f"{slow_library}.py"
    package = tmp_path / slow_library
    package.mkdir()
    library.rename(package / "part.py")
    (package / "__init__.py").write_text("", encoding="utf-8")
    part = loaded_when_used(f"{slow_library}.part")
    assert slow_library not in sys.modules
    assert part.ANSWER == 42
    for name in (slow_library, f"{slow_library}.part"):
        sys.modules.pop(name)


def test_a_library_that_is_not_installed_is_named():
    with pytest.raises(ModuleNotFoundError, match="no_such_library"):
        loaded_when_used("no_such_library")
