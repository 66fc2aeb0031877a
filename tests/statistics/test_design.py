"""The design of a pair, from ids and order alone."""

import numpy as np
import pandas as pd
import pytest
from run_tables import CASES, balanced, games, make_plan, reference_runs, reference_table, run_table
from simulated_runs import Design, make_review

from gpubench_kit.statistics.design import CLASSES, classify
from gpubench_kit.statistics.runs import encode_runs, select_pair


def design_of(table, *, tuning="quiet", applied="as_recorded", typed_order="not_known", plan=None):
    plan = plan or make_plan(("factory", tuning))
    pair = select_pair(encode_runs(table), plan.pairs()[0], metric="avg_fps")
    return classify(pair, applied=applied, typed_order=typed_order)


def rounds_of(design):
    """Return the number of complete rounds."""
    return len(np.unique(design.unit[design.used]))


def classes_of(table, **options):
    return [CLASSES[one] for one in design_of(table, **options).classes]


@pytest.mark.parametrize(
    ("sequence", "columns", "wanted"),
    [
        ("A1 B1 B2 A2 A3 B3", {}, "rounds"),
        ("B1 A1", {}, "rounds"),
        ("A1 B1 A2 B2 A3", {}, "rounds"),
        ("A1 A2 A3 B1 B2 B3", {}, "confounded"),
        ("A1 A2 A3 B4 B5 B6", {}, "confounded"),
        ("A1 A2 B1 B2 A3 A4 B3 B4", {}, "restarts"),
        ("A1 A2 B1 B2 A3 A4", {}, "confounded"),
        ("A1 B2 A3 B4", {}, "restarts"),
        ("A1 B1 B2 A2", {"tuning_change": ["c1", "c2", "c2", "c3"]}, "confounded"),
        ("A1 B1 B2 A2 A3 B3", {"tuning_change": ["c1", "c2", "c2", "c3", "c3", "c4"]}, "restarts"),
        ("A1 B1 B2 A2", {"tuning_change": ["c1", "c2", "c3", "c4"]}, "rounds"),
        ("A1 A2 B1 B2", {"session": ["s1", "s1", "s2", "s2"]}, "confounded"),
        ("A1 A2 B1 B2 A1 A2 B1 B2", {"session": ["s1", "s1", "s2", "s2", "s3", "s3", "s4", "s4"]}, "restarts"),
        ("A1 B1 A1 B1", {"session": ["s1", "s1", "s2", "s2"]}, "rounds"),
        ("A- B- A- B-", {}, "rounds"),
        ("A- B- B- A- A- B-", {}, "rounds"),
        ("A1 B1 A2 B-", {}, "rounds"),
        ("A- A- B- B-", {}, "confounded"),
        ("A- A- B- B- A- A- B- B-", {}, "restarts"),
        ("A- B- A- B-", {"session": ["s1", "s2", "s1", "s2"]}, "restarts"),
        ("A- B- A- B-", {"session": ["s1", "s1", "s2", "s2"]}, "rounds"),
        ("A- A- B- B-", {"session": ["s1", "s1", "s2", "s2"]}, "confounded"),
        ("A- B- B- A-", {"tuning_change": ["c1", "c2", "c2", "c3"]}, "confounded"),
        ("A1 A1 B1", {}, "confounded"),
    ],
)
def test_one_game_gets_its_class(sequence, columns, wanted):
    assert classes_of(run_table(sequence, **columns)) == [wanted]


def test_values_never_change_the_class():
    table = run_table("A1 A2 B1 B2 A3 A4 B3 B4")
    assert classes_of(table.assign(value=table["value"] ** 9)) == classes_of(table)


def test_missing_order_is_not_stated():
    table = run_table("A1 B1 B2 A2").drop(columns="order")
    design = design_of(table)
    assert [CLASSES[one] for one in design.classes] == ["confounded"]
    assert design.unstated.tolist() == [True]
    assert design_of(table, typed_order="back_to_back").unstated.tolist() == [False]


def test_the_plan_can_pin_that_each_run_had_its_own_tuning_change():
    table = run_table("A1 B1 B2 A2", tuning_change=["c1", "c2", "c2", "c3"])
    assert classes_of(table, applied="each_run") == ["rounds"]


def test_the_plan_can_pin_that_neighbours_shared_a_tuning_change():
    table = run_table("A1 B1 B2 A2 A3 B3")
    assert classes_of(table, applied="each_block") == ["restarts"]
    assert design_of(table, applied="each_block").changes.source.tolist() == ["each_block"]


def test_the_reviewers_word_makes_rounds_of_typed_numbers():
    layout = design_of(run_table("A- A- A- B- B- B-").drop(columns="order"), typed_order="alternated")
    assert CLASSES[layout.classes[0]] == "rounds"
    assert rounds_of(layout) == 3
    assert layout.by_statement.tolist() == [True]


