"""Every kind of claim against every kind of result, worked by hand.

With 4 degrees of freedom a two-sided 95 % interval is 2.7764 standard errors wide to each side and a
one-sided end 2.1318. A change of +3 % is 2.9559 log-percent; with a standard error of 0.5 its interval is
1.5677 to 4.3441 (+1.58 to +4.44 %) and its one-sided ends 1.8900 and 4.0218 (+1.91 and +4.10 %). The
margin of 2 % is 2.0203 log-percent.
"""

from __future__ import annotations

import pytest
from judged_results import GAMES, claim_plan, game_rows, overall_rows

from gpubench_kit.claims.check import check_claims
from gpubench_kit.model.table_checks import check_table
from gpubench_kit.model.tables import CLAIMS

#: change [%] and standard error [log-percent] of results, by the verdict that they get.
RESULTS = {
    "better": (3.0, 0.5),
    "better_but_small": (1.0, 0.1),
    "same_within_margin": (0.0, 0.3),
    "undecided, no loss": (1.0, 0.8),
    "undecided": (-0.5, 1.0),
    "worse_but_small": (-1.0, 0.1),
    "worse": (-3.0, 0.5),
    "worse, beyond": (-6.0, 0.5),
}
YES, NO, OPEN = "supported", "contradicted", "not_shown"

#: What becomes of a claim, result by result in the order above.
MATRIX = {
    "better": (YES, YES, OPEN, OPEN, OPEN, NO, NO, NO),
    "worse": (NO, NO, OPEN, OPEN, OPEN, YES, YES, YES),
    "same": (OPEN, YES, YES, OPEN, OPEN, YES, OPEN, NO),
    "no_loss": (YES, YES, YES, YES, OPEN, NO, NO, NO),
}
CASES = [
    pytest.param(says, result, outcome, id=f"{says}, {result}")
    for says, outcomes in MATRIX.items()
    for result, outcome in zip(RESULTS, outcomes, strict=True)
]


def checked(claim: dict, *, games: list[dict], overall: list[dict] | None = None, **plan_changes):
    """Return the one row of a claim about results; those over games repeat the first game's unless given."""
    plan = claim_plan(claim, **plan_changes)
    table = game_rows(plan, *games)
    over_games = overall_rows(plan, *(overall if overall is not None else [_numbers(games[0])]))
    claims = check_claims(table, over_games, plan)
    check_table(claims, CLAIMS)
    return claims.iloc[0]


def _numbers(spec: dict) -> dict:
    """Return what a game's and an overall specification share."""
    return {key: spec[key] for key in ("change", "se", "df", "metric", "withheld", "cautions") if key in spec}


def _result(name: str) -> dict:
    """Return a result by its name."""
    change, se = RESULTS[name]
    return {"change": change, "se": se}


@pytest.mark.parametrize(("says", "result", "outcome"), CASES)
def test_a_claim_over_these_games_follows_the_verdict(says, result, outcome):
    row = checked({"says": says}, games=[_result(result)] * 4)
    assert row["verdict"] == outcome


@pytest.mark.parametrize(("says", "result", "outcome"), CASES)
def test_a_claim_about_one_game_follows_its_verdict(says, result, outcome):
    row = checked({"says": says, "over": GAMES[0]}, games=[_result(result)])
    assert row["verdict"] == outcome


@pytest.mark.parametrize(
    ("says", "amount", "outcome"),
    [
        ("at_least", 1.90, YES), ("at_least", 1.92, OPEN), ("at_least", 4.10, OPEN), ("at_least", 4.11, NO),
        ("at_most", 4.11, YES), ("at_most", 4.10, OPEN), ("at_most", 1.92, OPEN), ("at_most", 1.90, NO),
    ],
)  # fmt: skip
@pytest.mark.parametrize("over", ["these_games", "games_like_these", "every_game", GAMES[0]])
def test_an_amount_is_held_against_the_one_sided_end(says, amount, outcome, over):
    both = [{"change": 3.0, "se": 0.5, "scope": scope} for scope in ("these_games", "games_like_these")]
    games = [{"change": 3.0, "se": 0.5}] * 4
    # That some of four games lies on the other side has four chances to be seen.
    outcome = OPEN if over == "every_game" and outcome == NO else outcome
    assert checked({"says": says, "by_pct": amount, "over": over}, games=games, overall=both)["verdict"] == outcome


