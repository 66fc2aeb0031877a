"""The section of a report that was made again: what a reader and whoever checks it are told."""

from __future__ import annotations

import re

import pytest
from second_language import said_in_english, wide_catalogue

from gpubench_kit.page.caveats import changes, result_moves
from gpubench_kit.report.earlier_report import CHANGES
from gpubench_kit.wording.catalogue import spoken

FINGERPRINT = "ab" * 32
BEFORE = {
    "before_change": -2.04,
    "before_ci_low": -2.5,
    "before_ci_high": -1.6,
    "before_margin": 2.0,
    "before_no_loss": "true",
}
NOW = {"now_change": -1.2, "now_ci_low": -1.7, "now_ci_high": -0.7, "now_margin": 2.0, "now_no_loss": "true"}
MOVED = {
    "correction": 1, "part": "overall", "what": "quiet vs factory, over these games", "metric": "avg_fps",
    "unit": "%", "before": "worse", "now": "worse_but_small", **BEFORE, **NOW,
}  # fmt: skip
INPUT = {"correction": 1, "part": "input", "what": "runs.csv", "before": "c" * 64, "now": "d" * 64}


def text_of(*rows: dict, is_new: bool = True) -> str:
    """Return the section's text."""
    html = changes(CHANGES.frame(rows), is_new=is_new, fingerprint=FINGERPRINT)._repr_html_()
    return " ".join(re.sub(r"<[^>]+>", " ", html).replace("\u00a0", " ").split())


def test_a_changed_verdict_is_told_with_its_numbers_before_and_now():
    text = text_of(MOVED, INPUT)
    assert "1 verdict changed." in text
    assert (
        "quiet vs factory, over these games: average frame rate "
        "−2.0 % (−2.5 to −1.6 %) ▼ slower −1.2 % (−1.7 to −0.7 %) ▽ slightly slower" in text
    )
    assert "1 input file" in text
    assert "input file runs.csv cccccccccccc dddddddddddd" in text
    assert "explains this" not in text


def test_a_change_that_no_input_explains_is_said_to_be_one():
    assert "nothing that the two reports record explains this" in text_of(MOVED)
    assert "explains this" not in text_of({**INPUT, "part": "looks"})


def test_a_number_below_what_the_page_prints_is_only_counted():
    same = MOVED | {
        "now": "worse",
        **{f"now_{one}": BEFORE[f"before_{one}"] for one in ("change", "ci_low", "ci_high")},
    }
    text = text_of(same | {"now_change": -2.0400001}, INPUT)
    assert "No verdict and no number printed on this page changed." in text
    assert "1 result moved by less than the page prints." in text


@pytest.mark.parametrize(
    ("moved", "told"),
    [
        ({"now_margin": 3.0}, ["margin ±2 %", "margin ±3 %"]),
        ({"now_no_loss": "false"}, ["no loss", "a loss is not ruled out"]),
        ({"now": "no_verdict", "now_reason": "confounded"}, ["confounded", "no verdict"]),
        ({"now": "", "now_change": None}, ["not compared"]),
        ({"before": "", "before_change": None}, ["not compared"]),
    ],
    ids=["margin", "no loss", "reason", "gone", "new"],
)
def test_what_else_differs_is_told(moved, told):
    text = text_of(MOVED | {"before": "worse", "now": "worse"} | moved, INPUT)
    assert [one for one in told if one not in text] == []


def test_nothing_changed_is_said_in_so_many_words():
    text = text_of(is_new=False)
    assert "Nothing changed since the earlier report" in text
    assert FINGERPRINT[:12] in text
    assert "Correction" not in text


def test_corrections_of_earlier_reports_stay_listed():
    text = text_of(MOVED, INPUT, INPUT | {"correction": 2, "what": "plan.toml"})
    assert (
        text.index("plan.toml") < text.index("Correction 1, listed by the earlier report") < text.index("runs.csv")
    )
    assert "Correction 1, listed by the earlier report" in text_of(MOVED, INPUT, is_new=False)


def test_names_of_regions_differ_between_corrections():
    rows = [MOVED, INPUT, MOVED | {"correction": 2}, INPUT | {"correction": 2}]
    html = changes(CHANGES.frame(rows), is_new=True, fingerprint=FINGERPRINT)._repr_html_()
    labels = re.findall(r'aria-label="([^"]+)"', html)
    assert len(labels) == len(set(labels)) == 4


def test_names_of_files_and_sentences_are_data():
    rows = [
        INPUT | {"what": "<script>.csv"},
        INPUT | {"part": "claim", "what": "<b>", "before": "supported", "now": ""},
    ]
    html = changes(CHANGES.frame(rows), is_new=True, fingerprint=FINGERPRINT)._repr_html_()
    assert "<script>" not in html
    assert "<b>" not in html
    assert "not in the script" in html


def test_a_long_list_is_folded_and_a_very_long_one_cut():
    rows = [INPUT | {"what": f"logs/r{number:03d}.csv"} for number in range(250)]
    html = changes(CHANGES.frame(rows), is_new=True, fingerprint=FINGERPRINT)._repr_html_()
    assert '<details class="fold">' in html
    assert "The first 200 of 250 are printed" in html
    assert "r199.csv" in html
    assert "r200.csv" not in html


def test_verdicts_that_changed_come_first():
    rows = [MOVED | {"what": "a", "now": "worse"}, MOVED | {"what": "b"}]
    assert result_moves(CHANGES.frame(rows))["what"].tolist() == ["b", "a"]


def test_every_sentence_of_the_section_is_in_the_catalogue():
    rows = [MOVED, INPUT, INPUT | {"part": "claim", "what": "lost", "before": "supported", "now": ""}]
    rows += [INPUT | {"correction": 2, "part": part} for part in ("decision", "version", "input_name")]
    with spoken(wide_catalogue()):
        html = changes(CHANGES.frame(rows), is_new=True, fingerprint=FINGERPRINT)._repr_html_()
    names = [
        "quiet vs factory, over these games",
        "average frame rate",
        "lost",
        "runs.csv",
        "c" * 64,
        "d" * 64,
        "c" * 12,
        "d" * 12,
    ]
    assert said_in_english(html, names=[*names, FINGERPRINT[:12]]) == []
