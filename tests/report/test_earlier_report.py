"""An earlier report is whole and readable, or it is refused by name: never half a comparison."""

from __future__ import annotations

import json

import pytest
from small_folder import write_small_review

from gpubench_kit import build_report
from gpubench_kit.model.errors import ReportError
from gpubench_kit.model.formats import FORMAT_VERSION
from gpubench_kit.report.build import is_up_to_date
from gpubench_kit.report.earlier_report import lacking_in, read_earlier
from gpubench_kit.report.package import json_text

pytestmark = pytest.mark.usefixtures("notebooks_here")

WHOLE = {
    "format_version": FORMAT_VERSION, "title": "Larkmoor 4", "plan_fingerprint": "a", "looks_made": 1,
    "inputs": {"plan.toml": "1"}, "versions": {"python": "3.11"}, "verdicts": {"overall": [], "games": []},
}  # fmt: skip


@pytest.fixture
def report(tmp_path):
    """Return the folder of a report that holds the least there can be."""
    folder = tmp_path / "before"
    (folder / "tables").mkdir(parents=True)
    (folder / "manifest.json").write_text(json_text(WHOLE), encoding="utf-8")
    (folder / "index.html").write_text("<html></html>\n", encoding="utf-8")
    (folder / "tables" / "datapackage.json").write_text('{"resources": []}', encoding="utf-8")
    return folder


def test_a_whole_report_is_read(report):
    assert read_earlier(report).manifest["title"] == "Larkmoor 4"
    assert lacking_in(report) == ""


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"format_version": FORMAT_VERSION + 1}, "a newer version of the kit made it .* Update the kit"),
        ({"format_version": "1"}, "states no format version, so it is no report"),
        ({"format_version": None}, "states no format version"),
        ({"inputs": ["plan.toml"]}, "manifest.json is damaged .inputs"),
        ({"verdicts": {"overall": [{"metric": "avg_fps"}], "games": []}}, "damaged .verdicts.overall.0.of_card"),
        ({"verdicts": None}, "damaged .verdicts"),
        ({"measured": {"cards": [{}]}}, "damaged .measured.cards.0.name"),
    ],
    ids=["newer", "version as text", "no version", "inputs", "a result", "no verdicts", "a card"],
)
def test_a_manifest_that_cannot_be_compared_is_refused(report, change, told):
    (report / "manifest.json").write_text(json_text(WHOLE | change), encoding="utf-8")
    with pytest.raises(ReportError, match=told):
        read_earlier(report)


@pytest.mark.parametrize(
    ("text", "told"),
    [("{", "cut off or no JSON"), ("[]", "no table of values"), ("", "cut off or no JSON"), ("\ud800", "no JSON")],
    ids=["cut off", "a list", "empty", "not UTF-8"],
)
def test_a_manifest_that_is_none_is_refused(report, text, told):
    (report / "manifest.json").write_bytes(text.encode("utf-8", "surrogatepass"))
    with pytest.raises(ReportError, match=told):
        read_earlier(report)


def test_a_folder_that_is_not_there_and_one_without_report_are_refused(tmp_path):
    with pytest.raises(ReportError, match="there is no such folder"):
        read_earlier(tmp_path / "nowhere")
    with pytest.raises(ReportError, match=r"holds no manifest\.json, so it is no report"):
        read_earlier(tmp_path)


@pytest.mark.parametrize("name", ["index.html", "tables/datapackage.json"])
def test_a_report_that_is_not_whole_is_refused(report, name):
    (report / name).write_text("", encoding="utf-8")
    with pytest.raises(ReportError, match="it is not whole"):
        read_earlier(report)
    (report / name).unlink()
    with pytest.raises(ReportError, match=r"it is not whole: .* cannot be read"):
        read_earlier(report)


def _files(folder):
    """Return the files of a report, notebooks apart."""
    found = (path for path in sorted(folder.rglob("*")) if path.is_file() and path.parent.name != "notebooks")
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in found}


@pytest.mark.slow
def test_a_report_made_again_tells_what_changed_and_keeps_it(small_built, tmp_path):
    review, first, second = small_built, tmp_path / "out", tmp_path / "second"
    assert is_up_to_date(review, first)
    sheet = (review / "runs.csv").read_text(encoding="utf-8")
    (review / "runs.csv").write_text(sheet.replace(",97.", ",99."), encoding="utf-8")
    assert not is_up_to_date(review, first)

    build_report(review, second, previous=first)
    manifest = json.loads((second / "manifest.json").read_text(encoding="utf-8"))
    rows = manifest["previous"]["corrections"]
    # A value typed anew is a correction, no further look.
    assert [row["part"] for row in rows] == ["overall", "game", "input", "input"]
    assert [row["what"] for row in rows[2:4]] == ["looks.csv", "runs.csv"]
    assert manifest["previous"]["fingerprint"] == read_earlier(first).fingerprint
    html = (second / "index.html").read_text(encoding="utf-8")
    assert html.index('id="result"') < html.index('id="changes"') < html.index('id="downloads"')
    described = json.loads((second / "tables" / "datapackage.json").read_text(encoding="utf-8"))["resources"]
    assert "changes" in [one["name"] for one in described]
    assert lacking_in(second) == ""
    assert is_up_to_date(review, second, previous=first)
    assert not is_up_to_date(review, second, previous=second)

    made = _files(second)
    build_report(review, second, previous=first)
    assert _files(second) == made
    # In its own place: nothing changed is said, what was corrected stays, and once more gives the same bytes.
    for _ in range(2):
        build_report(review, second, previous=second)
        again = _files(second)
        assert json.loads(again["manifest.json"])["previous"]["corrections"] == rows
        assert "Nothing changed since the earlier report" in again["index.html"].decode()
        made, previous_made = again, made
    assert made == previous_made
    assert str(tmp_path) not in str(made.values())


def test_the_report_of_another_review_is_refused_before_anything_is_made(tmp_path, report):
    (report / "manifest.json").write_text(json_text(WHOLE | {"title": "Fernholt 3"}), encoding="utf-8")
    with pytest.raises(ReportError, match="it is of another review"):
        build_report(write_small_review(tmp_path / "small"), tmp_path / "out", previous=report)
    assert not (tmp_path / "out").exists()
