"""The command: exit codes, one message a fault, no traceback, a quick start."""

from __future__ import annotations

import importlib
import json
import os
import re
import subprocess
import sys

import pytest

from gpubench_kit.cli import command as cli
from gpubench_kit.model.errors import Fault, PlanError, ReportError


def run(*words: str) -> subprocess.CompletedProcess:
    """Run the command in a process of its own."""
    command = [sys.executable, "-m", "gpubench_kit", *words]
    return subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False)


COMMANDS = ["new", "check", "report", "inspect", "compare", "demo"]


@pytest.mark.parametrize("name", COMMANDS)
def test_the_help_of_a_command_has_an_example_that_it_understands(name, capsys):
    with pytest.raises(SystemExit) as ended:
        cli.main([name, "--help"])
    assert ended.value.code == 0
    text = " ".join(capsys.readouterr().out.split())
    example = re.search(r"Example: gpubench-kit (.*)$", text)[1]
    assert cli.make_parser().parse_args(example.split()).run


@pytest.mark.parametrize("command", cli.COMMANDS, ids=lambda one: one.name)
def test_what_a_command_runs_is_there(command):
    module, _, name = command.run.rpartition(".")
    assert callable(getattr(importlib.import_module(module), name))


def test_the_help_lists_every_command(capsys):
    with pytest.raises(SystemExit):
        cli.main(["--help"])
    out = capsys.readouterr().out
    assert all(re.search(rf"^    {name}\b", out, re.MULTILINE) for name in COMMANDS)


def test_the_help_warns_of_the_start_that_executes_what_lies_around(capsys):
    with pytest.raises(SystemExit):
        cli.main(["--help"])
    out = " ".join(capsys.readouterr().out.split())
    assert "started as `python -m gpubench_kit`, Python itself executes modules that lie in the folder" in out


@pytest.mark.parametrize("words", [[], ["nonsense"], ["report"], ["compare", "1"]], ids=" ".join)
def test_a_wrong_call_ends_with_two(words, capsys):
    with pytest.raises(SystemExit) as ended:
        cli.main(words)
    assert ended.value.code == 2
    assert "usage:" in capsys.readouterr().err


def test_every_fault_is_one_line_and_ends_with_two(monkeypatch, capsys):
    faults = [Fault("plan.toml", "one is wrong.", "Do this."), Fault("plan.toml", "two is wrong.")]
    monkeypatch.setattr("gpubench_kit.report.build.make_report", _raising(PlanError(faults)))
    assert cli.main(["report", "x"]) == 2
    assert capsys.readouterr().err.splitlines() == [
        "Fault: plan.toml: one is wrong. Do this.",
        "Fault: plan.toml: two is wrong.",
    ]


@pytest.mark.parametrize(
    ("change", "code"), [("2.1", 0), ("", 1)], ids=["compared, confounded or not", "nothing compared"]
)
def test_a_report_without_any_comparison_ends_with_one(monkeypatch, tmp_path, change, code):
    page = _made_report(tmp_path, change=change)
    monkeypatch.setattr("gpubench_kit.report.build.make_report", lambda *_words, **_options: page)
    assert cli.main(["report", "x"]) == code


def test_an_interruption_is_no_error_of_the_kit(monkeypatch, capsys):
    monkeypatch.setattr("gpubench_kit.report.build.make_report", _raising(KeyboardInterrupt()))
    assert cli.main(["report", "x"]) == 130
    assert capsys.readouterr().err == "Stopped. An earlier report is as it was.\n"


def test_an_unexpected_error_asks_for_a_report_without_a_traceback(monkeypatch, capsys):
    monkeypatch.setattr("gpubench_kit.report.build.make_report", _raising(ZeroDivisionError("x\ny")))
    assert cli.main(["report", "x"]) == 3
    told = capsys.readouterr().err
    assert told.startswith("Unexpected error: ZeroDivisionError: x\nThis is an internal error. Please report it")
    assert "Traceback" not in told


def test_output_that_nobody_reads_any_more_is_no_error_of_the_kit(tmp_path):
    log = tmp_path / "run.csv"
    log.write_text("t,f\n" + "".join(f"{0.016 * k:.3f},16.0\n" for k in range(300)), encoding="utf-8")
    reading, writing = os.pipe()
    os.close(reading)
    command = [sys.executable, "-m", "gpubench_kit", "inspect", str(log)]
    done = subprocess.run(command, stdout=writing, stderr=subprocess.PIPE, check=False)
    os.close(writing)
    assert (done.returncode, done.stderr) == (141, b"")


