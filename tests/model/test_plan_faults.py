"""What a plan with faults gives: every fault at once, each with its place and what to do."""

from __future__ import annotations

import copy
import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plans import SMALL_PLAN, small_plan

from gpubench_kit.model.errors import PlanError
from gpubench_kit.model.plan import ReviewPlan, load_plan

QUIET = {"of": {"tuning": "quiet"}, "against": {"tuning": "factory"}}
HEAT = {"metrics": ["avg_fps", "core_c"]}
CLAIM: dict[str, Any] = {"id": "c1", "text": "It loses nothing", "metric": "avg_fps", "says": "no_loss", **QUIET}


def _amount_of(metric: str, **amount) -> dict[str, Any]:
    """Return a claim that states an amount."""
    return {key: value for key, value in CLAIM.items() if key != "says"} | {"metric": metric} | amount


def faults(changes: dict[str, Any]) -> list[str]:
    """Return the messages for the small plan with some sections replaced."""
    with pytest.raises(PlanError) as caught:
        small_plan(changes=changes)
    return [str(fault) for fault in caught.value.faults]


CASES = {
    "unknown key": (
        {"analysis": {"margin_pc": 3}},
        "plan, [analysis]: unknown key 'margin_pc'. Did you mean 'margin_pct'?",
    ),
    "unknown section": ({"analyse": {}}, "plan: unknown section or key 'analyse'. Did you mean 'analysis'?"),
    "key of a list entry": (
        {
            "tunings": [
                {"name": "factory", "reference": True},
                {"name": "quiet", "changes": {"power_limit_pct": "x"}},
            ]
        },
        "plan, [[tunings]] 2 'quiet', changes.power_limit_pct: 'x' was found; a number is expected.",
    ),
    "key of a setting": (
        {"games": [{"name": "Salt Orchard", "settings": [{"name": "1440p", "frames_counted": "rendred"}]}]},
        "plan, [[games]] 1 'Salt Orchard', [[games.settings]] 1 '1440p', frames_counted: 'rendred' was found; "
        "one of 'rendered' or 'shown' is expected. Did you mean 'rendered'?",
    ),
    "text for a number": ({"analysis": {"margin_pct": "2"}}, "[analysis], margin_pct: '2' was found; a number is"),
    "truth for a number": ({"analysis": {"looks": True}}, "looks: true was found; a whole number is expected."),
    "negative margin": (
        {"analysis": {"margins": {"avg_fps": -1}}},
        "margins.avg_fps: -1 was found; a number above 0",
    ),
    "margin not a number": ({"analysis": {"margin_pct": float("nan")}}, "margin_pct: nan was found; a "),
    "margin of 100 %": (
        {"analysis": {"margins": {"avg_fps": 100}}},
        "margins.avg_fps: 100 was found; a number below",
    ),
    "margin of an unknown metric": (
        {"analysis": {"margins": {"avg_fsp": 1}}},
        "margins.avg_fsp: 'avg_fsp' is not a metric. Did you mean 'avg_fps'?",
    ),
    "unknown metric": (
        {"analysis": {"metrics": ["avg_fps", "board_watts"]}},
        "metrics item 2: 'board_watts' is not",
    ),
    "metric twice": ({"analysis": {"metrics": ["avg_fps", "avg_fps"]}}, "named more than once: 'avg_fps'."),
    "primary left out": ({"analysis": {"metrics": ["board_w"]}}, "primary: 'avg_fps' is not among the metrics"),
    "no looks": ({"analysis": {"looks": 0}}, "looks: 0 was found; a number of at least 1 is expected."),
    "too many looks": ({"analysis": {"looks": 9}}, "looks: 9 was found; a number of at most 8 is expected."),
    "spread of no metric": ({"analysis": {"restart_spread": {"restart": 1}}}, "Did you mean 'restarts'?"),
    "half a restart": (
        {"analysis": {"restart_spread": {"restarts": 0.5}}},
        "a whole number of restarts is expected",
    ),
    "restarts that never vary": (
        {"analysis": {"restart_spread": {"avg_fps": 0.0, "board_w": 0.5, "restarts": 0}}},
        "plan, [analysis], restart_spread.avg_fps: 0 was found; a number above 0 is expected, since some "
        "difference between restarts is never ruled out. Measure it, or leave it out where it is not known: "
        "what rests on it then has no verdict.",
    ),
    "restarts measured as never varying": (
        {"analysis": {"restart_spread": {"avg_fps": 0, "restarts": 8}}},
        "restart_spread.avg_fps: 0 was found; a number above 0 is expected",
    ),
    "even window": ({"analysis": {"hitch_window_frames": 60}}, "60 was found; an odd number is expected"),
    "no reference": ({"tunings": [{"name": "factory"}]}, "plan, [[tunings]]: no tuning has reference = true;"),
    "two references": (
        {"tunings": [{"name": "factory", "reference": True}, {"name": "quiet", "reference": True}]},
        "2 tunings have reference = true ('factory', 'quiet'); exactly one is expected.",
    ),
    "name twice": (
        {"tunings": [{"name": "factory", "reference": True}, {"name": "factory"}]},
        "plan, [[tunings]] 2 'factory': the name 'factory' is used twice;",
    ),
    "name missing": (
        {"cards": [{}]},
        "plan, [[cards]] 1: name is missing. Meaning: name of this card. For example",
    ),
    "name empty": ({"review": {"title": ""}}, "plan, [review], title: the text is empty;"),
    "name ends in a blank": ({"cards": [{"name": "Larkmoor 4 "}]}, "begins or ends with a blank"),
    "game named as a claim's word": ({"games": [{"name": "every_game"}]}, "a game cannot be called 'every_game'"),
    "second bench without name": (
        {"benches": [{"name": "desk"}, {}]},
        "[[benches]] 2: no name; where there is more",
    ),
    "setting twice": (
        {"games": [{"name": "Salt Orchard", "settings": [{"name": "1440p"}, {"name": "1440p"}]}]},
        "[[games.settings]] 2 '1440p': the name '1440p' is used twice",
    ),
    "two reviewed cards": (
        {"cards": [{"name": "Larkmoor 4"}, {"name": "Fernholt 3"}]},
        "2 cards have the role reviewed ('Larkmoor 4', 'Fernholt 3'); one is expected.",
    ),
    "no reviewed card": ({"cards": [{"name": "Larkmoor 4", "role": "rival"}]}, 'no card has role = "reviewed"'),
    "model in both roles": (
        {"cards": [{"name": "a", "model": "Larkmoor 4"}, {"name": "b", "model": "Larkmoor 4", "role": "rival"}]},
        "model 'Larkmoor 4' is both reviewed and rival",
    ),
    "model named like one of its samples": (
        {"cards": [{"name": "Larkmoor 4"}, {"name": "second", "model": "Larkmoor 4"}]},
        "[[cards]] 1 'Larkmoor 4', name: card 'Larkmoor 4' has the name of its model, of which there are other",
    ),
    "model named like another card": (
        {"cards": [{"name": "a", "model": "b"}, {"name": "b", "role": "rival", "model": "c"}]},
        "[[cards]] 1 'a', model: model 'b' is also the name of a card of another model.",
    ),
    "tuning of an unknown card": (
        {"tunings": [{"name": "factory", "reference": True, "card": "Larkmor 4"}]},
        "[[tunings]] 1 'factory', card: card 'Larkmor 4' is not in the plan (cards: 'Larkmoor 4'). Did you mean",
    ),
    "comparison of an unknown tuning": (
        {"comparisons": [{"of": {"tuning": "quite"}, "against": {}}]},
        "[[comparisons]] 1, of.tuning: tuning 'quite' is not in the plan (tunings: 'factory', 'quiet').",
    ),
    "comparison with itself": ({"comparisons": [{"of": {}, "against": {}}]}, "both sides are tuning 'factory'"),
    "comparison twice": (
        {"comparisons": [QUIET, {"of": QUIET["against"], "against": QUIET["of"]}]},
        "[[comparisons]] 2: this pair is compared by entry 1 already;",
    ),
    "claim id twice": ({"claims": [CLAIM, CLAIM]}, "[[claims]] 2 'c1': the id 'c1' is used twice"),
    "claim over an unknown game": (
        {"claims": [CLAIM | {"over": "Salt Orchards"}]},
        "[[claims]] 1 'c1', over: game 'Salt Orchards' is not in the plan",
    ),
    "claim on a metric not compared": ({"claims": [CLAIM | {"metric": "fan_rpm"}]}, "'fan_rpm' is not compared"),
    "claim without amount": (
        {"claims": [{key: value for key, value in CLAIM.items() if key != "says"}]},
        "neither was found; one of says and an amount is expected.",
    ),
    "claim with an amount too much": (
        {"claims": [CLAIM | {"loses_at_most": "3 %"}]},
        "'says', 'loses_at_most' was found; one of says and an amount is expected.",
    ),
    "claim with the amount of another metric": (
        {"claims": [_amount_of("avg_fps", saves_at_least=3)]},
        "saves_at_least does not fit 'avg_fps', of which more is better. Write gains_at_least = 3.",
    ),
    "claim with the wrong way of another metric": (
        {"claims": [_amount_of("board_w", loses_at_most="8 %")], "analysis": {"metrics": ["avg_fps", "board_w"]}},
        "loses_at_most does not fit 'board_w', of which less is better. Write costs_at_most = \"8 %\".",
    ),
    "claim with a negative amount": (
        {"claims": [_amount_of("avg_fps", gains_at_least=-3.0)]},
        "a number of 0 or more is expected: the key says which way.",
    ),
    "claim with an amount that is no number": (
        {"claims": [_amount_of("avg_fps", gains_at_least="three percent")]},
        "'three percent' was found; an amount is expected.",
    ),
    "claim that saves, as version 0.1.0 wrote it": (
        {"claims": [CLAIM | {"metric": "board_w", "says": "at_most", "by": -30.0}]},
        "Replace these keys by: saves_at_least = 30",
    ),
    "claim that loses, as version 0.1.0 wrote it": (
        {"claims": [CLAIM | {"says": "at_least", "by_pct": -2.0}]},
        'Replace these keys by: loses_at_most = "2 %"',
    ),
    "claim against the praised side, as version 0.1.0 wrote it": (
        {"claims": [CLAIM | {"metric": "board_w", "says": "at_least", "by": 50}]},
        'against = { tuning = "quiet" }; saves_at_least = 50',
    ),
    "claim with an old amount and another word": (
        {"claims": [CLAIM | {"by": 3}]},
        "Write saves_at_least or costs_at_most where less is better, gains_at_least or loses_at_most where more is",
    ),
    "claim in percent on a difference": (
        {
            "claims": [_amount_of("core_c", costs_at_most="3 %")],
            "analysis": HEAT,
        },
        "core_c is compared in °C, not in percent.",
    ),
    "claim without direction": (
        {"claims": [CLAIM | {"metric": "core_mhz"}], "analysis": {"metrics": ["avg_fps", "core_mhz"]}},
        "core_mhz has no better direction",
    ),
    "must-have unknown": (
        {"session_plan": {"must_have": ["brisk"]}},
        "must_have item 1: tuning 'brisk' is not in the",
    ),
    "ladder that no tuning changes": ({"sweep": {"ladder": "power"}}, "'power' is changed by no tuning"),
    "logs of an unknown card": (
        {"logs": {"Larkmor 4": {"sensor_offset_s": 1}}},
        "plan, [logs.\"Larkmor 4\"]: 'Larkmor 4' is neither a key of [logs] nor a card",
    ),
    "misspelt key of logs": (
        {"logs": {"patern": "x"}},
        "plan, [logs]: unknown key 'patern'. Did you mean 'pattern'?",
    ),
    "sensor of a frame metric": (
        {"logs": {"sensors": {"avg_fps": "x"}}},
        "'avg_fps' is not read from a sensor log",
    ),
    "column of a log missing": ({"logs": {"frame_time": {}}}, "plan, [logs], frame_time: column is missing."),
    "single brackets": ({"cards": {"name": "Larkmoor 4"}}, "each with [[cards]] in double brackets above it"),
    "double brackets": ({"review": [{"title": "t"}]}, "[review] in single brackets"),
    "no games": ({"games": []}, "[[games]] is empty; at least one entry is expected."),
    "entry that is no table": ({"games": [3]}, "[[games]] 1: 3 was found; a table { ... } is expected."),
    "colour by name": ({"style": {"accent": "blue"}}, "a colour such as '#2f6f8f' is expected."),
    "date with words": ({"review": {"title": "t", "date": "yesterday"}}, "date: 'yesterday' was found; a date is"),
}


