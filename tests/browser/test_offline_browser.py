"""The browser tests see what they look for: each fault is planted once."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from offline_browser import opened

pytestmark = pytest.mark.slow

PAGE = """<!doctype html><html lang="en"><meta charset="utf-8"><title>A page</title>
<meta name="viewport" content="width=device-width"><main><h1>A page</h1>{}</main></html>"""


@pytest.fixture
def page_with(tmp_path):
    """Return a function that writes a page around some markup and returns its path."""

    def write(markup: str):
        path = tmp_path / "index.html"
        path.write_text(PAGE.format(markup), encoding="utf-8")
        return path

    return write


def test_a_sound_page_has_no_fault(browser, page_with):
    path = page_with('<p id="here">Text, <a href="#here">here</a>.</p>')
    with opened(browser, path, width=390, scheme="dark") as one:
        faults = [one.broken_images(), one.sticking_out(), one.cut_off_drawings(), one.dead_links(path.parent)]
        assert faults == [[], [], [], []]
        assert one.pixels_sideways() == 0
        assert one.outside_requests == one.console_errors == []
        assert one.page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches")


def test_an_outside_request_is_refused_and_noted(browser, page_with):
    with opened(browser, page_with('<img alt="" src="http://outside.example/a.png">')) as one:
        assert one.outside_requests == ["http://outside.example/a.png"]
        assert one.broken_images() == ['<img alt="" src="http://outside.example/a.png">']


@pytest.mark.parametrize(
    "script", ["console.error('said')", "throw new Error('said')"], ids=["written to the console", "thrown"]
)
def test_a_console_error_is_noted(browser, page_with, script):
    with opened(browser, page_with(f"<script>{script}</script>")) as one:
        assert one.console_errors == ["said"]


def test_a_missing_picture_beside_the_page_is_seen(browser, page_with):
    with opened(browser, page_with('<img alt="" src="missing.png">')) as one:
        assert len(one.broken_images()) == 1


def test_a_page_wider_than_the_window_is_seen(browser, page_with):
    with opened(browser, page_with('<p style="width: 500px">wide</p>'), width=390) as one:
        assert one.pixels_sideways() > 100
        assert len(one.sticking_out()) == 1


def test_a_wide_table_in_a_region_that_scrolls_is_no_fault(browser, page_with):
    with opened(
        browser, page_with('<div style="overflow-x: auto"><p style="width: 500px">w</p></div>'), width=390
    ) as one:
        assert one.pixels_sideways() == 0
        assert one.sticking_out() == []


def test_a_drawing_that_leaves_its_frame_is_seen(browser, page_with):
    drawing = '<svg role="img" aria-label="{}" viewBox="0 0 9 9"><rect x="{}" y="0" width="5" height="5"/></svg>'
    with opened(browser, page_with(drawing.format("inside", 2) + drawing.format("outside", 7))) as one:
        assert one.cut_off_drawings() == ["outside"]


@pytest.mark.parametrize("link", ["#nowhere", "tables/none.csv", "/etc/hosts", "https://outside.example/"])
def test_a_dead_link_is_seen(browser, page_with, link):
    path = page_with(f'<a href="{link}">there</a>')
    with opened(browser, path) as one:
        assert one.dead_links(path.parent) == [link]


def test_axe_sees_a_picture_without_a_description(browser, page_with):
    with opened(
        browser, page_with('<img src="data:image/gif;base64,R0lGODlhAQABAAAAACH5BAEKAAEALAAAAAABAAEAAAICTAEAOw==">')
    ) as one:
        assert [rule["id"] for rule in Axe().run(one.page).response["violations"]] == ["image-alt"]
