"""What changed between two reports: told from their manifests to nine digits; errata stay from report to report."""

from __future__ import annotations

import copy

import pytest

from gpubench_kit.model.errors import ReportError
from gpubench_kit.report.earlier_report import CHANGES, EarlierReport, changes_between, corrections_of

PAIR = {
    "of_card": "Larkmoor 4", "of_tuning": "quiet", "of_bench": "",
    "against_card": "Larkmoor 4", "against_tuning": "factory", "against_bench": "",
}  # fmt: skip
NUMBERS = {"change": -1.0, "ci_low": -1.5, "ci_high": -0.5, "margin": 2.0, "no_loss": True, "reason": ""}
RESULT = {**PAIR, **NUMBERS, "metric": "avg_fps", "verdict": "worse_but_small"}


@pytest.fixture
def before() -> dict:
    """Return the manifest of a small report."""
    return {
        "format_version": 2,
        "title": "Larkmoor 4",
        "plan_fingerprint": "a" * 64,
        "decisions": {"analysis.margin_pct": 2.0, "analysis.metrics": ["avg_fps"]},
        "looks_made": 1,
        "inputs": {"plan.toml": "1" * 64, "logs/a.csv": "2" * 64, "logs/b.csv": "3" * 64},
        "versions": {"python": "3.11.7", "numpy": "2.4.0"},
        "verdicts": {
            "overall": [{**RESULT, "group": "all", "scope": "these_games"}],
            "games": [{**RESULT, "game": "Salt Orchard", "setting": ""}],
            "claims": [{"id": "nothing-lost", "text": "It loses nothing", "verdict": "supported"}],
        },
    }


@pytest.fixture
def now(before) -> dict:
    """Return the manifest of the same report made again."""
    return copy.deepcopy(before)


def _told(before: dict, now: dict) -> list[tuple[str, str, str, str]]:
    """Return the changes: part, what, before, now."""
    return [(one["part"], one["what"], one["before"], one["now"]) for one in changes_between(before, now)]


def test_a_report_made_again_of_the_same_has_no_changes(before, now):
    assert _told(before, now) == []


def test_each_kind_of_change_is_told_by_name_before_and_now(before, now):
    now["verdicts"]["overall"][0]["verdict"] = "same_within_margin"
    now["verdicts"]["claims"][0]["verdict"] = "not_shown"
    now["inputs"]["logs/a.csv"] = "4" * 64
    now["decisions"]["analysis.margin_pct"] = 3.0
    now["versions"]["numpy"] = "2.4.6"
    now["looks_made"] = 2
    assert _told(before, now) == [
        ("overall", "quiet vs factory, over these games", "worse_but_small", "same_within_margin"),
        ("claim", "nothing-lost", "supported", "not_shown"),
        ("input", "logs/a.csv", "2" * 64, "4" * 64),
        ("decision", "analysis.margin_pct", "2", "3"),
        ("version", "numpy", "2.4.0", "2.4.6"),
        ("looks", "looks made", "1", "2"),
    ]


def test_a_number_that_moved_is_told_in_full_and_a_last_bit_is_not(before, now):
    now["verdicts"]["games"][0]["change"] = -1.00001
    now["verdicts"]["overall"][0]["change"] = -1.0000000000000002
    rows = list(changes_between(before, now))
    assert [row["part"] for row in rows] == ["game"]
    assert (rows[0]["before_change"], rows[0]["now_change"], rows[0]["unit"]) == (-1.0, -1.00001, "%")


def test_results_that_came_or_went_have_an_empty_side(before, now):
    now["verdicts"]["games"] = [{**RESULT, "game": "Glass Tundra", "setting": "1440p"}]
    assert _told(before, now) == [
        ("game", "quiet vs factory, Glass Tundra, 1440p", "", "worse_but_small"),
        ("game", "quiet vs factory, Salt Orchard", "worse_but_small", ""),
    ]


def test_cards_are_named_where_there_are_several(before, now):
    now["verdicts"]["overall"][0] |= {"against_card": "Fernholt 3"}
    assert _told(before, now)[0][1] == "quiet (Larkmoor 4) vs factory (Fernholt 3), over these games"


def test_a_renamed_file_is_one_change(before, now):
    now["inputs"]["logs/first.csv"] = now["inputs"].pop("logs/a.csv")
    assert _told(before, now) == [("input_name", "logs/first.csv", "logs/a.csv", "logs/first.csv")]


def test_files_that_came_or_went_have_an_empty_side(before, now):
    del now["inputs"]["logs/a.csv"]
    now["inputs"]["logs/c.csv"] = "5" * 64
    assert _told(before, now) == [("input", "logs/a.csv", "2" * 64, ""), ("input", "logs/c.csv", "", "5" * 64)]


def test_a_report_without_decisions_is_compared_by_their_hash(before, now):
    del before["decisions"]
    assert _told(before, now) == []
    now["plan_fingerprint"] = "b" * 64
    assert _told(before, now) == [("decision", "all decisions, as a hash", "a" * 64, "b" * 64)]


def test_a_report_without_claims_is_not_said_to_have_lost_them(before, now):
    del before["verdicts"]["claims"]
    assert _told(before, now) == []


def test_corrections_are_kept_from_report_to_report(before, now):
    now["versions"]["numpy"] = "2.4.6"
    first, is_new = corrections_of(EarlierReport(before), now)
    assert (is_new, first["correction"].tolist(), first["part"].tolist()) == (True, [1], ["version"])
    now["previous"] = {"fingerprint": "", "corrections": first.to_dict("records")}
    same, is_new = corrections_of(EarlierReport(now), now)
    assert not is_new
    assert same.equals(first)
    later = copy.deepcopy(now)
    later["inputs"]["plan.toml"] = "9" * 64
    both, is_new = corrections_of(EarlierReport(now), later)
    assert is_new
    assert both[["correction", "part"]].values.tolist() == [[1, "version"], [2, "input"]]
    assert list(both.columns) == CHANGES.names


def test_the_fingerprint_leaves_out_what_came_before(before, now):
    now["previous"] = {"fingerprint": "x", "corrections": []}
    assert EarlierReport(now).fingerprint == EarlierReport(before).fingerprint
    now["looks_made"] = 2
    assert EarlierReport(now).fingerprint != EarlierReport(before).fingerprint


def test_a_report_of_another_review_is_refused_with_both_named(before, now):
    for part in ("overall", "games"):
        now["verdicts"][part][0] |= {"of_card": "Fernholt 3", "against_card": "Fernholt 3"}
    assert corrections_of(EarlierReport(before), now)[1]
    now["title"] = "Fernholt 3"
    with pytest.raises(ReportError, match="“Larkmoor 4” with Larkmoor 4; here: “Fernholt 3” with Fernholt 3"):
        corrections_of(EarlierReport(before), now)


def test_another_title_of_the_same_card_is_a_change(before, now):
    now["title"] = "Larkmoor 4, corrected"
    assert _told(before, now) == [("title", "title", "Larkmoor 4", "Larkmoor 4, corrected")]


@pytest.mark.parametrize(
    "row", [{"part": "input"}, {"correction": 1, "part": "nonsense"}, {"correction": "x", "part": "input"}], ids=str
)
def test_a_damaged_list_of_corrections_is_refused(before, now, row):
    before["previous"] = {"fingerprint": "", "corrections": [row]}
    with pytest.raises(ReportError, match="its list of corrections is damaged"):
        corrections_of(EarlierReport(before), now)
