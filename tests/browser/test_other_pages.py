"""The pages beside the report, in a browser: check, plan, run sheet, sweep, archive, list of reports."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from offline_browser import opened
from small_folder import write_small_review

from gpubench_kit.files import bundled_path
from gpubench_kit.report.build import write_site_index
from gpubench_kit.report.pages import build_archive, build_check, build_schedule, build_tuning

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("notebooks_here")]

AXE = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    "resultTypes": ["violations"],
}
OLD_REPORTS = Path(__file__).parents[1] / "reference" / "kit_0_1_0"
#: A page is no higher than this in any window, as loaded [px].
MOST_HEIGHT = 10_000
WINDOWS = [(390, "light"), (390, "dark"), (1280, "light"), (1280, "dark")]

#: Names of tables that scroll within their region.
_SCROLLING = """() => [...document.querySelectorAll('.plain')].filter(e => e.scrollWidth > e.clientWidth + 1)
    .map(e => e.getAttribute('aria-label'))"""


def _check(folder: Path) -> list[Path]:
    return [build_check(write_small_review(folder / "small"), folder / "out").page]


def _plan(folder: Path) -> list[Path]:
    review = folder / "review"
    review.mkdir()
    shutil.copy(bundled_path("data", "ten_games") / "plan.toml", review / "plan.toml")
    (review / "runs.csv").write_text("run,tuning,game,setting,round,order,frame_log\n", encoding="utf-8")
    made = build_schedule(review, folder / "out")
    return [made.page, made.printed]


def _sweep(folder: Path) -> list[Path]:
    shutil.copytree(bundled_path("data", "limit_sweep"), folder / "sweep")
    return [build_tuning(folder / "sweep", folder / "out").page]


def _archive(folder: Path) -> list[Path]:
    return [build_archive([OLD_REPORTS], folder / "out").page]


def _site(folder: Path) -> list[Path]:
    shutil.copytree(OLD_REPORTS / "reports", folder / "site")
    for report in (folder / "site").iterdir():
        (report / "index.html").write_text("a report", encoding="utf-8")
    return [write_site_index(folder / "site")]


@pytest.mark.parametrize("make", [_check, _plan, _sweep, _archive, _site], ids=lambda make: make.__name__[1:])
def test_a_page_fits_every_window_and_axe_finds_nothing_to_mend(browser, tmp_path, make):
    found = []
    for page in make(tmp_path):
        for width, scheme in WINDOWS:
            with opened(browser, page, width=width, scheme=scheme) as one:
                assert (one.outside_requests, one.console_errors) == ([], [])
                high = one.page.evaluate("() => document.documentElement.scrollHeight")
                found += [(page.name, width, "too high", high)] * (high > MOST_HEIGHT)
                one.page.evaluate("() => document.querySelectorAll('details').forEach(e => { e.open = true })")
                broken = Axe().run(one.page, options=AXE).response["violations"]
                found += [(page.name, width, scheme, rule["id"], rule["nodes"][0]["html"][:200]) for rule in broken]
                found += [(page.name, width, scheme, "sideways", one.pixels_sideways())] * bool(
                    one.pixels_sideways()
                )
                found += [(page.name, width, scheme, "cut off", what) for what in one.cut_off_drawings()]
                found += [(page.name, width, scheme, "scrolls", what) for what in one.page.evaluate(_SCROLLING)]
    assert found == []
