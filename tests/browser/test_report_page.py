"""The pages of both bundled reviews, opened from disk with the network closed."""

from __future__ import annotations

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from offline_browser import opened

pytestmark = pytest.mark.slow

NARROW, WIDE = 390, 1280


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


def test_axe_finds_nothing_to_mend(one):
    found = Axe().run(one.page).response["violations"]
    assert [(rule["id"], [node["html"][:200] for node in rule["nodes"][:3]]) for rule in found] == []


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


def test_every_table_has_a_caption_and_headed_columns(report, browser):
    with opened(browser, report / "index.html") as one:
        assert one.page.locator("table").count() > 3
        assert one.page.locator("table:not(:has(caption))").count() == 0
        assert one.page.locator("th:not([scope])").count() == 0


def test_the_page_prints_without_leaving_anything_out(report, browser):
    with opened(browser, report / "index.html") as one:
        # A list of links to the sections is of no use on paper.
        headings = one.page.locator(":not(nav) > h2")
        one.page.emulate_media(media="print")
        assert headings.count() > 5
        assert [text.inner_text() for text in headings.all() if not text.is_visible()] == []
        assert one.page.pdf()[:5] == b"%PDF-"
