"""A module imports only from lower layers, and an outside library only where it has its home."""

from __future__ import annotations

import ast
from collections.abc import Iterator

import pytest
from source_trees import PACKAGE, Module, outside_imports, package_modules

#: Layer of each part of the package; the longest prefix counts.
LAYERS = {
    "": 0,
    "model": 0,
    "wording": 0.5,
    "files": 0,
    "processes": 0,
    "sheet": 1,
    "logs": 2,
    "synthetic": 2,
    "metrics": 3,
    "statistics": 4,
    "checks": 5,
    "claims": 6,
    "costs": 6,
    "schedule": 6,
    "sweep": 6,
    "archive": 6,
    "desk": 8.5,
    "palette": 1,
    "plots": 7,
    "page": 7.5,
    "report": 8,
    "cli": 9,
    "__main__": 10,
}

#: Inside one layer: groups from left to right. A module may import from groups to its left, never from its own.
ORDER = (
    ("model.errors", "model.metrics"), ("model.tables",),
    ("model.plan.review_plan",), ("model.plan",), ("model.table_checks",),
    ("wording.catalogue",), ("wording.notes",), ("wording.numbers",), ("wording.terms",),
    ("sheet.load",), ("sheet", "sheet.look_files"), ("sheet.looks",), ("sheet.new_review",),
    ("logs.format",), ("logs.text_table",), ("logs.read_samples",), ("logs.read_frames",),
    ("logs.one_clock",), ("logs.align",), ("logs.review",),
    ("metrics.formulas",), ("metrics.per_run",),
    ("statistics.adapters",), ("statistics.runs",),
    ("statistics.design", "statistics.testing"),
    ("statistics.variance", "statistics.restarts", "statistics.planning", "statistics.stability"),
    ("statistics.looks", "statistics.comparison"), ("statistics.games",), ("statistics.overall",),
    ("statistics.results",), ("statistics.compare",),
    ("checks.evidence",),
    ("checks.log_checks", "checks.run_checks", "checks.design_checks"), ("checks.review",),
    ("page.elements",), ("page.results",), ("page.caveats", "page.headline"),
    ("page.answer_card",), ("page.matrix", "page.method", "page.game_sections"), ("page.efficiency",),
    ("report.manifest", "report.package"), ("report.notebook_run",),
)  # fmt: skip

#: Outside library -> where it may be imported.
HOMES = {
    "charset_normalizer": "logs.code_pages",
    "duckdb": "archive.store",
    "matplotlib": "plots",
    "openpyxl": "sheet.workbook",
    "seaborn": "plots",
    "scipy": "statistics.adapters",
    "statsmodels": "statistics.adapters",
    "pingouin": "statistics.adapters",
    "papermill": "report.notebook_run",
    "resvg_py": "page.pictures",
    "nbconvert": "report.notebook_run",
    "distributed": "report.cluster",
    "rich": "desk.terminal",
}

#: Modules that import when a command runs: the command starts at once, a public name is loaded at its first use.
LATE_IMPORTS = ("cli", "")

MODULES = {module.name: module for module in package_modules()}


def _edges_up(module: Module) -> Iterator[str]:
    """Yield a sentence for each import from a higher layer."""
    own = _layer(_inner(module.name))
    for target in _targets(module):
        if _layer(_inner(target)) > own:
            yield f"{module.name} (layer {own}) imports {target} (layer {_layer(_inner(target))})"


def _edges_right(module: Module) -> Iterator[str]:
    """Yield a sentence for each import, inside a layer, from the same place or one to the right."""
    own, place = _inner(module.name), _place(_inner(module.name))
    for target in map(_inner, _targets(module)):
        ranked = place is not None and _place(target) is not None and target != own
        if ranked and _layer(target) == _layer(own) and _place(target) >= place:
            yield f"{module.name} imports {PACKAGE}.{target}, which does not stand to its left"


def test_imports_point_down():
    wrong = [edge for module in MODULES.values() for edge in _edges_up(module)]
    assert not wrong, "\n".join(wrong)


