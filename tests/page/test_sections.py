"""Sections of the report page: what they show, what they leave out, and names that try to be something else."""

from __future__ import annotations

import re
import subprocess
import sys
from functools import lru_cache
from pathlib import Path

import pytest
from bs4 import BeautifulSoup

from gpubench_kit import page
from gpubench_kit.model.tables import OVERALL
from gpubench_kit.page.elements import MIME
from tests.page.conftest import (
    GAMES,
    facts_of,
    made_up,
    page_html,
    page_sections,
    result_row,
    results_of,
    without_verdicts,
)

LONG = "The long way around the northern mountains, with every tower climbed, in the snow, by night, and back again"
HOSTILE = ("=1+1", "<b>bold</b>", "\"quoted\" & 'quoted'", "雪の道", "ركض", "x" * 120, "🎮 game", "a" * 300)


@lru_cache
def made_up_once(**given):
    """Return a made-up review; each is made once for several tests."""
    return made_up(**given)


@pytest.fixture(scope="module")
def html(results):
    """Return the page of a plain review."""
    return page_html(results)


def test_the_parts_stand_in_the_order_of_the_page(results):
    names = [section.name for section in page_sections(results)]
    assert names == ["result", "games", "watts", "detail", "script", "quality", "cautions", "downloads"]


def test_a_section_without_data_shows_nothing_and_says_why():
    one = results_of(made_up(GAMES[:1]))
    section = page.by_game(one)
    assert section._repr_html_() == ""
    assert section._repr_mimebundle_()[MIME]["left_out"] == "one game was measured"


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"games": HOSTILE}, "bold"),
        ({"tunings": ("factory", HOSTILE[1], HOSTILE[0])}, "bold"),
        ({"tunings": ("factory", *HOSTILE)}, "bold"),
        ({"games": HOSTILE, "tunings": HOSTILE[:3]}, "bold"),
    ],
    ids=["games", "tunings", "eight tunings", "all"],
)
def test_names_are_text_wherever_they_stand(given, said):
    html = page_html(results_of(made_up(**given)))
    assert "<b>bold" not in html
    assert "&lt;b&gt;bold&lt;/b&gt;" in html
    assert said in html


@pytest.mark.parametrize(
    "given",
    [
        {"games": GAMES[:1]},
        {"games": GAMES[:2], "tunings": ("factory", "quiet")},
        {"metrics": ("avg_fps",)},
        {"metrics": ("avg_fps", "board_w")},
        {"games": GAMES[:1], "metrics": ("avg_fps",), "rounds": 2},
        {"rounds": 1},
        {"tunings": ("factory", *(f"state {number}" for number in range(7)))},
        {"games": tuple(f"Game {number}" for number in range(60)), "tunings": ("factory", "quiet"), "rounds": 3},
        {"factors": (0.07, 9.0)},
        {"games": (LONG, "مدينة الرمال", "遠い港", *GAMES[:2]), "tunings": ("factory", LONG, "هادئ جدا")},
    ],
    ids=[
        "one game", "one tuning", "no power, no lows", "no lows", "small", "one run", "seven tunings", "60 games",
        "7 to 900 FPS", "long and other scripts",
    ],
)  # fmt: skip
@pytest.mark.parametrize("kind", ["frames", "typed", "no verdict"])
def test_every_shape_of_review_makes_a_page(given, kind):
    review = made_up_once(**given)
    review = without_verdicts(review) if kind == "no verdict" else review
    more = {"facts_of": facts_of(review)} if kind == "frames" else {}
    html = page_html(results_of(review, **more))
    assert ">nan" not in html
    assert "–" not in re.findall(r'<dd class="n[^>]*>([^<]*)', html)
    soup = BeautifulSoup(html, "html.parser")
    assert len(soup.select("h1")) == 1
    assert soup.select_one("h1").get_text()
    ids = [one["id"] for one in soup.select("[id]")]
    assert len(ids) == len(set(ids))
    anchors = {one["href"][1:] for one in soup.select("a[href^='#']")}
    assert anchors <= set(ids)


def test_a_tuning_beyond_the_last_colour_begins_again_hollow(results):
    many = results_of(made_up(tunings=("factory", *(f"state {number}" for number in range(6)))))
    assert 'class="sw c1 rv"' in page_html(many)


def test_changed_decisions_unplanned_looks_and_an_unverified_order_are_boxed(review):
    told = results_of(
        review, runs=review.runs.assign(order_done=None), looks_made=4, changes=[("analysis.margin_pct", "2", "3")]
    )
    lines = page.alerts(told)
    assert lines[0] == "Changed after the first look: analysis.margin_pct: 2, now 3."
    assert lines[1].startswith("4 looks at verdicts were made,")
    assert lines[2].startswith("Order of the runs as planned, not verified")
    assert page.answer(told)._repr_html_().count('class="alert"') == 3


