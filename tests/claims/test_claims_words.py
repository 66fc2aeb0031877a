"""Sentences: what they say, whose card they name, how they round; proposals and the sheet for the script."""

from __future__ import annotations

import math
import re

import pytest
from judged_results import GAMES, claim_plan, game_rows, overall_rows

from gpubench_kit.claims.check import check_claims
from gpubench_kit.claims.script import MOST, proposed_sentences, script_sheet, write_script_sheet
from gpubench_kit.claims.sentences import level_text
from gpubench_kit.model.errors import ReportError
from gpubench_kit.wording.numbers import interval_text, number_text

RIVALS = {
    "cards": [{"name": "Larkmoor 4", "power_measured_at": "inline"},
              {"name": "Fernholt 3", "role": "rival", "power_measured_at": "inline"}],
}  # fmt: skip
AGAINST_RIVAL = {"against_card": "Fernholt 3", "of_tuning": "factory"}


def said(claim: dict, result: dict, *, games: int = 4, **plan_changes) -> str:
    """Return what may be said of a claim about results that are all alike."""
    plan = claim_plan(claim, **plan_changes)
    overall = overall_rows(plan, result)
    return check_claims(game_rows(plan, *[result] * games), overall, plan)["suggested_text"].iloc[0]


@pytest.mark.parametrize(
    ("result", "sentence"),
    [
        ({"change": 3.0}, "“quiet” was about 3.0 % faster than “factory” over 4 games, on our Larkmoor 4 "),
        ({"change": -1.0, "se": 0.1}, "“quiet” was about 1.0 % slower than “factory” over 4 games, on our Larkmoor "
         "4, less than our margin of 2 % "),
        ({"change": 0.0, "se": 0.3}, "“quiet” was as fast as “factory” over 4 games, on our Larkmoor 4, "
         "to within our margin of 2 % "),
        ({"change": -0.5, "se": 1.0}, "Our runs do not tell whether “quiet” was faster or slower than “factory” "),
        ({"change": 0.5, "se": 0.8}, "Any loss of the average frame rate with “quiet” against “factory” is "
         "smaller than 1.8 % over 4 games, on our Larkmoor 4 "),
        ({"change": 3.0, "withheld": "held_by_cap"}, "We cannot compare the average frame rate of “quiet” and "
         "“factory” over 4 games, on our Larkmoor 4: frame-capped"),
    ],
)  # fmt: skip
def test_instead_of_a_claim_stands_the_weakest_sentence_that_tells_what_was_found(result, sentence):
    assert said({"says": "at_least", "by_pct": 20.0}, result).startswith(sentence)


def test_a_bound_never_claims_more_than_the_interval():
    # The interval begins at +1.58 %: "at least 1.6 %" would be more than was shown.
    assert said({"says": "better"}, {"change": 3.0}).startswith("“quiet” was at least 1.5 % faster than")


def test_a_real_difference_whose_bound_rounds_to_nothing_has_no_least_size():
    assert said({"says": "better"}, {"change": 3.0, "se": 1.06}).startswith("“quiet” was faster than “factory”")


def test_the_same_is_said_with_its_tightest_bound_but_never_beyond_the_margin():
    assert "; any difference is smaller than 0.9 % (" in said({"says": "same"}, {"change": 0.0, "se": 0.3})
    # The ends lie at +-1.94 %.
    assert "; any difference is smaller than 2.0 % (" in said({"says": "same"}, {"change": 0.0, "se": 0.7})


def test_a_loss_that_is_bounded_is_said_as_the_most_that_it_is():
    sentence = said({"says": "at_least", "by_pct": -2.0}, {"change": -0.5, "se": 0.3})
    assert sentence.startswith("“quiet” was at most 2.0 % slower than “factory” over")


def test_an_amount_against_the_run_of_things_is_said_as_it_was_claimed():
    sentence = said({"says": "at_least", "by_pct": -2.0}, {"change": 0.5, "se": 0.3})
    assert sentence.startswith("“quiet” was at most 2.0 % slower than “factory” over")