def test_the_reviewers_word_uses_round_numbers_where_they_are_given():
    layout = design_of(run_table("A1 A2 A3 B1 B3").drop(columns="order"), typed_order="alternated")
    assert rounds_of(layout) == 2


def test_back_to_back_typed_numbers_are_confounded():
    assert classes_of(run_table("A- A- B- B-"), typed_order="back_to_back") == ["confounded"]


def test_a_round_without_both_sides_is_left_out():
    layout = design_of(run_table("A1 B1 B2 A2 A3"))
    assert rounds_of(layout) == 2
    assert layout.used.tolist() == [True] * 4 + [False]


def test_a_round_number_used_twice_by_one_side_is_left_out():
    layout = design_of(run_table("A1 A1 B1 B2 A2 A3 B3"))
    assert rounds_of(layout) == 2


def test_rounds_of_different_games_may_overlap():
    first, second = run_table("A1 B1 B2 A2", game="one"), run_table("A1 B1 B2 A2", game="two")
    both = pd.concat([first.assign(order=[1, 3, 5, 7]), second.assign(order=[2, 4, 6, 8])])
    assert classes_of(both) == ["rounds", "rounds"]


def test_declared_changes_that_serve_several_games_are_shared():
    shared = make_review({"factory": 0.0, "quiet": 0.0}, Design(games=4, rounds=3, layout="shared-rounds"), seed=1)
    apart = make_review({"factory": 0.0, "quiet": 0.0}, Design(games=4, rounds=3), seed=1)
    assert design_of(shared).shared.tolist() == [True]
    assert design_of(apart).shared.tolist() == [False]
    assert set(classes_of(shared)) == {"rounds"}


def test_unbroken_succession_without_declared_changes_is_shared():
    table = make_review({"factory": 0.0, "quiet": 0.0}, Design(games=4, rounds=3, layout="shared-rounds"), seed=1)
    layout = design_of(table.drop(columns="tuning_change"))
    assert layout.shared.tolist() == [True]
    assert len(set(layout.part)) == 1
    assert layout.changes.source.tolist() == ["derived"]


def in_pieces(*pieces, rounds=2, **columns):
    """Return rounds in which each piece of games is run under one tuning, then under the other."""
    parts = [
        run_table(f"{side}{number}", game=game)
        for number in range(1, rounds + 1)
        for piece in pieces
        for side in ("AB" if number % 2 else "BA")
        for game in piece
    ]
    table = pd.concat(parts, ignore_index=True)
    return table.assign(order=range(1, len(table) + 1), **columns)


@pytest.mark.parametrize(
    ("pieces", "wanted"),
    [
        (("ab", "cd"), [0, 0, 1, 1]),
        (("abc", "d"), [0, 0, 0, 1]),
        (("a", "b", "c"), [0, 1, 2]),
        (("abcd",), [0] * 4),
    ],
)
def test_games_in_one_piece_of_the_order_are_linked(pieces, wanted):
    part = design_of(in_pieces(*pieces)).part
    assert np.unique(part, return_inverse=True)[1].tolist() == wanted


def test_links_of_several_rounds_add_up():
    first, second = in_pieces("ab", "c", rounds=1), in_pieces("a", "bc", rounds=1)
    both = pd.concat([first, second.assign(round=2, order=second["order"] + len(first))], ignore_index=True)
    assert len(set(design_of(both).part)) == 1


def test_a_game_without_one_side_in_a_round_links_nothing():
    table = in_pieces("a", "b", "c", rounds=3)
    gone = (table["game"] == "a") & (table["round"] == 2) & (table["tuning"] == "quiet")
    assert len(set(design_of(table[~gone]).part)) == 3


def test_declared_changes_link_in_place_of_the_order():
    table = in_pieces("ab", "cd")
    own = [f"c{number}" for number in range(len(table))]
    assert len(set(design_of(table.assign(tuning_change=own)).part)) == 4


def test_the_plan_can_pin_what_is_linked():
    table = in_pieces("ab", "cd", rounds=3)
    assert len(set(design_of(table, applied="each_run").part)) == 4
    assert len(set(design_of(in_pieces("a", "b"), applied="as_recorded").part)) == 2


@pytest.mark.parametrize("count", [2, 3, 4, 5, 10])
def test_chance_neighbours_do_not_share(count):
    parts = []
    for round_ in (1, 2, 3):
        for game in range(count):
            turn = f"A{round_} B{round_}" if (game + round_) % 2 else f"B{round_} A{round_}"
            parts.append(run_table(turn, game=f"game {game}"))
    table = pd.concat(parts, ignore_index=True)
    layout = design_of(table.assign(order=range(1, len(table) + 1)))
    assert not layout.shared.any()


