"""The command `report` for many folders: one line a review, the gravest exit code, nothing told twice."""

from __future__ import annotations

from pathlib import Path

import pytest

from gpubench_kit.cli import command as cli
from gpubench_kit.cli.report import exit_code, outcome_lines
from gpubench_kit.model.errors import Fault
from gpubench_kit.report import cluster
from gpubench_kit.report.many_reviews import Outcome

pytestmark = pytest.mark.usefixtures("notebooks_here")

FAULT = Fault("plan.toml", "one is wrong.", "Do this.")
MADE = Outcome("a", "made", 12.34, Path("reports/a/index.html"), True)
NOT_COMPARED = Outcome("b", "made", 3.0, Path("reports/b/index.html"), False)
KEPT = Outcome("c", "up to date", 0.1, Path("reports/c/index.html"), True)
BAD = Outcome("d", "bad input", 0.2, faults=(FAULT, Fault("runs.csv", "another.")))
BROKEN = Outcome("e", "internal error", 1.0, faults=(FAULT,), notes=("where it arose",))
LOST = Outcome("f", "lost", faults=(Fault("f", "no report came back."),))


@pytest.mark.parametrize(
    ("outcomes", "code"),
    [
        ([MADE, KEPT], 0),
        ([MADE, NOT_COMPARED], 0),
        ([NOT_COMPARED, NOT_COMPARED], 1),
        ([MADE, BAD], 2),
        ([NOT_COMPARED, LOST], 2),
        ([MADE, BAD, BROKEN], 3),
    ],
    ids=["done", "one of two compared", "none compared", "bad input", "lost", "internal error"],
)
def test_the_exit_code_is_that_of_the_gravest(outcomes, code):
    assert exit_code(outcomes) == code


def test_each_review_has_one_line_with_its_page_or_first_fault():
    assert outcome_lines([MADE, NOT_COMPARED, BAD]) == [
        "review  outcome                 seconds  page or first fault",
        f"a       made                       12.3  {MADE.page}",
        f"b       made, nothing compared      3.0  {NOT_COMPARED.page}",
        "d       bad input                   0.2  plan.toml: one is wrong. Do this.",
    ]


@pytest.fixture
def asked(monkeypatch, tmp_path):
    """Return a list of what was asked for: tasks and engine; every review is answered in turn."""
    seen = []

    def make(tasks, engine, *, progress):
        seen.append((tasks, engine))
        progress(1.0, "done")
        return [MADE, BAD]

    monkeypatch.setattr("gpubench_kit.report.many_reviews.make_reports", make)
    monkeypatch.chdir(tmp_path)
    return seen


def test_several_folders_are_made_at_once_each_under_its_own_name(asked, tmp_path, capsys):
    assert cli.main(["report", "a", "d", "-o", "out", "--previous", "published"]) == 2
    [(tasks, engine)] = asked
    assert [task.report for task in tasks] == [tmp_path / "out" / "a", tmp_path / "out" / "d"]
    assert [task.previous for task in tasks] == [tmp_path / "published" / "a", tmp_path / "published" / "d"]
    assert engine.workers <= 2
    told = capsys.readouterr()
    assert told.err.splitlines() == ["d:", "Fault: plan.toml: one is wrong. Do this.", "Fault: runs.csv: another."]
    assert len(told.out.splitlines()) == 3


def test_quiet_tells_faults_alone(asked, capsys):
    assert cli.main(["report", "a", "d", "--quiet"]) == 2
    told = capsys.readouterr()
    assert (told.out, told.err.splitlines()[0]) == ("", "d:")


def test_two_folders_of_one_name_are_bad_input_before_any_work(asked, capsys):
    assert cli.main(["report", "a/mine", "b/mine"]) == 2
    assert asked == []
    assert capsys.readouterr().err.startswith("Fault: review 'mine': the reports of 'a/mine' and 'b/mine' would")


def test_one_folder_goes_to_a_cluster_too(asked, monkeypatch):
    class Running(cluster.Cluster):
        def __enter__(self):
            self.workers = 3
            return self

        def __exit__(self, *_about):
            pass

    monkeypatch.setattr(cluster, "Cluster", Running)
    assert cli.main(["report", "a", "--cluster", "tcp://desk:8786"]) == 2
    [(tasks, engine)] = asked
    assert (len(tasks), engine.workers) == (1, 3)


def test_the_earlier_report_is_handed_on(monkeypatch, tmp_path):
    seen = {}

    def build(folder, output, **options):
        seen.update(options)
        (tmp_path / "tables").mkdir()
        (tmp_path / "tables" / "comparisons.csv").write_text("change\n1\n")
        return tmp_path / "index.html"

    monkeypatch.setattr("gpubench_kit.report.build.make_report", build)
    assert cli.main(["report", "a", "--previous", "published/a"]) == 0
    assert seen["previous"] == "published/a"
