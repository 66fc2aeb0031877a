"""What is offered as safe to say, and how scenes are counted that do not bear a claim out."""

from __future__ import annotations

import re
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from judged_results import GAMES, claim_plan, game_rows, overall_rows

from gpubench_kit.claims.check import check_claims
from gpubench_kit.claims.script import proposed_sentences

RIVALS = {"cards": [{"name": "Larkmoor 4"}, {"name": "Fernholt 3", "role": "rival"}]}
BENCHES = {"benches": [{"name": "desk"}, {"name": "shelf"}]}
EVERYWHERE = {"says": "better", "over": "every_game"}


def proposed(*specs: dict, **plan_changes):
    """Return proposals about results: each specification is one row over games, its games all alike."""
    plan = claim_plan(**plan_changes)
    rows = [spec | {"game": game} for spec in specs for game in GAMES]
    return proposed_sentences(game_rows(plan, *rows), overall_rows(plan, *specs), plan)


def held(claim: dict, *games: dict, **plan_changes):
    """Return the row of a claim about these games."""
    plan = claim_plan(claim, **plan_changes)
    return check_claims(game_rows(plan, *games), overall_rows(plan, {"change": 3.0}), plan).iloc[0]


@pytest.mark.parametrize("caution", ["not_stated", "order_same_every_time"])
def test_what_hangs_on_an_order_that_is_not_known_is_not_safe_to_say(caution):
    spec = {"change": 3.0, "layout": "not_stated", "cautions": caution}
    plan = claim_plan()
    over_games = overall_rows(plan, spec | {"withheld": "not_stated", "cautions": ""})
    found = proposed_sentences(game_rows(plan, *[spec] * 4), over_games, plan)
    assert found.safe == ()
    known = proposed_sentences(game_rows(plan, *[{"change": 3.0, "se": 0.3}] * 4), over_games, plan)
    assert [one.text.partition(" in each")[0] for one in known.safe] == ["“quiet” was faster than “factory”"]


def test_a_supported_sentence_says_that_the_order_is_not_stated():
    games = [{"change": 3.0, "layout": "not_stated", "cautions": "not_stated"}] * 4
    every, one = held(EVERYWHERE, *games), held({"says": "better", "over": GAMES[0]}, *games)
    assert every["suggested_text"].endswith("on our Larkmoor 4, with the order of the runs not stated.")
    assert ", with the order of the runs not stated (+3.0 %" in one["suggested_text"]


def test_a_sentence_about_every_scene_names_the_spread_that_is_assumed():
    games = [{"change": 6.0, "layout": "confounded", "cautions": "assumed_restart_spread"}] * 4
    row = held(EVERYWHERE, *games, analysis={"restart_spread": {"avg_fps": 0.5, "restarts": 0}})
    assert row["suggested_text"].endswith(", assuming that restarts vary by 0.5 %.")


def test_a_scene_that_is_the_same_within_the_margin_is_not_called_open():
    row = held(EVERYWHERE, *[{"change": 3.0}] * 2, {"change": 0.0, "se": 0.2}, {"change": 0.5, "se": 1.0})
    assert row["evidence"].startswith(
        "2 of 4 scenes support it. Same within the margin: Copper Monsoon (0.0 %, 95 % interval −0.6 to +0.6 %). "
        "Open: Glass Tundra"
    )
    assert row["suggested_text"].endswith("; 1 scene is the same within our margin; 1 scene is open.")


@pytest.mark.parametrize(
    ("place", "sections", "named"),
    [
        (("of_card", "against_card"), RIVALS, ["on our Larkmoor 4", "on our Fernholt 3"]),
        (("of_bench", "against_bench"), BENCHES, ["test setup “desk”", "test setup “shelf”"]),
    ],
)
def test_sentences_about_two_cards_or_benches_each_name_theirs(place, sections, named):
    names = [one["name"] for one in next(iter(sections.values()))]
    found = proposed(*({"change": -1.0, "se": 0.1} | dict.fromkeys(place, name) for name in names), **sections)
    texts = [one.text for one in (*found.safe, *found.not_shown)]
    assert max(Counter(texts).values()) == 1
    losses = [text for text in texts if text.startswith("“quiet” loses nothing") and "our games" in text]
    assert [name in text for text, name in zip(losses, named, strict=True)] == [True, True]


def test_a_sentence_often_said_begins_with_a_capital():
    across = {"against_card": "Fernholt 3", "of_tuning": "factory", "change": 1.0, "se": 1.5}
    texts = [one.text for one in proposed(across, **RIVALS).not_shown]
    assert texts[0] == "Our Larkmoor 4 is faster than our Fernholt 3 in our games."


_SPECS = st.fixed_dictionaries(
    {
        metric: st.fixed_dictionaries(
            {"metric": st.just(metric), "change": st.floats(-25, 25), "se": st.floats(0.05, 6.0)},
            optional={"carried_by": st.just(GAMES[0]), "withheld": st.just("confounded")},
        )
        for metric in ("avg_fps", "low_1pct_fps", "board_w")
    }
)
_SAID = re.compile(
    r"\((?P<change>[+\u2212]?[\d.]+) %, [\d.]+ % interval "
    r"(?P<low>[+\u2212]?[\d.]+) to (?P<high>[+\u2212]?[\d.]+) %\)"
)


def _number(text: str) -> float:
    """Return a printed number."""
    return float(text.replace("\u2212", "-"))


@settings(max_examples=30)
@given(_SPECS)
def test_no_sentence_over_games_says_more_than_the_row_it_speaks_of(specs):
    plan = claim_plan(analysis={"metrics": list(specs)})
    overall = overall_rows(plan, *specs.values())
    rows = {row.metric: row for row in overall.itertuples()}
    words = {"avg_fps": r"was .*?(faster|slower|as fast)", "low_1pct_fps": "The 1 % low", "board_w": "Board power"}
    games = game_rows(plan, *({"metric": one, "change": 0.0, "se": 9.0, "game": GAMES[0]} for one in specs))
    for one in proposed_sentences(games, overall, plan).safe:
        text = one.text.replace("\u00a0", " ")
        row = next(rows[metric] for metric, said in reversed(words.items()) if re.search(said, text))
        assert row.verdict not in ("undecided", "no_verdict")
        assert not row.carried_by or GAMES[0] in text
        said = _SAID.search(text)
        assert _number(said["change"]) == pytest.approx(row.change, abs=0.0501)
        assert (_number(said["low"]), _number(said["high"])) == pytest.approx((row.ci_low, row.ci_high), abs=0.0501)
        claim = text[: said.start()]
        if least := re.search(r"at least ([\d.]+) %", claim):
            assert float(least[1]) <= min(abs(row.ci_low), abs(row.ci_high)) + 1e-9
        if most := re.search(r"smaller than ([\d.]+) %", claim):
            assert abs(row.change) < float(most[1]) <= row.margin + 0.05
        assert not re.search("faster|higher", claim) or row.ci_low > 0
        assert not re.search("slower|lower", claim) or row.ci_high < 0
        if re.search(r"same with|as fast", claim):
            assert row.verdict == "same_within_margin"