@pytest.mark.parametrize(("changes", "message"), CASES.values(), ids=CASES.keys())
def test_a_fault_is_the_only_one_and_says_where_and_what(changes, message):
    found = faults(changes)
    assert len(found) == 1, found
    assert message in found[0]


def test_missing_sections_are_all_named():
    with pytest.raises(PlanError) as caught:
        ReviewPlan.from_dict({})
    assert [fault.problem for fault in caught.value.faults] == [
        f"{head} is missing." for head in ("[review]", "[[cards]]", "[[tunings]]", "[[games]]")
    ]


def test_faults_within_and_across_sections_come_together():
    found = faults(
        {
            "review": {},
            "cards": [{"name": "Larkmoor 4", "rol": "rival"}],
            "tunings": [{"name": "factory", "reference": True}, {"reference": True}, {"name": "factory"}],
            "analysis": {"margin_pct": -1, "looks": 2, "confidence": 0.9},
            "claims": [CLAIM | {"id": "c1"}, {"id": "c1"}],
            "session_plan": {"must_have": ["quiet"]},
        }
    )
    for part in (
        "[review]: title is missing",
        "unknown key 'rol'. Did you mean 'role'?",
        "[[tunings]] 2: name is missing",
        "2 tunings have reference = true",
        "[[tunings]] 3 'factory': the name 'factory' is used twice",
        "margin_pct: -1 was found",
        "[[claims]] 2 'c1': metric is missing",
        "the id 'c1' is used twice",
    ):
        assert any(part in one for one in found), part


