"""Set up this checkout and run it: one command, no activation, nothing outside this folder is touched.

::

    python3 bootstrap.py demo     set up, then build the report of the bundled review
    python3 bootstrap.py test     set up, then run all tests
    python3 bootstrap.py lab      set up, then open the notebooks in JupyterLab
    python3 bootstrap.py run ...  set up, then run `gpubench-kit ...` in the current folder

Only the standard library is used, since nothing else is there yet. On Windows write `py` for `python3`.
"""

import sys

if __name__ == "__main__" and not sys.flags.safe_path:
    # First of all: whatever lies beside this script would be imported in place of what it needs.
    del sys.path[0]

import argparse
import contextlib
import hashlib
import importlib.util
import os
import re
import shutil
import subprocess
import time
from pathlib import Path

if os.name == "nt":
    import msvcrt
else:
    import fcntl

OLDEST, NEWEST = (3, 11), (3, 13)

ROOT = Path(__file__).resolve().parent
LOCK = ROOT / "requirements.lock"
PROJECT = ROOT / "pyproject.toml"
VENV = ROOT / ".venv"
STAMP = VENV / "set-up.stamp"
#: What programs keep between calls: in the environment, never in the home folder.
CACHE = VENV / ".cache"
#: Held by whoever changes the environment, and by all who use it; the files themselves hold nothing.
SET_UP_LOCK = ROOT / ".venv.set-up.lock"
USE_LOCK = ROOT / ".venv.use.lock"
#: Line of the lock behind which stands what only tests and contributors need.
FOR_TESTS = "# For tests and contributors:"
#: Longest path of this folder with which all files of the environment have names that Windows takes.
LONGEST_PLACE = 90
BINARIES = VENV / ("Scripts" if os.name == "nt" else "bin")
PYTHON = BINARIES / ("python.exe" if os.name == "nt" else "python")

#: Addresses and host names in an installer's messages; they say how a machine is set up, so they are not repeated.
ADDRESSES = re.compile(r"\w+://\S+|host='[^']*'|\b[\w-]+(?:\.[\w-]+)*\.(?:org|com|net|io|dev|eu)\b")


class SetupError(Exception):
    """The environment cannot be made; the message says why and what to do."""


def main(arguments=None):
    """Set up, run what was asked for and return its exit code (2: it could not be set up)."""
    with contextlib.ExitStack() as held:
        try:
            _check_python(sys.version_info)
            _check_place(str(ROOT), is_windows=os.name == "nt")
            asked = _parser().parse_args(arguments)
            prepare_environment(held, for_tests=asked.action is run_tests)
        except SetupError as problem:
            print(problem, file=sys.stderr)
            return 2
        except KeyboardInterrupt:
            print("Stopped. Run the same command again: it takes up where it can.", file=sys.stderr)
            return 130
        return asked.action(asked.rest)


def prepare_environment(held, *, for_tests=False):
    """Make `.venv` what the lock asks for; from then on nobody replaces it until `held` is closed."""
    in_use = held.enter_context(_Lock(USE_LOCK))
    in_use.acquire(is_shared=True, waits_for="another call to set up this folder")
    if _is_ready(for_tests):
        return
    in_use.release()
    with _Lock(SET_UP_LOCK) as set_up:
        set_up.acquire(waits_for="another call to set up this folder")
        if not _is_made():
            in_use.acquire(waits_for="what still runs in this folder, whose environment has to be made anew")
            _make()
            in_use.release()
        in_use.acquire(is_shared=True, waits_for="another call to set up this folder")
        _complete(for_tests)


def _is_ready(for_tests):
    """Return whether nothing is left to be done."""
    wanted, made = _wanted(), _stamped()
    return PYTHON.exists() and all(made.get(name) == wanted[name] for name in _parts(for_tests))


def _is_made():
    """Return whether the environment holds what the kit needs."""
    return PYTHON.exists() and _stamped().get("pins") == _wanted()["pins"]


def _parts(for_tests):
    """Return the parts that have to be installed."""
    return ("pins", "project", "tests") if for_tests else ("pins", "project")


def _make():
    """Make the environment anew, with what the kit needs."""
    _say(f"Setting up {VENV} (once; ten seconds to two minutes) ...")
    _create_venv()
    _install_pins(_pins()[0])
    _stamp("pins")


def _complete(for_tests):
    """Add the kit itself, and what tests need, where either is not there yet or has changed."""
    wanted, made = _wanted(), _stamped()
    if made.get("project") != wanted["project"]:
        _install_kit()
        _stamp("project")
    if for_tests and made.get("tests") != wanted["tests"]:
        _say("Adding what the tests need (once) ...")
        _install_pins(_pins()[1])
        _stamp("tests")


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
    # Windows would look into the working directory first.
    os.environ["NODEFAULTCURRENTDIRECTORYINEXEPATH"] = "1"
    return next((name for name in fitting if shutil.which(name) and _succeeds([name, "-c", ""])), "")


def _check_place(place, *, is_windows):
    """Raise where file names below this folder become longer than Windows takes."""
    if is_windows and len(place) > LONGEST_PLACE and not _takes_long_paths():
        found = f"The path of this folder has {len(place)} characters, too many for file names on Windows"
        raise SetupError(f"{found} (at most {LONGEST_PLACE}): move it, for example to C:\\kit.")


def _takes_long_paths():
    """Return whether this Windows was set to take long paths."""
    import winreg

    try:
        with winreg.OpenKey(winreg.HKEY_LOCAL_MACHINE, r"SYSTEM\CurrentControlSet\Control\FileSystem") as key:
            return bool(winreg.QueryValueEx(key, "LongPathsEnabled")[0])
    except OSError:
        return False


