"""Where the time of a whole report goes: reading, checks, statistics, page, pictures, notebook and export.

Run with:  python benchmarks/report.py [FOLDER]       (default: the bundled ten-game review)

The report is built once as the command does it; then the notebook's own cells are run in this process and
timed under their headings. What the cells do not account for is the notebook's process, its imports, the
export of the page, and the manifest.
"""

from __future__ import annotations

import ast
import sys
import tempfile
import time
from pathlib import Path

from gpubench_kit.files import bundled_path
from gpubench_kit.report.build import NOTEBOOK, build_report
from gpubench_kit.report.page_build import bundled_notebook

try:
    import resource
except ImportError:  # There is none on Windows.
    resource = None

#: The whole report is meant to take no longer than this on two cores [s].
GOAL_S = 25.0
#: Processor time of the whole report, with modules compiled before [s].
PROCESSOR_GOAL_S = 10.0


def main(folder: Path) -> None:
    """Print the seconds of each part, its share of the whole, and the whole against its goal."""
    with tempfile.TemporaryDirectory() as scratch:
        start, before = time.perf_counter(), processor_s()
        page = build_report(folder, Path(scratch) / "report", record_look=False)
        whole, spent = time.perf_counter() - start, processor_s() - before
        size_mb = page.stat().st_size / 1e6
        parts = seconds_by_heading(folder / "plan.toml", Path(scratch) / "cells")
    parts["notebook, imports, export, manifest"] = whole - sum(parts.values())
    for heading, seconds in parts.items():
        print(f"{heading:40s} {seconds:7.2f} s  {seconds / whole:6.1%}")
    print(
        f"{'the whole report':40s} {whole:7.2f} s  {whole / GOAL_S:6.1%} of {GOAL_S:.0f} s; page {size_mb:.2f} MB"
    )
    share = f"{spent / PROCESSOR_GOAL_S:6.1%} of {PROCESSOR_GOAL_S:.0f} s"
    print(f"{'processor time of the report':40s} {spent:7.2f} s  {share}")


def processor_s() -> float:
    """Return the processor time of this process and of those it waited for [s]; nan where it is not known."""
    if resource is None:
        return float("nan")
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def seconds_by_heading(plan_file: Path, output: Path) -> dict[str, float]:
    """Return how long the notebook's cells take in this process, summed under each heading [s]."""
    names = {"folder": str(plan_file), "output_folder": str(output)}
    parts: dict[str, float] = {}
    heading = ""
    for cell in bundled_notebook(NOTEBOOK).cells:
        if cell.cell_type == "markdown":
            heading = cell.source.splitlines()[0].lstrip("# ")
        elif "parameters" not in cell.metadata.get("tags", []):
            parts[heading] = parts.get(heading, 0.0) + seconds_of_cell(cell.source, names)
    return parts


def seconds_of_cell(source: str, names: dict[str, object]) -> float:
    """Return how long one cell takes, its last value shown as the notebook would [s]."""
    start = time.perf_counter()
    *statements, last = ast.parse(source).body
    if not isinstance(last, ast.Expr):
        statements, last = [*statements, last], None
    exec(compile(ast.Module(statements, []), "cell", "exec"), names)
    if last is not None:
        value = eval(compile(ast.Expression(last.value), "cell", "eval"), names)
        value._repr_html_()
    return time.perf_counter() - start


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else bundled_path("data", "ten_games"))