@pytest.mark.parametrize(
    ("says", "amount", "outcome"),
    [("at_least", 4.82, NO), ("at_least", 4.81, OPEN), ("at_most", 1.21, NO), ("at_most", 1.22, OPEN)],
)
def test_one_of_four_games_contradicts_an_amount_in_every_game_at_a_quarter_of_the_level(says, amount, outcome):
    # 2.9559 +- 3.4954 x 0.5 log-percent are 4.816 % and 1.216 %.
    games = [{"change": 3.0, "se": 0.5}] * 4
    assert checked({"says": says, "by_pct": amount, "over": "every_game"}, games=games)["verdict"] == outcome


def test_for_power_lower_is_better():
    games = [{"change": -10.0, "se": 0.5, "metric": "board_w"}] * 4
    outcomes = {says: checked({"says": says, "metric": "board_w"}, games=games)["verdict"] for says in MATRIX}
    assert outcomes == {"better": YES, "worse": NO, "same": NO, "no_loss": YES}


def test_more_power_is_a_loss():
    games = [{"change": 10.0, "se": 0.5, "metric": "board_w"}] * 4
    row = checked({"says": "no_loss", "metric": "board_w"}, games=games)
    assert row["verdict"] == NO
    assert row["suggested_text"].startswith("Board power was about 10.0 % higher with “quiet” than with “factory”")


def test_a_metric_without_a_direction_can_be_the_same_or_have_an_amount():
    games = [{"change": -1.0, "se": 0.1, "metric": "core_mhz"}] * 4
    same = checked({"says": "same", "metric": "core_mhz"}, games=games)
    least = checked({"says": "at_most", "metric": "core_mhz", "by_pct": -0.5}, games=games)
    assert [same["verdict"], least["verdict"]] == [YES, YES]
    assert least["suggested_text"].startswith("The core clock was at least 0.7 % higher with “factory” than")


def test_a_named_game_needs_its_own_runs_to_agree():
    # Its own runs: 2.9559 -+ 2.7764 x 1.2 reaches below zero. Nothing is borrowed for the claim's sake.
    borrowed = {"change": 3.0, "se": 0.5, "df": 8.0, "own": (1.2, 4.0)}
    row = checked({"says": "better", "over": GAMES[0]}, games=[borrowed])
    assert row["verdict"] == OPEN
    assert "By its own runs alone: +3.0 %, 95 % interval −0.4 to +6.5 %." in row["evidence"]


def test_in_every_game_the_own_runs_of_each_must_agree_too():
    borrowed = {"change": 3.0, "se": 0.5, "df": 8.0, "own": (1.2, 4.0)}
    assert checked({"says": "better", "over": "every_game"}, games=[borrowed] * 4)["verdict"] == OPEN
    quiet = borrowed | {"own": (0.6, 4.0)}
    assert checked({"says": "better", "over": "every_game"}, games=[quiet] * 4)["verdict"] == YES


def test_one_game_contradicts_every_game_only_by_its_own_runs_too():
    fine, bad = {"change": 3.0, "se": 0.5}, {"change": -3.0, "se": 0.5, "df": 8.0, "own": (1.2, 4.0)}
    claim = {"says": "better", "over": "every_game"}
    assert checked(claim, games=[fine, fine, fine, bad])["verdict"] == OPEN
    assert checked(claim, games=[fine, fine, fine, bad | {"own": (0.5, 8.0)}])["verdict"] == NO


