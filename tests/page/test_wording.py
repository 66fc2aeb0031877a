"""What may be said of a result: true of its verdict, with every caution, and no more."""

from __future__ import annotations

import pytest

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import VERDICTS
from gpubench_kit.page.wording import (
    VERDICT_HELP,
    are_alike,
    caution_sentences,
    no_loss_sentence,
    result_clause,
    verdict_mark,
)
from tests.page.conftest import result_row

PLAN = ReviewPlan.from_dict(
    {
        "review": {"title": "T"},
        "cards": [{"name": "Larkmoor 4"}],
        "tunings": [{"name": "factory", "reference": True}, {"name": "quiet"}],
        "games": [{"name": "Salt Orchard"}],
        "analysis": {"restart_spread": {"avg_fps": 1.0, "restarts": 0}},
    }
)

CASES = {
    "same": ({}, "“quiet” was as fast as “factory”, within our margin of 2 % (−0.3 %, −0.6 to +0.1 %)"),
    "better": (
        {"verdict": "better", "change": 3.0, "ci_low": 2.5, "ci_high": 3.4},
        "“quiet” was 3.0 % faster than “factory” (+2.5 to +3.4 %)",
    ),
    "small loss": (
        {"verdict": "worse_but_small", "change": -0.9, "ci_low": -1.4, "ci_high": -0.4},
        "“quiet” was 0.9 % slower than “factory” (−1.4 to −0.4 %), real but less than our margin of 2 %",
    ),
    "undecided": (
        {"verdict": "undecided", "change": 0.4, "ci_low": -1.9, "ci_high": 2.8},
        "whether “quiet” was faster or slower than “factory” is undecided (+0.4 %, −1.9 to +2.8 %)",
    ),
    "power": (
        {"metric": "board_w", "unit": "W", "verdict": "better", "change": -14.2, "ci_low": -14.5, "ci_high": -14.0},
        "board power was 14.2 % lower with “quiet” than with “factory” (−14.5 to −14.0 %)",
    ),
    "difference scale": (
        {"metric": "core_c", "unit": "°C", "scale": "difference", "verdict": "better",
         "change": -7.2, "ci_low": -7.8, "ci_high": -6.6},
        "core temperature was 7.2 °C lower with “quiet” than with “factory” (−7.8 to −6.6 °C)",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("given", "expected"), CASES.values(), ids=CASES.keys())
def test_each_verdict_has_its_own_sentence(given, expected):
    assert result_clause([result_row(**given)], of="“quiet”", against="“factory”", plan=PLAN) == expected


def test_a_confounded_result_names_the_reason_and_the_restarts_that_would_explain_it():
    row = result_row(verdict="no_verdict", reason="confounded", change=3.0)
    clause = result_clause([row], of="“quiet”", against="“factory”", plan=PLAN)
    assert clause.startswith("“quiet” against “factory” has no verdict on average frame rate (measured +3.0 %): ")
    assert "layout confounded: difference between tunings and difference between two restarts" in clause
    assert "standard deviation of 2.1 % would explain the difference alone" in clause


def test_an_assumed_spread_stands_beside_the_verdict():
    row = result_row(verdict="better", change=10.0, ci_low=8.0, ci_high=12.0, reason="assumed_restart_spread")
    clause = result_clause([row], of="“quiet”", against="“factory”", plan=PLAN)
    assert "assuming that restarts vary by 1 % (restarts that differ by a standard deviation of 7.0 %" in clause
    assert "would explain the difference alone" in clause


def test_several_results_without_a_difference_are_told_together():
    rows = [result_row(change=-0.3), result_row(change=0.2)]
    clause = result_clause(rows, of="“a” and “b”", against="“factory”", plan=PLAN)
    assert clause == "“a” and “b” were as fast as “factory”, within our margin of 2 % (changes of −0.3 to +0.2 %)"


@pytest.mark.parametrize(
    "other",
    [{"verdict": "undecided"}, {"reason": "two_runs_only"}, {"margin": 3.0}],
    ids=["another verdict", "a caution", "another margin"],
)
def test_results_that_differ_in_what_must_be_said_are_not_told_together(other):
    assert are_alike(result_row(), result_row())
    assert not are_alike(result_row(), result_row(**other))


def test_real_differences_are_never_told_together():
    assert not are_alike(result_row(verdict="better"), result_row(verdict="better"))


LOSSES = {
    "same": ({"equivalence_ci_low": -0.5}, "Any loss is smaller than 0.5 %."),
    "real but small": ({"verdict": "worse_but_small", "change": -0.9}, "About 0.9 % lost, less than 2 %."),
    "undecided": ({"verdict": "undecided"}, "A loss as large as the margin is ruled out."),
    "worse": ({"verdict": "worse"}, ""),
    "not ruled out": ({"no_loss": False}, ""),
    "not defined": ({"no_loss": None}, ""),
    "better": ({"verdict": "better"}, ""),
    "power": ({"metric": "board_w", "equivalence_ci_high": 0.4}, "Any increase is smaller than 0.4 %."),
}


@pytest.mark.parametrize(("given", "expected"), LOSSES.values(), ids=LOSSES.keys())
def test_loss_is_ruled_out_only_where_the_test_did(given, expected):
    row = result_row(**{"ci_low": -1.4, "ci_high": -0.4} | given)
    assert no_loss_sentence(row) == expected


@pytest.mark.parametrize("verdict", VERDICTS)
def test_every_verdict_has_a_mark_and_an_explanation(verdict):
    assert verdict in VERDICT_HELP
    assert "aria-hidden" in verdict_mark(verdict)


def test_a_plain_result_has_no_caution():
    assert caution_sentences(result_row(), PLAN) == []