@pytest.mark.parametrize(
    ("claim", "words"),
    [
        ({"metric": "board_w", "says": "at_most", "by": -30.0}, "board power at least 30.0 W lower."),
        ({"metric": "board_w", "says": "at_most", "by": 30.0}, "board power at most 30.0 W higher."),
        ({"says": "at_least", "by_pct": 5.0}, "average frame rate at least 5.0 % higher."),
    ],
)
def test_an_amount_is_read_without_a_sign(claim, words):
    plan = claim_plan(claim)
    row = {"change": -12.0 if "metric" in claim else 9.0, "metric": claim.get("metric", "avg_fps")}
    games = game_rows(plan, *[row] * 4)
    (found,) = check_claims(games, overall_rows(plan, row), plan).itertuples()
    assert found.evidence.startswith(f"Read as: {words} ")
    assert not re.search(r"changes? by|or less|or more", found.evidence + found.suggested_text)


def test_one_sided_ends_over_games_are_told_with_the_level_that_they_have():
    plan = claim_plan({"says": "at_least", "by_pct": -2.0})
    overall = overall_rows(plan, {"change": -0.9, "se": 0.2, "df": 10.0, "confidence": 0.992})
    (found,) = check_claims(game_rows(plan, *[{"change": -0.9}] * 4), overall, plan).itertuples()
    # By hand: -0.9 % is -0.90407 in log-percent; t(0.95, 10) = 1.8125, times 0.2 is 0.3625.
    evidence = found.evidence.replace("\u00a0", " ")
    assert "99.2 % interval" in evidence
    assert "One-sided 95 % ends: −1.3 % and −0.5 %." in evidence


def test_a_bound_from_a_games_own_runs_stands_beside_the_interval_that_it_is_from():
    claim = {"metric": "low_1pct_fps", "says": "better", "over": "Glass Tundra"}
    plan = claim_plan(claim)
    row = {
        "change": 2.1,
        "se": 1.1,
        "df": 12.0,
        "metric": "low_1pct_fps",
        "own": (1.2, 8.0),
        "game": "Glass Tundra",
    }
    games = game_rows(plan, row)
    (found,) = check_claims(games, overall_rows(plan, {"change": 2.1, "metric": "low_1pct_fps"}), plan).itertuples()
    own = games.iloc[0]
    assert own.own_ci_low < own.ci_low < 0
    text = found.suggested_text.replace("\u00a0", " ")
    assert f"smaller than {math.ceil(-10 * own.own_ci_low) / 10:.1f} %" in text
    assert text.endswith(f"interval {interval_text(own.own_ci_low, own.own_ci_high)}).".replace("\u00a0", " "))


@pytest.mark.parametrize(("confidence", "text"), [(0.95, "95 %"), (0.975, "97.5 %"), (0.99467, "99.4 %")])
def test_a_level_is_spoken_with_one_decimal_and_never_as_more_than_it_is(confidence, text):
    assert level_text(confidence) == text


def test_two_cards_are_both_named_as_ours():
    result = {"change": 9.0} | AGAINST_RIVAL
    claim = {"says": "better", "of": {"card": "Larkmoor 4"}, "against": {"card": "Fernholt 3"}}
    assert said(claim, result, **RIVALS).startswith(
        "Our Larkmoor 4 was at least 7.4 % faster than our Fernholt 3 over 4 games ("
    )


def test_tuned_cards_are_named_with_their_tuning():
    result = {"change": 9.0, "against_card": "Fernholt 3", "against_tuning": "quiet"}
    claim = {"says": "better", "of": {"tuning": "quiet"}, "against": {"card": "Fernholt 3"}}
    assert said(claim, result, **RIVALS).startswith(
        "Our Larkmoor 4 with “quiet” was at least 7.4 % faster than our Fernholt 3 with “quiet” over"
    )


def test_several_samples_are_counted():
    cards = [{"name": f"sample {letter}", "model": "Larkmoor 4"} for letter in "abc"]
    assert ", on our 3 samples of the Larkmoor 4 (" in said({"says": "better"}, {"change": 3.0}, cards=cards)


def test_two_benches_are_named():
    benches = [{"name": "driver A"}, {"name": "driver B"}]
    claim = {"says": "better", "of": {"bench": "driver B"}, "against": {"bench": "driver A"}}
    result = {"change": 3.0, "of_tuning": "factory", "of_bench": "driver B", "against_bench": "driver A"}
    assert said(claim, result, benches=benches).startswith(
        "“factory” on test setup “driver B” was at least 1.5 % faster than “factory” on test setup “driver A” over"
    )


