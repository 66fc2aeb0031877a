"""A card and its rival at the desk: which card has to be in is said before each run, its exchange takes time."""

from __future__ import annotations

import csv

import pytest
from made_evening import Evening, made_review

from gpubench_kit.desk.journal import card_step
from gpubench_kit.model.plan import load_plan

#: Card and mounting of each run, in order, as the planner writes them.
MOUNTED = (
    ("Fernholt 3", 1),
    ("Fernholt 3", 1),
    ("Larkmoor 4", 1),
    ("Larkmoor 4", 1),
    ("Larkmoor 4", 2),
    ("Larkmoor 4", 2),
)


@pytest.fixture
def evening(tmp_path):
    """Return a session of two cards that are mounted in turns."""
    made = Evening(tmp_path, made_review(games=1, rounds=3, tunings=2, scene_s=3.0, fps=30.0))
    plan, sheet = made.folder / "plan.toml", made.folder / "runs.csv"
    text = plan.read_text(encoding="utf-8")
    rival = '[[cards]]\nname = "Fernholt 3"\nrole = "rival"\n\n[[tunings]]'
    plan.write_text(text.replace("[[tunings]]", rival, 1), encoding="utf-8")
    with sheet.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for row, (card, number) in zip(rows, MOUNTED, strict=True):
        session = f"session 1, {card} mounted {number}"
        row |= {"card": card, "session": session, "launch": f"{session}, {row['game']}"}
    rows[0]["note"] = "pause 19 s first"
    with sheet.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    with made:
        yield made


def _change(evening: Evening) -> str:
    return next(line for line in evening.views[-1].now if line.startswith("CHANGE"))


def test_the_desk_says_which_card_has_to_be_in(evening):
    assert _change(evening).startswith("CHANGE pause 19 s first; Begin with the card Fernholt 3. Then start Copper")
    assert " on Fernholt 3   " in evening.now
    evening.record()
    assert "Same game, no restart." in _change(evening)
    evening.record()
    assert _change(evening).startswith("CHANGE Mount the card Larkmoor 4. Then start Copper Monsoon; wait 90 s;")
    assert " on Larkmoor 4   " in evening.now
    evening.record()
    evening.record()
    assert _change(evening).startswith("CHANGE Take the card Larkmoor 4 out and mount it again. Then start")


def test_a_card_that_was_said_to_be_in_is_not_asked_for_again(evening):
    evening.record()
    evening.record()
    evening.press("6", "3")
    evening.typed("Larkmoor 4")
    assert evening.desk.session.rows[evening.due]["card"] == "Larkmoor 4"
    assert "ount" not in _change(evening)


def test_an_exchange_of_the_card_is_in_the_time_that_is_left(evening):
    swaps = 2 * 60 * evening.desk.keeper.plan.session_plan.card_swap_min
    before = evening.desk.forecast.left_s
    assert before > swaps
    for _ in range(4):
        evening.record()
    assert before - evening.desk.forecast.left_s > swaps / 2


@pytest.mark.parametrize(("earlier", "row", "step"), [
    ({}, {"card": "Fernholt 3"}, "begin"),
    ({"card": "Fernholt 3", "session": "mon"}, {"card": "Fernholt 3", "session": "tue"}, ""),
    ({"card": "Fernholt 3", "session": "mon"}, {"card": "", "session": "mon"}, "mount"),
    ({"card": "", "session": "a, Larkmoor 4 mounted 1"},
     {"card": "", "session": "a, Larkmoor 4 mounted 2"}, "again"),
    ({"card": "", "session": "a, Larkmoor 4 mounted 1"},
     {"card": "", "session": "a, Larkmoor 4 mounted 1, restart 2"}, ""),
])  # fmt: skip
def test_what_is_to_be_done_with_the_cards(evening, earlier, row, step):
    assert card_step(row, earlier, load_plan(evening.folder)) == step
    assert card_step({}, earlier, load_plan(evening.folder)) == ""
