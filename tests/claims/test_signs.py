"""Amounts that say that something gets worse: what was read is told, with the lines that may have been meant."""

from __future__ import annotations

import tomllib

import pandas as pd
import pytest
from judged_results import GAMES, claim_plan, game_rows, overall_rows

from gpubench_kit import page
from gpubench_kit.claims.check import check_claims
from gpubench_kit.claims.signs import sign_note
from gpubench_kit.model.tables import FINDINGS, RUNS

SAVES = {"id": "saves", "metric": "board_w", "says": "at_least", "by": 30.0, "text": "Quiet saves 30 W"}
#: 200 W less 20 % are 40 W less; its one-sided 95 % end is at 20 % less 2.1318 times 0.5 log-percent.
SAVED = {"metric": "board_w", "change": -20.0, "against_value": 200.0}


def note_of(**claim) -> str:
    """Return what is said about the sign of one claim."""
    return sign_note(claim_plan(claim).claims[0])


@pytest.mark.parametrize(
    ("claim", "says", "key", "amount"),
    [
        ({"metric": "board_w", "says": "at_least", "by": 30.0}, "at_most", "by", -30),
        ({"metric": "energy_per_frame_j", "says": "at_least", "by_pct": 15.0}, "at_most", "by_pct", -15),
        ({"metric": "core_c", "says": "at_least", "by": 2.5}, "at_most", "by", -2.5),
        ({"metric": "avg_fps", "says": "at_most", "by_pct": -5.0}, "at_least", "by_pct", -5),
    ],
)
def test_an_amount_for_the_worse_is_told_with_the_lines_to_paste(claim, says, key, amount):
    lines = note_of(**claim).partition("write: ")[2].replace(", ", "\n")
    assert tomllib.loads(lines) == {"says": says, key: amount}


@pytest.mark.parametrize(
    "claim",
    [
        {"metric": "board_w", "says": "at_most", "by": -30.0},
        {"metric": "board_w", "says": "at_most", "by": 5.0},
        {"metric": "avg_fps", "says": "at_least", "by_pct": 5.0},
        {"metric": "avg_fps", "says": "at_least", "by_pct": -5.0},
        {"metric": "core_mhz", "says": "at_least", "by_pct": 5.0},
        {"metric": "board_w", "says": "better"},
    ],
)
def test_other_amounts_are_left_alone(claim):
    assert note_of(**claim) == ""


def outcome(claim: dict) -> pd.Series:
    """Return the row of a claim about 40 W that were saved."""
    plan = claim_plan(claim)
    games = [SAVED | {"game": game} for game in GAMES]
    return check_claims(game_rows(plan, *games), overall_rows(plan, SAVED), plan).iloc[0]


def test_a_saving_with_the_wrong_sign_is_contradicted_and_says_how_it_was_read():
    row = outcome(SAVES)
    assert row["verdict"] == "contradicted"
    told = "This says a rise by 30 W or more. If it is to fall by 30 W or more, write: "
    assert row["evidence"].endswith(f'{told}says = "at_most", by = -30')
    pasted = outcome(SAVES | {"says": "at_most", "by": -30.0})
    assert (pasted["verdict"], "This says" in pasted["evidence"]) == ("supported", False)


def test_the_page_of_check_tells_it_before_anything_is_published():
    plan = claim_plan(SAVES, {"says": "better"})
    redo = pd.DataFrame({"is_needed": pd.Series(dtype=bool)})
    body = page.check_head(RUNS.frame(), FINDINGS.frame(), redo=redo, plan=plan).body.replace("\xa0", " ")
    assert body.count("This says a rise by") == 1
    assert "Claim “saves” (“Quiet saves 30 W”)" in body


@pytest.mark.parametrize(
    ("claim", "lines"),
    [
        ({"metric": "running_cost", "says": "at_least", "by": 20.0}, 'says = "at_most", by = -20'),
        ({"metric": "value_for_money", "says": "at_most", "by_pct": -5.0}, 'says = "at_least", by_pct = -5'),
        ({"metric": "break_even_time", "says": "at_least", "by": 2.0}, ""),
    ],
)
def test_estimates_of_cost_have_their_own_direction(claim, lines):
    plan = claim_plan(claim, costs={"currency": "EUR", "price_per_kwh": 0.31})
    assert sign_note(plan.claims[0]).partition("write: ")[2] == lines


def test_a_rise_that_is_meant_and_shown_is_not_doubted():
    plan = claim_plan(SAVES | {"by": 10.0})
    rise = SAVED | {"change": 20.0}
    games = game_rows(plan, *[rise | {"game": game} for game in GAMES])
    row = check_claims(games, overall_rows(plan, rise), plan).iloc[0]
    assert (row["verdict"], "This says" in row["evidence"]) == ("supported", False)
