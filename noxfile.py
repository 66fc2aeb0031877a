"""The contributor's one command: `nox` lints and tests; `nox --list` shows the rest.

The sessions run in the environment that bootstrap.py made (`.venv/bin/nox`, on Windows
`.venv\\Scripts\\nox`); only `tests` over several Pythons makes environments of its own.
"""

import re
import sys
from pathlib import Path

import nox

nox.needs_version = ">=2025.10.14"
nox.options.sessions = ["lint", "types", "notebooks", "environment_check", "quick"]
nox.options.error_on_external_run = False

ROOT = Path(__file__).resolve().parent
#: Programs of this environment, whether it is activated or not.
HERE = (sys.executable, "-m")

PYTHONS = ["3.11", "3.12", "3.13"]

#: No address may get into the lock: whoever installs from it uses their own package index.
COMPILE = [
    *("pyproject.toml", "-c", "constraints.txt"),
    *("--universal", "--python-version", PYTHONS[0], "--fork-strategy", "fewest", "--generate-hashes"),
    *("--no-emit-index-url", "--no-emit-find-links", "--no-header", "--no-annotate", "--quiet"),
]


@nox.session(venv_backend="none")
def lint(session):
    """Check style and format."""
    session.run(*HERE, "ruff", "check", ".")
    session.run(*HERE, "ruff", "format", "--check", ".")


@nox.session(venv_backend="none")
def types(session):
    """Check types on the whole package; `nox -s types -- gpubench_kit/logs` on one folder."""
    session.run(*HERE, "mypy", *session.posargs)


@nox.session(venv_backend="none")
def notebooks(session):
    """Fail if a notebook holds outputs or counts; `nox -s notebooks -- --strip` takes them out."""
    found = [str(path) for path in sorted(ROOT.glob("notebooks/*.ipynb"))]
    if found:
        session.run(
            *HERE, "nbstripout", "--keep-id", *([] if "--strip" in session.posargs else ["--verify"]), *found
        )


@nox.session(venv_backend="none")
def quick(session):
    """Run the tests that take seconds."""
    session.run(*HERE, "pytest", "-m", "not slow", "-n", "auto", "-q", *session.posargs)


@nox.session(venv_backend="none")
def long(session):
    """Run the tests that take many minutes: whole simulations, tens of thousands of damaged files."""
    session.run(*HERE, "pytest", "-m", "long", "-n", "auto", "-q", *session.posargs)


@nox.session(python=PYTHONS, venv_backend="uv|virtualenv")
def tests(session):
    """Run all tests on each Python, in environments made from the lock."""
    session.install("--require-hashes", "--only-binary", ":all:", "-r", "requirements.lock")
    session.install("--no-deps", "--no-build-isolation", "-e", ".")
    session.run("pytest", "-n", "auto", *session.posargs)


@nox.session(venv_backend="none")
def coverage(session):
    """Fail unless every line of the statistics and of the claims is run by their own tests."""
    parts = ["gpubench_kit/statistics/*", "gpubench_kit/claims/*"]
    folders = [f"tests/{name}" for name in ("statistics", "claims", "properties", "rival", "sweep")]
    session.run(*HERE, "coverage", "run", "--source=gpubench_kit", "-m", "pytest", "-q", *folders, *session.posargs)
    session.run(*HERE, "coverage", "report", f"--include={','.join(parts)}", "--show-missing", "--fail-under=100")


@nox.session(venv_backend="none")
def docs(session):
    """Make the documentation, docs/_build/index.html; fail at a dead link within it."""
    session.run(*HERE, "sphinx", "-W", "--keep-going", "-b", "html", "docs", "docs/_build", *session.posargs)


@nox.session(venv_backend="none")
def environment(session):
    """Make environment.yml from pyproject.toml."""
    session.run(sys.executable, "tools/make_environment.py")


@nox.session(venv_backend="none")
def environment_check(session):
    """Check that environment.yml is in step with pyproject.toml."""
    session.run(sys.executable, "tools/make_environment.py", "--check")


def _in_two_parts(text, kit):
    """Return a lock with what the kit needs first, then what only tests and contributors need."""
    pins = re.sub(r"^#.*\n", "", text, flags=re.M)
    blocks = [block for block in re.split(r"^(?=\S)", pins, flags=re.M) if block]
    needed = set(re.findall(r"^([\w.-]+)==", kit, flags=re.M))
    parts = [[block for block in blocks if (block.split("==")[0] in needed) is first] for first in (True, False)]
    return "".join([*parts[0], "# For tests and contributors:\n", *parts[1]])


@nox.session(venv_backend="none")
def lock(session):
    """Make the lock and environment.yml again after a change of dependencies; `-- --upgrade` renews all."""
    uv, made = (*HERE, "uv", "pip", "compile", *COMPILE), ROOT / "requirements.lock"
    session.run(*uv, "--group", "lock", "-o", "requirements.lock", *session.posargs)
    kit = Path(session.create_tmp(), "kit.lock")
    session.run(*uv, "--group", "set_up", "-c", "requirements.lock", "-o", str(kit))
    pins, needed = (file.read_text(encoding="utf-8") for file in (made, kit))
    made.write_text(_in_two_parts(pins, needed), encoding="utf-8", newline="\n")
    session.run(sys.executable, "tools/make_environment.py")
