"""What the kit does otherwise on Windows, forced here: two moves for an exchange, open files, locks, paths."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
from as_windows import modules_that_ask, named_windows
from made_tables import TABLES_BY_NAME, write_workbook
from small_folder import write_small_review
from source_trees import ROOT

from gpubench_kit.files import Busy, locked

SCRIPT = ROOT / "tests" / "support" / "as_windows.py"


def _run(*commands, cwd):
    """Run commands as on Windows."""
    places = os.pathsep.join([str(ROOT), str(ROOT / "tests" / "support")])
    environment = {**os.environ, "PYTHONPATH": places, "GPUBENCH_KIT_TRACEBACK": "1"}
    words = [sys.executable, "-P", str(SCRIPT), *commands]
    done = subprocess.run(words, cwd=cwd, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="the system does not list open files")
def test_a_check_and_the_report_of_a_table_are_made_and_made_again(tmp_path):
    write_small_review(tmp_path / "review")
    write_workbook(tmp_path / "larkmoor.xlsx", {"runs": TABLES_BY_NAME["plain"].rows})
    (tmp_path / "answers.toml").write_text('card = "Larkmoor 4"\n', encoding="utf-8")
    of_table = "report larkmoor.xlsx --answers answers.toml --pictures none"
    _run("check review", "check review", "schedule review", of_table, of_table, cwd=tmp_path)
    reports = {one.name for one in (tmp_path / "reports").iterdir()}
    assert reports == {"review", "larkmoor", "index.html"}
    assert {"check.html", "check", "plan.html"} <= {one.name for one in (tmp_path / "reports" / "review").iterdir()}
    assert "Larkmoor 4" in (tmp_path / "reports" / "larkmoor" / "index.html").read_text(encoding="utf-8")


def test_a_lock_whose_file_cannot_be_removed_while_it_is_held_works_and_leaves_nothing(tmp_path, monkeypatch):
    remove, tried = Path.unlink, []

    def unlink(path, **options):
        tried.append(path.name)
        if len(tried) % 2:
            raise PermissionError(13, "it is open")
        remove(path, **options)

    monkeypatch.setattr(Path, "unlink", unlink)
    for _ in range(2):
        with locked(tmp_path / "one.lock"), pytest.raises(Busy), locked(tmp_path / "one.lock"):
            pytest.fail("two held it")
    assert len(tried) == 4
    assert not (tmp_path / "one.lock").exists()


@pytest.fixture
def bootstrap(tmp_path, monkeypatch):
    """Return the set-up script as it is on Windows, with what its locks did."""
    calls = []
    library = SimpleNamespace(LK_NBLCK=2, locking=lambda *words: calls.append(words[1:]))
    monkeypatch.setitem(sys.modules, "msvcrt", library)
    monkeypatch.setitem(sys.modules, "os", named_windows())
    spec = importlib.util.spec_from_file_location("bootstrap_on_windows", ROOT / "bootstrap.py")
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    monkeypatch.setitem(sys.modules, "os", os)
    return SimpleNamespace(script=script, calls=calls, msvcrt=library)


def test_the_set_up_finds_its_programs_where_windows_has_them(bootstrap):
    script = bootstrap.script
    assert script.PYTHON == script.VENV / "Scripts" / "python.exe"
    assert not hasattr(script, "fcntl")


def test_the_set_up_locks_by_what_windows_has(bootstrap, tmp_path, capsys):
    with bootstrap.script._Lock(tmp_path / "one.lock") as lock:
        lock.acquire(waits_for="", is_shared=True)
        assert bootstrap.calls == [], "Windows has no shared lock here"
        lock.acquire(waits_for="")
        assert bootstrap.calls == [(2, 1)]
    refusals = iter([True, False])

    def locking(*_words):
        if next(refusals):
            raise OSError(36, "it is held")

    bootstrap.msvcrt.locking = locking
    with bootstrap.script._Lock(tmp_path / "one.lock") as lock:
        lock.acquire(waits_for="another call")
    assert capsys.readouterr().out == "Waiting for another call ...\n"


def test_what_was_written_for_windows_is_listed_for_contributors():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text[text.index("\n## Windows") : text.index("\n## Recipes")]
    files = [f"{name.removeprefix('gpubench_kit.').replace('.', '/')}.py" for name in modules_that_ask()]
    assert files
    assert all(f"`{file}`" in section for file in [*files, "bootstrap.py", "processes.py"])
