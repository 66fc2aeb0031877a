"""The catalogue: every sentence that is said is there, with exactly the values that it names."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest
from source_trees import package_modules

from gpubench_kit.wording.catalogue import Catalogue, has, load_catalogue, say, spoken

ENGLISH = load_catalogue()
TEMPLATES = Path(__file__).parents[2] / "gpubench_kit" / "page" / "templates"
_IN_TEMPLATE = re.compile(r"""say\((['"])([\w.]+)\1((?:, *\w+=[^,()]+(?:\([^()]*\))?)*)\)""")


@cache
def _calls():
    """Return a list of all that is said, read by the first test that asks, not when tests are collected."""
    return list(_each_call())


def _each_call():
    """Yield place, key (or the pieces of a key) and names of the values of every call of ``say``."""
    for module in package_modules():
        imports = [node for node in module.nodes if isinstance(node, ast.ImportFrom)]
        spoken_by = {
            one.module.rpartition(".")[2] for one in imports if "gpubench_kit.wording." in (one.module or "")
        }
        if not spoken_by & {"catalogue", "notes"} and "catalogue" not in module.name:
            continue
        for node in module.nodes:
            name = node.func.id if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) else ""
            if name in ("say", "note"):
                names = (
                    None if any(one.arg is None for one in node.keywords) else {one.arg for one in node.keywords}
                )
            if name == "say":
                yield f"{module.path}:{node.lineno}", node.args[0], names
            elif name == "note" and "notes" in spoken_by:
                yield from _of_note(f"{module.path}:{node.lineno}", node.args[0], names)
    for template in sorted(TEMPLATES.glob("*.j2")):
        for found in _IN_TEMPLATE.finditer(template.read_text(encoding="utf-8")):
            names = set(re.findall(r"(\w+)=", found[3]))
            yield template.name, ast.Constant(found[2]), names


def _of_note(place, key, names):
    """Yield place, key and names of the values of both sentences of a note; not of the values that one may lack."""
    if isinstance(key, ast.IfExp):
        yield from _of_note(place, key.body, names)
        yield from _of_note(place, key.orelse, names)
        return
    if isinstance(key, ast.JoinedStr):
        text, action = (ast.JoinedStr([*key.values, ast.Constant(part)]) for part in (".text", ".action"))
        yield from ((place, one, None) for one in (text, action) if one is text or _keys_of(one))
        return
    both = [f"{key.value}.text", *([f"{key.value}.action"] if has(f"{key.value}.action") else [])]
    given = None if names is None else names - {"check", "found", "limit", "unit", "line"}
    used = {name for one in both if one in ENGLISH.entries for name in ENGLISH.places(one)} - {"found", "limit"}
    for one in both:
        is_right = given is None or given == used
        yield place, ast.Constant(one), ENGLISH.places(one) if is_right and one in ENGLISH.entries else given


def _keys_of(node) -> list[str]:
    """Return the keys that an expression can give: one for a text, all that fit for a text with places."""
    if isinstance(node, ast.IfExp):
        return [*_keys_of(node.body), *_keys_of(node.orelse)]
    if isinstance(node, ast.Constant):
        return [node.value]
    if isinstance(node, ast.JoinedStr):
        pieces = [re.escape(one.value) if isinstance(one, ast.Constant) else ".+" for one in node.values]
        return [key for key in ENGLISH.entries if re.fullmatch("".join(pieces), key)]
    return []


def test_every_sentence_that_is_said_is_in_the_catalogue():
    missing = [
        (place, keys)
        for place, node, _ in _calls()
        for keys in [_keys_of(node)]
        if isinstance(node, ast.Constant) and keys[0] not in ENGLISH.entries
    ]
    empty = [place for place, node, _ in _calls() if isinstance(node, ast.JoinedStr) and not _keys_of(node)]
    assert (missing, empty) == ([], [])


def test_every_sentence_gets_the_values_that_it_names():
    wrong = [
        (place, key, ENGLISH.places(key) ^ names)
        for place, node, names in _calls()
        if names is not None and not any(isinstance(one, ast.JoinedStr) for one in ast.walk(node))
        for key in _keys_of(node)
        if (ENGLISH.places(key) | ({"n"} if isinstance(ENGLISH.entries[key], dict) else set())) != names
    ]
    assert wrong == []


def test_no_sentence_is_kept_that_nobody_says():
    said = {key for _, node, _ in _calls() for key in _keys_of(node)}
    assert set(ENGLISH.entries) - said == set()


def test_a_form_is_picked_by_the_number():
    assert say("answer.runs", n=1) == "1 run"
    assert say("answer.runs", n=0) == "0 runs"


def test_a_value_that_looks_like_a_place_is_kept_as_it_is():
    assert say("headline.tuning", tuning="{facts}", facts="x") == "{facts}: x"


def test_a_key_that_is_not_there_is_an_error():
    assert not has("no.such.key")
    with pytest.raises(KeyError):
        say("no.such.key")


def test_another_language_is_another_catalogue():
    with spoken(Catalogue("xx", {"answer.runs": {"one": "ein", "many": "{n} viele"}})):
        assert say("answer.runs", n=3) == "3 viele"
    assert say("answer.runs", n=3) == "3 runs"
