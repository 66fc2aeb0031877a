"""Pages, pictures, plots and claims say nothing that is not in the catalogue: their code holds no sentence."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator

import pytest
from source_trees import package_modules

#: What is published by these parts.
PUBLISHED = ("page", "plots", "claims", "wording", "checks")
#: Two words beside each other, in text without tags of HTML.
_WORDS = re.compile(r"[a-z]{2,},? [a-z]{2,}", re.IGNORECASE)
_TAGS = re.compile(r"<[^<>]*>?|\{[^{}]*\}")
#: Names of functions whose text is a fault's, describes a column of a table, or is a list of words or a pattern.
_NOT_SAID = re.compile(
    r"Fault|Error$|^check_given$|Column$|Table$|^_?(?:text|number|flag|word|name|integer|listed|warn|split|compile|count_text)$"
)
#: Names of fonts, styles and units, places in a chart, rules of the style sheet: no words for a reader.
DATA = {
    "Review Sans", "Review Signs", "kit small", "sum grp", "offset points", "upper left", "% per run",
    "Style sheet of the page", "Section(, left out)", "tbody tr{background:none}dt,dd{float:none;width:auto}",
    '\\g<0>@media screen{body[data-jp-theme-light="false"]{\\1}}',
}  # fmt: skip


def _literals(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Yield line and text of the literals that a reader could get to see; places in them are left empty."""
    passed = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            passed |= {id(node.body[0].value)} if isinstance(node.body[0], ast.Expr) else set()
        is_called = isinstance(node, ast.Call)
        name = ast.unparse(node.func).rpartition(".")[2] if is_called else ""
        if isinstance(node, ast.Raise) or (is_called and _NOT_SAID.search(name)):
            passed |= {id(one) for one in ast.walk(node)}
        targets = node.targets if isinstance(node, ast.Assign) else []
        if any(isinstance(one, ast.Name) and one.id in ("problem", "action") for one in targets):
            passed |= {id(one) for one in ast.walk(node)}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            passed |= {id(part) for part in node.values}
            if id(node) not in passed:
                yield node.lineno, "".join(one.value for one in node.values if isinstance(one, ast.Constant))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in passed:
            yield node.lineno, node.value


def _said(source: str) -> list[tuple[int, str]]:
    """Return line and text of what reads like words for a reader."""
    found = _literals(ast.parse(source))
    return [(line, text) for line, text in found if text.strip() not in DATA and _WORDS.search(_TAGS.sub("", text))]


@pytest.mark.parametrize("part", PUBLISHED)
def test_a_part_that_is_published_holds_no_words(part):
    modules = [one for one in package_modules() if f"/{part}/" in one.path.as_posix()]
    assert modules
    found = [(one.path.name, *said) for one in modules for said in _said(one.path.read_text(encoding="utf-8"))]
    assert found == []


@pytest.mark.parametrize(
    ("source", "n"),
    [
        ('label = "Board power of all games"', 1),
        ('label = f"Deviation from its own mean [{unit}]"', 1),
        ('label = say("plots.deviation", unit=unit)', 0),
        ('raise ReportError("the page cannot be written")', 0),
        ('cell = Markup("<td class=\\"a b\\">{}</td>").format(value)', 0),
    ],
)
def test_a_new_literal_is_found(source, n):
    assert len(_said(source)) == n
