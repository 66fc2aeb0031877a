"""Print the processor time of the tests: by folder, and of the slowest ones, their fixtures and processes included.

::

    python benchmarks/tests.py                           all tests, on all cores
    python benchmarks/tests.py tests/report -m "not slow"

Divided by the cores of a quiet machine, the sum is about what the tests take. What many tests share counts for the
first that asks for it.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]

if __name__ == "__main__":
    selected = sys.argv[1:] or [str(ROOT / "tests"), "-n", "auto", "--dist", "worksteal"]
    sys.path.insert(0, str(ROOT / "tests" / "support"))
    sys.exit(pytest.main(["--rootdir", str(ROOT), "-q", "-p", "processor_times", *selected]))
