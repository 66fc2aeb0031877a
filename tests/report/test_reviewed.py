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
from gpubench_kit.model.errors import PlanError, ReportError, TableError
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
from gpubench_kit.report.many_reviews import report_of, tasks_of
from gpubench_kit.sheet.look_files import LOOKS_FILE

pytestmark = pytest.mark.usefixtures("notebooks_here")

DATA = Path(__file__).parents[2] / "data"
TEN_GAMES = DATA / "ten_games"


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
    assert check.noise["mean"].isna().all()
    assert not hasattr(check, "usable")
    assert not (folder / LOOKS_FILE).exists()
    assert pd.read_csv(tmp_path / "out" / "tables" / "noise.csv")["mean"].isna().all()
    assert check.section("noise").name


@pytest.mark.parametrize("stage", [kit.review, kit.check, kit.find_tuning, kit.plan_session])
def test_a_folder_that_does_not_exist_is_one_line_that_names_it(stage, tmp_path):
    with pytest.raises(PlanError) as raised:
        stage(tmp_path / "nowhere")
    shown = raised.value._render_traceback_()
    assert len(shown) == 1
    assert shown[0].startswith(f"PlanError: '{tmp_path / 'nowhere'}': there is no such folder. Name the folder")


@pytest.mark.parametrize("stage", [kit.review, kit.find_tuning])
def test_a_table_in_place_of_a_folder_is_refused(stage, review):
    with pytest.raises(PlanError, match="a DataFrame was given; the folder of a review is expected"):
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
    assert fault.action.startswith("It takes a folder, and by name 'count_look'")
    assert fault.action.endswith('("my_review").')


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
    assert [report_of(one).outcome for one in tasks] == ["made", "made", "up to date"]
    assert (tmp_path / "reports" / folder.name / "tables" / "runs.parquet").exists()


@pytest.mark.parametrize("options", [{"pictures": "lots"}, {"count_look": "no"}], ids=["pictures", "count_look"])
def test_an_option_is_refused_before_anything_is_read(options, folder):
    (folder / "runs.csv").write_text("not,a,sheet\n1,2\n", encoding="utf-8")
    for stage in (kit.review, kit.find_tuning) if "count_look" in options else (kit.review,):
        with pytest.raises(ReportError, match=f"{next(iter(options))}: the text '.*' was given; .* is expected"):
            stage(folder, **options)
    assert not (folder / LOOKS_FILE).exists()


def test_results_are_not_written_into_the_review_nor_over_a_file(folder):
    before = {one.name: one.read_bytes() for one in folder.iterdir() if one.is_file()}
    for stage in (kit.review(folder, count_look=False), kit.check(folder), kit.plan_session(folder)):
        with pytest.raises(ReportError, match="this is the folder of the review itself"):
            stage.write(folder)
        with pytest.raises(ReportError, match=r"plan\.toml: a file was found; a folder is expected"):
            stage.write(folder / "plan.toml")
        with pytest.raises(ReportError, match="the number 5 was given; a folder to write to is expected"):
            stage.write(5)
    assert {one.name: one.read_bytes() for one in folder.iterdir() if one.is_file()} == before


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda it: kit.open_review("small"), "plan: the text 'small' was given; a plan is expected"),
        (lambda it: kit.compare_tunings(it, it.plan), "table 'usable': a ReviewResults was given; a DataFrame is"),
        (lambda it: kit.compare_tunings(it.usable, it), "plan: a ReviewResults was given; a plan is expected"),
        (lambda it: kit.compare_tunings(it.plan, it.usable), "table 'usable': a ReviewPlan was given; a DataFrame"),
        (lambda it: kit.compare_over_games(it.usable, "x"), "plan: the text 'x' was given; a plan is expected"),
        (lambda it: kit.estimate_noise(5, it.plan), "table 'usable': the number 5 was given; a DataFrame is"),
        (lambda it: kit.check_claims(1, 2, it.plan), "table 'comparisons': the number 1 was given"),
        (lambda it: kit.check_claims(it.comparisons, it.overall, None), "plan: None was given; a plan is expected"),
        (lambda it: kit.open_looks(it.plan, 3), "table 'usable': the number 3 was given"),
        (lambda it: kit.open_looks(3), "plan: the number 3 was given"),
        (lambda it: kit.exclude_runs(1, 2, 3), "review: the number 1 was given; an opened review is expected"),
        (lambda it: kit.exclude_runs(it.logs, 2, 3), "table 'run_metrics': the number 2 was given"),
        (lambda it: kit.compute_run_metrics(1, 2), "review: the number 1 was given; an opened review is expected"),
        (lambda it: kit.check_review(it.logs, it.run_metrics, 3), "plan: the number 3 was given"),
        (lambda it: kit.load_plan(3), "folder: the number 3 was given; the folder of a review is expected"),
        (lambda it: kit.build_report(5), "folder: the number 5 was given; the folder of a review is expected"),
        (lambda it: kit.build_report("small", 5), "folder: the number 5 was given; the folder of a report"),
        (lambda it: kit.build_report("small", pictures="lots"), "pictures: the text 'lots' was given; one"),
        (lambda it: kit.estimate_noise(it.usable, it.plan, purpose="pliot"), "purpose: the text 'pliot' was"),
        (lambda it: kit.compare_tunings(it.usable, it.plan, looks=2), "looks: the number 2 was given"),
        (lambda it: kit.plan_session(it.plan.folder, previous=5), "folder: the number 5 was given; the folder"),
        (lambda it: kit.review(None), "folder: None was given; the folder of a review is expected"),
        (lambda it: kit.gather_archive(7), "folder: the number 7 was given; a folder of reports is expected"),
        (lambda it: kit.gather_archive([7]), "folder: the number 7 was given; a folder of reports is expected"),
    ],
)  # fmt: skip
def test_what_is_of_another_kind_is_one_sentence(call, message, review):
    with pytest.raises(kit.GpubenchError) as raised:
        call(review)
    (fault,) = raised.value.faults
    assert str(fault).startswith(message)
    assert fault.action


