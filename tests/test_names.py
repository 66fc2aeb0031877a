"""Names: each that is spoken of exists, and each that exists is used."""

from __future__ import annotations

import ast
import importlib
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest
from source_trees import PACKAGE, ROOT, FunctionNode, Module, package_modules

MODULES = package_modules()
_DOTTED = re.compile(rf"\b{PACKAGE}(?:\.\w+)+")
#: Where else a name of the package may be used: what is typed by reviewers and filled by templates.
_KINDS = (f"{PACKAGE}/**/*.pyi", f"{PACKAGE}/**/*.j2", f"{PACKAGE}/**/*.toml", "notebooks/*.ipynb", "*.toml")
_TEXTS = [path for kind in _KINDS for path in sorted(ROOT.glob(kind))]
_PROSE = [*ROOT.glob("*.md"), *ROOT.glob("docs/*.md"), *(one.path for one in MODULES)]


def exists(dotted: str) -> bool:
    """Return whether a dotted name is a module of the package or what one holds."""
    parts = dotted.split(".")
    for end in range(len(parts), 0, -1):
        try:
            found = importlib.import_module(".".join(parts[:end]))
        except ModuleNotFoundError:
            continue
        for name in parts[end:]:
            if not hasattr(found, name):
                return False
            found = getattr(found, name)
        return True
    return False


def defined(module: Module) -> Iterator[str]:
    """Yield the names that a module gives at its top; what is decorated stands in a register."""
    for node in module.tree.body:
        if isinstance(node, FunctionNode | ast.ClassDef) and not node.decorator_list:
            yield node.name
        targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
        for target in targets:
            yield from (one.id for one in ast.walk(target or ast.Pass()) if isinstance(one, ast.Name))


def read(module: Module) -> Iterator[str]:
    """Yield the names that a module reads or imports, and those that its texts give with their module.

    The texts of a part's first module name what is loaded when first used.
    """
    is_first = module.path.name == "__init__.py"
    for node in module.nodes:
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
            yield node.id
        elif isinstance(node, ast.Attribute):
            yield node.attr
        elif isinstance(node, ast.ImportFrom):
            yield from (one.name for one in node.names)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield from (name.rpartition(".")[2] for name in _DOTTED.findall(node.value))
            yield from (node.value,) * is_first


def unused(modules: Iterable[Module], texts: Iterable[Path]) -> list[str]:
    """Return the names at the top of modules that neither modules nor texts use."""
    modules = list(modules)
    used = Counter(name for module in modules for name in read(module))
    used.update(word for path in texts for word in re.findall(r"\w+", path.read_text(encoding="utf-8")))
    return [
        f"{module.name}.{name}"
        for module in modules
        for name in defined(module)
        if not used[name] and not name.startswith("__")
    ]


def test_every_name_of_the_package_is_used_by_the_package():
    found = unused(MODULES, _TEXTS)
    assert not found, f"nothing needs them: {', '.join(found)}"


def test_a_name_that_nothing_uses_is_found(tmp_path):
    path = tmp_path / "one.py"
    path.write_text("A, B = 1, 2\nC: int = A\n\n\ndef d():\n    return C\n\n\n@d\ndef e():\n    pass\n", "utf-8")
    assert unused([Module("one", path)], []) == ["one.B"]


@pytest.mark.parametrize("path", _PROSE, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_every_dotted_name_in_docs_and_docstrings_exists(path):
    wrong = [name for name in _DOTTED.findall(path.read_text(encoding="utf-8")) if not exists(name)]
    assert not wrong, f"no such name: {', '.join(wrong)}"


def test_a_name_that_is_gone_does_not_exist():
    assert exists("gpubench_kit.schedule.make.make_schedule")
    assert not exists("gpubench_kit.schedule.make_schedule")