@pytest.mark.parametrize(("metric", "spread"), [("avg_fps", "0.5 %"), ("core_c", "0.5 °C")])
def test_what_rests_on_an_assumption_says_so(metric, spread):
    result = {"change": -9.0, "metric": metric, "cautions": "assumed_restart_spread"}
    analysis = {"margins": {"core_c": 2.0}, "restart_spread": {metric: 0.5, "restarts": 0}}
    sentence = said({"says": "same", "metric": metric}, result, analysis=analysis)
    assert f", assuming that restarts vary by {spread} (" in sentence


def test_performance_per_watt_is_higher():
    analysis = {"metrics": ["avg_fps", "frames_per_j"]}
    result = {"change": 9.0, "metric": "frames_per_j"}
    sentence = said({"says": "better", "metric": "frames_per_j"}, result, analysis=analysis)
    assert sentence.startswith("Performance per watt was at least 7.4 % higher with “quiet” than with “factory”")


@pytest.mark.parametrize(
    ("says", "result", "sentence"),
    [
        ("better", {"change": 3.0}, "“quiet” was faster than “factory” in each of our 4 scenes, on our Larkmoor "
         "4."),
        ("same", {"change": 0.0, "se": 0.2}, "There is no difference of the average frame rate between “quiet” and "
         "“factory” beyond our margin of 2 % in each of our 4 scenes, on our Larkmoor 4."),
        ("no_loss", {"change": 0.0, "se": 0.3}, "Any loss of the average frame rate with “quiet” against “factory” "
         "is smaller than 0.9 % in each of our 4 scenes, on our Larkmoor 4."),
        ("at_least", {"change": 3.0}, "“quiet” was at least 1.0 % faster than “factory” in each of our 4 scenes, "
         "on our Larkmoor 4."),
        ("worse", {"change": 3.0}, "In none of our 4 scenes is the claim shown, on our Larkmoor 4; not so in Low "
         "Tide Racers (+3.0 %); Salt Orchard (+3.0 %); Copper Monsoon (+3.0 %); Glass Tundra (+3.0 %)."),
    ],
)  # fmt: skip
def test_what_holds_in_every_game_is_said_once(says, result, sentence):
    claim = {"says": says, "over": "every_game"} | ({"by_pct": 1.0} if says == "at_least" else {})
    assert said(claim, result) == sentence


def test_lower_power_in_every_game_is_said_of_the_metric():
    claim = {"says": "better", "metric": "board_w", "over": "every_game"}
    assert said(claim, {"change": -9.0, "metric": "board_w"}) == (
        "Board power was lower with “quiet” than with “factory” in each of our 4 scenes, on our Larkmoor 4."
    )


def test_amounts_that_not_all_games_show_are_not_counted_game_by_game():
    plan = claim_plan({"says": "at_most", "by_pct": 4.0, "over": "every_game"})
    games = game_rows(plan, *[{"change": 3.0, "se": 0.2}] * 3, {"change": 3.9})
    claims = check_claims(games, overall_rows(plan, {"change": 3.0}), plan)
    assert claims["suggested_text"].iloc[0] == "The claim is not shown for each of our 4 scenes, on our Larkmoor 4."
    assert "3 of 4 scenes support it. Open: " in claims["evidence"].iloc[0]


def test_every_number_in_a_sentence_is_a_number_of_the_tables():
    plan = claim_plan(*({"says": says} for says in ("better", "same", "no_loss")))
    table, overall = game_rows(plan, *[{"change": 2.64}] * 4), overall_rows(plan, {"change": 2.64})
    known = {number_text(value, decimals=1) for value in overall.select_dtypes("number").iloc[0]} | {"4", "2", "95"}
    for text in check_claims(table, overall, plan)["suggested_text"]:
        numbers = re.findall(r"[−]?\d+(?:\.\d+)?", text.replace("Larkmoor 4", ""))
        # A bound is rounded down, so the last digit may be one less than that of the interval.
        assert {one for one in numbers if one not in known} <= {"1.2"}, text


def proposals(*specs: dict, games: int = 4, **plan_changes):
    """Return proposals about results: each specification is one row over games, its games all alike."""
    plan = claim_plan(**plan_changes)
    rows = [spec | {"game": game} for spec in specs for game in GAMES[:games]]
    return proposed_sentences(game_rows(plan, *rows), overall_rows(plan, *specs), plan)