def test_no_game_lost_needs_no_adjustment_for_the_table_of_games():
    # p against a loss of 2 %: t = (2.0203 - 0.9)/0.45 = 2.49 on 4 df, p = 0.034; a script of one claim keeps it.
    games, holm = [{"change": -0.896, "se": 0.45}] * 4, {"analysis": {"adjust": "holm"}}
    assert checked({"says": "no_loss", "over": "every_game"}, games=games, **holm)["verdict"] == YES
    assert checked({"says": "no_loss", "over": GAMES[0]}, games=games, **holm)["verdict"] == YES


def test_a_real_loss_in_one_game_contradicts_no_loss_in_every_game_however_small():
    games = [*[{"change": 0.0, "se": 0.3}] * 3, {"change": -1.0, "se": 0.1}]
    row = checked({"says": "no_loss", "over": "every_game"}, games=games)
    assert row["verdict"] == NO
    assert row["evidence"] == (
        "3 of 4 scenes support it. Against it: Glass Tundra (−1.0 %, 95 % interval −1.3 to −0.7 %)."
    )
    assert row["suggested_text"] == (
        "Any loss of the average frame rate with “quiet” against “factory” is smaller than our margin of 2 % in 3 "
        "of our 4 scenes, on our Larkmoor 4; not so in Glass Tundra (−1.0 %)."
    )


def test_less_than_the_margin_lost_can_be_claimed_by_its_amount():
    games = [{"change": -1.0, "se": 0.1}] * 4
    row = checked({"says": "at_least", "by_pct": -2.0}, games=games)
    assert row["verdict"] == YES
    assert row["evidence"].startswith("Read as: average frame rate at most 2.0 % lower. Over 4 games: −1.0 %")


def test_a_result_without_a_verdict_shows_nothing_and_says_why():
    # So small that a restart explains it: not even the direction is said.
    games = [{"change": 0.9, "withheld": "confounded", "layout": "confounded"}] * 4
    row = checked({"says": "better"}, games=games)
    assert row["verdict"] == OPEN
    assert "Over 4 games: no verdict. Layout confounded: difference between tunings" in row["evidence"]
    assert row["suggested_text"].startswith(
        "We cannot compare the average frame rate of “quiet” and “factory” over 4"
    )


def test_one_game_without_a_verdict_leaves_every_game_open():
    games = [*[{"change": 3.0}] * 3, {"change": 9.0, "withheld": "held_by_cap"}]
    row = checked({"says": "better", "over": "every_game"}, games=games)
    assert row["verdict"] == OPEN
    assert "Open: Glass Tundra (no verdict: Frame-capped" in row["evidence"]
    assert row["suggested_text"] == (
        "“quiet” was faster than “factory” in 3 of our 4 scenes, on our Larkmoor 4; 1 scene is open."
    )


def test_a_game_that_nobody_measured_leaves_every_game_open():
    row = checked({"says": "better", "over": "every_game"}, games=[{"change": 3.0}] * 3)
    assert row["verdict"] == OPEN
    assert row["evidence"].endswith("Not measured on both sides: Glass Tundra.")


def test_an_amount_does_not_hang_on_a_flagged_run():
    flagged = {"change": 3.0, "se": 0.5, "cautions": "flagged_run:better/undecided"}
    row = checked({"says": "at_least", "by_pct": 1.0}, games=[flagged] * 4)
    assert row["verdict"] == OPEN
    assert "A run lies far from the other runs like it" in row["evidence"]


def test_without_a_margin_nothing_is_the_same():
    games = [{"change": 0.0, "se": 0.1, "metric": "core_c"}] * 4
    claim = {"says": "same", "metric": "core_c"}
    assert checked(claim, games=games)["verdict"] == YES
    assert checked(claim, games=games, analysis={"margins": {}})["verdict"] == OPEN


def test_other_games_are_not_spoken_of_with_fewer_than_three():
    row = checked({"says": "better", "over": "games_like_these"}, games=[{"change": 3.0}] * 2)
    assert row["verdict"] == OPEN
    assert row["evidence"] == "Fewer than three games can enter, so other games are not spoken of."
    assert row["suggested_text"] == (
        "Nothing of it: fewer than three games can enter, so other games are not spoken of."
    )


