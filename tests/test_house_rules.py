"""Sizes, signatures, docstrings and habits of the code, measured on its syntax trees."""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Callable
from functools import cache

from house_numbers import MOST_MODULES, measure, one_caller_helpers
from source_trees import PACKAGE, ROOT, FunctionNode, Module, nesting, other_modules, package_modules

MODULE_LINES = 450
FUNCTION_LINES = 50
#: Cyclomatic complexity of a function, measured by ruff (C901).
COMPLEXITY = 12
#: Private functions that are named in one place, of all functions [%]: most are a paragraph of their caller.
ONE_CALLER_PERCENT = 22
PARAMETERS = 6
LEVELS = 3

#: Operands that may be given by place, public and private; all else, and every switch, comes by name.
BY_PLACE, BY_PLACE_PRIVATE = 3, 4

#: Parameters that mean the same everywhere: a `ReviewPlan`, or in tests what has its attributes.
KNOWN_PARAMETERS = {"plan"}

#: What fills the places of a sentence, each of which names what is allowed; and a call held against its signature.
VALUES_BY_NAME = {"say", "note", "as_asked"}

#: Names that say nothing, and words that stand for a tuning elsewhere but not here: one word per idea.
EMPTY_MODULE_NAMES = {"utils", "util", "misc", "base", "helpers", "common"}
OTHER_WORDS_FOR_TUNING = re.compile(r"(?:^|_)(config|preset)s?(?:_|$)", re.IGNORECASE)

MODULES = package_modules()
OTHERS = other_modules()


@cache
def functions() -> list[tuple[Module, FunctionNode]]:
    """Return every function with its module; read by the first test that asks, not when tests are collected."""
    return [(module, function) for module in MODULES for function in module.functions()]


def test_a_file_is_short_enough_to_read():
    long = [f"{module.path}: {module.n_lines}" for module in MODULES + OTHERS if module.n_lines > MODULE_LINES]
    assert not long, _listed(long)


def test_a_function_is_short_enough_to_read():
    lengths = [(module.place(one), module.length(one)) for module, one in functions()]
    long = [f"{place}: {length}" for place, length in lengths if length > FUNCTION_LINES]
    assert not long, f"more than {FUNCTION_LINES} lines of code: {_listed(long)}"


def test_the_linter_holds_functions_to_few_branches():
    lint = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["ruff"]["lint"]
    assert "C901" in lint["select"]
    assert lint["mccabe"]["max-complexity"] == COMPLEXITY


def test_modules_are_few_enough_to_know():
    found = measure(MODULES).modules
    assert found <= MOST_MODULES, f"{found} modules; put one with what it serves"


def test_helpers_with_one_caller_are_few():
    found = measure(MODULES).one_caller_share
    assert found <= ONE_CALLER_PERCENT, f"{found:.1f} %; inline those that are a paragraph of their caller"


def test_a_helper_with_one_caller_is_seen(tmp_path):
    path = tmp_path / "one.py"
    path.write_text(
        "def a():\n    return _b() + _c(1)\n\n\ndef _b():\n    return _c(2)\n\n\ndef _c(n):\n    return n\n",
        "utf-8",
    )
    assert [function.name for function in one_caller_helpers(Module("one", path))] == ["_b"]


def test_functions_nest_three_levels_deep():
    deep = [module.place(one) for module, one in functions() if nesting(one.body) > LEVELS]
    assert not deep, f"more than {LEVELS} levels: {_listed(deep)}"


def test_functions_take_few_parameters():
    many = [module.place(one) for module, one in functions() if len(_parameters(one)) > PARAMETERS]
    assert not many, f"more than {PARAMETERS} parameters: {_listed(many)}"


def test_options_are_given_by_name():
    wrong = [module.place(one) for module, one in functions() if _takes_options_by_place(one)]
    assert not wrong, f"make the last of these keyword-only: {_listed(wrong)}"


def test_options_are_not_passed_through():
    wrong = [module.place(one) for module, one in functions() if one.args.kwarg and one.name not in VALUES_BY_NAME]
    assert not wrong, f"**kwargs hides what is allowed: {_listed(wrong)}"


def test_what_is_public_says_what_it_does():
    silent = [str(module.path) for module in MODULES if not ast.get_docstring(module.tree)]
    silent += [module.place(one) for module in MODULES for one in module.public() if not ast.get_docstring(one)]
    assert not silent, f"no docstring: {_listed(silent)}"


def test_each_parameter_of_a_public_function_has_a_type_or_is_described():
    unclear = [
        f"{module.place(one)} {argument.arg}"
        for module in MODULES
        for one in module.public()
        if isinstance(one, FunctionNode)
        for argument in _parameters(one)
        if not argument.annotation
        and argument.arg not in KNOWN_PARAMETERS
        and not re.search(rf"\b{argument.arg}\b", ast.get_docstring(one) or "")
    ]
    assert not unclear, _listed(unclear)


def test_input_is_not_checked_by_assert():
    found = _places_of(lambda node: isinstance(node, ast.Assert))
    assert not found, f"assert vanishes under -O; raise an error of the kit: {_listed(found)}"


