"""Which reports are read: found below folders, whole, of a version that is understood, each once."""

from __future__ import annotations

import hashlib
import json
import os
import shutil

import pandas as pd
import pytest
from made_reports import MadeReport, write_report

from gpubench_kit.archive import reports as admit
from gpubench_kit.archive.archive import gather_archive, open_archive
from gpubench_kit.archive.gather import ARCHIVE_TABLES
from gpubench_kit.archive.reports import COLUMNS_ASKED, find_reports
from gpubench_kit.model.errors import ReportError, TableError
from gpubench_kit.model.tables import ALL_TABLES

SMALL = MadeReport(games=2, rounds=4, rounds_per_session=2)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Return the folder of one report, to be copied."""
    return write_report(tmp_path_factory.mktemp("whole") / "report", SMALL, seed=1, log_names="log")


@pytest.fixture
def reports(whole, tmp_path):
    """Return a folder with one good report in it."""
    shutil.copytree(whole, tmp_path / "reports" / "good")
    return tmp_path / "reports"


def _bad(whole, reports):
    """Return a further report, of other content, that a test can spoil."""
    target = reports / "bad"
    shutil.copytree(whole, target)
    manifest = json.loads((target / "manifest.json").read_text(encoding="utf-8"))
    (target / "manifest.json").write_text(json.dumps(manifest | {"title": "Another"}), encoding="utf-8")
    return target


def _checks(archive) -> dict[str, str]:
    """Return the message of each check."""
    return dict(zip(archive.findings["check"], archive.findings["message"], strict=True))


def _manifest_with(target, **changes) -> None:
    """Change a manifest; None takes a key out."""
    path = target / "manifest.json"
    manifest = json.loads(path.read_text(encoding="utf-8")) | changes
    kept = {name: value for name, value in manifest.items() if value is not None}
    path.write_text(json.dumps(kept), encoding="utf-8")


HALF, VERSION = "half_written_report", "format_version"

#: How a report is broken, by which check it is refused, and words of the finding.
SPOILT = {
    "table missing": (lambda one: _table(one, "overall.csv").unlink(), HALF, "overall.csv is missing"),
    "description missing": (lambda one: _table(one, "datapackage.json").unlink(), HALF, "cannot be read"),
    "description cut": (
        lambda one: _table(one, "datapackage.json").write_text('{"resources": ['),
        HALF,
        "not whole",
    ),
    "manifest cut": (lambda one: (one / "manifest.json").write_text('{"format_version": 2, "ti'), HALF, "no JSON"),
    "manifest missing": (lambda one: (one / "manifest.json").unlink(), HALF, "no manifest, which is written last"),
    "title missing": (lambda one: _manifest_with(one, title=None), HALF, "lacks the title"),
    "newer kit": (lambda one: _manifest_with(one, format_version=99), VERSION, "99; this kit reads 1 to 3"),
    "too old": (lambda one: _manifest_with(one, format_version=0), VERSION, "version 0 is too old"),
    "no number": (lambda one: _manifest_with(one, format_version="two"), VERSION, "'two', which is no number"),
    "table changed": (
        lambda one: _table(one, "runs.csv").write_text("run\nr1\n"),
        "table_changed",
        "is not the one",
    ),
}


def _table(report, name: str):
    """Return a file of a report's tables."""
    return report / "tables" / name


@pytest.mark.parametrize("case", SPOILT)
def test_a_spoilt_report_is_refused_by_name_and_the_others_go_on(whole, reports, case):
    spoil, check, words = SPOILT[case]
    spoil(_bad(whole, reports))
    archive = gather_archive(reports)
    assert list(archive.reviews["place"]) == ["reports/good"]
    message = _checks(archive)[check]
    assert message.startswith("reports/bad: ")
    assert words in message


def test_a_table_with_words_for_numbers_is_refused_by_name(whole, reports):
    bad = _bad(whole, reports)
    text = (
        (bad / "tables" / "run_metrics.csv").read_text(encoding="utf-8").replace(",avg_fps,1", ",avg_fps,many", 1)
    )
    _replace_table(bad, "run_metrics", text)
    archive = gather_archive(reports)
    assert list(archive.reviews["place"]) == ["reports/good"]
    assert _checks(archive)["table_not_readable"].startswith("reports/bad: ")


