"""No file of the user's is executed, whatever it is called and wherever it lies; the home folder stays as it is."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from small_folder import write_small_review

from gpubench_kit.cli import command

SCRIPTS = Path(sys.executable).parent
#: What Python, the kit and the libraries below it import most, and what is imported before any line of the kit.
IMPORTED = (
    "typing", "collections", "json", "pandas", "numpy", "matplotlib", "scipy", "joblib", "nbformat", "IPython",
    "ipykernel_launcher", "runpy", "encodings", "gpubench_kit", "sitecustomize", "usercustomize", "tqdm",
)  # fmt: skip
PLANTED = "import os\nopen(os.environ['TOUCHED'], 'a').write(__file__ + '\\n')\nraise SystemExit('planted')\n"


def _log():
    """Return a frame log of three seconds."""
    frame_ms = [14.0 + number * 7 % 5 for number in range(200)]
    rows = [f"{sum(frame_ms[:number]) / 1000:.4f},{one:.1f}" for number, one in enumerate(frame_ms)]
    return "time_s,frame_ms\n" + "\n".join(rows) + "\n"


@pytest.fixture
def review(tmp_path):
    """Return a review with modules planted beside its plan, in its logs, and in the folder around it."""
    folder = write_small_review(tmp_path / "work" / "review")
    (folder / "logs").mkdir()
    for place in (folder, folder / "logs", folder.parent):
        for name in IMPORTED:
            (place / f"{name}.py").write_text(PLANTED, encoding="utf-8")
        (place / "ipython_config.py").write_text(PLANTED, encoding="utf-8")
        (place / "ipython_kernel_config.py").write_text(PLANTED, encoding="utf-8")
    (folder / "logs" / "run.csv").write_text(_log(), encoding="utf-8")
    return folder


@pytest.fixture
def home(tmp_path):
    """Return a home folder with a start-up file of IPython in it."""
    startup = tmp_path / "home" / ".ipython" / "profile_default" / "startup"
    startup.mkdir(parents=True)
    (startup / "first.py").write_text(PLANTED, encoding="utf-8")
    (startup.parent / "ipython_config.py").write_text(PLANTED, encoding="utf-8")
    return tmp_path / "home"


def _environment(home, touched):
    """Return the environment of a user: nothing that makes Python safe is set."""
    own = ("PYTHON", "IPYTHON", "JUPYTER", "MPL", "XDG")
    kept = {name: value for name, value in os.environ.items() if not name.startswith(own)}
    return {**kept, "HOME": str(home), "USERPROFILE": str(home), "TOUCHED": str(touched)}


def _run(words, *, cwd, home, touched, by=("gpubench-kit",)):
    """Run a command of the kit; return its exit code and what it said."""
    command = [str(SCRIPTS / by[0]), *by[1:], *words]
    environment = _environment(home, touched)
    done = subprocess.run(command, cwd=cwd, env=environment, capture_output=True, text=True, check=False)
    return done.returncode, done.stdout + done.stderr


#: Every command of the kit, in the review's folder.
COMMANDS = (
    ["report", "."],
    ["check", "."],
    ["schedule", "."],
    ["inspect", "logs/run.csv"],
    ["compare", "1", "2", "3", "--against", "1", "2", "3"],
    ["new", "another"],
    ["new", "drafted", "--from", "logs", "--no-input"],
    ["sweep", "."],
    ["report", "results.csv", "--no-input"],
    ["report", "twin", "."],
    ["archive", "reports"],
    ["desk", ".", "--watch", "logs", "--settle"],
    ["demo", "-o", "made", "--pictures", "none"],
    ["completion", "bash"],
)
#: The review has no ladder, its session is not planned, drafts wait for answers, a comparison for an order.
NOT_DONE = {"sweep", "schedule", "new drafted", "report results.csv", "compare"}


@pytest.mark.slow
def test_no_planted_module_is_executed_by_any_command_and_the_home_folder_stays_as_it_is(review, home, tmp_path):
    touched, before = tmp_path / "touched", sorted(home.rglob("*"))
    write_small_review(review / "twin")
    table = "game,tuning,round,avg_fps\nSalt Orchard,factory,1,100.1\nSalt Orchard,quiet,1,97.2\n"
    (review / "results.csv").write_text(table, encoding="utf-8")
    for words in COMMANDS:
        code, said = _run(words, cwd=review, home=home, touched=touched)
        assert not touched.exists(), f"{words} executed {touched.read_text()}"
        assert "Traceback" not in said
        assert "internal error" not in said
        assert code == 0 or {words[0], " ".join(words[:2])} & NOT_DONE, said
        assert sorted(home.rglob("*")) == before, words
    assert _every_command() == {words[0] for words in COMMANDS}


def _every_command():
    """Return the name of every command."""
    return set(next(one.choices for one in command.make_parser()._actions if one.choices))


@pytest.mark.slow
@pytest.mark.parametrize(("command", "home"), [("report", "a file"), ("check", "missing")])
def test_the_folder_around_the_review_is_no_better_place_and_a_home_that_cannot_be_written_does_not_matter(
    review, tmp_path, command, home
):
    touched, nowhere = tmp_path / "touched", tmp_path / "nowhere"
    if home == "a file":
        nowhere.write_text("no folder")
    code, said = _run([command, "review"], cwd=review.parent, home=nowhere, touched=touched)
    assert not touched.exists()
    assert code == 0, said
    assert nowhere.is_file() == (home == "a file")


def test_the_module_looks_into_the_working_directory_only_before_its_first_line(tmp_path, home):
    # What Python imports before any line of the kit is out of reach, hence the command of that name.
    (tmp_path / "pandas.py").write_text(PLANTED, encoding="utf-8")
    (tmp_path / "argparse.py").write_text(PLANTED, encoding="utf-8")
    (tmp_path / "datetime.py").write_text(PLANTED, encoding="utf-8")
    touched = tmp_path / "touched"
    code, said = _run(
        ["-m", "gpubench_kit", "--help"], cwd=tmp_path, home=home, touched=touched, by=[Path(sys.executable).name]
    )
    assert code == 0, said
    assert not touched.exists()
