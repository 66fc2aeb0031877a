"""What type checkers, and so editors, say of a reviewer's own code: right code passes, each mistake is named."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

RIGHT = """
from pathlib import Path

import gpubench_kit as kit

review = kit.review("measured", count_look=False)
answer: str = review.section("answer").title
out: Path = review.write("out")
title: str = review.plan.review.title
made: int = review.looks.made
kit.plots.intervals(review.comparisons, metric="avg_fps").set_xlim(-5, 5)
kit.plots.percentiles(review.frames("r001"))
kit.plan_session("measured", previous="earlier").needs.head()
kit.check(Path("measured")).confirm_format("5f0c9a21", frames="ms")
kit.plan_session("measured").section("needs")
kit.find_tuning("measured").settings.head()
kit.gather_archive(["reports"]).ask("SELECT 1").head()
page: Path = kit.build_report("measured", pictures="none")

plan = kit.load_plan("measured/plan.toml")
logs = kit.open_review(plan)
values = kit.compute_run_metrics(logs, plan)
findings = kit.check_review(logs, values, plan)
usable = kit.exclude_runs(logs, values, findings)
looks = kit.open_looks(plan, usable)
kit.compare_tunings(usable, looks.plan, looks=looks).head()
try:
    kit.review("nowhere")
except kit.GpubenchError as error:
    print(error.faults[0].where)
"""

#: Each line is wrong in one way.
WRONG = (
    "kit.revew('measured')",
    "kit.review(3)",
    "kit.review('measured', count_looks=True)",
    "kit.review('measured', pictures='every')",
    "kit.review('measured').comparison",
    "kit.review('measured').section('anwser')",
    "kit.plots.intervals()",
    "kit.plots.lines(kit.review('measured').runs)",
    "kit.check('measured').section('answer')",
    "kit.compute_run_metrics(kit.load_plan('measured'))",
    "kit.estimate_noise(kit.check('measured').usable, 'measured')",
    "title: int = kit.load_plan('measured').review.title",
    "kit.used_runs",
)


def _wrong_lines() -> str:
    """Return code whose every line from the second on is wrong."""
    return "\n".join(("import gpubench_kit as kit", *WRONG)) + "\n"


def _lines_named_by_mypy(file: Path, cache: Path) -> set[int]:
    """Return the lines in which mypy finds an error."""
    options = ("--config-file=", "--ignore-missing-imports", "--follow-imports=silent", "--output=json")
    options = (*options, f"--cache-dir={cache}")
    words = [sys.executable, "-m", "mypy", *options, str(file)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=300)
    assert done.stderr == ""
    found = [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]
    return {one["line"] for one in found if one["severity"] == "error"}


def _lines_named_by_pyright(file: Path) -> set[int]:
    """Return the lines in which pyright finds an error, by its standard rules."""
    (file.parent / "pyrightconfig.json").write_text('{"typeCheckingMode": "standard"}', encoding="utf-8")
    words = [sys.executable, "-m", "basedpyright", "--outputjson", "--pythonpath", sys.executable]
    done = subprocess.run(
        [*words, "--project", str(file.parent), "--level", "error"], capture_output=True, text=True, timeout=300
    )
    found = json.loads(done.stdout)["generalDiagnostics"]
    return {one["range"]["start"]["line"] + 1 for one in found if one["severity"] == "error"}


@pytest.fixture(scope="module", params=["mypy", "pyright"])
def errors_in(request, tmp_path_factory):
    """Return a function from code to the numbers of its lines that a checker refuses."""
    cache = tmp_path_factory.mktemp("cache")

    def errors(code: str) -> set[int]:
        file = tmp_path_factory.mktemp("own") / "own_questions.py"
        file.write_text(code, encoding="utf-8")
        return _lines_named_by_mypy(file, cache) if request.param == "mypy" else _lines_named_by_pyright(file)

    return errors


def test_right_code_passes(errors_in):
    assert errors_in(RIGHT) == set()


def test_every_wrong_line_is_named(errors_in):
    found = errors_in(_wrong_lines())
    assert [line for number, line in enumerate(WRONG, start=2) if number not in found] == []


@pytest.mark.slow
def test_the_types_of_the_whole_package_agree(tmp_path):
    words = [sys.executable, "-m", "mypy", f"--cache-dir={tmp_path}"]
    done = subprocess.run(words, cwd=Path(__file__).parents[1], capture_output=True, text=True, timeout=600)
    assert (done.returncode, done.stderr) == (0, ""), done.stdout
