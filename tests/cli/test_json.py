"""Results as JSON: one text that another program reads, whatever the command."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from small_folder import write_small_review

from gpubench_kit.cli.command import main
from gpubench_kit.model.tables import FINDINGS
from gpubench_kit.report import pages as build_schedule
from gpubench_kit.report import pages as build_tuning

pytestmark = pytest.mark.usefixtures("notebooks_here")


def printed(capsys, *words: str) -> tuple[int, object]:
    """Return the exit code of a command, and what it printed, read as JSON."""
    code = main([*words, "--json"])
    return code, json.loads(capsys.readouterr().out)


@pytest.mark.slow
def test_check_report_and_archive_print_one_result_each(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    folder = str(write_small_review(tmp_path / "small"))
    code, checked = printed(capsys, "check", folder)
    assert code == 0
    assert Path(checked["page"]).is_file()
    assert checked["is_anything_recorded"] is True
    assert "can give every verdict" in checked["summary"]
    assert checked["findings"]
    assert {tuple(one) for one in checked["findings"]} == {tuple(FINDINGS.names)}
    code, made = printed(capsys, "report", folder, "--pictures", "none")
    assert code == 0
    assert Path(made["page"]).is_file()
    assert made["verdicts"]["games"][0]["verdict"]
    code, gathered = printed(capsys, "archive", "reports")
    assert Path(gathered["page"]).is_file()
    assert code == (0 if gathered["is_noise_known"] else 1)


def test_sweep_and_schedule_print_the_fields_of_their_results(capsys, monkeypatch):
    found = build_tuning.FoundTuning(
        Path("out/tuning.html"), True, ("lowest power 'uv 100'",), ({"tuning": "uv 100", "power_w": None},)
    )
    monkeypatch.setattr(build_tuning, "build_tuning", lambda *_, **__: found)
    assert printed(capsys, "sweep", "x") == (
        0,
        {
            "page": str(found.page),
            "is_judged": True,
            "summary": ["lowest power 'uv 100'"],
            "settings": [{"tuning": "uv 100", "power_w": None}],
            "answers": [],
        },
    )
    planned = build_schedule.MadeSchedule(
        Path("plan.html"), Path("sheet.html"), Path("runs.csv"), 24, ("4 rounds",)
    )
    monkeypatch.setattr(build_schedule, "build_schedule", lambda *_, **__: planned)
    code, fields = printed(capsys, "schedule", "x")
    assert code == 0
    assert fields["added"] == 24
    assert fields["summary"] == ["4 rounds"]


def test_a_fault_goes_to_the_other_stream(capsys, tmp_path):
    assert main(["check", str(tmp_path / "nowhere"), "--json"]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert "nowhere" in told.err


def test_a_shell_can_complete_every_command(capsys):
    assert main(["completion", "bash"]) == 0
    script = capsys.readouterr().out
    assert all(f"_{one}_option_strings" in script for one in ("new", "check", "report", "sweep", "archive"))
    assert "--pictures" in script
