"""Numbers of the house: modules, lines of code per part, functions, helpers with one caller, imports."""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from source_trees import FunctionNode, Module

#: Goals, most of them not met yet: lines of code of parts together, without blank lines, comments and docstrings.
BUDGETS = {
    ("logs", "sheet"): 4300,
    ("page", "plots", "wording"): 5000,
    ("statistics",): 2900,
    ("desk",): 1000,
}
REST_BUDGET = 9800
MOST_MODULES = 200
#: Helpers with one caller, of all functions [%].
ONE_CALLER_GOAL = 22


@dataclass(frozen=True)
class House:
    """Numbers of the package.

    Attributes
    ----------
    modules : number of files
    code_lines : lines of code of each part (folder or module beside the folders)
    functions : functions and methods, nested ones too
    one_caller : private functions and methods that are named in one place only
    import_lines : lines of code that import
    """

    modules: int
    code_lines: dict[str, int]
    functions: int
    one_caller: int
    import_lines: int

    @property
    def one_caller_share(self) -> float:
        """Share of functions that are helpers with one caller [%]."""
        return 100 * self.one_caller / self.functions

    @property
    def import_share(self) -> float:
        """Share of the code that imports [%]."""
        return 100 * self.import_lines / sum(self.code_lines.values())


def measure(modules: Iterable[Module]) -> House:
    """Return the numbers of the package.

    Parameters
    ----------
    modules : every module of the package
    """
    modules = list(modules)
    code_lines: Counter[str] = Counter()
    for module in modules:
        inner = module.name.split(".")[1:]
        code_lines[inner[0] if inner else "__init__"] += len(module.code_lines)
    return House(
        modules=len(modules),
        code_lines=dict(code_lines),
        functions=sum(1 for module in modules for _ in module.functions()),
        one_caller=sum(len(one_caller_helpers(module)) for module in modules),
        import_lines=sum(len(_import_lines(module)) for module in modules),
    )


def one_caller_helpers(module: Module) -> list[FunctionNode]:
    """Return a module's private functions and methods that are named in one place of it, their definition apart."""
    named = Counter(_names_in(module))
    return [one for one in module.functions() if _is_private(one.name) and named[one.name] == 1]


def _is_private(name: str) -> bool:
    """Return whether a name is private to its module; names with two underscores are called by Python."""
    return name.startswith("_") and not name.startswith("__")


def _names_in(module: Module) -> Iterable[str]:
    """Yield every name and attribute that is read."""
    for node in module.nodes:
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
            yield node.id
        if isinstance(node, ast.Attribute):
            yield node.attr


def _import_lines(module: Module) -> set[int]:
    """Return the numbers of the lines that import."""
    nodes = (node for node in module.nodes if isinstance(node, ast.Import | ast.ImportFrom))
    return {line for node in nodes for line in range(node.lineno, node.end_lineno + 1)}