def test_an_undecided_game_tells_how_many_rounds_would_settle_it():
    games = [{"change": 0.5, "se": 1.0, "more_runs": 7}, *[{"change": 3.0, "se": 0.3}] * 3]
    assert checked({"says": "better", "over": GAMES[0]}, games=games)["more_runs"] == 7
    assert checked({"says": "better", "over": "every_game"}, games=games)["more_runs"] == 7


CARDS = [{"name": "Larkmoor 4"}, {"name": "Fernholt 3", "role": "rival"}]
OF_CARDS = {"says": "better", "of": {"card": "Larkmoor 4"}, "against": {"card": "Fernholt 3"}}
BETWEEN = {"against_card": "Fernholt 3", "of_tuning": "factory", "change": 0.5, "se": 1.0}


def settled(*games: dict, layout: str, **claim) -> str:
    """Return what would settle a claim about two cards."""
    rows = [BETWEEN | {"layout": layout} | game for game in games]
    return checked(OF_CARDS | claim, games=rows, overall=rows[:1], cards=CARDS)["to_settle"]


def test_between_cards_further_installations_in_turns_would_settle_a_claim_and_not_rounds():
    wanted = "7 further installations of each card in turns would settle it."
    assert settled({"more_runs": 7}, layout="restarts", over=GAMES[0]) == wanted
    assert settled({"more_runs": 7}, {"more_runs": 2}, layout="restarts", over="every_game") == wanted
    over_all = settled(*[{"df": 12.0, "se": 0.9}] * 4, layout="restarts")
    assert "further installation" in over_all
    assert "round" not in over_all
    tunings = checked({"says": "better", "over": GAMES[0]}, games=[{"change": 0.5, "se": 1.0, "more_runs": 7}])
    assert tunings["to_settle"] == "7 further rounds would settle it."


def test_a_claim_about_cards_installed_once_asks_for_installations_without_a_number():
    wanted = "Only further installations of both cards in turns could settle it."
    withheld, widened = {"withheld": "confounded"}, {"cautions": "assumed_restart_spread; installed_once"}
    for open_ in (withheld, widened):
        assert settled(open_, layout="confounded") == wanted
        assert settled(open_, open_, layout="confounded", over="every_game") == wanted
    assert settled(withheld, {"withheld": "held_by_cap"}, layout="confounded", over="every_game") == ""
    assert settled({"change": 3.0, "se": 0.3}, layout="confounded") == ""


def test_what_is_open_for_another_reason_promises_no_number_of_rounds():
    games = [{"change": 3.0, "se": 0.5}] * 4
    row = checked({"says": "at_least", "by_pct": 3.0}, games=games)
    assert row["verdict"] == OPEN
    assert row.isna()["more_runs"]
    assert row["to_settle"] == ""


def test_rounds_that_settle_an_undecided_result_over_games_follow_from_its_noise_alone():
    def more(change: float, se: float = 0.9):
        return checked({"says": "better"}, games=[{"change": change, "se": se, "df": 12.0}] * 4)["more_runs"]

    assert more(0.5) == more(-0.5) > 0
    assert more(0.5, se=1.0) > more(0.5)


def test_a_claim_is_held_against_the_rows_of_its_pair_only():
    plan = claim_plan({"says": "better"}, {"says": "better", "of": {"tuning": "brisk"}})
    brisk = [{"change": -3.0, "of_tuning": "brisk"}]
    rows = game_rows(plan, {"change": 3.0}, *brisk), overall_rows(plan, {"change": 3.0}, *brisk)
    assert check_claims(*rows, plan)["verdict"].tolist() == [YES, NO]


def test_a_plan_without_claims_gives_an_empty_table():
    plan = claim_plan()
    claims = check_claims(game_rows(plan, {"change": 3.0}), overall_rows(plan, {"change": 3.0}), plan)
    assert list(claims) == CLAIMS.names
    assert len(claims) == 0
