"""The list of reports: every report, relative links, names as text."""

from __future__ import annotations

import json
import re

import pytest

from gpubench_kit.model.errors import ReportError
from gpubench_kit.report.build import write_site_index

ROW = {
    "of_card": "Larkmoor 4", "of_tuning": "quiet", "against_card": "Larkmoor 4", "against_tuning": "factory",
    "group": "all", "scope": "these_games", "metric": "avg_fps", "change": -0.9, "verdict": "worse_but_small",
}  # fmt: skip


def _report(folder, name, *, title="A <b>title</b>", rows=(ROW,)):
    """Make the folder of a report."""
    (folder / name).mkdir()
    manifest = {"format_version": 1, "title": title, "verdicts": {"overall": list(rows), "games": []}}
    (folder / name / "manifest.json").write_text(json.dumps(manifest))
    (folder / name / "index.html").write_text("x")


def test_every_report_is_linked_by_a_relative_address_with_its_result(tmp_path):
    _report(tmp_path, "b")
    _report(tmp_path, "a b&c")
    html = write_site_index(tmp_path).read_text(encoding="utf-8")
    assert html.index('href="a%20b%26c/index.html"') < html.index('href="b/index.html"')
    text = " ".join(re.sub(r"<[^>]+>", " ", html).split())
    assert "quiet vs factory: Frame rate −0.9 % ▽ slightly slower" in text
    assert "A &lt;b&gt;title&lt;/b&gt;" in html
    assert "2 in this folder." in html


def test_what_is_no_report_is_skipped(tmp_path):
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "manifest.json").write_text("not json")
    (tmp_path / "half").mkdir()
    (tmp_path / "half" / "manifest.json").write_text('{"format_version": 1}')
    assert "0 in this folder." in write_site_index(tmp_path).read_text(encoding="utf-8")


def test_a_report_without_a_comparison_says_so(tmp_path):
    _report(tmp_path, "a", rows=())
    assert "Nothing was compared over games." in write_site_index(tmp_path).read_text(encoding="utf-8")


def test_the_same_reports_give_the_same_bytes(tmp_path):
    _report(tmp_path, "a")
    first = write_site_index(tmp_path).read_bytes()
    assert write_site_index(tmp_path).read_bytes() == first


def test_a_page_of_the_same_name_that_is_no_list_is_left_alone(tmp_path):
    (tmp_path / "index.html").write_text("my own site")
    write_site_index(tmp_path)
    assert (tmp_path / "index.html").read_text() == "my own site"


def test_a_folder_that_is_not_there_is_named(tmp_path):
    with pytest.raises(ReportError, match="list of reports cannot be written"):
        write_site_index(tmp_path / "none")


def test_reports_of_one_title_and_sides_of_two_test_setups_are_told_apart(tmp_path):
    row = ROW | {"of_tuning": "factory", "of_bench": "driver 2", "against_bench": "driver 1"}
    _report(tmp_path, "retest", rows=(row,))
    _report(tmp_path, "alone", title="Another", rows=(ROW | {"against_card": "Fernholt 3", "of_bench": None},))
    html = write_site_index(tmp_path).read_text(encoding="utf-8")
    text = " ".join(re.sub(r"<[^>]+>", " ", html).split())
    assert "factory, driver 2 vs factory, driver 1: Frame rate" in text
    assert "Larkmoor 4, quiet vs Fernholt 3, factory: Frame rate" in text
    assert '<p class="what">retest</p>' not in html
    _report(tmp_path, "corrected", rows=(row,))
    html = write_site_index(tmp_path).read_text(encoding="utf-8")
    assert '<p class="what">retest</p>' in html
    assert '<p class="what">corrected</p>' in html
    assert '<p class="what">alone</p>' not in html
