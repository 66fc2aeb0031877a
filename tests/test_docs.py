"""The documentation: commands are run, pieces of plans hold to the schema, the site is made without a warning."""

from __future__ import annotations

import json
import os
import re
import runpy
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import jsonschema
import pytest
from small_folder import write_small_review

from gpubench_kit.checks.review import CHECKS
from gpubench_kit.cli.command import main, make_parser
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.wording.catalogue import say
from tests.cli.test_new_from_logs import write_logs

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
PAGES = (
    *("first_review", "old_logs", "spreadsheet", "finding_the_tuning", "rival_card", "verdicts", "publish"),
    *("archive", "notebook", "desk", "logs"),
)
#: What a page shows in a block, after a file that it would be written to.
BLOCK = re.compile(
    r"(?:^% file: (?P<file>\S+)\n)?^```(?P<kind>console|toml|python)\n(?P<text>.*?)^```", re.M | re.S
)
SCHEMA = json.loads((DOCS / "plan.schema.json").read_text(encoding="utf-8"))


def blocks(page: str, *kinds: str) -> list[re.Match]:
    """Return the blocks of a page, of some kinds."""
    text = (DOCS / f"{page}.md").read_text(encoding="utf-8")
    return [one for one in BLOCK.finditer(text) if one["kind"] in kinds]


@pytest.fixture
def desk(tmp_path, monkeypatch) -> Path:
    """Return a working directory with what the pages speak of: a measured review, old logs, a table, a ladder."""
    monkeypatch.chdir(tmp_path)
    write_small_review(tmp_path / "measured")
    write_logs(tmp_path / "my_logs")
    shutil.copy(DOCS / "example_results.xlsx", "results.xlsx")
    # What the page's reader is asked on a terminal.
    Path("results").mkdir()
    Path("results", "answers.toml").write_text('card = "Larkmoor 4"\n', encoding="utf-8")
    shutil.copytree(ROOT / "data" / "limit_sweep", "data/limit_sweep")
    return tmp_path


@pytest.mark.slow
@pytest.mark.usefixtures("notebooks_here")
def test_every_command_of_the_guides_does_what_it_says(desk, capsys):
    done = []
    for page in PAGES:
        for block in blocks(page, "console", "toml"):
            if block["kind"] == "toml":
                if block["file"]:
                    Path(block["file"]).write_text(block["text"], encoding="utf-8")
                continue
            for line in block["text"].splitlines():
                prompt, *words = shlex.split(line)
                assert (prompt, words[0]) == ("$", "gpubench-kit")
                assert main(words[1:]) == 0, f"{page}: {line}\n{capsys.readouterr().err}"
                done.append(words[1])
    assert {"new", "schedule", "check", "report", "inspect", "compare", "sweep", "archive"} <= set(done)
    assert Path("reports/measured/index.html").is_file()
    assert Path("results/plan.toml").is_file()


@pytest.mark.parametrize("page", PAGES)
def test_pieces_of_a_plan_hold_to_its_schema(page):
    whole = {key: value for key, value in SCHEMA.items() if key != "required"}
    for block in blocks(page, "toml"):
        jsonschema.validate(json.loads(json.dumps(tomllib.loads(block["text"]), default=str)), whole)


def test_a_slip_in_a_piece_of_a_plan_is_seen():
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"analysis": {"margin_pc": 2}}, {k: v for k, v in SCHEMA.items() if k != "required"})


@pytest.mark.parametrize("file", ["README.md", "DEVELOPERS.md", *(f"docs/{page}.md" for page in PAGES)])
def test_every_command_named_in_passing_is_one(file):
    text = (ROOT / file).read_text(encoding="utf-8")
    for line in re.findall(r"`(?:\$ )?gpubench-kit ([^`]+)`", text):
        words = shlex.split(line.replace("...", "").replace("SHELL", "bash"))
        assert make_parser().parse_args(words).run, line


def test_code_of_the_guide_to_notebooks_runs_from_top_to_bottom(desk):
    code = "\n".join(block["text"] for block in blocks("notebook", "python"))
    Path("cells.py").write_text(code, encoding="utf-8")
    names = runpy.run_path("cells.py")
    assert len(names["comparisons"]) > 0
    assert names["ax"].get_xlabel()


@pytest.mark.slow
def test_the_site_is_made_without_a_warning(tmp_path):
    words = [
        sys.executable,
        "-P",
        "-m",
        "sphinx",
        "-q",
        "-W",
        "--keep-going",
        "-b",
        "html",
        str(DOCS),
        str(tmp_path),
    ]
    made = subprocess.run(words, capture_output=True, text=True, check=False, env={**os.environ, "NO_COLOR": "1"})
    assert made.returncode == 0, made.stderr
    plan = (tmp_path / "reference" / "plan.html").read_text(encoding="utf-8")
    assert all(f'<span class="pre">{key}</span>' in plan for key in SCHEMA["$defs"]["Analysis"]["properties"])
    assert "compare_tunings" in (tmp_path / "reference" / "api.html").read_text(encoding="utf-8")


def test_the_reference_lists_every_check_also_those_of_reading_without_raw_places():
    checks_page = runpy.run_path(str(ROOT / "tools" / "make_reference.py"))["checks_page"]
    lines = [line for line in checks_page() if line.startswith("| `")]
    names = [line.split("`")[1] for line in lines]
    assert {one.name for one in CHECKS} <= set(names)
    assert {"clocks_differ", "sensor_likely", "clock_not_proven"} <= set(names)
    assert len(names) == len(set(names))
    assert not [line for line in lines if re.search(r"\{\w+(:[^{}]+)?\}", line)]


def test_the_guide_has_the_word_of_every_verdict():
    page = (DOCS / "verdicts.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `(\w+)` \| ([^|]+) \|", page, re.M)
    assert rows == [(one.name, one.word) for one in VERDICTS.values()]
    said = " ".join(page.split())
    for kind in ("rate", "power"):
        ways = [f"{small}{way}" for small in ("", "slightly_") for way in ("up", "down")]
        assert ", ".join(say(f"verdict.{kind}.{way}") for way in ways) in said