@pytest.mark.parametrize("name", ["results.xlsx", "runs.csv"])
def test_a_table_in_place_of_a_plan_is_told_where_it_goes(name, tmp_path):
    (tmp_path / name).write_bytes(b"PK\x03\x04\xff")
    with pytest.raises(PlanError) as raised:
        kit.review(tmp_path / name)
    (fault,) = raised.value.faults
    assert fault.problem == "this is no plan of a review."
    assert fault.action.endswith(f"gpubench-kit report {name}")


def test_a_session_counts_with_the_noise_of_an_earlier_report(folder, tmp_path):
    kit.review(folder, count_look=False).write(tmp_path / "earlier")
    plan = folder / "plan.toml"
    plan.write_text(
        plan.read_text(encoding="utf-8") + '\n[session_plan]\nnoise_from = "archive"\n', encoding="utf-8"
    )
    with pytest.raises(kit.GpubenchError, match="asks for earlier reviews"):
        kit.plan_session(folder)
    session = kit.plan_session(folder, previous=tmp_path / "earlier")
    assert set(session.noise["source"]) == {"archive"}
    assert (folder / "noise.csv").exists()


def test_results_show_themselves_in_one_line_each(review):
    for one, start in (
        (review.plan, "ReviewPlan '"), (review.looks, "Looks: 1 of 2 planned"),
        (review.sentences, "Proposals(safe="), (review.logs, "Review of "),
    ):  # fmt: skip
        assert repr(one).startswith(start)
        assert len(repr(one).splitlines()) == 1
        assert len(repr(one)) < 120


def test_a_misspelt_public_name_is_told_the_nearest():
    with pytest.raises(AttributeError, match=r"'reveiw'\. Did you mean 'review'\?"):
        kit.reveiw  # noqa: B018
    with pytest.raises(AttributeError, match=r"'run'\. Did you mean 'runs'\?"):
        kit.plots.run  # noqa: B018
    assert "annotations" not in dir(kit.plots)
    assert "runs" in dir(kit.plots)


def test_frames_of_a_run_are_those_of_its_log(review):
    logged = kit.review(TEN_GAMES, count_look=False)
    row = logged.runs[logged.runs["n_frames"].gt(0)].iloc[3]
    frames = logged.frames(row["run"])
    assert list(frames.columns) == ["run", "time_s", "frame_ms"]
    assert len(frames) == row["n_frames"]
    assert frames["frame_ms"].sum() / 1000 == pytest.approx(row["duration_s"])
    rate = logged.metrics.set_index(["run", "metric"]).at[(row["run"], "avg_fps"), "value"]
    assert 1000 / frames["frame_ms"].mean() == pytest.approx(rate)
    with pytest.raises(TableError, match=r"run 'r0044': there is none of this name .* Did you mean 'r0"):
        logged.frames("r0044")
    with pytest.raises(TableError, match="run 'r1': it has no log of frames"):
        review.frames("r1")


def test_the_tuning_found_is_the_first_line_of_its_summary():
    found = kit.find_tuning(DATA / "limit_sweep", count_look=False)
    assert found._lines()[0] == found.section("head").title
    assert found.section("head").title in repr(found)
