"""What the tables of results say beside a verdict."""

from __future__ import annotations

from judged_results import claim_plan, game_rows, overall_rows

from gpubench_kit import page
from gpubench_kit.page.quality import message_text

ALONE = "By its own noise alone"
#: On its own 2.0 log-percent at a standard error of 0.7 has p = 0.046 (t of 4 degrees of freedom); Holm doubles it.
NEAR, FLAT = {"change": 2.02, "se": 0.7}, {"change": 0.0, "se": 0.7}


def games_told(*specs: dict) -> str:
    """Return the section game by game."""
    plan = claim_plan()
    return page.game_results(game_rows(plan, *specs), plan).body


def test_a_second_verdict_by_own_noise_stands_only_where_noise_was_borrowed():
    assert "On its own this difference would count" in games_told(NEAR, FLAT)
    assert ALONE not in games_told(NEAR, FLAT)
    assert ALONE in games_told(NEAR | {"own": (0.7, 4.0)}, FLAT)


def test_how_games_were_taken_together_is_told_by_layout():
    plan = claim_plan()
    shared = page.overall_results(overall_rows(plan, {"change": 1.0, "layout": "shared-rounds"}), plan).body
    plain = page.overall_results(overall_rows(plan, {"change": 1.0}), plan).body
    rounds, games = "the result counts rounds, not games", "each game counts once"
    assert (rounds in shared, games in shared) == (True, False)
    assert (rounds in plain, games in plain) == (False, True)


def test_where_no_game_enters_the_games_are_neither_counted_nor_listed_twice():
    plan = claim_plan()
    cold = {"change": 0.0, "metric": "core_c", "withheld": "no_soak_runs", "n_games": 0, "games_left_out": "A; B"}
    body = page.overall_results(overall_rows(plan, cold, cold | {"scope": "games_like_these"}), plan).body
    assert body.count("Heat carries over between short alternating runs") == 1
    assert "these 0 games" not in body
    assert "Left out" not in body
    some = overall_rows(plan, {"change": 1.0, "n_games": 3, "games_left_out": "Glass Tundra"})
    assert "Left out: Glass Tundra." in page.overall_results(some, plan).body.replace("\xa0", " ")


def test_the_name_of_a_file_keeps_its_case():
    assert message_text("runs.csv: no column 'round'.") == "runs.csv: no column 'round'."
    assert message_text("run 'r1': a hole") == "Run 'r1': a hole"