def _pins():
    """Return the two parts of the lock: what the kit needs, and what tests and contributors need besides."""
    kit, _, tests = LOCK.read_text(encoding="utf-8").partition(FOR_TESTS)
    return kit, tests


def _wanted():
    """Return what the stamp must say: a digest of each part; of the pins, with interpreter and place."""
    kit, tests = _pins()
    # A virtual environment holds absolute paths, so a checkout that was moved needs a new one.
    texts = {"pins": f"{sys.version_info[:2]} {ROOT} {kit}", "project": _read(PROJECT), "tests": tests}
    return {name: hashlib.sha256(text.encode()).hexdigest() for name, text in texts.items()}


def _read(file):
    """Return a text file."""
    return file.read_text(encoding="utf-8")


def _stamped():
    """Return what the stamp says is there; empty where an earlier set-up did not finish."""
    words = [line.split() for line in _read(STAMP).splitlines()] if STAMP.exists() else []
    return dict(words) if all(len(one) == 2 for one in words) else {}


def _stamp(name):
    """Note, in one piece and only now, that a part is there: without it the next call starts over."""
    said = _stamped() | {name: _wanted()[name]}
    part = STAMP.with_suffix(".part")
    part.write_text("".join(f"{one} {digest}\n" for one, digest in said.items()), encoding="utf-8")
    os.replace(part, STAMP)


class _Lock:
    """A lock that this process holds, and that ends with it however it ends."""

    def __init__(self, path):
        self._path, self._file = path, None

    def __enter__(self):
        """Return the lock, not yet held."""
        return self

    def __exit__(self, *_about):
        """Let go."""
        self.release()

    def acquire(self, *, waits_for, is_shared=False):
        """Hold the lock; say once what is waited for."""
        self._file = self._file or open(self._path, "a+b")  # noqa: SIM115 - held until it is let go
        is_told = False
        while not self._try(is_shared):
            if not is_told:
                _say(f"Waiting for {waits_for} ...")
            is_told = True
            time.sleep(0.2)

    def release(self):
        """Let go of the lock, if it is held."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def _try(self, is_shared):
        """Return whether the lock could be had at once."""
        try:
            if os.name != "nt":
                fcntl.flock(self._file, (fcntl.LOCK_SH if is_shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
            elif not is_shared:
                # Windows knows no shared lock here; it refuses to remove files of programs that run.
                self._file.seek(0)
                msvcrt.locking(self._file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True


def _create_venv():
    """Make an empty virtual environment, in place of what an earlier attempt left."""
    if not (importlib.util.find_spec("venv") and importlib.util.find_spec("ensurepip")):
        raise SetupError(
            "This Python comes without its venv module. On Debian and Ubuntu install it by\n"
            "    sudo apt install python3-venv\n"
            "and run the same command again."
        )
    _quietly([sys.executable, "-m", "venv", "--clear", VENV], "the virtual environment could not be made.")


def _install_pins(pins):
    """Install versions of the lock, checked by hash: by uv for speed, by pip where uv fails."""
    pip = [PYTHON, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-input", "--no-cache-dir"]
    # The lock names everything that is needed, so that nothing has to be looked up.
    checked = ["--no-deps", "--require-hashes", "--only-binary", ":all:"]
    uv = [PYTHON, "-m", "uv", "pip", "install", "--quiet", "--python", PYTHON]
    wanted = VENV / "wanted.lock.txt"
    try:
        if not (_install_uv([*pip, *checked], wanted) and _succeeds([*uv, *checked, "-r", _written(wanted, pins)])):
            command = [*pip, *checked, "-r", _written(wanted, pins)]
            _quietly(command, "the locked packages could not be installed. Are you online?")
    finally:
        wanted.unlink(missing_ok=True)
        # What uv unpacked is linked into the environment by now: a cache would only take its place twice.
        shutil.rmtree(CACHE / "uv", ignore_errors=True)


def _install_uv(pip, wanted):
    """Install uv, as locked, into the environment; return whether that worked."""
    pin = re.search(r"^uv==.*\n(?:[ ].*\n?)+", _read(LOCK), flags=re.MULTILINE)
    return pin is not None and _succeeds([*pip, "-r", _written(wanted, pin.group())])


def _written(file, text):
    """Write a text file and return its path."""
    file.write_text(text, encoding="utf-8")
    return file


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
    dropped = {
        *("PYTHONHOME", "PYTHONPATH", "__PYVENV_LAUNCHER__", "PIP_TARGET", "PIP_PREFIX", "PIP_USER"),
        # Without bytecode every notebook, and every process of many reports, would compile all libraries again.
        "PYTHONDONTWRITEBYTECODE",
    }
    kept = {name: value for name, value in os.environ.items() if name.upper() not in dropped}
    jupyter = {
        f"JUPYTER_{kind}_DIR": str(CACHE / "jupyter" / kind.lower()) for kind in ("CONFIG", "DATA", "RUNTIME")
    }
    own = {
        # Programs that the kit starts by name (a notebook's kernel, say) must come from this environment.
        "VIRTUAL_ENV": str(VENV),
        "PATH": os.pathsep.join([str(BINARIES), kept.get("PATH", "")]),
        # Nothing is imported from the folder that one works in, and the home folder is left alone.
        "PYTHONSAFEPATH": "1",
        "UV_CACHE_DIR": str(CACHE / "uv"),
        "MPLCONFIGDIR": str(CACHE / "matplotlib"),
        "IPYTHONDIR": str(CACHE / "ipython"),
        **jupyter,
    }
    return {**kept, **own}


def _say(text):
    """Print a line now, before a command that takes a while."""
    print(text, flush=True)


if __name__ == "__main__":
    sys.exit(main())
