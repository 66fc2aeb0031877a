"""Set up this checkout and run it: one command, no activation, nothing outside this folder is touched.

::

    python3 bootstrap.py demo     set up, then build the report of the bundled review
    python3 bootstrap.py test     set up, then run all tests
    python3 bootstrap.py lab      set up, then open the notebooks in JupyterLab
    python3 bootstrap.py run ...  set up, then run `gpubench-kit ...` in the current folder

Only the standard library is used, since nothing else is there yet. On Windows write `py` for `python3`.
"""

import argparse
import hashlib
import importlib.util
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

OLDEST, NEWEST = (3, 11), (3, 13)

ROOT = Path(__file__).resolve().parent
LOCK = ROOT / "requirements.lock"
PROJECT = ROOT / "pyproject.toml"
VENV = ROOT / ".venv"
STAMP = VENV / "set-up.stamp"
BINARIES = VENV / ("Scripts" if os.name == "nt" else "bin")
PYTHON = BINARIES / ("python.exe" if os.name == "nt" else "python")

#: Addresses and host names in an installer's messages; they say how a machine is set up, so they are not repeated.
ADDRESSES = re.compile(r"\w+://\S+|host='[^']*'|\b[\w-]+(?:\.[\w-]+)*\.(?:org|com|net|io|dev|eu)\b")


class SetupError(Exception):
    """The environment cannot be made; the message says why and what to do."""


