"""The whole report, from a folder of logs to the page: whole or not at all, and the same every time."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import nbformat
import pytest
from small_folder import PLAN, write_small_review

from gpubench_kit import build_report
from gpubench_kit.model.errors import LogError, PlanError, ReportError, TableError
from gpubench_kit.report.build import NOTEBOOK
from gpubench_kit.report.manifest import file_hash
from gpubench_kit.report.page_build import bundled_notebook, published
from gpubench_kit.sheet.look_files import read_looks


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """Return a review folder of numbers typed by hand: one game, two tunings, five rounds."""
    return write_small_review(tmp_path / "small")


def _files(folder: Path) -> dict[str, bytes]:
    """Return the files of a report, notebooks apart."""
    found = (path for path in sorted(folder.rglob("*")) if path.is_file() and path.parent.name != "notebooks")
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in found}


def test_a_bad_plan_and_a_bad_sheet_are_told_before_anything_is_made(small):
    (small / "runs.csv").write_text(
        "run,tuning,game,round,order,avg_fps\nr1,cool,Salt Orchard,1,1,9\nr1,factory,X,1,1,9\n"
    )
    with pytest.raises(TableError) as caught:
        build_report(small, small.parent / "out")
    assert len(caught.value.faults) >= 3
    (small / "plan.toml").write_text(PLAN.replace("metrics", "metric"), encoding="utf-8")
    with pytest.raises(PlanError, match="metric"):
        build_report(small, small.parent / "out")
    assert not (small.parent / "out").exists()


def test_a_tuning_without_runs_is_a_fault(small):
    (small / "plan.toml").write_text(
        PLAN.replace("[[games]]", '[[tunings]]\nname = "brisk"\n[[games]]'), encoding="utf-8"
    )
    with pytest.raises(TableError, match="brisk"):
        build_report(small, small.parent / "out")


def test_every_missing_log_is_told_at_once(small):
    text = (small / "runs.csv").read_text().replace("avg_fps", "frame_log")
    text = re.sub(r",(\d+\.\d)$", r",logs/\1.csv", text, flags=re.MULTILINE)
    (small / "runs.csv").write_text(text)
    with pytest.raises(LogError) as caught:
        build_report(small, small.parent / "out")
    assert len(caught.value.faults) == 10


def test_the_notebook_is_published_without_paths_and_times():
    notebook = bundled_notebook(NOTEBOOK)
    notebook.metadata["papermill"] = {"input_path": "/home/someone"}
    notebook.cells.append(
        nbformat.v4.new_code_cell("plan_file = '/home/someone'", metadata={"tags": ["injected-parameters"]})
    )
    assert "/home/someone" not in nbformat.writes(published(notebook))


@pytest.mark.slow
def test_a_small_review_gives_a_whole_report_and_one_look(small):
    seen = []
    page = build_report(small, small.parent / "out", progress=lambda share, what: seen.append(share))
    assert page == small.parent / "out" / "index.html"
    assert seen == sorted(seen)
    assert (seen[0], seen[-1]) == (0.0, 1.0)
    first = _files(page.parent)
    expected = {"index.html", "manifest.json", "tables.zip", "tables/overall.csv", "tables/datapackage.json"}
    assert expected <= set(first)
    assert len(read_looks(small)) == 1
    manifest = json.loads(first["manifest.json"])
    assert set(manifest["inputs"]) == {"plan.toml", "runs.csv", "looks.csv", "looks_given.csv"}
    assert manifest["inputs"]["plan.toml"] == file_hash(small / "plan.toml")
    assert manifest["looks_made"] == 1
    assert str(small) not in str(first.values())
    assert [row["verdict"] for row in manifest["verdicts"]["overall"]] == ["worse"]
    build_report(small, small.parent / "out")
    assert _files(page.parent) == first
    assert len(read_looks(small)) == 1


@pytest.mark.slow
def test_the_same_inputs_give_the_same_bytes_elsewhere(small, tmp_path):
    page = build_report(small, tmp_path / "here", record_look=False)
    moved = tmp_path / "moved"
    shutil.copytree(small, moved)
    elsewhere = {**os.environ, "TZ": "Asia/Kathmandu", "LC_ALL": "C", "PYTHONHASHSEED": "7", "LANG": "C"}
    words = f"{os.fspath(moved)!r}, {os.fspath(tmp_path / 'there')!r}, record_look=False"
    code = f"from gpubench_kit import build_report; build_report({words})"
    subprocess.run([sys.executable, "-c", code], env=elsewhere, check=True)
    assert _files(tmp_path / "there") == _files(page.parent)


@pytest.mark.slow
def test_a_broken_log_leaves_the_earlier_report_as_it_was(small_built):
    small, out = small_built, small_built.parent / "out"
    before = _files(out)
    text = (small / "runs.csv").read_text().replace("avg_fps\n", "avg_fps,frame_log\n")
    (small / "empty.csv").write_text("")
    lines = text.splitlines()
    (small / "runs.csv").write_text("\n".join([lines[0], *(f"{line},empty.csv" for line in lines[1:])]) + "\n")
    with pytest.raises(LogError) as caught:
        build_report(small, out)
    assert "empty.csv" in str(caught.value)
    assert _files(out) == before
    assert [one.name for one in small.parent.iterdir() if one.name.endswith(".part")] == []


@pytest.mark.slow
def test_a_kill_in_mid_run_leaves_the_earlier_report_as_it_was(small_built):
    small, out = small_built, small_built.parent / "out"
    before = _files(out)
    command = [
        sys.executable,
        "-m",
        "gpubench_kit",
        "report",
        os.fspath(small),
        "-o",
        os.fspath(out),
    ]
    running = subprocess.Popen(command)
    for _ in range(600):
        if staged := list(small.parent.glob(".out.*.new.part")):
            break
        time.sleep(0.1)
    running.send_signal(signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)
    running.wait()
    assert staged[0].exists()
    assert _files(out) == before
    build_report(small, out)
    assert not staged[0].exists()
    assert _files(out) == before


@pytest.mark.slow
def test_the_bundled_reviews_report_names_every_input(built_demo):
    manifest = json.loads((built_demo / "manifest.json").read_text(encoding="utf-8"))
    assert len(manifest["inputs"]) > 300
    assert all(re.fullmatch(r"[0-9a-f]{64}", one) for one in manifest["inputs"].values())
    assert not any(name.startswith(("/", "..")) for name in manifest["inputs"])


@pytest.mark.slow
def test_the_page_of_the_bundled_review_is_light(built_demo):
    assert (built_demo / "index.html").stat().st_size < 3_000_000


@pytest.mark.slow
def test_the_page_of_the_real_measurements_tells_the_truth(built_real_scenes):
    verdicts = json.loads((built_real_scenes / "manifest.json").read_text(encoding="utf-8"))["verdicts"]
    rate = {
        (row["of_tuning"], row["game"]): row["verdict"] for row in verdicts["games"] if row["metric"] == "avg_fps"
    }
    assert "better" not in {verdict for (tuning, _), verdict in rate.items() if tuning == "same"}
    assert rate["heavier2", "lattice"] == "worse"
    html = (built_real_scenes / "index.html").read_text(encoding="utf-8")
    assert "Same: same frame rate" in html.replace("\u00a0", " ")


def test_an_output_that_holds_other_things_is_left_alone(small):
    (small.parent / "out").mkdir()
    (small.parent / "out" / "mine.txt").write_text("x")
    with pytest.raises(ReportError, match="holds no report of this kit"):
        build_report(small, small.parent / "out")