def test_what_is_settled_is_safe_to_say_and_what_is_open_is_not():
    found = proposals({"change": 3.0, "se": 0.3}, {"change": 1.0, "se": 1.5, "metric": "low_1pct_fps"})
    assert [one.text.partition(" over")[0] for one in found.safe] == [
        "“quiet” was at least 2.1 % faster than “factory”",
        "“quiet” was faster than “factory” in each of our 4 scenes, on our Larkmoor 4.",
    ]
    assert [one.text for one in found.not_shown] == [
        "The 1 % low is higher with “quiet” than with “factory” in our games.",
        "Every Larkmoor 4 runs like this with “quiet”.",
    ]
    assert found.not_shown[0].why.startswith("Not shown: Over 4 games: +1.0 %")


def test_a_small_loss_makes_no_loss_a_sentence_that_is_often_said():
    found = proposals({"change": -1.0, "se": 0.1})
    assert found.not_shown[0].text == "“quiet” loses nothing against “factory” in our games."
    assert found.not_shown[0].why.startswith("Contradicted: Over 4 games: −1.0 %")


def test_nobody_says_of_a_large_loss_that_there_is_none():
    assert [one.text for one in proposals({"change": -9.0}).not_shown] == [
        "Every Larkmoor 4 runs like this with “quiet”."
    ]


def test_no_loss_in_any_game_is_proposed_where_no_gain_is():
    found = proposals({"change": 0.0, "se": 0.2})
    assert found.safe[-1].text.startswith(
        "Any loss of the average frame rate with “quiet” against “factory” is smaller"
    )


def test_lists_are_short():
    rows = [{"change": change, "metric": metric, "of_tuning": tuning}
            for metric in ("avg_fps", "low_1pct_fps", "board_w", "energy_per_frame_j")
            for tuning, change in (("quiet", -3.0), ("brisk", 3.0))]  # fmt: skip
    found = proposals(*rows, *({**one, "metric": "core_c"} for one in rows[:2]))
    assert len(found.safe) == MOST


def test_without_results_only_what_one_sample_never_shows_is_left():
    plan = claim_plan()
    found = proposed_sentences(
        game_rows(plan, {"change": 1.0}).iloc[:0], overall_rows(plan, {"change": 1.0}).iloc[:0], plan
    )
    assert found.safe == ()
    assert [one.text for one in found.not_shown] == ["Every Larkmoor 4 runs like this with “quiet”."]


def sheet_parts(title: str = ""):
    """Return plan, claims and proposals of a small review."""
    plan = claim_plan({"says": "better", "text": "It is <faster>."}, {"says": "better", "over": GAMES[0]})
    table = game_rows(plan, {"change": 0.5, "se": 1.0, "more_runs": 7}, *[{"change": 3.0}] * 3)
    overall = overall_rows(plan, {"change": 3.0})
    return plan, check_claims(table, overall, plan), proposed_sentences(table, overall, plan)


def test_the_sheet_has_every_claim_with_its_outcome_and_every_proposal():
    _, claims, found = sheet_parts()
    text = script_sheet(claims, found, title="Larkmoor 4")
    assert "Sentences for the script: Larkmoor 4\n====" in text
    assert "[SUPPORTED] It is <faster>.\n    Evidence: Over 4 games: +3.0 %" in text
    assert "    7 further rounds would settle it.\n" in text
    assert "You can say\n===========\n\n- “quiet” was at least" in text
    assert max(map(len, text.splitlines())) <= 90
    assert not re.search(r"^ *%", text, flags=re.MULTILINE)


def test_a_sheet_without_claims_or_proposals_has_neither_list():
    _, claims, found = sheet_parts()
    text = script_sheet(claims.iloc[:0], type(found)((), ()))
    assert "Safe" not in text
    assert "claims of the plan" not in text


def test_the_sheet_stands_beside_the_tables(tmp_path):
    plan, claims, found = sheet_parts()
    path = write_script_sheet(claims, found, tmp_path, plan=plan)
    assert path == tmp_path / "tables" / "claims.txt"
    assert path.read_bytes().decode("utf-8") == script_sheet(claims, found, title="A test")


def test_a_sheet_that_cannot_be_written_is_said_so(tmp_path):
    plan, claims, found = sheet_parts()
    (tmp_path / "tables").write_text("in the way")
    with pytest.raises(ReportError, match=r"claims\.txt: cannot be written"):
        write_script_sheet(claims, found, tmp_path, plan=plan)