def main(arguments=None):
    """Set up, run what was asked for and return its exit code (2: it could not be set up)."""
    try:
        _check_python(sys.version_info)
        asked = _parser().parse_args(arguments)
        prepare_environment()
    except SetupError as problem:
        print(problem, file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("Stopped. Run the same command again: it takes up where it can.", file=sys.stderr)
        return 130
    return asked.action(asked.rest)


def prepare_environment():
    """Make `.venv` from the lock unless it is already what the lock asks for."""
    wanted_pins, wanted_project = _wanted()
    pins, project = _made()
    if pins != wanted_pins or not PYTHON.exists():
        _say(f"Setting up {VENV} (once; ten seconds to two minutes) ...")
        _create_venv()
        _install_pins()
        project = ""
    if project != wanted_project:
        _install_kit()
        # Written last and in one piece: without it the next call starts over.
        part = STAMP.with_suffix(".part")
        part.write_text(f"{wanted_pins}\n{wanted_project}\n", encoding="utf-8")
        os.replace(part, STAMP)


def run_demo(rest):
    """Build the report of the bundled review and say where the page is."""
    return _run_kit(["demo", *rest], cwd=ROOT)


def run_tests(rest):
    """Run all tests, or what the further arguments to pytest select."""
    return _call([PYTHON, "-m", "pytest", *(rest or ["-n", "auto", "--dist", "worksteal"])], cwd=ROOT)


def run_lab(rest):
    """Open the notebooks in JupyterLab."""
    return _call([PYTHON, "-m", "jupyterlab", *(rest or ["notebooks"])], cwd=ROOT)


def run_kit(rest):
    """Run the kit's own command in the current folder."""
    return _run_kit(rest, cwd=None)


def _parser():
    """Return the parser of the four commands."""
    parser = argparse.ArgumentParser(
        prog="bootstrap.py",
        description="Set up this checkout in its own .venv (once) and run it; nothing else is changed.",
        epilog="Example: python3 bootstrap.py demo",
    )
    commands = parser.add_subparsers(metavar="COMMAND", required=True)
    for name, action in (("demo", run_demo), ("test", run_tests), ("lab", run_lab), ("run", run_kit)):
        summary = action.__doc__
        command = commands.add_parser(name, help=summary, description=summary, prefix_chars="\0", add_help=False)
        command.add_argument("rest", nargs=argparse.REMAINDER)
        command.set_defaults(action=action)
    return parser


def _check_python(version):
    """Raise unless the kit and its locked versions run on this Python."""
    if OLDEST <= tuple(version[:2]) <= NEWEST:
        return
    found = f"{version[0]}.{version[1]}"
    other = _other_python()
    advice = f"run this with {other}" if other else "install one of them and run this with it"
    raise SetupError(f"This is Python {found}; the kit needs Python 3.11, 3.12 or 3.13: {advice}.")


def _other_python():
    """Return the name of a Python on this machine that would do, or an empty text."""
    fitting = [f"python{OLDEST[0]}.{minor}" for minor in range(NEWEST[1], OLDEST[1] - 1, -1)]
    return next((name for name in fitting if shutil.which(name) and _succeeds([name, "-c", ""])), "")


def _wanted():
    """Return what the stamp must say: digests of (interpreter, place and lock) and of the project file."""
    # A virtual environment holds absolute paths, so a checkout that was moved needs a new one.
    place = f"{sys.version_info[:2]} {ROOT}".encode()
    pins = hashlib.sha256(place + LOCK.read_bytes()).hexdigest()
    return pins, hashlib.sha256(PROJECT.read_bytes()).hexdigest()


def _made():
    """Return what the stamp says; empty where an earlier set-up did not finish."""
    lines = STAMP.read_text(encoding="utf-8").split() if STAMP.exists() else []
    return tuple(lines) if len(lines) == 2 else ("", "")


def _create_venv():
    """Make an empty virtual environment, in place of what an earlier attempt left."""
    if not (importlib.util.find_spec("venv") and importlib.util.find_spec("ensurepip")):
        raise SetupError(
            "This Python comes without its venv module. On Debian and Ubuntu install it by\n"
            "    sudo apt install python3-venv\n"
            "and run the same command again."
        )
    _quietly([sys.executable, "-m", "venv", "--clear", VENV], "the virtual environment could not be made.")


def _install_pins():
    """Install every version of the lock, checked by hash: by uv for speed, by pip where uv fails."""
    pip = [PYTHON, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-input"]
    checked = ["--require-hashes", "--only-binary", ":all:"]
    if not (_install_uv([*pip, *checked]) and _succeeds(_uv_command(checked))):
        _quietly([*pip, *checked, "-r", LOCK], "the locked packages could not be installed. Are you online?")


def _install_uv(pip):
    """Install uv, as locked, into the new environment; return whether that worked."""
    pin = re.search(r"^uv==.*\n(?:[ ].*\n?)+", LOCK.read_text(encoding="utf-8"), flags=re.MULTILINE)
    if pin is None:
        return False
    only_uv = VENV / "uv.lock.txt"
    only_uv.write_text(pin.group(), encoding="utf-8")
    done = _succeeds([*pip, "-r", only_uv])
    only_uv.unlink()
    return done


def _uv_command(checked):
    """Return the command by which uv installs the lock."""
    return [PYTHON, "-m", "uv", "pip", "install", "--quiet", "--python", PYTHON, *checked, "-r", LOCK]


def _install_kit():
    """Install the kit itself so that edits to this checkout take effect at once."""
    # Its build backend is in the lock, so that nothing unlocked is fetched here.
    flags = ["--quiet", "--disable-pip-version-check", "--no-deps", "--no-build-isolation", "--no-index"]
    _quietly([PYTHON, "-m", "pip", "install", *flags, "-e", ROOT], "the kit itself could not be installed.")


def _run_kit(rest, cwd):
    """Run the kit's command line and return its exit code."""
    return _call([PYTHON, "-m", "gpubench_kit", *rest], cwd=cwd)


def _succeeds(command):
    """Run a command without showing what it says; return whether it succeeded."""
    return subprocess.run(_as_text(command), capture_output=True, check=False, env=_environment()).returncode == 0


def _quietly(command, problem):
    """Run a command; if it fails, raise with its last words."""
    done = subprocess.run(
        _as_text(command), capture_output=True, text=True, errors="replace", check=False, env=_environment()
    )
    if done.returncode:
        last_words = (done.stderr.strip() or done.stdout.strip()).splitlines()[-8:]
        shown = "\n".join(f"    {ADDRESSES.sub('(address)', line)}" for line in last_words)
        raise SetupError(f"Set-up stopped: {problem} The last words were:\n{shown}\nRun the same command again.")


def _call(command, cwd):
    """Run a command in the foreground and return its exit code."""
    try:
        return subprocess.run(_as_text(command), check=False, cwd=cwd, env=_environment()).returncode
    except KeyboardInterrupt:
        return 130


def _as_text(command):
    """Return a command as the list of texts that every system takes."""
    return [os.fspath(word) for word in command]


def _environment():
    """Return the environment for the commands, free of another Python's paths."""
    dropped = {"PYTHONHOME", "PYTHONPATH", "__PYVENV_LAUNCHER__", "PIP_TARGET", "PIP_PREFIX", "PIP_USER"}
    kept = {name: value for name, value in os.environ.items() if name.upper() not in dropped}
    # Programs that the kit starts by name (a notebook's kernel, say) must come from this environment.
    return {**kept, "VIRTUAL_ENV": str(VENV), "PATH": os.pathsep.join([str(BINARIES), kept.get("PATH", "")])}


def _say(text):
    """Print a line now, before a command that takes a while."""
    print(text, flush=True)


if __name__ == "__main__":
    sys.exit(main())
