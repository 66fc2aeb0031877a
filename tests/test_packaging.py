"""What is declared, locked, offered to conda users and shipped agrees; the command starts without heavy imports."""

from __future__ import annotations

import ast
import importlib.metadata
import json
import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.utils import canonicalize_name
from source_trees import ROOT, outside_imports, package_modules

import gpubench_kit

MOST_PUBLIC_NAMES = 30

#: Declared for what they do without being imported by the kit, each with its reason.
USED_UNSEEN = {
    "jupyterlab": "in which the reviewer opens the notebooks",
}

#: Imported without being declared, since a declared one is made of it and decides its version.
COME_WITH = {
    "jupyter-client": "ipykernel",
    "markupsafe": "jinja2",
    "nbclient": "papermill",
    "pillow": "matplotlib",
    "pydantic-core": "pydantic",
    "traitlets": "nbconvert",
    "typing-extensions": "pydantic",
}

HEAVY = (
    "charset_normalizer",
    "matplotlib",
    "nbconvert",
    "numpy",
    "pandas",
    "papermill",
    "pingouin",
    "pydantic",
    "scipy",
    "seaborn",
)

LOCK = (ROOT / "requirements.lock").read_text(encoding="utf-8")
PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PINS = {
    canonicalize_name(name): version
    for name, version in re.findall(r"^([\w.-]+)==([^ ;\\]+)", LOCK, flags=re.MULTILINE)
}


def test_the_lock_names_no_address_and_holds_no_option():
    assert "://" not in LOCK
    assert not [line for line in LOCK.splitlines() if line.startswith("-")]


def test_each_pin_of_the_lock_has_hashes():
    blocks = [block for block in re.split(r"\n(?=\S)", LOCK.strip()) if not block.startswith("#")]
    assert len(blocks) == len(PINS)
    assert not [block.split("==")[0] for block in blocks if "--hash=sha256:" not in block]


def test_the_first_part_of_the_lock_is_what_a_reviewer_needs():
    kit, mark, more = LOCK.partition("\n# For tests and contributors:\n")
    first, second = (set(re.findall(r"^([\w.-]+)==", part, flags=re.MULTILINE)) for part in (kit, more))
    assert mark
    assert not first & second
    needed = {canonicalize_name(one.name) for one in [*_runtime(), *_group("set_up")]}
    assert needed <= {canonicalize_name(name) for name in first}
    assert {"pytest", "nox", "ruff", "playwright", "hypothesis", "dask"} <= second


def test_the_lock_holds_every_declared_dependency_within_its_bounds():
    wrong = [
        f"{requirement}: {PINS.get(canonicalize_name(requirement.name), 'not there')}"
        for requirement in [*_runtime(), *_group("lock"), *map(Requirement, PYPROJECT["build-system"]["requires"])]
        if not requirement.specifier.contains(PINS.get(canonicalize_name(requirement.name), "0"))
    ]
    assert not wrong, f"run `nox -s lock`: {wrong}"