def test_what_concerns_the_reader_is_a_finding_not_a_warning():
    found = _places_of(lambda node: isinstance(node, ast.Call) and ast.unparse(node.func) == "warnings.warn")
    assert not found, f"make a Finding: {_listed(found)}"


def test_a_failure_is_never_swallowed_whole():
    found = _places_of(lambda node: isinstance(node, ast.ExceptHandler) and node.type is None)
    assert not found, f"name what is expected to fail: {_listed(found)}"


def test_random_numbers_come_from_a_seeded_generator():
    found = _places_of(_draws_globally) + _places_of(_is_unseeded)
    assert not found, f"pass a Generator made from a stated seed: {_listed(found)}"


def test_a_file_is_named_after_what_it_holds():
    found = [str(module.path) for module in MODULES + OTHERS if module.path.stem in EMPTY_MODULE_NAMES]
    assert not found, _listed(found)


def test_a_tuning_is_called_a_tuning():
    wrong = [
        f"{module.place(node)} {name}"
        for module in MODULES
        for node in module.nodes
        for name in _names_given(node)
        # `model_config` is the name under which a pydantic model keeps its settings.
        if OTHER_WORDS_FOR_TUNING.search(name) and name != "model_config"
    ]
    assert not wrong, _listed(wrong)


def test_levels_count_blocks_inside_blocks_and_not_elif():
    source = """
        if a:
            for b in c:
                with d:
                    pass
        elif e:
            pass
        elif f:
            pass
    """
    assert nesting(ast.parse("if 1:\n" + source).body[0].body) == 3
    assert nesting(ast.parse("if a:\n    x\nelif b:\n    y\nelif c:\n    z").body) == 1
    assert nesting(ast.parse("def f():\n    if a:\n        pass").body) == 0


def test_lines_of_code_leave_out_docstrings_comments_and_blanks(tmp_path):
    path = tmp_path / "one.py"
    path.write_text(
        'def f(a):\n    """Say.\n\n    More.\n    """\n\n    # why\n    return (\n        a\n    )\n', "utf-8"
    )
    module = Module("one", path)
    assert [module.length(function) for function in module.functions()] == [4]


def _listed(places: list[str]) -> str:
    """Return places one below the other."""
    return "\n" + "\n".join(places)


def _places_of(wanted: Callable[[ast.AST], bool]) -> list[str]:
    """Return the places of all nodes of the package that a function picks."""
    return [module.place(node) for module in MODULES for node in module.nodes if wanted(node)]


def _draws_globally(node: ast.AST) -> bool:
    """Return whether a node uses numpy's global generator."""
    is_of_numpy = isinstance(node, ast.Attribute) and ast.unparse(node.value) == "np.random"
    return is_of_numpy and node.attr not in {"BitGenerator", "Generator", "SeedSequence", "default_rng"}


def _is_unseeded(node: ast.AST) -> bool:
    """Return whether a node makes a generator that differs in every run."""
    return isinstance(node, ast.Call) and ast.unparse(node) in {"np.random.default_rng()", "default_rng()"}


def _names_given(node: ast.AST) -> list[str]:
    """Return the names that a node gives to something."""
    if isinstance(node, FunctionNode | ast.ClassDef):
        return [node.name]
    if isinstance(node, ast.arg):
        return [node.arg]
    return [node.id] if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store) else []


def _parameters(function: FunctionNode) -> list[ast.arg]:
    """Return a function's parameters, `self` and `cls` apart."""
    return [*_by_place(function), *function.args.kwonlyargs]


def _by_place(function: FunctionNode) -> list[ast.arg]:
    """Return the parameters that may be given by place, `self` and `cls` apart."""
    by_place = [*function.args.posonlyargs, *function.args.args]
    return by_place[1:] if by_place and by_place[0].arg in {"self", "cls"} else by_place


def _takes_options_by_place(function: FunctionNode) -> bool:
    """Return whether too many parameters go by place, or a switch after the second does."""
    by_place = _by_place(function)
    options = by_place[len(by_place) - len(function.args.defaults) :] if function.args.defaults else []
    switches = [
        name
        for name, default in zip(options, function.args.defaults, strict=True)
        if isinstance(default, ast.Constant) and isinstance(default.value, bool)
    ]
    most = BY_PLACE_PRIVATE if function.name.startswith("_") else BY_PLACE
    return len(by_place) > most or any(name in by_place[2:] for name in switches)


def test_no_process_is_forked():
    # Windows cannot, and a fork of a process with threads stops on a lock now and then.
    forks = re.compile(r"os\.fork|get_context\(|set_start_method|\bfork\b")
    wrong = [str(module.path) for module in MODULES if forks.search(module.path.read_text(encoding="utf-8"))]
    assert not wrong, _listed(wrong)


def test_every_file_of_settings_and_sentences_can_be_read():
    # Two changes that each add a key to one table meet without a conflict.
    for file in sorted((ROOT / PACKAGE).rglob("*.toml")):
        tomllib.loads(file.read_text(encoding="utf-8"))
