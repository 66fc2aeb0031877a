"""A review in one call: the same tables as step by step, a look counted as by the report, and plain refusals."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
from pandas.testing import assert_frame_equal
from small_folder import write_small_review

import gpubench_kit as kit
from gpubench_kit.cli import command
from gpubench_kit.model.errors import PlanError, ReportError
from gpubench_kit.model.table_checks import check_table
from gpubench_kit.model.tables import (
    CLAIMS,
    COMPARISONS,
    FINDINGS,
    METRIC_VALUES,
    NOISE,
    OVERALL,
    RUNS,
)
from gpubench_kit.report.earlier_report import lacking_in
from gpubench_kit.report.many_reviews import _made, tasks_of
from gpubench_kit.sheet.look_files import LOOKS_FILE


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return the folder of a small review."""
    return write_small_review(tmp_path / "small")


@pytest.fixture(scope="module")
def review(tmp_path_factory):
    """Return a small review, read, checked and compared."""
    return kit.review(write_small_review(tmp_path_factory.mktemp("review") / "small"))


@pytest.mark.parametrize(
    ("name", "declared"),
    [("runs", RUNS), ("metrics", METRIC_VALUES), ("findings", FINDINGS), ("noise", NOISE),
     ("comparisons", COMPARISONS), ("overall", OVERALL), ("claims", CLAIMS)],
)  # fmt: skip
def test_each_table_has_the_columns_that_are_documented(review, name, declared):
    table = getattr(review, name)
    assert list(table.columns) == declared.names
    check_table(table, declared)


def test_values_of_runs_stand_beside_what_was_measured(review):
    rates = review.metrics[review.metrics["metric"] == "avg_fps"].set_index("run")
    typed = review.run_metrics[review.run_metrics["metric"] == "avg_fps"].set_index("run")["value"]
    runs = review.runs.set_index("run")
    assert rates["value"].to_dict() == typed.to_dict()
    for name in ("game", "tuning", "round", "used"):
        assert rates[name].to_dict() == runs.loc[rates.index, name].to_dict()


def test_one_call_gives_what_the_steps_give(folder):
    whole = kit.review(folder, count_look=False)
    plan = kit.load_plan(folder)
    logs = kit.open_review(plan)
    values = kit.compute_run_metrics(logs, plan)
    findings = kit.check_review(logs, values, plan)
    usable = kit.exclude_runs(logs, values, findings)
    looks = kit.open_looks(plan, usable)
    assert_frame_equal(whole.findings, findings)
    assert_frame_equal(whole.noise, kit.estimate_noise(usable, plan))
    assert_frame_equal(whole.comparisons, kit.compare_tunings(usable, plan, looks=looks))
    assert_frame_equal(whole.overall, kit.compare_over_games(usable, plan, looks=looks))


def test_it_is_a_look_that_is_counted_once_and_said(folder):
    first = kit.review(folder)
    looks = pd.read_csv(folder / LOOKS_FILE)
    again = kit.review(folder)
    assert len(looks) == 1
    assert_frame_equal(pd.read_csv(folder / LOOKS_FILE), looks)
    assert first.look_text == again.look_text
    assert first.look_text.startswith("Look 1 of 2 planned, at ")
    assert first.look_text in first._repr_html_()


def test_the_report_finds_the_look_of_the_notebook_made(folder, tmp_path):
    kit.review(folder)
    before = (folder / LOOKS_FILE).read_bytes()
    kit.build_report(folder, tmp_path / "report", pictures="none")
    assert (folder / LOOKS_FILE).read_bytes() == before


def test_a_look_that_is_not_counted_writes_nothing_and_says_so(folder):
    shown = kit.review(folder, count_look=False)
    assert not (folder / LOOKS_FILE).exists()
    assert "looks.csv stays as it is" in shown._repr_html_()


def test_the_summary_escapes_what_a_reviewer_wrote(folder):
    plan = folder / "plan.toml"
    title = '[review]\ntitle = "<img src=x onerror=alert(1)> & co"\n'
    text = plan.read_text(encoding="utf-8")
    start, end = text.index("[review]"), text.index("[", text.index("[review]") + 1)
    plan.write_text(text[:start] + title + text[end:], encoding="utf-8")
    for shown in (kit.review(folder, count_look=False), kit.check(folder), kit.plan_session(folder)):
        html = shown._repr_html_()
        assert "&lt;img src=x onerror=alert(1)&gt; &amp; co" in html
        assert "<img" not in html