def test_a_misspelt_reference_is_told_once_and_not_as_a_missing_reference():
    found = faults({"tunings": [{"name": "factory", "refernce": True}]})
    assert found == ["plan, [[tunings]] 1 'factory': unknown key 'refernce'. Did you mean 'reference'?"]


def test_names_that_depend_on_a_faulty_name_are_not_told_too():
    tunings = [{"name": "factory", "reference": True}, {"name": 3}]
    assert faults({"tunings": tunings, "comparisons": [QUIET]}) == [
        "plan, [[tunings]] 2, name: 3 was found; text in quotes is expected. Meaning: name of the tuning."
    ]


VALUES = st.sampled_from([3, -1, 1.5, float("nan"), "", "x", "a\nb", True, None, [], {}, [{}], {"a": 1}, 10**400])


@given(data=st.data())
def test_any_value_anywhere_gives_a_plan_or_its_faults(data):
    plan = copy.deepcopy(SMALL_PLAN | {"claims": [CLAIM], "comparisons": [QUIET], "analysis": HEAT, "logs": {}})
    for _ in range(3):
        table: Any = plan
        while isinstance(table, (dict, list)) and table:
            keys = list(table) if isinstance(table, dict) else list(range(len(table)))
            key = data.draw(st.sampled_from(keys))
            if data.draw(st.booleans()):
                table[key] = copy.deepcopy(data.draw(VALUES))
                break
            table = table[key]
    try:
        outcome = [str(pair) for pair in ReviewPlan.from_dict(plan).pairs()]
    except PlanError as error:
        outcome = [str(fault) for fault in error.faults]
    assert outcome
    assert not any("\n" in one for one in outcome)


