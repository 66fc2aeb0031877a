"""A running cluster: it answers or is refused within seconds, and a worker that is killed costs no report."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import pytest
from local_cluster import LocalCluster
from odd_workers import odd_report
from small_folder import write_small_review

from gpubench_kit.cli import command as cli
from gpubench_kit.model.errors import ReportError
from gpubench_kit.report import cluster, many_reviews
from gpubench_kit.report.cluster import Cluster
from gpubench_kit.report.many_reviews import make_reports, tasks_of

_START_S = 120


@pytest.fixture
def impatient(monkeypatch):
    """Let nothing be waited for longer than two seconds."""
    monkeypatch.setattr(cluster, "_ANSWER_S", 2)


@pytest.fixture
def running(tmp_path, monkeypatch):
    """Return a cluster of two workers on this machine that can make odd reports."""
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[2] / "support"))
    with LocalCluster(tmp_path / "cluster") as started:
        end = time.monotonic() + _START_S
        while _workers_at(started.address) < 2:
            assert time.monotonic() < end, "the workers did not start"
            time.sleep(0.5)
        yield started


def _workers_at(address: str) -> int:
    """Return the number of workers of a cluster."""
    try:
        with Cluster(address) as found:
            return found.workers
    except ReportError:
        return 0


@pytest.mark.parametrize(
    ("address", "told"),
    [
        ("tcp://127.0.0.1:9", "nothing answers there as a scheduler"),
        ("desk", "missing port number"),
        ("post://desk:8786", "unknown address scheme 'post'"),
    ],
    ids=["nothing listens", "no port", "no such scheme"],
)
def test_a_cluster_that_does_not_answer_is_an_error_within_seconds(impatient, tmp_path, capsys, address, told):
    start = time.monotonic()
    words = ["report", str(write_small_review(tmp_path / "a")), "--cluster", address, "-o", str(tmp_path / "out")]
    assert cli.main(words) == 2
    assert time.monotonic() - start < 15
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1
    assert lines[0].startswith(f"Fault: cluster '{address}': ")
    assert told in lines[0]
    assert lines[0].endswith("or leave out --cluster to work on this machine.")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("address", ["desk", "post://desk:8786", "tcp://desk:door"])
def test_for_an_address_that_is_none_no_connection_is_begun(monkeypatch, address):
    begun = []
    monkeypatch.setattr(cluster, "Client", lambda *_words, **_options: begun.append(1))
    with pytest.raises(ReportError, match="nothing answers there as a scheduler"):
        Cluster(address).__enter__()
    assert begun == []


def test_what_has_to_be_installed_is_said(monkeypatch):
    monkeypatch.setattr(cluster, "Client", None)
    with pytest.raises(ReportError, match=r'Install them with: pip install "gpubench_kit\[cluster\]"'):
        Cluster("tcp://desk:8786").__enter__()


class _Answers:
    """Stands for the client of a cluster with one worker, which answers tables that a function returns changed."""

    def __init__(self, change):
        self.change = change

    def run(self, function, *operands, **_options):
        answer = function(*operands)
        return {"tcp://desk:1": self.change(answer) if isinstance(answer, dict) else answer}


def _asking(change):
    """Return a cluster whose worker answers so."""
    asking = Cluster("tcp://desk:8786")
    asking._client = _Answers(change)
    return asking


def test_a_worker_of_other_versions_is_refused_with_both_named(monkeypatch):
    monkeypatch.setattr(cluster, "kit_versions", lambda: {"python": "3.11.7", "numpy": "2.4.0", "pandas": "3.1.1"})
    _asking(dict).check([])
    refused = r"worker 'tcp://desk:1': it has other versions \(numpy 2.3.1 there, 2.4.0 here\)\."
    with pytest.raises(ReportError, match=refused):
        _asking(lambda answer: {**answer, "numpy": "2.3.1"} if answer else answer).check([])


def test_a_worker_that_sees_other_files_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(cluster, "kit_versions", dict)
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "plan.toml").write_text("", encoding="utf-8")
    tasks = tasks_of([tmp_path / "a"], tmp_path / "out")

    def blind(part):
        return lambda answer: {name: "" if part in name else digest for name, digest in answer.items()}

    _asking(dict).check(tasks)
    with pytest.raises(ReportError, match=r"it does not see '.*plan.toml' as it is here\."):
        _asking(blind("plan.toml")).check(tasks)
    with pytest.raises(ReportError, match=r"it does not see the folder of the reports \('.*out'\)\."):
        _asking(blind(".seen.part")).check(tasks)
    with pytest.raises(ReportError, match=r"it does not say what it sees \(no kit\)\."):
        _asking(lambda answer: ImportError("no kit") if answer else answer).check(tasks)
    assert not list((tmp_path / "out").iterdir())


@pytest.mark.slow
def test_a_cluster_without_workers_is_refused_and_one_that_goes_away_loses_only_the_rest(
    running, monkeypatch, tmp_path
):
    monkeypatch.setattr(many_reviews, "report_of", odd_report)
    tasks = tasks_of([tmp_path / name for name in ("a", "slow b", "slow c", "slow d", "e")], tmp_path / "out")

    def gone(share: float, what: str) -> None:
        if share > 0:
            running.end_scheduler()

    with Cluster(running.address) as engine:
        outcomes = {one.review.rpartition("/")[2]: one for one in make_reports(tasks, engine, progress=gone)}
    assert outcomes["a"].outcome == "made"
    assert {outcomes["slow d"].outcome, outcomes["e"].outcome} == {"lost"}
    assert "Start the same command again: it goes on here." in str(outcomes["e"].faults[0])
    with (
        LocalCluster(tmp_path / "alone", workers=0) as alone,
        pytest.raises(ReportError, match="its scheduler has no worker"),
    ):
        Cluster(alone.address).__enter__()


@pytest.mark.slow
@pytest.mark.parametrize("reviews", [4, pytest.param(20, marks=pytest.mark.long)])
def test_all_reports_are_right_though_a_worker_is_killed_in_the_middle(running, small_built, tmp_path, reviews):
    first = write_small_review(tmp_path / "reviews" / "review 00")
    folders = [first, *(first.with_name(f"review {number:02d}") for number in range(1, reviews))]
    for folder in folders[1:]:
        shutil.copytree(first, folder)
    seen = []

    def killed(share: float, what: str) -> None:
        seen.append(share)
        if share >= 0.4:
            running.workers[0].kill()

    with Cluster(running.address) as engine:
        assert engine.workers == 2
        outcomes = make_reports(tasks_of(folders, tmp_path / "reports"), engine, progress=killed, limit_s=300)
    assert running.workers[0].poll() is not None
    # One that was whole when its worker ended is found to be up to date by the next.
    assert {one.outcome for one in outcomes} <= {"made", "up to date"}
    assert [one.page for one in outcomes] == [tmp_path / "reports" / one.name / "index.html" for one in folders]
    assert seen == sorted(seen)
    expected = _files(tmp_path / "out")
    assert len(expected) > 20
    for folder in folders:
        assert _files(tmp_path / "reports" / folder.name) == expected
    left = {one.name for one in (tmp_path / "reports").iterdir()} - {folder.name for folder in folders}
    assert left == {"index.html"}


def _files(folder: Path) -> dict[str, bytes]:
    """Return the files of a report, notebooks apart."""
    found = (path for path in sorted(folder.rglob("*")) if path.is_file() and path.parent.name != "notebooks")
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in found}
