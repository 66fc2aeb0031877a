"""The page of the desk: no fault of accessibility, narrow and wide, light and dark; its reload can be stopped."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from made_evening import Evening, made_review
from offline_browser import opened

from gpubench_kit.desk.view import write_page


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    """Return the page of an evening with two runs."""
    with Evening(tmp_path_factory.mktemp("desk"), made_review(games=3, scene_s=3.0, fps=30.0)) as evening:
        evening.record()
        evening.record()
        write_page(evening.desk)
        return evening.folder / "desk.html"


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_axe_finds_nothing_to_mend(browser, page_file, width, theme):
    with opened(browser, page_file, width=width, scheme=theme) as one:
        found = Axe().run(one.page).response["violations"]
        assert [(rule["id"], [node["html"][:200] for node in rule["nodes"][:3]]) for rule in found] == []
        assert one.pixels_sideways() == 0


def test_its_reload_can_be_stopped_and_that_is_remembered(browser, page_file):
    with opened(browser, page_file) as one:
        one.page.check("#still")
        assert one.page.url.endswith("#still")
        one.page.reload()
        assert one.page.is_checked("#still")
