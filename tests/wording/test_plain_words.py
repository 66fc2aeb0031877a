"""Words that readers stumbled over stay out of what the kit says: one word for one idea, the trade's own."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from source_trees import Module, package_modules

ROOT = Path(__file__).parents[2]

#: What was said once, and what is said instead.
INSTEAD = {
    r"\bfellows?\b|unlike_fellows": "the other runs of this game and tuning; outlier",
    r"\breckon": "calculate",
    r"\bthrift": "most efficient",
    r"\bhungrier\b|\bdearer\b": "draws more power; more expensive",
    r"\bbears? (it|the claim|them|this|that) out\b|\bbears? out\b|\bborne out\b": "support",
    r"\bheld against the data\b": "checked against the data",
    r"\bfor want of\b": "not shown: no data",
    r"\bfurther down\b": "below",
    r"\bupright (lines?|marks?)\b": "vertical lines",
    r"\bforeign.load\b": "background load",
    r"\bholes?\b": "missing frames",
    r"\bspoilt\b": "failed",
    r"\bsceptics?\b": "details, for transparency",
    r"\bask it anything\b": "query the archive",
    r"\bevenings?\b": "bench session",
    r"\bframes per joule\b": "FPS per watt",
    r"\bslowest hundredth\b": "the slowest 1 % of frames",
    r"\bmay be said\b|\bsafe to say\b|\bmay say\b": "you can say",
    r"\bhow high each\b": "average FPS and 1 % low of each tuning",
    r"\bplace in the order\b": "run number",
    r"\bthe middle one\b": "the median game",
    r"\bworth their time\b|\bcould go\b": "worth keeping; can be dropped",
    r"\bpassed over\b": "skipped",
    r"\bat home\b": "before you copy it",
    r"\bnever a difference\b": "never shows differences between tunings",
    r"\bin silence\b": "without a word on the page",
    r"\b(better|worse|higher|lower), but small\b": "slightly better (under our margin)",
    r"\bheld by a cap\b": "frame-capped",
    r"\blimited by the (card|processor)\b": "GPU-limited, CPU-limited",
    r"\btold (further|below|of)\b|\bto be told\b": "shown",
    r"\bpower_point\b": "power_measured_at",
    r"\bline_?up|\blined_?up": "align",
    r"\bTern Ridge\b|\bHarbour Lights\b": "Fernholt 3, Harbour Lanterns",
    r"\b1440p traced\b|\bbusy_ms\b": "1440p ray tracing, card_ms",
}  # fmt: skip

#: Texts that hold such a word as data: words that a sheet of an earlier kit or of a user may hold.
DATA = {
    "session evening abend sitzung day tag",
    "foreign_load",
    "evening",
    "power_point",
    "line_up_s",
    "checks.line_up_s",
    "thriftiest_tuning",
    "thrift_string_size_limit",
    "thrift_container_size_limit",
}


_OF_REVIEWS = ("*.md", "*.toml", "runs.csv")


def _docstrings(module: Module) -> set[int]:
    """Return the ids of the constants that are docstrings, or stand alone as a comment would."""
    return {
        id(node.value)
        for node in module.nodes
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }


def _texts_of_the_package() -> Iterator[tuple[str, str]]:
    """Yield place and text of every string of the package that can reach a reader."""
    for module in package_modules():
        silent = _docstrings(module)
        for node in module.nodes:
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in silent:
                yield f"{module.path}:{node.lineno}", node.value
    package = ROOT / "gpubench_kit"
    for file in sorted([*package.rglob("*.toml"), *package.rglob("*.j2"), *package.rglob("*.json")]):
        yield from _lines(file)


def _texts_beside_it() -> Iterator[tuple[str, str]]:
    """Yield place and text of documents, notebooks, bundled plans and the scripts that make them."""
    patterns = ("*.md", "docs/*.md", "docs/*.json", "data/*.py", *(f"data/**/{name}" for name in _OF_REVIEWS))
    for file in (file for pattern in patterns for file in sorted(ROOT.glob(pattern))):
        if file.name != "CHANGELOG.md":
            yield from _lines(file)
    for file in sorted(ROOT.glob("notebooks/*.ipynb")):
        for cell in json.loads(file.read_text(encoding="utf-8"))["cells"]:
            yield file.name, "".join(cell["source"])


def _lines(file: Path) -> Iterator[tuple[str, str]]:
    """Yield place and text of each line of a file."""
    for number, line in enumerate(file.read_text(encoding="utf-8").splitlines(), 1):
        yield f"{file.relative_to(ROOT)}:{number}", line


@cache
def _texts() -> list[tuple[str, str]]:
    """Return place and text of all that is said; read by the first test that asks, not when tests are collected."""
    return [one for one in (*_texts_of_the_package(), *_texts_beside_it()) if one[1] not in DATA]


@pytest.mark.parametrize("words", INSTEAD)
def test_words_that_readers_stumbled_over_stay_out(words):
    found = [f"{place}: {text}" for place, text in _texts() if re.search(words, text, re.IGNORECASE)]
    assert not found, f"say: {INSTEAD[words]}\n" + "\n".join(found)


def test_the_texts_are_those_that_readers_see():
    texts = "\n".join(text for _, text in _texts())
    assert all(one in texts for one in ("no verdict", "Cautions", "Harbour Lanterns"))
