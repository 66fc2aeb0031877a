"""Building blocks: plain text is data, tables are headed, numbers keep their units."""

from __future__ import annotations

import pytest

from gpubench_kit.page.elements import Field, Markup, bullets, details, listing, paragraph, slug, terms, tied

HOSTILE = '<script>alert("x")</script>&amp;'
ESCAPED = "&lt;script&gt;alert(&#34;x&#34;)&lt;/script&gt;&amp;amp;"


@pytest.mark.parametrize(
    "made",
    [
        paragraph(HOSTILE),
        bullets([HOSTILE]),
        terms([(HOSTILE, "x")]),
        terms([("x", HOSTILE)]),
        details(HOSTILE, paragraph("x")),
        listing([Field(HOSTILE, str)], ["x"], caption="c"),
        listing([Field("x", str)], [HOSTILE], caption="c"),
        listing([Field("x", str)], ["x"], caption=HOSTILE),
    ],
    ids=["paragraph", "list", "word", "meaning", "summary", "head", "cell", "caption"],
)
def test_markup_in_text_is_shown_as_text(made):
    assert "<script" not in made
    assert ESCAPED in made


def test_a_table_has_a_caption_heads_with_scope_and_a_named_region():
    made = listing(
        [Field("Game", lambda row: row[0]), Field("Rate", lambda row: row[1], "fps", is_number=True)],
        [["Salt Orchard", "90.1"]],
        caption="Rates",
    )
    assert '<div class="plain" role="region" tabindex="0" aria-label="Rates">' in made
    assert "<caption>Rates</caption>" in made
    assert '<th scope="col" class="r">Rate <span class="unit">fps</span></th>' in made
    assert '<th scope="row">Salt Orchard</th>' in made
    assert '<td class="r">90.1</td>' in made


@pytest.mark.parametrize(
    "made", [bullets([]), terms([]), paragraph(""), details("x", Markup("")), listing([], [], caption="c")]
)
def test_nothing_is_shown_for_nothing(made):
    assert made == ""


def test_a_number_and_its_unit_stay_on_one_line():
    assert tied("lower by 2.0 % (−1 to 3 W) in 10 games") == "lower by 2.0\u00a0% (−1 to 3\u00a0W) in 10 games"


def test_a_slug_is_short_and_plain():
    assert slug("Névé Crossing: 1440p!") == "neve-crossing-1440p"
    assert len(slug("x" * 500)) <= 60
    assert slug("雪") == "part"