def test_environment_yml_is_made_from_pyproject_toml():
    command = [sys.executable, str(ROOT / "tools" / "make_environment.py"), "--check"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr


def test_environment_yml_follows_a_changed_bound(tmp_path):
    for name in ("tools/make_environment.py", "environment.yml", "pyproject.toml"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes((ROOT / name).read_bytes())
    project = tmp_path / "pyproject.toml"
    project.write_text(project.read_text(encoding="utf-8").replace('"pandas>=3', '"pandas>=2'), encoding="utf-8")
    command = [sys.executable, str(tmp_path / "tools" / "make_environment.py"), "--check"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 1
    assert "nox -s environment" in done.stderr


def test_all_files_name_the_same_pythons():
    allowed = SpecifierSet(PYPROJECT["project"]["requires-python"])
    fitting = [f"3.{minor}" for minor in range(30) if f"3.{minor}" in allowed]
    assert _assigned("noxfile.py", "PYTHONS") == fitting
    oldest, newest = _assigned("bootstrap.py", "OLDEST, NEWEST")
    assert [f"3.{minor}" for minor in range(oldest[1], newest[1] + 1)] == fitting


def test_the_package_and_its_metadata_state_one_version():
    assert gpubench_kit.__version__ == PYPROJECT["project"]["version"]
    changelog = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert f"## {gpubench_kit.__version__.partition('.dev')[0]}\n" in changelog


def test_everything_imported_is_declared_and_everything_declared_is_used():
    homes = importlib.metadata.packages_distributions()
    imported = {
        canonicalize_name(home)
        for module in package_modules()
        for _, library in outside_imports(module)
        for home in homes.get(library, [f"{library} (of no installed distribution)"])
    }
    declared = {canonicalize_name(requirement.name) for requirement in _runtime()}
    optional = {canonicalize_name(requirement.name) for requirement in _extras()}
    assert imported - declared - optional - COME_WITH.keys() == set()
    assert declared - imported == set(USED_UNSEEN)


def test_public_names_are_few_sorted_and_there():
    names = [name for name in gpubench_kit.__all__ if name != "__version__"]
    assert len(names) <= MOST_PUBLIC_NAMES
    assert names == sorted(names)
    assert [name for name in names if not hasattr(gpubench_kit, name)] == []
    with pytest.raises(AttributeError, match="no attribute 'no_such_name'"):
        gpubench_kit.no_such_name  # noqa: B018


@pytest.mark.parametrize("module", ["gpubench_kit", "gpubench_kit.cli"])
def test_the_command_starts_without_heavy_libraries(module):
    code = f"import sys, json, {module}; print(json.dumps(sorted(set({HEAVY!r}) & set(sys.modules))))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert json.loads(done.stdout) == []


def test_a_report_is_begun_without_the_libraries_of_its_notebook():
    late = ("duckdb", "matplotlib", "pingouin", "scipy", "seaborn", "statsmodels")
    code = (
        f"import sys, json, gpubench_kit.report.build; print(json.dumps(sorted(set({late!r}) & set(sys.modules))))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert json.loads(done.stdout) == []


@pytest.fixture(scope="module")
def wheel(tmp_path_factory) -> Path:
    """Return the path of a wheel built from this checkout."""
    folder = tmp_path_factory.mktemp("wheel")
    code = "import hatchling.build, sys; print(hatchling.build.build_wheel(sys.argv[1]))"
    command = [sys.executable, "-c", code, str(folder)]
    subprocess.run(command, cwd=ROOT, capture_output=True, check=True, timeout=120)
    return next(folder.glob("*.whl"))


def test_the_wheel_holds_notebooks_templates_schema_and_reviews(wheel):
    names = set(zipfile.ZipFile(wheel).namelist())
    package = ROOT / "gpubench_kit"
    wanted = {f"gpubench_kit/{path.relative_to(package).as_posix()}" for path in _shipped(package)}
    for folder in ("notebooks", "data"):
        wanted |= {f"gpubench_kit/{path.relative_to(ROOT).as_posix()}" for path in _shipped(ROOT / folder)}
    assert wanted - names == set()
    assert {"gpubench_kit/model/plan/plan.schema.json", "gpubench_kit/notebooks/card_review.ipynb"} <= names
    assert any(name.endswith(".j2") for name in names)


def test_the_wheel_holds_nothing_else(wheel):
    others = [
        name
        for name in zipfile.ZipFile(wheel).namelist()
        if not re.match(r"gpubench_kit(-[\d.]+(dev\d+)?\.dist-info)?/", name)
    ]
    assert others == []


def test_an_unpacked_wheel_finds_its_notebook_and_review(wheel, tmp_path):
    zipfile.ZipFile(wheel).extractall(tmp_path)
    code = (
        f"import sys; sys.path.insert(0, {str(tmp_path)!r})\n"
        "from gpubench_kit.files import bundled_path\n"
        "print(bundled_path('notebooks', 'card_review.ipynb')); print(bundled_path('data', 'ten_games'))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert all(Path(line).is_relative_to(tmp_path.resolve()) for line in done.stdout.splitlines())


def _runtime() -> list[Requirement]:
    """Return the dependencies of the kit itself."""
    return [Requirement(text) for text in PYPROJECT["project"]["dependencies"]]


def _extras() -> list[Requirement]:
    """Return what the kit can use where it is asked for."""
    extras = PYPROJECT["project"]["optional-dependencies"]
    return [Requirement(text) for texts in extras.values() for text in texts]


def _group(name: str) -> list[Requirement]:
    """Return the requirements of a dependency group, included ones too."""
    entries = PYPROJECT["dependency-groups"][name]
    own = [Requirement(entry) for entry in entries if isinstance(entry, str)]
    included = [entry["include-group"] for entry in entries if isinstance(entry, dict)]
    return own + [requirement for group in included for requirement in _group(group)]


def _assigned(file: str, names: str) -> object:
    """Return the value that a script assigns to names, without running it."""
    tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
    values = [node.value for node in tree.body if isinstance(node, ast.Assign) and _target(node) == names]
    return ast.literal_eval(values[0])


def _target(node: ast.Assign) -> str:
    """Return the names that a statement assigns to, as written."""
    return ast.unparse(node.targets[0]).strip("()")


def _shipped(folder: Path) -> list[Path]:
    """Return the files below a folder, without what Python and notebooks leave there."""
    left_behind = {"__pycache__", ".ipynb_checkpoints"}
    return [path for path in folder.rglob("*") if path.is_file() and not left_behind & set(path.parts)]
