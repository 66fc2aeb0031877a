"""Sections: what they show, what they leave out, and names that try to be something else."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from gpubench_kit import page
from gpubench_kit.file_names import slug
from gpubench_kit.model.tables import COMPARISONS, OVERALL
from gpubench_kit.page.section import MIME
from tests.page.conftest import MadeUp, made_up, result_row

HOSTILE = ("=1+1", "<b>bold</b>", "\"quoted\" & 'quoted'", "雪の道", "ركض", "x" * 120)


def sections_of(review: MadeUp) -> list:
    """Return all sections of the page."""
    return [
        page.summary(review.overall, review.comparisons, runs=review.runs, plan=review.plan),
        page.everyday(review.levels, review.plan),
        page.overall_results(review.overall, review.plan),
        page.game_results(review.comparisons, review.plan),
        page.power(review.comparisons, review.levels, review.plan),
        page.heat(review.comparisons, review.plan),
        page.data_quality(review.findings, review.runs, noise=review.noise, usable=review.usable, plan=review.plan),
        page.method(review.run_metrics, review.comparisons, review.plan),
        page.limits(review.plan),
        page.provenance(review.runs, review.plan, version="0"),
    ]


@pytest.fixture(scope="session")
def sections(review):
    """Return the sections of a plain review by name."""
    return {section.name: section for section in sections_of(review)}


def test_every_verdict_shown_is_explained_in_its_section(sections):
    for name in ("overall", "games", "power"):
        shown = set(
            re.findall(
                r'<span class="verdict \w+"><span aria-hidden="true">.</span>([^<]+)</span>', sections[name].body
            )
        )
        explained = set(re.findall(r"<dt>.*?</span>([^<]+)</span></dt>", sections[name].body))
        assert shown
        assert shown == explained


def test_a_section_without_data_shows_nothing_and_says_why(sections):
    heat = sections["heat"]
    assert heat._repr_html_() == ""
    assert heat._repr_mimebundle_()[MIME]["left_out"].startswith("no temperature")


def test_nothing_compared_leaves_the_results_out():
    review = made_up()
    nothing = page.overall_results(OVERALL.frame(), review.plan)
    assert nothing.left_out == "nothing could be compared"
    assert page.game_results(COMPARISONS.frame(), review.plan).left_out
    head = page.summary(OVERALL.frame(), COMPARISONS.frame(), runs=review.runs, plan=review.plan)
    assert "Nothing could be compared" in head.body


def test_the_box_on_how_to_read_has_at_most_120_words(sections):
    box = re.search(r'<div class="box"><h3>(.*?)</div>', sections["overall"].body, re.DOTALL)[1]
    words = re.sub(r"<[^>]+>", " ", box).split()
    assert 60 < len(words) <= 120


def test_every_chart_is_described_and_offered_as_a_picture(sections):
    for section in sections.values():
        described = section.body.count('role="img" aria-label="')
        assert described == section.body.count("<svg")
        assert len(section.pictures) >= described


def test_each_game_has_a_picture_of_its_own_for_each_metric(sections, review):
    names = list(sections["everyday"].pictures)
    for game in review.plan.games:
        stem = slug(game.name)
        assert f"everyday-{stem}" in names
        assert f"levels-board-w-{stem}" in names
    assert {"everyday-by-game", "everyday-all-games"} <= set(names)
    assert sections["everyday"].body.count("<svg") == 1


def test_the_result_is_told_in_three_sentences_on_our_card(sections):
    told = re.findall(r'<p class="result">(.*?)</p>', sections["result"].body)
    assert len(told) == 3
    assert "on our Larkmoor 4" in told[0]


@pytest.mark.parametrize("place", ["games", "title", "tunings"])
def test_names_are_text_wherever_they_stand(place):
    given = {
        "games": {"games": HOSTILE},
        "title": {"title": HOSTILE[1]},
        "tunings": {"tunings": ("factory", HOSTILE[1], HOSTILE[0])},
    }[place]
    html = "".join(section._repr_html_() for section in sections_of(made_up(**given)))
    assert "<b>bold" not in html
    assert "&lt;b&gt;bold&lt;/b&gt;" in html


def test_changed_decisions_unplanned_looks_and_an_unverified_order_stand_above_the_result(review):
    changes = [("analysis.margin_pct", "2", "3")]
    runs = review.runs.assign(order_done=None)
    told = page.cautions(runs, review.plan, looks_made=3, changes=changes)
    assert told[0] == "Changed after the first look: analysis.margin_pct: 2, now 3."
    assert told[1].startswith("3 looks at verdicts were made, 1 planned.")
    assert told[2].startswith("Order of the runs as planned, not verified")
    head = page.summary(review.overall, review.comparisons, runs=runs, plan=review.plan, cautions=told)
    assert head.body.index("Changed after the first look") < head.body.index("<table")


def test_a_review_as_planned_has_no_caution(review):
    assert page.cautions(review.runs, review.plan, looks_made=1) == []


def test_a_confounded_result_is_named_in_the_headline(review):
    overall = review.overall.assign(verdict="no_verdict", reason="confounded")
    head = page.summary(overall, review.comparisons, runs=review.runs, plan=review.plan)
    assert "layout confounded" in re.findall(r'<p class="result">(.*?)</p>', head.body)[0]


def test_runs_left_out_are_listed_with_their_reason(review):
    runs = review.runs.copy()
    runs.loc[3, ["used", "excluded_for"]] = [False, "background_load"]
    section = page.data_quality(review.findings, runs, noise=review.noise, usable=review.usable, plan=review.plan)
    assert f'<th scope="row">{runs["run"][3]}</th>' in section.body
    assert "Foreign load" in section.body


def test_every_finding_is_shown_as_text(review):
    section = page.data_quality(
        review.findings, review.runs, noise=review.noise, usable=review.usable, plan=review.plan
    )
    assert "Run &#39;r1&#39; of Low Tide Racers: a hole" in section.body


def test_the_made_up_row_has_the_columns_of_the_table():
    assert set(vars(result_row())) <= set(OVERALL.names)


def test_no_module_of_the_package_has_the_name_of_a_section():
    modules = {path.stem for path in Path(page.__file__).parent.glob("*.py")}
    assert not modules & set(page.__all__)


def test_knowing_a_section_when_one_sees_it_loads_no_chart():
    code = "import sys; import gpubench_kit.page.section; print('matplotlib' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"