def test_from_a_third_look_on_all_statements_hold_together_less_surely(review):
    second, third = (results_of(review, looks_made=made) for made in (2, 3))
    texts = [page.quality(one)._repr_html_().replace("\u00a0", " ") for one in (second, third)]
    assert "hold together with 95 % confidence" in texts[0]
    assert "hold together with about 93 % confidence" in texts[1]


def test_runs_that_are_gone_since_the_last_look_are_named_and_changed_rules_are_one_line(review):
    told = results_of(
        review, lost_runs=["r003", "r007"], changes=[("rules changed with version 0.2.0", "0.1.0", "0.2.0")]
    )
    lines = page.alerts(told)
    assert lines[0] == "Changed after the first look: rules changed with version 0.2.0."
    assert lines[1].startswith("2 runs that the look before used are not used now: r003, r007. What rested on them")


def test_a_review_as_planned_has_nothing_boxed(results):
    assert page.alerts(results) == []


def test_a_result_without_a_verdict_says_why_on_the_card(review):
    overall = review.overall.assign(verdict="no_verdict", reason="confounded")
    html = page.answer(results_of(review, overall=overall))._repr_html_()
    assert "tuning and time mixed up" in html
    assert "cannot be told apart" in html


def test_a_result_carried_by_one_game_is_in_no_headline_and_says_so_on_its_tile(review):
    plain = results_of(review)
    with_watts = plain.overall.assign(
        change_w=float("nan"), change_w_ci_low=float("nan"), change_w_ci_high=float("nan"),
        carried_by="Glass Tundra", change_without=0.1,
    )  # fmt: skip
    section = page.answer(results_of(review, overall=with_watts))
    assert section.title == "No overall result: one game alone would carry it"
    assert "because of Glass Tundra alone; without it +0.1\u00a0%" in section._repr_html_()


def test_games_left_out_of_a_result_are_named(review):
    overall = review.overall.assign(games_left_out="Salt Orchard")
    assert "left out Salt Orchard" in page.answer(results_of(review, overall=overall))._repr_html_()


def test_runs_left_out_are_listed_with_their_reason(review):
    runs = review.runs.copy()
    runs.loc[3, ["used", "excluded_for"]] = [False, "crash"]
    body = page.quality(results_of(review, runs=runs))._repr_html_()
    assert f'<th scope="row">{runs["run"][3]}</th>' in body
    assert "1 left out (1 crash)" in body


def test_every_finding_is_shown_as_text(results):
    assert "Run &#39;r1&#39; of Low Tide Racers: frames are missing" in page.quality(results)._repr_html_()


def test_a_finding_that_withholds_a_verdict_makes_the_quality_open(review):
    assert "<b>Good.</b>" in page.quality(results_of(review))._repr_html_()
    stop = review.findings.assign(severity="stop")
    assert "<b>Open points.</b>" in page.quality(results_of(review, findings=stop))._repr_html_()


def test_no_word_for_the_reviewer_stands_on_the_page(html):
    for word in ("redo", "Record ", "Run the command", "Check before publishing", "further round"):
        assert word not in html


def test_the_cautions_are_never_folded(results):
    soup = BeautifulSoup(page.cautions(results.plan)._repr_html_(), "html.parser")
    box = soup.select_one(".warn")
    assert box.find_parent("details") is None
    for word in ("Warranty", "Stability is not proven", "One card", "licensed people", "estimates"):
        assert word in box.get_text()


def test_a_game_has_an_address_inside_its_fold_and_a_link_outside_its_summary(html):
    soup = BeautifulSoup(html, "html.parser")
    for game in soup.select("article.gm"):
        name = game.select_one("a")["href"][1:]
        assert game.select_one(f"details [id='{name}']")
        assert game.select_one("summary a") is None


def test_the_made_up_row_has_the_columns_of_the_table():
    later = {"change_w", "change_w_ci_low", "change_w_ci_high", "carried_by"}
    assert set(vars(result_row())) - later <= set(OVERALL.names)


def test_no_module_of_the_package_has_the_name_of_a_section():
    modules = {path.stem for path in Path(page.__file__).parent.glob("*.py")}
    assert not modules & set(page.__all__)


def test_knowing_a_section_when_one_sees_it_loads_no_drawing_library():
    code = "import sys; import gpubench_kit.page.elements; print('matplotlib' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"