def test_a_table_without_a_column_is_refused_and_one_with_more_is_read(whole, reports):
    bad = _bad(whole, reports)
    text = (bad / "tables" / "claims.csv").read_text(encoding="utf-8")
    _replace_table(bad, "claims", text.replace(",verdict", ",outcome", 1))
    assert "lacks the column 'verdict'" in _checks(gather_archive(reports))["table_changed"]
    _replace_table(bad, "claims", text.replace(",verdict", ",further,verdict", 1))
    assert len(gather_archive(reports).reviews) == 2


def test_a_report_made_before_the_kit_knew_of_a_column_is_read_without_it(whole, reports):
    bad = _bad(whole, reports)
    for name, table in ALL_TABLES.items():
        if name not in COLUMNS_ASKED:
            continue
        frame = pd.read_csv(bad / "tables" / f"{name}.csv", dtype=str, keep_default_na=False)
        _replace_table(bad, name, frame[list(COLUMNS_ASKED[name])].to_csv(index=False, lineterminator="\n"))
        assert set(table.names) > set(COLUMNS_ASKED[name])
    archive = gather_archive(reports)
    assert list(archive.reviews["n_runs"]) == [16, 16]
    assert list(archive.findings["check"]) == ["same_run_twice"]
    found = archive.ask("SELECT v.place, r.n_frames, r.excluded_for FROM runs r JOIN reviews v USING (review)")
    old = found[found["place"] == "reports/bad"]
    assert old["n_frames"].isna().all()
    assert (old["excluded_for"] == "").all()
    shutil.rmtree(reports / "good")
    stripped, complete = gather_archive(reports).tables, gather_archive(whole).tables
    for name in ARCHIVE_TABLES:
        assert _comparable(stripped[name]).equals(_comparable(complete[name])), name
    assert all(len(stripped[name]) for name in ("run_noise", "restart_spread", "cards", "games"))


@pytest.mark.parametrize("name", COLUMNS_ASKED)
def test_a_report_without_a_column_that_is_asked_is_refused(whole, reports, name):
    bad = _bad(whole, reports)
    frame = pd.read_csv(bad / "tables" / f"{name}.csv", dtype=str, keep_default_na=False)
    column = COLUMNS_ASKED[name][-1]
    _replace_table(bad, name, frame.drop(columns=column).to_csv(index=False, lineterminator="\n"))
    assert f"{name}.csv lacks the column '{column}'" in _checks(gather_archive(reports))["table_changed"]


def _comparable(table: pd.DataFrame) -> pd.DataFrame:
    """Return a table without what names the report that it was made of."""
    return table.drop(columns=["review", "place", "title", "name"], errors="ignore")


def _replace_table(report, name: str, text: str) -> None:
    """Put another table into a report, as if it had been made with it."""
    path = report / "tables" / f"{name}.csv"
    path.write_text(text, encoding="utf-8", newline="")
    place = report / "tables" / "datapackage.json"
    description = json.loads(place.read_text(encoding="utf-8"))
    for one in description["resources"]:
        if one["path"] == path.name:
            one["hash"] = "sha256:" + hashlib.sha256(path.read_bytes()).hexdigest()
    place.write_text(json.dumps(description), encoding="utf-8")


def test_a_report_of_the_first_format_is_read_without_what_it_does_not_say(whole, reports):
    _manifest_with(_bad(whole, reports), format_version=1, measured=None)
    reviews = gather_archive(reports).reviews.set_index("place")
    assert list(reviews["format_version"]) == [3, 1]
    assert (reviews.loc["reports/bad", "date"], reviews.loc["reports/good", "date"]) == ("", "2026-03-02")
    assert reviews.loc["reports/bad", "n_runs"] == reviews.loc["reports/good", "n_runs"] == 16


def test_the_reference_of_an_old_report_is_what_its_verdicts_are_against(whole, reports):
    bad = _bad(whole, reports)
    _manifest_with(bad, format_version=1, measured=None)
    archive = gather_archive(reports)
    found = archive.ask("SELECT t.name FROM tunings t JOIN reviews v USING (review) WHERE v.place = 'reports/bad'")
    assert list(found["name"]) == ["factory"]


def test_the_same_report_in_two_folders_counts_once(whole, reports):
    shutil.copytree(whole, reports / "copy")
    archive = gather_archive(reports)
    assert list(archive.reviews["place"]) == ["reports/copy"]
    assert _checks(archive)["same_report_twice"].startswith("reports/good: it is the same report as reports/copy")


