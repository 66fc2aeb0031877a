"""The section on method: which way of measuring is told, and whether cards or tunings are spoken of."""

from __future__ import annotations

import pandas as pd
import pytest
from judged_results import claim_plan, game_rows

from gpubench_kit.page.method import method_body
from gpubench_kit.page.results import Results

RIVAL = "Fernholt 3"
TUNINGS_APART = "a difference between tunings and a difference between two restarts cannot be told apart"
CARDS_APART = "a difference between cards and a difference between two installations cannot be told apart"
BLOCKS = "Each side was measured in several separate blocks"
IN_TURNS = "Cards were installed in turns, several times each"
ACROSS = {"against_card": RIVAL, "of_tuning": "factory"}
CARDS = [{"name": "Larkmoor 4"}, {"name": RIVAL, "role": "rival"}]
SAMPLES = [*CARDS[:1], {"name": "first", "model": RIVAL, "role": "rival"},
           {"name": "second", "model": RIVAL, "role": "rival"}]  # fmt: skip


def method_of(*rows: dict, cards=CARDS) -> str:
    """Return the section for one row of comparisons for each specification."""
    plan = claim_plan(cards=cards)
    table = game_rows(plan, *({"change": 1.0} | row for row in rows))
    none = pd.DataFrame()
    return str(method_body(Results(plan, none, none, none, none, table)))


@pytest.mark.parametrize(("layout", "tunings", "cards"),
                         [("confounded", TUNINGS_APART, CARDS_APART), ("restarts", BLOCKS, IN_TURNS)])  # fmt: skip
def test_between_cards_installations_are_told_and_within_a_card_restarts(layout, tunings, cards):
    across, own = ACROSS | {"layout": layout}, {"layout": layout}
    texts = [method_of(across), method_of(own), method_of(own, across)]
    assert [(tunings in text, cards in text) for text in texts] == [(False, True), (True, False), (True, True)]


def test_a_layout_that_both_share_is_told_once():
    text = method_of({"layout": "not_stated"}, ACROSS | {"layout": "not_stated"})
    assert text.count("Where the order of the runs is not stated") == 1


def test_between_samples_of_models_installations_are_not_called_the_unit():
    assert IN_TURNS not in method_of(ACROSS | {"layout": "restarts"}, cards=SAMPLES)


#: Hand-worked: n rounds in pairs have n - 1 degrees of freedom, two groups of n have 2 (n - 1).
@pytest.mark.parametrize(
    ("row", "said", "unsaid"),
    [
        ({"layout": "rounds", "n_blocks": 4, "df": 6.0}, "groups with one common noise", "within each round is"),
        ({"layout": "rounds", "n_blocks": 5, "df": 4.0}, "difference within each round is the unit", "two groups"),
        ({"layout": "rounds", "n_blocks": 3, "df": 4.0, "own": (0.5, 2.0)}, "within each round is", "two groups"),
        ({"layout": "restarts", "n_blocks": 3, "df": 4.0}, "blocks of runs of the two sides", "each round"),
        ({"layout": "not_stated", "n_blocks": 3, "df": 3.4}, "own noise (Welch 1947; 3.4 degrees", "common noise"),
        ({"layout": "confounded", "n_blocks": 3, "df": 5.5}, "by the spread between restarts", "each round"),
    ],
)
def test_the_test_that_was_used_is_told_with_its_degrees_of_freedom(row, said, unsaid):
    text = method_of(row)
    assert said in text
    assert unsaid not in text
    assert f"{row['df']:g} degrees of freedom" in text


def test_no_test_is_told_where_none_was_made():
    assert "degrees of freedom" not in method_of({"layout": "rounds", "df": float("nan"), "withheld": "one_run"})


def test_games_decided_by_different_tests_are_named_with_theirs():
    groups, pairs = ({"change": 1.0, "n_blocks": n, "df": df} for n, df in ((4, 6.0), (5, 4.0)))
    text = method_of(groups, pairs, cards=CARDS[:1])
    assert "(6 degrees of freedom)." in text
    assert "So in Low Tide Racers." in text.partition("6 degrees of freedom")[2]
    assert "So in Salt Orchard." in text.partition("(4 degrees of freedom)")[2]


def test_rounds_that_the_reviewer_states_are_told_as_stated():
    stated = method_of({"layout": "rounds", "cautions": "order_stated_alternated"})
    assert "The reviewer states that the two sides were run alternately" in stated
    assert "The reviewer states" not in method_of({"layout": "rounds"})
