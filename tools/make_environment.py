"""Make environment.yml, the conda users' environment, from pyproject.toml.

::

    python tools/make_environment.py            write environment.yml
    python tools/make_environment.py --check    exit 1 if it is out of step
"""

from __future__ import annotations

import re
import sys
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
TARGET = ROOT / "environment.yml"

#: Projects that conda-forge knows under another name.
CONDA_NAMES = {"duckdb": "python-duckdb", "matplotlib": "matplotlib-base"}

#: Projects that stand in the part of pip: conda-forge may lack them.
OF_PIP = {"resvg-py"}

#: A name and its bounds; extras and markers have no counterpart in environment.yml.
REQUIREMENT = re.compile(r"([A-Za-z0-9][A-Za-z0-9._-]*)\s*([<>=!~0-9.,\s]*)")

TEMPLATE = """\
# Made by tools/make_environment.py from pyproject.toml: edit that file, then run `nox -s environment`.
#     conda env create -f environment.yml
#     conda activate gpubench-kit
name: gpubench-kit
channels:
  - conda-forge
dependencies:
{packages}
  - pip:
{of_pip}
      - -e .
"""


def environment_text(pyproject: str) -> str:
    """Return the text of environment.yml.

    Parameters
    ----------
    pyproject : text of pyproject.toml

    Returns
    -------
    text of environment.yml, with the same bounds as ``requires-python`` and ``dependencies``

    Raises
    ------
    ValueError : a dependency has an extra or a marker, which environment.yml cannot say
    """
    project = tomllib.loads(pyproject)["project"]
    wanted = [(_conda_requirement(one), _name(one) in OF_PIP) for one in project["dependencies"]]
    packages = [f"python{project['requires-python']}", *(one for one, is_of_pip in wanted if not is_of_pip), "pip"]
    of_pip = [one for one, is_of_pip in wanted if is_of_pip]
    return TEMPLATE.format(
        packages="\n".join(f"  - {package}" for package in packages),
        of_pip="\n".join(f"      - {package}" for package in of_pip),
    )


def _name(requirement: str) -> str:
    """Return the name of a dependency without its bounds."""
    return re.split(r"[\s<>=!~\[;]", requirement, maxsplit=1)[0]


def _conda_requirement(requirement: str) -> str:
    """Return one dependency as conda writes it."""
    match = REQUIREMENT.fullmatch(requirement)
    if match is None:
        raise ValueError(f"pyproject.toml, dependency {requirement!r}: extras and markers are not supported.")
    name, bounds = match.groups()
    return CONDA_NAMES.get(name, name) + bounds.replace(" ", "")


def main(arguments: list[str]) -> int:
    """Write or check environment.yml; return the exit code."""
    wanted = environment_text((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    if "--check" not in arguments:
        TARGET.write_text(wanted, encoding="utf-8", newline="\n")
        return 0
    if TARGET.exists() and TARGET.read_text(encoding="utf-8") == wanted:
        return 0
    print("environment.yml is out of step with pyproject.toml: run `nox -s environment`.", file=sys.stderr)
    return 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