def test_blocks_of_several_games_are_shared():
    design = Design(games=3, rounds=6, layout="restarts", blocks=3)
    table = make_review({"factory": 0.0, "quiet": 0.0}, design, seed=2)
    assert set(classes_of(table)) == {"restarts"}
    assert design_of(table).shared.tolist() == [True]
    assert design_of(table.drop(columns=["tuning_change"])).shared.tolist() == [True]


def test_blocks_of_one_game_each_are_not_shared():
    layout = design_of(games("A1 A2 B1 B2 A3 A4 B3 B4", 4))
    assert [CLASSES[one] for one in layout.classes] == ["restarts"] * 4
    assert layout.shared.tolist() == [False]


def test_one_side_always_first_is_seen_from_six_rounds_on():
    assert design_of(games("A1 B1 A2 B2 A3 B3", 2)).same_order.tolist() == [True]
    assert design_of(games("A1 B1 A2 B2", 2)).same_order.tolist() == [False]
    assert design_of(balanced(2, 3)).same_order.tolist() == [False]


def test_confounded_games_may_have_changes_of_their_own():
    turned = pd.concat(
        [run_table("A1 A2 B3 B4", game=f"g{n}") for n in (1, 3)] + [run_table("B1 B2 A3 A4", game="g2")]
    )
    turned = turned.sort_values("game", kind="stable").assign(order=range(1, 13))
    assert design_of(turned).own_changes.tolist() == [True]
    assert design_of(games("A1 A2 B3 B4", 3)).own_changes.tolist() == [False]


def test_sessions_of_one_side_shared_by_games_are_not_of_their_own():
    one = run_table("A1 A2 B3 B4", game="g1", session=["s1", "s1", "s2", "s2"])
    two = run_table("B1 B2 A3 A4", game="g2", session=["s2", "s2", "s3", "s3"])
    assert design_of(pd.concat([one, two]).assign(order=range(1, 9))).own_changes.tolist() == [False]


def rival_plan():
    return make_plan(("factory",), cards=({"name": "Larkmoor 4"}, {"name": "Fernholt 3", "role": "rival"}))


def cards_of(sequence):
    return ["Larkmoor 4" if token[0] == "A" else "Fernholt 3" for token in sequence.split()]


@pytest.mark.parametrize(
    ("sequence", "sessions", "wanted"),
    [
        ("A1 A2 B1 B2", ["s1", "s1", "s2", "s2"], "confounded"),
        ("A1 A2 B1 B2", None, "confounded"),
        ("A1 A2 B1 B2 B1 B2 A1 A2", ["s1", "s1", "s2", "s2", "s3", "s3", "s4", "s4"], "restarts"),
        ("A1 B1 B2 A2 A3 B3", None, "restarts"),
        ("A1 B1 B2 A2", None, "confounded"),
        ("A1 B1 A2 B2", None, "rounds"),
        ("A1 B1 B2 A2 A3 B3", ["s1"] * 6, "restarts"),
    ],
)
def test_a_card_must_be_installed_anew_to_count_as_a_block(sequence, sessions, wanted):
    table = run_table(sequence, card=cards_of(sequence), tuning="factory")
    if sessions:
        table["session"] = sessions
    assert classes_of(table, plan=rival_plan()) == [wanted]


@pytest.mark.parametrize("case", CASES)
def test_reference_cases_are_separable_where_the_reference_says_so(case):
    table = reference_table("layout", case=case).set_index("arm")
    for tuning in CASES[case]:
        separable = bool(table.loc[tuning, "separable_from_session_round_block"])
        found = set(classes_of(reference_runs(case), tuning=tuning))
        assert found == ({"rounds"} if separable else {"confounded"})


def test_row_order_does_not_matter(rng):
    table = balanced(3, 4)
    shuffled = table.sample(frac=1, random_state=np.random.RandomState(3))
    assert classes_of(shuffled) == classes_of(table)


def test_an_order_counted_anew_for_each_card_is_no_turn_taking():
    table = run_table("A1 A2 A3 B1 B2 B3", card=["Larkmoor 4"] * 3 + ["Fernholt 3"] * 3, tuning="factory")
    assert classes_of(table.assign(order=[1, 2, 3, 1, 2, 3]), plan=rival_plan()) == ["confounded"]


def test_an_order_counted_anew_in_each_session_keeps_its_rounds():
    table = run_table("A1 B1 B2 A2 B1 A1 A2 B2", session=["s1"] * 4 + ["s2"] * 4)
    assert classes_of(table.assign(order=[1, 2, 3, 4] * 2)) == ["rounds"]
    blocks = run_table("A1 A2 A3 A4 B1 B2 B3 B4", session=["s1", "s1", "s2", "s2", "s3", "s3", "s4", "s4"])
    assert classes_of(blocks.assign(order=[1, 2] * 4)) == ["confounded"]