def test_two_reviews_of_one_name_are_told_apart_by_their_folders(whole, reports):
    write_report(reports / "again", SMALL, seed=2, log_names="other log")
    archive = gather_archive(reports)
    title = SMALL.title
    assert set(archive.reviews["name"]) == {f"{title} (reports/good)", f"{title} (reports/again)"}
    assert "told apart by their folders: reports/again, reports/good" in _checks(archive)["same_title"]


def test_what_a_killed_command_left_behind_is_told_and_not_read(whole, reports):
    shutil.copytree(whole, reports / ".good.new.part")
    archive = gather_archive(reports)
    assert len(archive.reviews) == 1
    assert _checks(archive)["half_written_report"].startswith("reports/.good.new.part: a report in the making")


def test_links_out_of_the_folder_are_not_followed(whole, reports, tmp_path):
    os.symlink(whole, reports / "linked")
    bad = _bad(whole, reports)
    outside = tmp_path / "outside.csv"
    (bad / "tables" / "runs.csv").rename(outside)
    os.symlink(outside, bad / "tables" / "runs.csv")
    archive = gather_archive(reports)
    assert list(archive.reviews["place"]) == ["reports/good"]
    messages = list(archive.findings.loc[archive.findings["check"] == "link_not_followed", "message"])
    assert len(messages) == 2
    assert any("runs.csv is a link out of the folder" in one for one in messages)


def test_of_ten_thousand_files_that_are_no_reviews_none_but_a_manifest_is_opened(tmp_path, monkeypatch):
    for number in range(100):
        folder = tmp_path / f"photos {number}"
        folder.mkdir()
        for place in range(100):
            (folder / f"{place}.txt").touch()
    (tmp_path / "photos 1" / "manifest.json").write_text('{"name": "a page that can be put on a telephone"}')
    read, read_bytes = [], admit._bytes_of
    monkeypatch.setattr(
        admit, "_bytes_of", lambda path, *, folder: read.append(path.name) or read_bytes(path, folder=folder)
    )
    with pytest.raises(ReportError, match=r"no report that can be read lies below \(10,001 files in 101 folders"):
        gather_archive(tmp_path)
    assert read == ["manifest.json"]


def test_a_folder_that_is_not_there_is_named(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(ReportError, match="there is no such folder") as raised:
        gather_archive([tmp_path / "nowhere", tmp_path / "file"])
    assert "it is a file" in str(raised.value)


def test_only_spoilt_reports_are_listed_in_the_fault(whole, tmp_path):
    _manifest_with(_bad(whole, tmp_path), format_version=99)
    with pytest.raises(ReportError, match="made by a newer kit"):
        gather_archive(tmp_path)


def test_reports_are_found_at_any_depth_and_nothing_inside_a_report_is(whole, tmp_path):
    shutil.copytree(whole, tmp_path / "a" / "b" / "c")
    shutil.copytree(whole, tmp_path / "a" / "b" / "c" / "pictures" / "inner")
    found = find_reports([tmp_path / "a"])
    assert [place for place, _ in found.candidates] == ["a/b/c"]


def test_two_folders_of_one_name_give_places_of_their_own(whole, tmp_path):
    for one in ("x", "y"):
        shutil.copytree(whole, tmp_path / one / "reports" / "r")
    found = find_reports([tmp_path / "x" / "reports", tmp_path / "y" / "reports"])
    assert [place for place, _ in found.candidates] == ["reports (2)/r", "reports/r"]


def test_names_that_look_like_formulas_or_patterns_come_back_as_they_were(tmp_path):
    odd = MadeReport(title="=1+1", card="=cmd|' /C calc'!A0", bench="'-x", games=2, rounds=4)
    write_report(tmp_path / "r" / "[a] 1*?", odd, seed=1)
    archive = gather_archive(tmp_path / "r")
    assert list(archive.ask("SELECT DISTINCT card, bench FROM runs").iloc[0]) == [odd.card, odd.bench]
    assert archive.reviews["title"].iloc[0] == "=1+1"


def test_an_archive_is_opened_again_without_its_reports(reports, tmp_path):
    made = gather_archive(reports, tmp_path / "archive")
    shutil.rmtree(reports)
    again = open_archive(tmp_path / "archive")
    for name, table in made.tables.items():
        assert table.equals(again.tables[name]), name


def test_no_archive_is_a_clear_fault(tmp_path):
    with pytest.raises(ReportError, match="there is no archive in this folder"):
        open_archive(tmp_path)


def test_a_wrong_question_is_a_clear_fault(reports):
    with pytest.raises(TableError, match="the question cannot be answered"):
        gather_archive(reports).ask("SELECT nothing FROM nowhere")
