"""What the page says where verdicts are withheld: why, no more than that, and nothing to the reviewer."""

from __future__ import annotations

import re

import pytest

from gpubench_kit import page
from gpubench_kit.page.method import message_text
from gpubench_kit.wording.catalogue import load_catalogue
from gpubench_kit.wording.numbers import interval_text
from gpubench_kit.wording.terms import starting
from tests.page.conftest import facts_of, made_up, page_sections, results_of, without_verdicts

REASONS = ("format_not_confirmed", "not_stated")


@pytest.fixture(scope="module", params=REASONS)
def withheld(request):
    """Return a review in which every verdict is withheld, and the reason."""
    review = without_verdicts(made_up(games=("Salt Orchard", "Glass Tundra"), rounds=3), reason=request.param)
    return results_of(review, facts_of=facts_of(review)), request.param


def _text(section) -> str:
    """Return a section as text, drawings apart."""
    return re.sub(r"<[^>]*>", " ", re.sub(r"<svg.*?</svg>", "", section._repr_html_(), flags=re.DOTALL))


def test_data_quality_is_not_good_and_says_what_withholds_the_verdicts(withheld):
    results, reason = withheld
    text = _text(page.quality(results))
    assert "Open points." in text
    assert "4 of 4 comparisons (Frame rate) have no verdict" in text
    assert load_catalogue().entries[f"reason.short.{reason}"] in text
    assert "No finding withholds a verdict" not in text


def test_the_key_and_the_notes_on_intervals_stand_only_beside_verdicts(withheld, results):
    hidden = _text(page.answer(withheld[0])) + _text(page.by_game(withheld[0]))
    shown = _text(page.answer(results)) + _text(page.by_game(results))
    for words in ("Colour: good or bad", "Band: our margin", "at most one in twenty"):
        assert (words in hidden, words in shown) == (False, True)


def test_one_run_of_each_shows_neither_key_nor_button_for_intervals():
    results = results_of(made_up(rounds=1))
    html = page.answer(results)._repr_html_() + page.by_game(results)._repr_html_()
    assert not results.has_verdicts
    assert 'id="key"' not in html
    assert 'type="checkbox"' not in html
    assert "Watts: mean" not in html


def test_the_only_game_is_told_as_on_the_card():
    results = results_of(made_up(games=("Low Tide Racers",)))
    (scene,) = results.scenes("all")
    told = page.games(results)._repr_html_()
    for pair in results.main.pairs:
        row = results.over_games(pair, "all", "avg_fps")
        assert interval_text(row.ci_low, row.ci_high).replace(" %", "\u00a0%") in told
        own = results.in_game(pair, scene, "avg_fps")
        assert (own.ci_low, own.ci_high) != (row.ci_low, row.ci_high)


def test_means_of_a_reading_that_is_not_confirmed_do_not_stand_side_by_side(withheld):
    results, reason = withheld
    html = page.by_game(results)._repr_html_()
    cells = re.findall(r'<td class="rf">([^<]*)</td>', html)
    lines = [cell for cell in cells if cell]
    assert bool(lines) == (reason != "format_not_confirmed")
    assert "not measured" not in html
    assert "no verdict" in html


def test_no_difference_of_frame_times_is_drawn_without_a_design_or_a_reading(withheld, review):
    assert "Frame time vs" not in page.games(withheld[0])._repr_html_()
    assert "Frame time vs" in page.games(results_of(review, facts_of=facts_of(review)))._repr_html_()


def test_the_note_on_charts_speaks_of_those_that_there_are(withheld, results, review):
    typed, logged = (_text(page.games(one)) for one in (results, results_of(review, facts_of=facts_of(review))))
    for words in ("spikes show the longest frame", "Frame time at each percentile"):
        assert (words in typed, words in logged) == (False, True)
    assert "Frame time at each percentile" not in _text(page.games(withheld[0]))


def test_the_page_asks_nothing_of_the_reviewer(withheld):
    text = " ".join(map(_text, page_sections(withheld[0])))
    assert not re.search(r"\b(confirm|fill in|type one|record a|correct) (its|the|decimal|second)\b", text, re.I)


@pytest.mark.parametrize(
    ("name", "told"),
    [("quiet", "Quiet"), ("uv", "uv"), ("oc 2", "oc 2"), ("limit -10", "Limit -10"), ("-90mV 88%", "-90mV 88%"),
     ("eco", "Eco"), ("heavier1", "Heavier1"), ("uv2", "uv2"), ("iMode", "iMode"), ("pwr", "pwr"), ("", "")],
)  # fmt: skip
def test_a_name_at_the_start_gets_a_capital_only_if_it_is_a_word(name, told):
    assert starting(name) == told


@pytest.mark.parametrize(
    ("message", "told"),
    [("its samples end early", "Its samples end early"), ("run7.csv, line 3: torn", "run7.csv, line 3: torn"),
     ("logs/all of it.csv: placed", "logs/all of it.csv: placed"),
     ("all of it.csv: placed", "all of it.csv: placed"), ("the mean is 3.5: low", "The mean is 3.5: low")],
)  # fmt: skip
def test_a_finding_begins_with_a_capital_unless_it_begins_with_the_name_of_a_file(message, told):
    assert message_text(message) == told