def test_a_traceback_is_shown_when_asked_for(monkeypatch):
    monkeypatch.setenv("GPUBENCH_KIT_TRACEBACK", "1")
    monkeypatch.setattr("gpubench_kit.report.build.make_report", _raising(ZeroDivisionError()))
    with pytest.raises(ZeroDivisionError):
        cli.main(["report", "x"])


def test_quiet_prints_nothing_when_all_is_well(monkeypatch, tmp_path, capsys):
    page = _made_report(tmp_path, change="2.1")
    monkeypatch.setattr("gpubench_kit.report.build.make_report", lambda *_words, **_options: page)
    assert cli.main(["demo", "--quiet"]) == 0
    captured = capsys.readouterr()
    assert (captured.out, captured.err) == ("", "")


def test_new_makes_a_folder_once(tmp_path, capsys):
    assert cli.main(["new", str(tmp_path / "mine")]) == 0
    assert (tmp_path / "mine" / "plan.toml").exists()
    assert cli.main(["new", str(tmp_path / "mine")]) == 2
    assert "nothing is overwritten" in capsys.readouterr().err


def test_a_file_that_is_not_there_is_named(capsys):
    assert cli.main(["inspect", "no.csv"]) == 2
    told = "Fault: no.csv: there is no such file. Correct the name, or the folder you are in.\n"
    assert capsys.readouterr().err == told


def test_every_word_that_is_neither_number_nor_file_is_named(capsys):
    assert cli.main(["compare", "100", "no.csv", "nought", "--against", "99", "1_0"]) == 2
    told = capsys.readouterr().err.splitlines()
    assert [line.split(": ")[1] for line in told] == ["no.csv", "nought", "1_0"]
    assert all("neither a number nor a file was found" in line for line in told)


def test_every_number_that_cannot_be_is_named(capsys):
    assert cli.main(["compare", "100.", "nan", "1e400", "--against", "0", "-5", "1e2"]) == 2
    told = capsys.readouterr().err
    assert "values of A: average frame rate cannot be nan, inf; numbers above 0 are expected" in told
    assert "values of B: average frame rate cannot be 0, -5;" in told


@pytest.fixture
def log(tmp_path):
    """Return a frame log of 200 frames, of 9.5 ms and 10.5 ms by turns: even ones could be samples."""
    path = tmp_path / "a.csv"
    rows = [f"{frame * 0.01 + frame % 2 * 0.0005:.4f},{10.5 - frame % 2:.1f}" for frame in range(200)]
    path.write_text("\n".join(["elapsed_s,frame_ms", *rows]) + "\n", encoding="utf-8")
    return path


def test_a_log_is_inspected_as_text_and_as_json(log, capsys):
    assert cli.main(["inspect", str(log)]) == 0
    assert re.search(r"average frame rate +100\.0 fps", capsys.readouterr().out)
    assert cli.main(["inspect", str(log), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["n_frames"] == 200
    assert told["metrics"]["avg_fps"] == pytest.approx(100)


def test_logs_are_compared_by_the_metric_asked_for(log, capsys):
    assert cli.main(["compare", str(log), str(log), "--against", "99", "99.2", "--metric", "avg_fps"]) == 1
    assert "100.0 fps" in capsys.readouterr().out
    assert cli.main(["compare", str(log), "--against", "9", "--metric", "board_w"]) == 2
    assert "this log has no 'board_w'" in capsys.readouterr().err


def test_a_command_that_does_nothing_loads_no_large_library():
    large = "{'pandas', 'matplotlib', 'scipy', 'papermill'} & set(sys.modules)"
    code = f"import sys; import gpubench_kit.cli.command as cli; cli.make_parser(); print({large})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "set()\n"


def test_the_version_is_told():
    assert re.fullmatch(r"gpubench_kit \d+\.\d+\.\d+(\.dev\d+)?\n", run("--version").stdout)


def test_a_review_that_is_not_there_ends_with_one_line():
    done = run("report", "no-such-review")
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("Fault: 'no-such-review': there is no such folder")


def _raising(error: BaseException):
    """Return a function that raises an error."""

    def raises(*_words, **_options):
        raise error

    return raises


def _made_report(folder, *, change: str):
    """Return the page of a report with one comparison."""
    (folder / "tables").mkdir()
    (folder / "tables" / "comparisons.csv").write_text(f"change,verdict\n{change},no_verdict\n")
    return folder / "index.html"


def test_an_error_of_the_report_is_a_fault_too(monkeypatch, capsys):
    monkeypatch.setattr("gpubench_kit.report.build.make_report", _raising(ReportError("no space.")))
    assert cli.main(["demo"]) == 2
    assert capsys.readouterr().err == "Fault: no space.\n"
