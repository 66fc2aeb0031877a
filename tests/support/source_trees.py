"""The package's modules as syntax trees, for the tests that hold them against the house rules."""

from __future__ import annotations

import ast
import io
import sys
import tokenize
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = "gpubench_kit"

FunctionNode = ast.FunctionDef | ast.AsyncFunctionDef

_NOT_CODE = {
    tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER,
}  # fmt: skip

#: Statements that open a level; ``elif`` stays on the level of its ``if``.
_OPENING = (ast.If, ast.For, ast.AsyncFor, ast.While, ast.With, ast.AsyncWith, ast.Try, ast.TryStar, ast.Match)


@dataclass(frozen=True)
class Module:
    """One file of Python: its dotted name and its text."""

    name: str
    path: Path

    @cached_property
    def text(self) -> str:
        """The source."""
        return self.path.read_text(encoding="utf-8")

    @property
    def n_lines(self) -> int:
        """Number of lines, blank ones too."""
        return self.text.count("\n")

    @cached_property
    def tree(self) -> ast.Module:
        """The syntax tree."""
        return ast.parse(self.text)

    @cached_property
    def nodes(self) -> list[ast.AST]:
        """Every node of the tree: walking there takes most of the time of all who ask."""
        return list(ast.walk(self.tree))

    @cached_property
    def code_lines(self) -> set[int]:
        """Numbers of the lines that hold code: no blank line, comment or docstring."""
        lines: set[int] = set()
        for token in tokenize.generate_tokens(io.StringIO(self.text).readline):
            if token.type not in _NOT_CODE:
                lines.update(range(token.start[0], token.end[0] + 1))
        for node in self.nodes:
            lines -= _docstring_lines(node)
        return lines

    def functions(self) -> Iterator[FunctionNode]:
        """Yield every function and method, nested ones too."""
        return (node for node in self.nodes if isinstance(node, FunctionNode))

    def public(self) -> Iterator[FunctionNode | ast.ClassDef]:
        """Yield what others may use: public functions and classes of the module, and public methods of those."""
        for node in self.tree.body:
            if _is_public(node):
                yield node
                inner = node.body if isinstance(node, ast.ClassDef) else ()
                yield from (method for method in inner if isinstance(method, FunctionNode) and _is_public(method))

    def length(self, function: FunctionNode) -> int:
        """Return how many lines of code a function has, its first line included."""
        return len(self.code_lines & set(range(function.lineno, function.end_lineno + 1)))

    def place(self, node: ast.AST) -> str:
        """Return where a node stands, for a message."""
        called = f" {node.name}" if hasattr(node, "name") else ""
        return f"{self.path.relative_to(ROOT).as_posix()}:{node.lineno}{called}"


@cache
def package_modules() -> tuple[Module, ...]:
    """Return every module of the package, sorted by name; the same ones to all who ask."""
    return tuple(_module(path) for path in sorted((ROOT / PACKAGE).rglob("*.py")))


def other_modules() -> tuple[Module, ...]:
    """Return the Python files beside the package: scripts, benchmarks and tests."""
    folders = ("benchmarks", "data", "tests", "tools")
    paths = [*ROOT.glob("*.py"), *(path for folder in folders for path in (ROOT / folder).rglob("*.py"))]
    return tuple(_module(path) for path in sorted(paths))


def outside_imports(module: Module) -> Iterator[tuple[ast.AST, str]]:
    """Yield each place where a file asks for an outside library, with the library's name; late ones count too."""
    for node in module.nodes:
        libraries = {name.split(".")[0] for name in _asked_for(node)} - {PACKAGE} - set(sys.stdlib_module_names)
        yield from ((node, library) for library in sorted(libraries))


def nesting(statements: list[ast.stmt]) -> int:
    """Return how many compound statements stand inside one another; nested functions count for themselves."""
    return max((_levels(statement) for statement in statements), default=0)


def _asked_for(node: ast.AST) -> list[str]:
    """Return the modules that a node imports, or has loaded at their first use."""
    if isinstance(node, ast.Import):
        return [name.name for name in node.names]
    if isinstance(node, ast.ImportFrom):
        return [node.module] if node.module else []
    is_late = isinstance(node, ast.Call) and getattr(node.func, "id", "") == "loaded_when_used"
    return [node.args[0].value] if is_late else []


def _levels(statement: ast.stmt) -> int:
    """Return the levels that one statement opens."""
    if not isinstance(statement, _OPENING):
        return 0
    if isinstance(statement, ast.If) and len(statement.orelse) == 1 and isinstance(statement.orelse[0], ast.If):
        return max(1 + nesting(statement.body), _levels(statement.orelse[0]))
    blocks = [getattr(statement, field, []) for field in ("body", "orelse", "finalbody")]
    blocks += [handler.body for handler in getattr(statement, "handlers", [])]
    blocks += [case.body for case in getattr(statement, "cases", [])]
    return 1 + max(nesting(block) for block in blocks)


def _module(path: Path) -> Module:
    """Return a file of Python under its dotted name."""
    parts = list(path.relative_to(ROOT).with_suffix("").parts)
    return Module(".".join(parts[:-1] if parts[-1] == "__init__" and len(parts) > 1 else parts), path)


def _is_public(node: ast.AST) -> bool:
    """Return whether a node defines a function or class whose name is public."""
    return isinstance(node, FunctionNode | ast.ClassDef) and not node.name.startswith("_")


def _docstring_lines(node: ast.AST) -> set[int]:
    """Return the numbers of the lines that a node's docstring fills."""
    if (
        not isinstance(node, ast.Module | ast.ClassDef | FunctionNode)
        or ast.get_docstring(node, clean=False) is None
    ):
        return set()
    return set(range(node.body[0].lineno, node.body[0].end_lineno + 1))
