"""Amounts that say that something gets worse: what was read is told, with the lines that may have been meant."""

from __future__ import annotations

import tomllib

import pandas as pd
import pytest
from judged_results import GAMES, claim_plan, game_rows, overall_rows
from signed_claims import in_plan_words

from gpubench_kit import page
from gpubench_kit.checks import POSSIBLE
from gpubench_kit.claims.check import check_claims, sign_note, sign_question
from gpubench_kit.model.tables import FINDINGS, RUNS

#: 200 W less 20 % are 40 W less; its one-sided 95 % end is at 20 % less 2.1318 times 0.5 log-percent.
SAVED = {"metric": "board_w", "change": -20.0, "against_value": 200.0}


def note_of(**claim) -> str:
    """Return what is said about the words of one claim."""
    return sign_note(claim_plan(claim).claims[0])


@pytest.mark.parametrize(
    ("claim", "line"),
    [
        ({"text": "Quiet saves 30 W", "metric": "board_w", "costs_at_most": 30.0}, "saves_at_least = 30"),
        ({"text": "Quiet draws 30 W more", "metric": "board_w", "saves_at_least": 30.0}, "costs_at_most = 30"),
        ({"text": "Quiet is 2 % slower", "metric": "avg_fps", "gains_at_least": "2 %"}, 'loses_at_most = "2 %"'),
        ({"text": "Brisk gains 5 %", "metric": "avg_fps", "loses_at_most": "5 %"}, 'gains_at_least = "5 %"'),
        ({"text": "Quiet runs cooler", "metric": "core_c", "says": "worse"}, 'says = "better"'),
        ({"text": "Quiet is slower", "metric": "avg_fps", "says": "better"}, 'says = "worse"'),
        ({"text": "Quiet is more efficient", "metric": "energy_per_frame_j", "says": "worse"}, 'says = "better"'),
        ({"text": "Quiet is less power efficient", "metric": "board_w", "says": "better"}, 'says = "worse"'),
    ],
)
def test_words_that_go_the_other_way_are_told_with_the_line_to_paste(claim, line):
    note = note_of(**claim)
    assert note.partition("write: ")[2] == line
    ((key, value),) = tomllib.loads(line).items()
    amounts = ("says", "saves_at_least", "costs_at_most", "gains_at_least", "loses_at_most")
    pasted = {name: one for name, one in claim.items() if name not in amounts} | {key: value}
    assert note_of(**pasted) == ""


@pytest.mark.parametrize(
    "claim",
    [
        {"text": "Quiet saves at least 30 W", "metric": "board_w", "saves_at_least": 30.0},
        {"text": "Quiet costs no more than 5 W", "metric": "board_w", "costs_at_most": 5.0},
        {"text": "Quiet costs less than 2 %", "metric": "avg_fps", "loses_at_most": "2 %"},
        {"text": "Quiet loses nothing", "metric": "avg_fps", "says": "no_loss"},
        {"text": "It is the same", "metric": "avg_fps", "says": "same"},
        {"text": "Not slower", "metric": "avg_fps", "says": "better"},
        {"text": "Quiet is more efficient", "metric": "energy_per_frame_j", "says": "better"},
        {
            "text": "Quiet loses at least 1 %",
            "metric": "avg_fps",
            "of": {"tuning": "factory"},
            "against": {"tuning": "quiet"},
            "gains_at_least": "1 %",
        },
        {"text": "5 % or thereabouts", "metric": "core_mhz", "gains_at_least": "5 %"},
    ],
)
def test_other_sentences_are_left_alone(claim):
    assert note_of(**claim) == ""


def outcome(claim: dict) -> pd.Series:
    """Return the row of a claim about 40 W that were saved."""
    plan = claim_plan(claim)
    games = [SAVED | {"game": game} for game in GAMES]
    return check_claims(game_rows(plan, *games), overall_rows(plan, SAVED), plan).iloc[0]


def test_a_sentence_that_the_data_contradict_says_how_it_was_read():
    slip = {"text": "Quiet draws more", "metric": "board_w", "says": "better"}
    assert "This says" not in outcome(slip | {"text": "Quiet draws less"})["evidence"]
    row = outcome({"text": "Quiet saves power", "metric": "board_w", "says": "worse"})
    assert row["verdict"] == "contradicted"
    assert row["evidence"].endswith('If the sentence is meant, write: says = "better"')


def test_the_page_of_check_tells_it_before_anything_is_published():
    slip = {"id": "saves", "text": "Quiet saves 30 W", "metric": "board_w", "costs_at_most": 30.0}
    plan = claim_plan(slip, {"says": "better"})
    redo = pd.DataFrame({"is_needed": pd.Series(dtype=bool)})
    head = page.check_head(RUNS.frame(), FINDINGS.frame(), redo=redo, possible=POSSIBLE.frame(), plan=plan)
    body = head.text.replace("\xa0", " ")
    assert body.count("says the opposite") == 1
    assert "Claim “saves” (“Quiet saves 30 W”)" in body


def test_estimates_of_cost_have_their_own_direction():
    costs = {"currency": "EUR", "price_per_kwh": 0.31}
    slip = {"text": "Quiet is cheaper to run", "metric": "running_cost", "costs_at_most": 20.0}
    assert sign_note(claim_plan(slip, costs=costs).claims[0]).endswith("saves_at_least = 20")
    worth = {"text": "More for the money", "metric": "value_for_money", "gains_at_least": "5 %"}
    assert sign_note(claim_plan(worth, costs=costs).claims[0]) == ""


SIGNED = [
    ("board_w", "saves_at_least", 30.0, ("at_most", -30.0)),
    ("board_w", "costs_at_most", "8 %", ("at_most", 8.0)),
    ("avg_fps", "gains_at_least", "3,5 %", ("at_least", 3.5)),
    ("avg_fps", "loses_at_most", 2, ("at_least", -2.0)),
    ("core_c", "saves_at_least", 0, ("at_most", 0.0)),
]


@pytest.mark.parametrize(("metric", "key", "amount", "signed"), SIGNED)
def test_a_positive_amount_is_its_signed_counterpart(metric, key, amount, signed):
    claim = claim_plan({"metric": metric, key: amount}).claims[0]
    assert (claim.kind, claim.amount, claim.is_percent) == (*signed, isinstance(amount, str))
    assert in_plan_words({"metric": metric, "says": signed[0], "by": signed[1]}).keys() >= {key}


def test_check_asks_which_of_both_is_meant_and_leaves_other_claims_alone():
    slip = {"id": "saves", "text": "Quiet saves 30 W", "metric": "board_w", "costs_at_most": 30.0}
    question, none = (sign_question(one) for one in claim_plan(slip, {"says": "better"}).claims)
    assert none is None
    assert [one.value for one in question.choices] == ["saves_at_least = 30", "keep"]
    assert "Quiet saves 30 W" in question.text
    assert question.paste == "plan.toml, [[claims]] “saves”: saves_at_least = 30"