def test_imports_inside_a_layer_point_left():
    wrong = [edge for module in MODULES.values() for edge in _edges_right(module)]
    assert not wrong, "\n".join(wrong)


def test_logs_and_synthetic_data_do_not_know_each_other():
    wrong = [
        f"{name} imports {target}"
        for name, module in MODULES.items()
        for target in _targets(module)
        if {_part(_inner(name)), _part(_inner(target))} == {"logs", "synthetic"}
    ]
    assert not wrong, "\n".join(wrong)


def test_no_modules_import_in_a_circle():
    edges = {name: set(_targets(module)) - {name} for name, module in MODULES.items()}
    while free := [name for name, targets in edges.items() if not targets & edges.keys()]:
        for name in free:
            del edges[name]
    assert not edges, f"modules in a circle, or above one: {sorted(edges)}"


def test_outside_libraries_are_imported_only_at_their_home():
    wrong = [
        f"{module.place(node)} imports {library}, whose home is {HOMES[library]}"
        for module in MODULES.values()
        for node, library in outside_imports(module)
        if library in HOMES and not f"{_inner(module.name)}.".startswith(f"{HOMES[library]}.")
    ]
    assert not wrong, "\n".join(wrong)


def test_imports_stand_at_the_top():
    late = [
        f"{module.place(node)} in {function.name}"
        for module in MODULES.values()
        if _part(_inner(module.name)) not in LATE_IMPORTS
        for function in module.functions()
        for node in ast.walk(function)
        if isinstance(node, ast.Import | ast.ImportFrom)
    ]
    assert not late, "imports inside functions: " + ", ".join(late)


def test_imports_are_absolute_and_named():
    wrong = [
        module.place(node)
        for module in MODULES.values()
        for node in module.nodes
        if isinstance(node, ast.ImportFrom) and (node.level or any(name.name == "*" for name in node.names))
    ]
    assert not wrong, "relative or star imports: " + ", ".join(wrong)


def test_every_part_of_the_package_has_a_layer():
    unknown = [name for name in MODULES if _part(_inner(name)) not in LAYERS]
    assert not unknown, f"add to LAYERS: {unknown}"


@pytest.mark.parametrize(
    ("name", "source", "edges"),
    [
        ("metrics.formulas", "from gpubench_kit.statistics import compare", _edges_up),
        ("model.plan", "import gpubench_kit.logs.review", _edges_up),
        ("statistics.design", "from gpubench_kit.statistics.comparison import measure_pair", _edges_right),
    ],
    ids=["from a package", "whole module", "inside a layer"],
)
def test_a_wrong_edge_is_seen(tmp_path, name, source, edges):
    path = tmp_path / "one.py"
    path.write_text(source, encoding="utf-8")
    assert list(edges(Module(f"gpubench_kit.{name}", path)))


def _inner(name: str) -> str:
    """Return a module's name without the package's; empty for the package itself."""
    return name.removeprefix(PACKAGE).removeprefix(".")


def _part(inner: str) -> str:
    """Return the part of the package that a module belongs to."""
    return inner.split(".")[0]


def _layer(inner: str) -> float:
    """Return the layer of a module; an unknown part stands above all, so that it is noticed."""
    return LAYERS.get(_part(inner), 99)


def _place(inner: str) -> int | None:
    """Return a module's place from left to right, or None where any place without a circle is right."""
    return next((place for place, group in enumerate(ORDER) if inner in group), None)


def _targets(module: Module) -> Iterator[str]:
    """Yield the names of the package's modules that a module imports."""
    for node in module.nodes:
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names if name.name.split(".")[0] == PACKAGE)
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == PACKAGE:
            yield from (_deepest(node.module, name.name) for name in node.names)


def _deepest(module: str, name: str) -> str:
    """Return the module that `from module import name` reads: `module.name` where that is one."""
    return f"{module}.{name}" if f"{module}.{name}" in MODULES else module
