"""Every process imports from where libraries are installed alone, and ends with the one that started it."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import SimpleNamespace

import pytest
from nbformat.v4 import new_code_cell, new_notebook

from gpubench_kit import processes
from gpubench_kit.processes import end_with, private_environment, safe_environment, start_safely
from gpubench_kit.report.notebook_run import run_notebook

ROOT = Path(__file__).resolve().parents[1]

_CHILD = """
import os, sys, time
from gpubench_kit.processes import end_with
end_with(os.getppid())
print(os.getpid(), flush=True)
time.sleep(60)
"""
_PARENT = f"""
import subprocess, sys, time
child = subprocess.Popen([sys.executable, "-P", "-c", {_CHILD!r}])
time.sleep(60)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows cannot ask whether a number of a process is in use")
def test_a_process_ends_soon_after_the_one_that_started_it():
    parent = subprocess.Popen([sys.executable, "-P", "-c", _PARENT], stdout=subprocess.PIPE, text=True)
    child = int(parent.stdout.readline())
    parent.kill()
    parent.wait()
    parent.stdout.close()
    end = time.monotonic() + 10
    while time.monotonic() < end:
        try:
            os.kill(child, 0)
        except ProcessLookupError:
            return
        time.sleep(0.1)
    os.kill(child, 9)
    pytest.fail("the process outlived the one that started it")


def test_a_process_watches_nobody_but_the_one_that_started_it():
    before = threading.active_count()
    end_with(os.getpid())
    assert threading.active_count() == before


def test_on_windows_the_process_itself_is_waited_for(monkeypatch):
    asked, ended = [], []
    system = SimpleNamespace(
        OpenProcess=lambda *operands: asked.append(operands) or 77,
        WaitForSingleObject=lambda *operands: asked.append(operands),
    )
    monkeypatch.setattr(processes.ctypes, "windll", SimpleNamespace(kernel32=system), raising=False)
    monkeypatch.setattr(processes, "IS_WINDOWS", True)
    monkeypatch.setattr(processes.os, "_exit", ended.append)
    processes._watch(4321)
    assert asked == [(0x00100000, False, 4321), (77, 0xFFFFFFFF)]
    assert ended == [1]


def test_only_whole_paths_are_passed_on(monkeypatch, tmp_path):
    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(["", ".", "tools", str(tmp_path / "work"), str(tmp_path)]))
    assert safe_environment()["PYTHONPATH"] == str(tmp_path)
    assert safe_environment()["PYTHONSAFEPATH"] == "1"


@pytest.mark.parametrize("given", [".", str(ROOT)])
def test_a_checkout_of_the_kit_stays_on_the_path_where_one_works_in_it(monkeypatch, tmp_path, given):
    monkeypatch.chdir(ROOT)
    monkeypatch.setenv("PYTHONPATH", given)
    assert safe_environment()["PYTHONPATH"] == str(ROOT)
    # The client of notebooks takes the first place off where that is the working directory.
    first, second = private_environment(tmp_path)["PYTHONPATH"].split(os.pathsep)
    assert (first.startswith(str(tmp_path)), second) == (True, str(ROOT))


@pytest.mark.slow
def test_a_notebook_finds_the_kit_in_the_checkout_that_the_path_names(monkeypatch):
    monkeypatch.chdir(ROOT)
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    executed = run_notebook(
        new_notebook(cells=[new_code_cell("import gpubench_kit; print(gpubench_kit.__file__)")]), {}
    )
    assert executed.cells[0].outputs[0].text.strip() == str(ROOT / "gpubench_kit" / "__init__.py")


def test_the_working_directory_leaves_the_path(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(os, "environ", dict(os.environ))
    kept = [one for one in sys.path if os.path.isabs(one)]
    monkeypatch.setattr(sys, "path", ["", ".", str(tmp_path), "tools", *kept])
    start_safely()
    assert sys.path == kept


def test_caches_stand_in_the_environment_or_go_when_the_process_ends(monkeypatch, tmp_path):
    monkeypatch.delenv("MPLCONFIGDIR", raising=False)
    monkeypatch.setattr(sys, "prefix", str(tmp_path))
    assert safe_environment()["MPLCONFIGDIR"] == str(tmp_path / ".cache" / "matplotlib")
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    other = safe_environment()["MPLCONFIGDIR"]
    assert os.path.isdir(other)
    assert not other.startswith(str(tmp_path / ".cache"))
    os.rmdir(other)


def test_a_notebook_finds_no_settings_of_the_user(tmp_path):
    places = private_environment(tmp_path)
    del places["PYTHONPATH"]
    assert set(places) == {"IPYTHONDIR", "JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR"}
    assert all(place.startswith(str(tmp_path)) for place in places.values())
