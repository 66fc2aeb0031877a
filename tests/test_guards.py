"""The guards of conftest.py fail what they are meant to fail."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys

import pytest
from source_trees import ROOT

SKIPPED = "import pytest\n\n@pytest.mark.skip(reason='not today')\ndef test_one():\n    pass\n"
SKIPPED_WHOLE = "import pytest\n\npytest.skip('not today', allow_module_level=True)\n"
DRAWS_GLOBALLY = "import numpy as np\n\ndef test_one():\n    np.random.random()\n"
DRAWS_SEEDED = "def test_one(rng):\n    assert rng.integers(10, size=3).max() < 10\n"


@pytest.fixture
def run_tests(tmp_path):
    """Return a function that runs one file of tests under conftest.py, and returns its exit code and words."""
    shutil.copy(ROOT / "tests" / "conftest.py", tmp_path / "conftest.py")

    def run(source: str, *, ci: str) -> tuple[int, str]:
        (tmp_path / "test_sample.py").write_text(source, encoding="utf-8")
        kept = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST")}
        command = [
            sys.executable,
            "-m",
            "pytest",
            "-p",
            "no:cacheprovider",
            str(tmp_path),
            "--rootdir",
            str(tmp_path),
        ]
        done = subprocess.run(
            command, env={**kept, "CI": ci}, cwd=tmp_path, capture_output=True, text=True, check=False, timeout=120
        )
        return done.returncode, done.stdout

    return run


@pytest.mark.parametrize("source", [SKIPPED, SKIPPED_WHOLE], ids=["one test", "a whole file"])
def test_a_skip_fails_the_session_in_ci(run_tests, source):
    code, said = run_tests(source, ci="true")
    assert code == pytest.ExitCode.TESTS_FAILED
    assert "test_sample.py" in said.split("not allowed in CI")[1]


def test_a_skip_is_accepted_at_a_desk(run_tests):
    assert run_tests(SKIPPED, ci="")[0] == pytest.ExitCode.OK


def test_a_test_that_draws_from_the_global_generator_fails(run_tests):
    code, said = run_tests(DRAWS_GLOBALLY, ci="")
    assert code == pytest.ExitCode.TESTS_FAILED
    assert "numpy's global random state moved" in said


def test_a_test_that_draws_from_the_fixture_passes(run_tests):
    code, said = run_tests(DRAWS_SEEDED, ci="")
    assert code == pytest.ExitCode.OK, said
