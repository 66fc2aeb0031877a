"""The section on method: which way of measuring is told, and whether cards or tunings are spoken of."""

from __future__ import annotations

import pytest
from judged_results import claim_plan, game_rows

from gpubench_kit import page
from gpubench_kit.tables import RUN_METRICS

RIVAL = "Tern Ridge 70"
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
    return page.method(RUN_METRICS.frame(), table, plan).body


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
