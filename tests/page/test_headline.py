"""The result in sentences: over which games, on whose cards, and what has no verdict told once."""

from __future__ import annotations

from judged_results import GAMES, claim_plan, game_rows, overall_rows

from gpubench_kit import page
from gpubench_kit.model.tables import RUNS
from gpubench_kit.page.headline import headline_rows, result_sentences
from gpubench_kit.page.no_verdict_told import REMEDIES, remedy_of
from gpubench_kit.wording.reasons import WITHHELD_TEXT

RIVALS = {"cards": [{"name": "Larkmoor 4"}, {"name": "Tern Ridge 70", "role": "rival"}]}
METRICS = ("avg_fps", "low_1pct_fps", "board_w")
NOT_STATED = {"change": -1.1, "withheld": "not_stated", "layout": "not_stated"}
WHY = "runs of one tuning back to back make false claims likely"


def told(*specs: dict, games: list[dict] | None = None, **sections) -> list[str]:
    """Return the headline of these rows over games; each was run in all games unless these are given."""
    plan = claim_plan(**sections)
    kept = ("metric", "change", "withheld", "of_card", "of_tuning", "against_card", "layout")
    each = [{key: one for key, one in spec.items() if key in kept} for spec in specs]
    rows = games or [one | {"game": game} for one in each for game in GAMES]
    return result_sentences(headline_rows(overall_rows(plan, *specs), game_rows(plan, *rows)), plan)


def test_games_left_out_of_the_result_are_named():
    short = told({"change": 3.0, "n_games": 3, "games_left_out": "Glass Tundra"})
    assert short[0].startswith("Over 3 games (left out: Glass Tundra), on our Larkmoor 4, “quiet” was 3.0 % faster")
    assert told({"change": 3.0})[0].startswith("Over 4 games, on our Larkmoor 4, “quiet” was")


def test_a_game_that_one_tuning_never_ran_is_named_too():
    plan_rows = [{"change": 3.0, "game": game} for game in GAMES]
    brisk = [{"change": 4.0, "of_tuning": "brisk", "game": game} for game in GAMES[:3]]
    text = told({"change": 3.0}, {"change": 4.0, "of_tuning": "brisk", "n_games": 3}, games=plan_rows + brisk)[0]
    assert ". Over 3 games (left out: Glass Tundra), “brisk” was 4.0 % faster than “factory”" in text


def test_results_over_as_many_but_other_games_stand_in_sentences_of_their_own():
    text = told(
        {"change": 3.0, "n_games": 3, "games_left_out": GAMES[0]},
        {"change": 4.0, "n_games": 3, "games_left_out": GAMES[1], "of_tuning": "brisk"},
    )[0]
    first, second = text.split(". Over ")
    assert first.startswith(f"Over 3 games (left out: {GAMES[0]}), on our Larkmoor 4, “quiet” was")
    assert second.startswith(f"3 games (left out: {GAMES[1]}), “brisk” was 4.0 % faster than “factory”")


def test_a_second_metric_over_other_games_says_so_and_over_the_same_does_not():
    same = told({"change": 3.0}, {"change": 3.0, "metric": "low_1pct_fps"})
    other = told(
        {"change": 3.0}, {"change": 3.0, "metric": "low_1pct_fps", "n_games": 3, "games_left_out": GAMES[0]}
    )
    assert same[1].startswith("The 1 % low was")
    assert other[1].startswith(f"Over 3 games (left out: {GAMES[0]}), the 1 % low was")


def test_a_reason_that_withholds_every_verdict_is_told_once_with_its_remedy():
    rows = [NOT_STATED | {"metric": metric, "of_tuning": one} for metric in METRICS for one in ("quiet", "brisk")]
    assert told(*rows) == [
        "On our Larkmoor 4, “quiet” against “factory” has no verdict on average frame rate, 1 % low and board "
        f"power, nor has “brisk”: the order of the runs is not stated: {WHY}. {REMEDIES['not_stated']}"
    ]


def test_what_has_a_verdict_is_told_beside_what_has_none():
    plain, across = {"change": 3.0}, {"change": 4.0, "against_card": "Tern Ridge 70", "of_tuning": "factory"}
    apart = across | {"withheld": "confounded", "layout": "confounded"}
    head = told(plain, apart, plain | {"metric": "board_w"}, apart | {"metric": "board_w"}, **RIVALS)
    assert [one.count("cannot be told apart") for one in head] == [1, 0, 0]
    assert head[0].startswith("On our Larkmoor 4 and our Tern Ridge 70, Larkmoor 4 “factory” against Tern Ridge 70")
    assert head[0].endswith(
        "cannot be told apart. Install the cards in turns (A B B A), or state restart_spread in the plan."
    )
    assert head[1].startswith("Over 4 games, on our Larkmoor 4, Larkmoor 4 “quiet” was 3.0 % faster")


def test_a_metric_without_a_verdict_follows_those_that_have_one():
    head = told({"change": 3.0}, {"change": -9.0, "metric": "board_w", "withheld": "different_power_points"})
    assert head[1].startswith("“quiet” against “factory” has no verdict on board power (measured −9.0 %): ")
    assert head[1].endswith(REMEDIES["different_power_points"])


def test_each_remedy_belongs_to_a_reason_and_cards_have_their_own():
    assert set(REMEDIES) <= set(WITHHELD_TEXT)
    plan = claim_plan(**RIVALS)
    one, two = overall_rows(
        plan, *({"change": 1.0, "withheld": "confounded", "against_card": card} for card in ("Larkmoor 4", "Tern"))
    ).itertuples()
    assert (remedy_of(one)[:7], remedy_of(two)[:7]) == ("Run the", "Install")


def test_the_page_names_the_games_left_out():
    plan = claim_plan()
    overall = overall_rows(plan, {"change": 3.0, "n_games": 3, "games_left_out": GAMES[0]})
    head = page.summary(overall, game_rows(plan, *[{"change": 3.0}] * 4), runs=RUNS.frame(), plan=plan)
    assert f"(left out: {GAMES[0]})" in head.body.replace("\xa0", " ")