SYNTAX = {
    "value missing": (
        "[review]\ntitle =\n",
        r"plan\.toml, line 2, column 8: this is not valid TOML: invalid value",
    ),
    "key twice": ("title = 1\ntitle = 2\n", r"plan\.toml, line 2, column 10: .*overwrite"),
    "quote left open": ('title = "Larkmoor\n', r"line 1, column 18: .*The line reads: 'title = \"Larkmoor'"),
    "cut off": ("[review]\ntitle = [1,", r"plan\.toml, line 2: .*TOML"),
    "nested deeply": ("a = " + "[" * 20_000, "nested too deeply"),
    "huge number": ("a = " + "9" * 5_000, "this is not valid TOML"),
    "only blanks": (" \n", "the file is empty; a plan is expected"),
    "nothing": ("", "the file is empty; a plan is expected"),
}


@pytest.mark.parametrize(("text", "message"), SYNTAX.values(), ids=SYNTAX.keys())
def test_what_is_no_toml_is_told_with_its_place(tmp_path, text, message):
    (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
    with pytest.raises(PlanError, match=message):
        load_plan(tmp_path)


def test_a_file_that_is_not_utf8_is_told_with_the_line(tmp_path):
    (tmp_path / "plan.toml").write_bytes('[review]\ntitle = "Névé"\n'.encode("cp1252"))
    with pytest.raises(PlanError, match=r"plan\.toml, line 2: the text is not UTF-8.*Save it again as UTF-8"):
        load_plan(tmp_path)


def test_a_missing_plan_names_the_command_that_makes_one(tmp_path):
    with pytest.raises(PlanError, match=r"there is no such file in the folder .* gpubench-kit new FOLDER"):
        load_plan(tmp_path)


@pytest.mark.parametrize("named", ["nowhere", "nowhere/plan.toml"])
def test_a_folder_that_does_not_exist_is_named(tmp_path, named):
    with pytest.raises(PlanError, match=r"nowhere': there is no such folder\. Name the folder of the review"):
        load_plan(tmp_path / named)


def test_a_folder_called_plan_is_told(tmp_path):
    (tmp_path / "plan.toml").mkdir()
    with pytest.raises(PlanError, match="a folder was found; a text file is expected"):
        load_plan(tmp_path)
    with pytest.raises(PlanError, match="a folder was found; a text file is expected"):
        load_plan(tmp_path / "plan.toml")


def test_a_huge_file_is_refused_before_it_is_parsed(tmp_path):
    (tmp_path / "plan.toml").write_bytes(b"#" * 2_000_001)
    with pytest.raises(PlanError, match="2000001 bytes were found; a page of text is expected"):
        load_plan(tmp_path)


def test_messages_stay_short_and_on_one_line():
    changes = copy.deepcopy(SMALL_PLAN)
    changes["tunings"][1]["name"] = "x" * 5_000 + "\n" + "y"
    (message,) = faults(changes)
    assert len(message) < 400
    assert not re.search(r"[\n\0]", message)


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"confidence": "high"}, "'high' was found; a number is expected"),
        ({"confidence": float("nan")}, "nan was found; a number below 1 is expected"),
        ({"confidence": 0.05}, "0.05 was found; a number above 0.5 is expected"),
        ({"looks": "two"}, "'two' was found; a whole number is expected"),
        ({"looks": 9}, "9 was found; a number of at most 8 is expected"),
    ],
)
def test_levels_that_are_no_numbers_are_named_with_what_is_expected(given, message):
    plan = {
        "review": {"title": "A test"},
        "cards": [{"name": "Larkmoor 4"}],
        "tunings": [{"name": "factory", "reference": True}],
        "games": [{"name": "Salt Orchard"}],
    }
    with pytest.raises(PlanError, match=re.escape(message)):
        ReviewPlan.from_dict(plan | {"analysis": given})
