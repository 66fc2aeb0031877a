"""The page of a sweep: what its sentences claim, its tables and charts, and hostile names."""

import html
import re
from dataclasses import replace

import pandas as pd
import pytest
from made_sweeps import crashed, made_sweep, sweep_plan
from second_language import said_in_english, wide_catalogue

from gpubench_kit import page
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.wording.catalogue import say, spoken

SECTIONS = ("sweep_head", "sweep_response", "sweep_settings", "sweep_readings", "sweep_next")


def text_of(section) -> str:
    """Return a section without its tags."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", section._repr_html_())).replace("\u00a0", " ")


@pytest.fixture(scope="module")
def texts(found, made) -> dict[str, str]:
    """Text of every section."""
    texts = {name: text_of(getattr(page, name)(found, made.plan)) for name in SECTIONS}
    return texts | {"sweep_method": text_of(page.sweep_method(found))}


def test_the_head_names_the_answer_its_loss_and_its_power(found, texts):
    answer = found.answers.iloc[0]
    row = found.settings.set_index("tuning").loc[answer.lowest_tuning]
    head = texts["sweep_head"]
    assert f"“{answer.lowest_tuning}” (power limit −{abs(row['at']):g} %)" in head
    assert re.search(r"at most [\d.]+ % lost, board power −[\d.]+ %", head)
    assert "Most efficient: " in head
    assert "No stability test of it is stated." in head


def test_beside_the_edge_stand_what_failed_next_the_step_that_is_safer_and_what_is_known_of_stability():
    for loss, said in ((-3.2, "crashed"), (-0.5, "failed")):
        made = made_sweep((-5, -10, -15), (-0.1, -0.3, loss), (-3.0, -7.0, -12.0), run_pct=0.2)
        head = text_of(page.sweep_head(crashed(made, "limit -15", 1).find(), made.plan))
        assert "“limit -10” (power limit −10 %)" in head
        place = {"setting": "limit -15"} if said == "crashed" else {"settings": "“limit -15”"}
        assert say(f"sweep.beyond.{said}", **place) in head
    assert re.search("One step safer: “limit -5” loses at most 0\\.[1-9] %\\.", head)
    assert "No stability test of it is stated." in head
    tested = sweep_plan((-5, -10), stability=[{"hours": 6, "failures": 0}])
    made = made_sweep((-5, -10), (-0.1, -0.3), (-3.0, -7.0), run_pct=0.2, plan=tested)
    head = text_of(page.sweep_head(made.find(), made.plan))
    assert "0 failures in 6 hours: fewer than 1 per 2 hours with 95 % confidence." in head
    assert "No stability test" not in head


def test_a_step_beyond_the_ladder_or_beside_a_crash_is_proposed_with_its_caution():
    made = made_sweep((-5, -10), (0.0, 0.0), (-3.0, -7.0), run_pct=0.2)
    text = html.unescape(text_of(page.sweep_next(made.find(), made.plan)))
    assert "of a new setting, power limit −15 %" in text
    assert say("sweep.propose.beyond") in text
    assert say("sweep.propose.save") in text
    made = made_sweep((-5, -10, -25, -30), (0.0, 0.0, -3.0, -5.4), (-3.0, -7.0, -22.0, -27.0), run_pct=0.2)
    text = text_of(page.sweep_next(crashed(made, "limit -25", 2).find(), made.plan))
    assert say("sweep.propose.near", settings="“limit -25”") in text


def test_no_sentence_calls_a_setting_stable(texts):
    for name, text in texts.items():
        assert not re.search(r"(?<!not )(?<!called )(?<!Not )\bstable\b", text), name


def test_every_setting_stands_in_the_table_with_its_test(found, texts):
    for tuning in found.settings["tuning"]:
        assert tuning in texts["sweep_settings"]
    assert "inside the margin" in texts["sweep_settings"]
    assert "loses more" in texts["sweep_settings"]


def test_what_to_measure_next_or_why_to_stop_is_said(texts):
    assert re.search(r"The answer lies between power limit −\d+ %, inside the margin, and", texts["sweep_next"])
    assert re.search(r"Stop: |each with the factory state beside it", texts["sweep_next"])


def test_the_method_names_order_shape_and_sources(texts):
    for word in ("Maurer, Hothorn and Lehmacher 1995", "monotone and concave", "Dümbgen 2003", "one-sided at 5 %"):
        assert word in texts["sweep_method"]


def test_charts_tell_their_numbers_in_words(found, made):
    text = str(page.sweep_response(found, made.plan).text).replace("\u00a0", " ")
    charts = re.findall(r'<svg [^>]*aria-label="([^"]*)"', text)
    told = [one.partition(" over")[0].partition(" along")[0] for one in charts]
    assert told == ["Frame rate", "Board power", "Energy per frame", "Frame rate against power"]
    assert "−20 %: −" in charts[0]
    assert "margin −2 %" in charts[0]


def test_charts_draw_every_setting_once(found, made):
    text = str(page.sweep_response(found, made.plan).text)
    first = text[: text.index("</svg>")]
    assert first.count("<circle") == 1 + len(made.plan.tunings[1:])


def test_a_sweep_that_is_not_monotone_says_so_at_its_head():
    losses = (-0.1, -0.3, -6.0, -0.2, -3.2, -5.4)
    made = made_sweep(losses=losses)
    head = text_of(page.sweep_head(made.find(), made.plan))
    assert "do not follow a curve that only rises and flattens" in head


def test_one_run_per_setting_is_told_as_such():
    made = made_sweep(rounds=1)
    found = made.find()
    assert "cannot be judged: One run tells nothing about noise." in text_of(page.sweep_head(found, made.plan))
    assert "2 rounds more of “limit -5”" in text_of(page.sweep_next(found, made.plan))


def test_every_setting_failed_is_told_without_an_answer(made):
    extra = made.runs.drop_duplicates("tuning").assign(excluded_for="crash", used=False)
    extra = extra[extra["tuning"] != "factory"].assign(run=lambda rows: "x" + rows["run"])
    failing = replace(made, runs=pd.concat([made.runs, extra], ignore_index=True))
    head = text_of(page.sweep_head(failing.find(), made.plan))
    assert "none shown below the factory state" in head
    assert "Every setting that keeps the frame rate failed, or lies beyond one that did." in head


def test_one_setting_has_no_curve_to_speak_of():
    made = made_sweep((-10,), (-0.3,), (-7.0,))
    assert "With one setting beside the factory state" in text_of(page.sweep_head(made.find(), made.plan))


def test_nothing_recorded_leaves_sections_out_and_says_so(made):
    found = replace(made, usable=made.usable.head(0)).find()
    assert "nothing is found" in text_of(page.sweep_head(found, made.plan))
    for name in ("sweep_response", "sweep_settings", "sweep_readings", "sweep_next"):
        assert getattr(page, name)(found, made.plan).left_out


def test_names_that_look_like_markup_or_formulas_do_no_harm():
    plan = sweep_plan((-5, -10))
    tunings = plan.model_dump()["tunings"]
    names = {"limit -5": "<b>=1+1</b>", "limit -10": "x" * 3000}
    made = made_sweep((-5, -10), (-0.1, -4.0), (-3.0, -7.0), plan=plan)
    renamed = [{**one, "name": names.get(one["name"], one["name"])} for one in map(dict, tunings)]
    hostile = ReviewPlan.from_dict({**_plain(plan), "tunings": renamed})
    usable, runs = (one.assign(tuning=one["tuning"].replace(names)) for one in (made.usable, made.runs))
    found = replace(made, plan=hostile, usable=usable, runs=runs).find()
    for name in SECTIONS:
        html = getattr(page, name)(found, hostile)._repr_html_()
        assert "<b>=1+1</b>" not in html


def _plain(plan) -> dict:
    """Return the parts of a plan that a sweep needs, as a mapping."""
    return {
        "review": {"title": plan.review.title},
        "cards": [{"name": "Larkmoor 4", "power_measured_at": "board_sensor"}],
        "games": [{"name": game.name} for game in plan.games],
        "sweep": {"ladder": plan.sweep.ladder},
    }


def test_two_groups_of_settings_are_searched_apart(made):
    games = [
        {
            "name": f"game {number:02d}",
            "settings": [{"name": "low", "group": "low"}, {"name": "high", "group": "high"}],
        }
        for number in (1, 2, 3)
    ]
    plan = sweep_plan(changes={"games": games})
    low = made.usable.assign(setting="low", group="low")
    high = made.usable.assign(
        setting="high", group="high", run="h" + made.usable["run"], order=made.usable["order"] + 1000
    )
    high.loc[(high["tuning"] == "limit -5") & (high["metric"] == "avg_fps"), "value"] *= 0.95
    found = replace(made, plan=plan, usable=pd.concat([low, high], ignore_index=True)).find()
    answers = found.answers.set_index("group")["lowest_tuning"]
    assert answers["high"] == "factory"
    assert answers["low"] != "factory"
    assert "(high)" in text_of(page.sweep_head(found, plan))


def test_every_sentence_of_the_page_is_in_the_catalogue(found, made):
    names = [made.plan.review.title, "Larkmoor 4", "power limit", *(one.name for one in made.plan.tunings)]
    with spoken(wide_catalogue()):
        sections = [*(getattr(page, name)(found, made.plan) for name in SECTIONS), page.sweep_method(found)]
        html = "".join(section._repr_html_() for section in sections)
    assert said_in_english(html, names=names) == []


def test_the_only_setting_that_may_be_the_most_efficient_is_so_in_the_table_too():
    made = made_sweep((-5, -10, -15), (0.0, -0.1, -0.2), (-3.0, -9.0, -20.0), run_pct=0.1)
    sweep = made.find()
    assert sweep.settings["may_be_most_efficient"].sum() == 1
    table = text_of(page.sweep_settings(sweep, made.plan)).partition("Most efficient?")[2]
    assert " yes " in f"{table} "
    assert "may be" not in table


def test_a_range_of_a_limit_in_percent_is_told_in_points():
    made = made_sweep((-5, -20, -35), (0.0, -0.4, -8.0), (-3.0, -12.0, -30.0), run_pct=0.2)
    text = html.unescape(text_of(page.sweep_next(made.find(), made.plan)))
    assert re.search(r"is expected to shrink from [\d.]+ to [\d.]+ points of the power limit", text)
