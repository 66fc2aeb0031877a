"""The pages of both bundled reviews, opened from disk with the network closed."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from offline_browser import opened

from gpubench_kit.page.elements import look

pytestmark = pytest.mark.slow

NARROW, WIDE = 390, 1280
PHONE_HEIGHT = 844
MOST_PAGES = 16
#: Size of the text in a drawing at its own width [px].
TEXT_OF_DRAWINGS = 12
#: What the page of the ten-game review may be at most.
MOST_BYTES, MOST_ELEMENTS, MOST_HEIGHT = 500_000, 6_000, {WIDE: 7_000, NARROW: 10_000}
#: Margins of the printed page at its sides, and above and below.
MARGINS_MM = (13, 13)
#: The levels are off unless asked for by name. Each element that needs no mending is not described: of the forty
#: thousand on the page that would take minutes.
AXE = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    "resultTypes": ["violations"],
}

#: Sizes of text that is smaller than 12 px, that of drawings at the size they are shown.
_SMALL_TEXT = """() => [...document.querySelectorAll('body *')]
    .filter(e => [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim()) && e.getClientRects().length)
    .map(e => [parseFloat(getComputedStyle(e).fontSize), e.outerHTML.slice(0, 100)])
    .filter(([size]) => size < 12)"""
_DRAWING_SCALES = """() => [...document.querySelectorAll('svg[role=img]:has(text)')]
    .filter(e => e.getClientRects().length)
    .map(e => e.getBoundingClientRect().width / e.viewBox.baseVal.width)"""
#: How far each interval drawn in the table by game reaches beyond its cell [px].
_STRIPS = """() => [...document.querySelectorAll('.mx .x1 td .spark')].filter(e => e.getClientRects().length)
    .map(e => e.getBoundingClientRect().right - e.closest('td').getBoundingClientRect().right)"""
_FAR_CAPTIONS = """() => {
    document.querySelectorAll('details').forEach(e => { e.open = true });
    return [...document.querySelectorAll('caption')].filter(e => {
        const text = document.createRange();
        text.selectNodeContents(e);
        return text.getBoundingClientRect().right > innerWidth;
    }).map(e => e.textContent.slice(0, 60));
}"""
_HEIGHTS = """() => [...document.querySelectorAll('figure')].map(e => [
    e.getBoundingClientRect().height, getComputedStyle(e).breakInside, e.id])"""
_RESULT_END = (
    "() => Math.max(...[...document.querySelectorAll('.card .row')].map(e => e.getBoundingClientRect().bottom))"
)


@pytest.fixture(params=["built_demo", "built_real_scenes"])
def report(request) -> Path:
    """Return the report folder of one bundled review."""
    return request.getfixturevalue(request.param)


@pytest.fixture(
    params=[(NARROW, "light"), (NARROW, "dark"), (WIDE, "light"), (WIDE, "dark")], ids=lambda p: f"{p[0]}px {p[1]}"
)
def one(request, report, browser):
    """Return the page of a report, opened."""
    width, scheme = request.param
    with opened(browser, report / "index.html", width=width, scheme=scheme) as page:
        yield page


def test_the_page_is_whole_without_a_network(one):
    assert one.outside_requests == []
    assert one.console_errors == []
    assert one.broken_images() == []


def test_the_page_fits_its_window(one):
    assert one.pixels_sideways() == 0
    assert one.sticking_out() == []


def test_every_caption_is_read_without_scrolling_its_table(one):
    assert one.page.evaluate(_FAR_CAPTIONS) == []


def test_axe_finds_nothing_to_mend(one):
    found = Axe().run(one.page, options=AXE).response["violations"]
    assert [(rule["id"], [node["html"][:200] for node in rule["nodes"][:3]]) for rule in found] == []


def test_no_text_is_smaller_than_12_pixels(one):
    assert one.page.evaluate(_SMALL_TEXT) == []
    assert min(one.page.evaluate(_DRAWING_SCALES)) * TEXT_OF_DRAWINGS >= 11


def test_every_drawing_stays_in_its_frame(one):
    assert one.page.locator("svg").count() > 3
    assert one.cut_off_drawings() == []


def test_every_link_leads_somewhere(report, browser):
    with opened(browser, report / "index.html") as one:
        assert one.dead_links(report) == []


def test_every_drawing_says_what_it_shows(report, browser):
    with opened(browser, report / "index.html") as one:
        drawings = one.page.locator("svg[role=img]")
        labels = [drawings.nth(place).get_attribute("aria-label") for place in range(drawings.count())]
        assert len(labels) == one.page.locator("svg:not([aria-hidden=true])").count() > 3
        assert [label for label in labels if not label or len(label) < 20] == []


def test_every_table_is_named_and_has_headed_columns(report, browser):
    with opened(browser, report / "index.html") as one:
        assert one.page.locator("table").count() > 3
        assert one.page.locator(":not([aria-label]) > table:not(:has(caption))").count() == 0
        assert one.page.locator("th:not([scope])").count() == 0


def test_the_result_fits_the_first_screen_of_a_phone(report, browser):
    with opened(browser, report / "index.html", width=NARROW) as one:
        assert one.page.locator(".card .row").count() >= 1
        assert one.page.evaluate(_RESULT_END) < PHONE_HEIGHT


@pytest.mark.parametrize(("paper", "width_mm", "height_mm"), [("A4", 210, 297), ("Letter", 215.9, 279.4)])
def test_no_chart_is_cut_on_paper(report, browser, paper, width_mm, height_mm):
    pixels = 96 / 25.4
    side, above = MARGINS_MM
    with opened(browser, report / "index.html", width=round((width_mm - 2 * side) * pixels)) as one:
        one.page.emulate_media(media="print")
        figures = one.page.evaluate(_HEIGHTS)
        assert len(figures) > 2
        assert {how for _, how, _ in figures} == {"avoid"}
        assert [name for height, _, name in figures if height > (height_mm - 2 * above) * pixels] == []


def test_the_margins_of_the_paper_are_those_of_the_style_sheet():
    side, above = MARGINS_MM
    assert side == above
    assert f"@page{{size:A4;margin:{above}mm}}" in look().css


def test_the_page_stays_small(built_demo, browser):
    page = built_demo / "index.html"
    assert page.stat().st_size <= MOST_BYTES
    for width, most in MOST_HEIGHT.items():
        with opened(browser, page, width=width) as one:
            assert one.page.evaluate("() => document.querySelectorAll('*').length") <= MOST_ELEMENTS
            assert one.page.evaluate("() => document.documentElement.scrollHeight") <= most


def test_an_address_opens_the_game_it_names(built_demo, browser):
    with opened(browser, built_demo / "index.html") as one:
        game = one.page.locator("article.gm:has(details:not([open])) a.anchor").first
        address = game.get_attribute("href")
        game.click()
        assert one.page.locator(f"details[open] {address}").count() == 1


def test_a_metric_is_chosen_without_a_script(built_demo, browser):
    with opened(browser, built_demo / "index.html") as one:
        one.page.locator(".mx").first.locator(".seg label").nth(2).click()
        seen = [tab.is_visible() for tab in one.page.locator(".mx").first.locator(".tabs").all()]
        assert seen == [False, False, True]


def test_no_cell_of_the_table_by_game_runs_into_the_next(report, browser):
    for width in (1024, WIDE):
        with opened(browser, report / "index.html", width=width) as one:
            strips = one.page.evaluate(_STRIPS)
        assert max(strips, default=0) <= 0
    assert strips


def test_intervals_in_the_table_by_game_are_shown_by_key_and_on_paper(built_demo, browser):
    with opened(browser, built_demo / "index.html", width=NARROW) as one:
        first = one.page.locator(".mx .x1 td .ci").first
        assert not first.is_visible()
        one.page.locator("#mx-1").focus()
        one.page.keyboard.press("Tab")
        one.page.keyboard.press("Space")
        assert first.is_visible()
        one.page.keyboard.press("Space")
        assert not first.is_visible()
        one.page.emulate_media(media="print")
        assert first.is_visible()


def test_the_page_prints_with_every_section(report, browser):
    with opened(browser, report / "index.html") as one:
        # A list of links to the sections is of no use on paper.
        headings = one.page.locator(":not(nav) > h2")
        one.page.emulate_media(media="print")
        assert headings.count() > 5
        assert [text.inner_text() for text in headings.all() if not text.is_visible()] == []
        pdf = one.page.pdf(format="A4", prefer_css_page_size=True)
        assert 0 < len(re.findall(rb"/Type\s*/Page\b", pdf)) <= MOST_PAGES