def test_a_check_shows_no_mean_and_counts_no_look(folder, tmp_path):
    check = kit.check(folder)
    check.write(tmp_path / "out")
    assert not (folder / LOOKS_FILE).exists()
    assert pd.read_csv(tmp_path / "out" / "tables" / "noise.csv")["mean"].isna().all()
    assert check.section("noise").name


@pytest.mark.parametrize("stage", [kit.review, kit.check, kit.find_tuning, kit.plan_session])
def test_a_folder_without_a_plan_is_one_line(stage, tmp_path):
    with pytest.raises(PlanError) as raised:
        stage(tmp_path / "nowhere")
    shown = raised.value._render_traceback_()
    assert len(shown) == 1
    assert shown[0].startswith("PlanError: plan.toml: there is no such file in the folder ")


@pytest.mark.parametrize("stage", [kit.review, kit.find_tuning])
def test_a_table_in_place_of_a_folder_is_refused(stage, review):
    with pytest.raises(PlanError, match="a DataFrame was given in place of the folder of a review"):
        stage(review.usable)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda review: kit.find_tuning(review.usable, review.runs, review.plan), "too many positional arguments"),
        (lambda review: kit.find_tuning("small", looks_made=1), "unexpected keyword argument 'looks_made'"),
        (lambda review: kit.review(), "missing a required argument: 'folder'"),
    ],
    ids=["as version 0.1.0 was called", "an option that is gone", "no folder"],
)  # fmt: skip
def test_a_call_that_does_not_fit_is_told_how_it_goes(call, message, review):
    with pytest.raises(PlanError, match=message) as raised:
        call(review)
    (fault,) = raised.value.faults
    assert fault.action.startswith("It takes a folder and reads all else from there: kit.")


def test_a_section_of_another_name_is_refused_with_the_nearest(review):
    with pytest.raises(ReportError, match=r"there is none named 'anwser' .* Did you mean 'answer'\?"):
        review.section("anwser")


def test_a_public_name_that_is_gone_says_what_to_write():
    with pytest.raises(AttributeError, match=r"'used_runs' any more; write `review\(folder\)\.runs`"):
        kit.used_runs  # noqa: B018


def test_every_public_name_of_the_first_version_is_there_or_says_what_to_write():
    for name in ("Pictures", "looks_made", "make_review", "redo_list", "write_pictures"):
        with pytest.raises(AttributeError, match=f"'{name}' any more; write `"):
            getattr(kit, name)


def test_parquet_files_on_request_hold_the_tables(folder, tmp_path):
    words = ["report", str(folder), "-o", str(tmp_path / "report"), "--pictures", "none", "--parquet", "--quiet"]
    assert command.main(words) == 0
    tables = tmp_path / "report" / "tables"
    assert {one.stem for one in tables.glob("*.parquet")} == {one.stem for one in tables.glob("*.csv")}
    for name, declared in (("runs", RUNS), ("comparisons", COMPARISONS)):
        stored = pd.read_parquet(tables / f"{name}.parquet")
        assert_frame_equal(stored, declared.frame(pd.read_csv(tables / f"{name}.csv")), check_dtype=False)
        assert str(stored.dtypes.iloc[0]) == "str"
    described = json.loads((tables / "datapackage.json").read_text(encoding="utf-8"))["resources"]
    assert {one["path"] for one in described} == {one.name for one in tables.iterdir()} - {
        "datapackage.json",
        "claims.txt",
    }
    runs, stored = (next(one for one in described if one["path"] == f"runs.{kind}") for kind in ("csv", "parquet"))
    assert stored["bytes"] == (tables / "runs.parquet").stat().st_size
    assert (stored["name"], stored["format"], stored["schema"]) == ("runs.parquet", "parquet", runs["schema"])
    assert lacking_in(tables.parent) == ""
    (tables / "runs.parquet").write_bytes(b"PAR1")
    assert lacking_in(tables.parent) == "'tables/runs.parquet' is not as it was made"


def test_many_reports_get_their_parquet_files_where_they_lack_them(folder, tmp_path):
    tasks = [
        tasks_of([folder], tmp_path / "reports", pictures="none", parquet=one)[0] for one in (False, True, True)
    ]
    assert [_made(one).outcome for one in tasks] == ["made", "made", "up to date"]
    assert (tmp_path / "reports" / folder.name / "tables" / "runs.parquet").exists()
