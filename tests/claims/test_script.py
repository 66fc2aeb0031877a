"""A script's claims together: Holm over all of them, late claims, one game that carries a result, money."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from judged_results import GAMES, claim_plan, game_rows, overall_rows
from scipy import stats

from gpubench_kit.claims.check import adjusted, check_claims
from gpubench_kit.claims.classify import page_level
from gpubench_kit.claims.rules import ClaimP
from gpubench_kit.claims.script import proposed_sentences
from gpubench_kit.statistics.more_rounds import rounds_for_overall
from gpubench_kit.statistics.overall import member_levels
from gpubench_kit.statistics.variance import scaled_margin

YES, NO, OPEN = "supported", "contradicted", "not_shown"
#: Log-percent: +2 % is 1.98026.
SE, DF = 0.5, 4.0


def rows_of(*claims: dict, change: float = 3.0, se: float = SE, foreseen=None, **row):
    """Return the rows of claims about one result over games, and its four games alike."""
    plan = claim_plan(*claims)
    spec = {"change": change, "se": se} | row
    games = [{"change": change, "se": se, "game": game} for game in GAMES]
    keys = None if foreseen is None else {plan.claim_key(plan.claims[place]) for place in foreseen}
    looks = SimpleNamespace(foreseen=keys, made=1)
    return check_claims(game_rows(plan, *games), overall_rows(plan, spec), plan, looks=looks)


def test_p_of_an_amount_is_that_of_a_one_sided_t_test():
    row = rows_of({"gains_at_least": "2 %"}).iloc[0]
    distance = 100 * (np.log(1.03) - np.log(1.02)) / SE
    assert row["p"] == pytest.approx(stats.t.sf(distance, DF), rel=1e-6)


def test_p_of_a_better_result_is_two_sided_and_one_the_other_way_never_supports():
    better, worse = rows_of({"says": "better"}, {"says": "worse"}).itertuples()
    assert better.p == pytest.approx(2 * stats.t.sf(100 * np.log(1.03) / SE, DF), rel=1e-6)
    assert (worse.p, worse.verdict) == (1.0, NO)


def test_p_of_no_loss_and_of_the_same_are_held_against_the_margin():
    no_loss, same = rows_of({"says": "no_loss"}, {"says": "same"}, change=-0.5).itertuples()
    margin, change = -100 * np.log(0.98), 100 * np.log(0.995)
    low = stats.t.sf((change + margin) / SE, DF)
    assert no_loss.p == pytest.approx(low, rel=1e-6)
    assert same.p == pytest.approx(low, rel=1e-6)


def test_an_amount_in_the_unit_has_the_p_of_its_interval():
    plan = claim_plan({"metric": "board_w", "saves_at_least": 36.0})
    rows = [{"metric": "board_w", "change": -20.0, "against_value": 200.0, "game": game} for game in GAMES]
    row = check_claims(game_rows(plan, *rows), overall_rows(plan, rows[0]), plan).iloc[0]
    assert 0 < row["p"] < 0.05
    assert row["verdict"] == YES


def test_claims_of_a_script_are_adjusted_together():
    # One claim with p of 0.03 stands alone, and no more beside a second like it.
    amount = 100 * (1.03 * np.exp(-SE * stats.t.isf(0.03, DF) / 100) - 1)
    claim = {"gains_at_least": f"{amount:.8f} %"}
    assert rows_of(claim)["verdict"].tolist() == [YES]
    both = rows_of(claim, claim | {"id": "again"})
    assert both["verdict"].tolist() == [OPEN, OPEN]
    assert both["p"].tolist() == pytest.approx([0.03, 0.03], rel=1e-4)
    assert both["p_adjusted"].tolist() == pytest.approx([0.06, 0.06], rel=1e-4)
    # What a claim alone would show is not offered instead of it, and the evidence says why.
    assert "at least" in rows_of(claim)["suggested_text"].iloc[0]
    assert "together" not in rows_of(claim)["evidence"].iloc[0]
    for row in both.itertuples():
        assert "was about 3.0 % faster than" in row.suggested_text
        assert row.evidence.endswith("By itself it would be supported; tested together with the 2 sentences of the "
                                     "script it is not shown.")  # fmt: skip
    easy = rows_of(claim, {"gains_at_least": "0 %"})
    assert easy["verdict"].tolist() == [YES, YES]


def test_a_result_that_one_game_carries_supports_no_claim():
    row = rows_of({"says": "better"}, carried_by=GAMES[0], change_without=0.1).iloc[0]
    assert (row["verdict"], row["reason"]) == (OPEN, "carried_by_one_game")
    assert f"It rests on “{GAMES[0]}” alone" in row["evidence"]


def test_a_claim_without_a_verdict_has_no_p_and_does_not_count_among_the_others():
    plan = claim_plan({"says": "better"}, {"metric": "board_w", "says": "better"})
    games = [{"change": 3.0, "game": game} for game in GAMES]
    rows = check_claims(game_rows(plan, *games), overall_rows(plan, {"change": 3.0}), plan)
    assert rows["p"].isna().tolist() == [False, True]
    assert rows["p_adjusted"].iloc[0] == rows["p"].iloc[0]
    assert rows["verdict"].iloc[1] == OPEN


def test_a_late_claim_is_judged_by_the_page_and_takes_nothing_from_the_others():
    claims = {"says": "better"}, {"gains_at_least": "2 %"}
    rows = rows_of(*claims, foreseen=[0])
    assert rows["written"].tolist() == ["before", "after"]
    assert np.isnan(rows["p_adjusted"].iloc[1])
    alone = rows_of(claims[0])
    assert rows["p_adjusted"].iloc[0] == alone["p_adjusted"].iloc[0]


def test_a_late_claim_about_one_game_must_stand_among_all_games():
    # p of 0.02 in one of four games: 0.08 among them.
    change = 100 * np.expm1(SE * stats.t.isf(0.01, DF) / 100)
    claim = {"says": "better", "over": GAMES[0]}
    early, late = (rows_of(claim, change=change, foreseen=one).iloc[0] for one in ([0], []))
    assert (early["verdict"], late["verdict"]) == (YES, OPEN)
    assert early["p"] == pytest.approx(0.02, rel=1e-6)


def test_a_late_claim_about_other_games_or_without_a_direction_is_not_shown():
    rows = rows_of(
        {"says": "better", "over": "games_like_these"}, change=9.0, foreseen=[], scope="games_like_these"
    )
    assert rows["verdict"].tolist() == [OPEN]


def test_the_key_of_a_claim_is_what_it_states_and_not_its_words():
    plan = claim_plan(
        {"says": "better"}, {"says": "better", "text": "Other words"}, {"gains_at_least": "2 %"},
        {"gains_at_least": "3 %"}, {"gains_at_least": 3}, {"says": "better", "over": GAMES[0]},
    )  # fmt: skip
    keys = [plan.claim_key(one) for one in plan.claims]
    assert keys[0] == keys[1]
    assert len(set(keys)) == 5


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(-3, 3), min_size=1, max_size=6), st.floats(0.1, 2.0))
def test_more_claims_never_make_one_easier(amounts, se):
    claims = [{"gains_at_least" if one >= 0 else "loses_at_most": f"{abs(one):.6f} %"} for one in amounts]
    every, alone = rows_of(*claims, se=se), rows_of(claims[0], se=se)
    assert every["p"].iloc[0] == pytest.approx(alone["p"].iloc[0])
    assert every["p_adjusted"].iloc[0] >= alone["p_adjusted"].iloc[0] - 1e-12
    assert not (every["verdict"].iloc[0] == YES and alone["verdict"].iloc[0] != YES)


def test_a_script_of_false_claims_seldom_supports_one():
    """Thirteen claims at their boundary, each result on its own: Holm keeps the level, claim by claim does not."""
    rng, reviews, count = np.random.default_rng(20261129), 2000, 13
    p = stats.t.sf(rng.standard_t(DF, (reviews, count)), DF)
    supported = [adjusted([ClaimP(one, 1 - one) for one in row])[0].min() <= 0.05 for row in p]
    assert np.mean(supported) == pytest.approx(0.05, abs=0.015)
    assert (p.min(axis=1) <= 0.05).mean() == pytest.approx(1 - 0.95**count, abs=0.03)


def test_rounds_that_would_settle_a_claim_are_those_of_the_next_look():
    plan = claim_plan({"says": "better"})
    games = game_rows(plan, *({"change": 0.4, "se": 0.7, "game": game} for game in GAMES))
    whole = overall_rows(plan, {"change": 0.4, "se": 0.7}).assign(share=0.4, level=0.04)
    found = []
    for made, level in ((1, 0.015), (2, 0.01), (4, float("nan"))):
        looks = SimpleNamespace(foreseen=None, made=made)
        found.append(check_claims(games, whole, plan, looks=looks)["more_runs"].iloc[0])
        options = {"df": whole["df"].iloc[0], "n": 5, "margin": scaled_margin(plan, "avg_fps")}
        wanted = rounds_for_overall(whole["se"].iloc[0], level=0.4 * level, **options)
        assert pd.isna(found[-1]) if wanted is None else found[-1] == wanted - 5
    assert pd.notna(found[0])
    assert pd.isna(found[2]), "no look is left"


def test_a_direction_with_its_condition_is_said_in_place_of_a_claim_from_two_blocks():
    plan = claim_plan({"says": "better"})
    games = game_rows(plan, *({"change": 4.9, "se": 0.4, "game": game} for game in GAMES))
    blocks = {"verdict": "no_verdict", "reason": "confounded", "bench_change_pct": 4.09, "restart_spread_pct": 1.42}
    whole = overall_rows(plan, {"change": 4.9, "se": 0.4}).assign(**blocks)
    (row,) = check_claims(games, whole, plan).itertuples()
    assert (row.verdict, row.reason) == (OPEN, "no_verdict")
    assert row.suggested_text.replace("\u00a0", " ").endswith(
        "unless our test setup itself came back more than 4.1 % different between the two blocks (restarts that "
        "vary by more than 1.4 %)."
    )
    assert "faster than" in row.suggested_text
    for changed in ({"restart_spread_pct": 0.9}, {"reason": "not_stated"}, {"restart_spread_pct": np.nan}):
        (other,) = check_claims(games, whole.assign(**changed), plan).itertuples()
        assert "unless" not in other.suggested_text


def test_every_game_has_the_level_that_the_page_keeps_for_it():
    plan = claim_plan({"says": "better", "over": "every_game"})
    for se, is_said in ((0.3, True), (0.5, False)):
        games = game_rows(plan, *({"change": 3.0, "se": se, "game": game} for game in GAMES))
        whole = overall_rows(plan, {"change": 3.0, "se": se})
        p = 2 * stats.t.sf(100 * np.log(1.03) / se, DF)
        level = member_levels(plan, page_level(whole, plan)).every_game(0)
        assert (p <= level) == is_said
        said = [one.text for one in proposed_sentences(games, whole, plan).safe]
        assert any("faster" in one and "in each of our 4" in one for one in said) == is_said
        late = SimpleNamespace(foreseen=frozenset(), made=1)
        assert (check_claims(games, whole, plan, looks=late)["verdict"].iloc[0] == YES) == is_said
