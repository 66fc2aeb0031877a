"""How large, long and wordy a report page is, whether axe finds anything, and how much paper it takes.

Run with:  python benchmarks/page.py [PAGE...]      (an index.html, or any other page of the kit; without one the
                                                  page of twenty made-up games under seven states)

Words are those seen as loaded, without the text of charts. Heights are at 1280 and 390 px, as loaded. axe runs with
all folds open, in both widths and both colour schemes. Screenshots go to the folder named by GPUBENCH_SHOTS.
"""

from __future__ import annotations

import gzip
import os
import re
import sys
import tempfile
from pathlib import Path

# Not from this folder, whose `tests.py` would be taken for the folder of that name.
sys.path.pop(0)
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "support"))

from axe_playwright_python.sync_playwright import Axe
from offline_browser import launch, opened
from playwright.sync_api import sync_playwright

from tests.page.conftest import rich_results, whole_page

#: bytes, elements, words, height at 1280 px and at 390 px, pages of A4: what the demo may have at most.
GOAL = {"bytes": 500_000, "elements": 6_000, "words": 1_500, "height 1280": 7_000, "height 390": 10_000, "A4": 16}
#: The same for twenty games under seven states.
RICH_GOAL = GOAL | {"bytes": 900_000, "elements": 12_000}

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
AXE = {"runOnly": RULES, "resultTypes": ["violations"]}

_WORDS = """() => {
    const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    let count = 0;
    while (walk.nextNode()) {
        const e = walk.currentNode.parentElement;
        const box = e.getBoundingClientRect();
        const seen = e.checkVisibility({checkVisibilityCSS: true, contentVisibilityAuto: true}) && box.width > 1;
        if (seen && !e.closest('svg, style'))
            count += walk.currentNode.data.split(/\\s+/).filter(w => w).length;
    }
    return count;
}"""


def measure(browser, path: Path) -> dict[str, object]:
    """Return the numbers of one page."""
    raw = path.read_bytes()
    found: dict[str, object] = {"bytes": len(raw), "gzip": len(gzip.compress(raw))}
    with opened(browser, path, width=1280) as one:
        found["elements"] = one.page.evaluate("() => document.querySelectorAll('*').length")
        found["words"] = one.page.evaluate(_WORDS)
        found["height 1280"] = one.page.evaluate("() => document.documentElement.scrollHeight")
        found["A4"] = len(re.findall(rb"/Type\s*/Page\b", one.page.pdf(format="A4", prefer_css_page_size=True)))
    violations: set[tuple[str, str]] = set()
    for width in (390, 1280):
        for scheme in ("light", "dark"):
            with opened(browser, path, width=width, scheme=scheme) as one:
                _shoot(one.page, path, f"{width}-{scheme}")
                if width == 390:
                    found["height 390"] = one.page.evaluate("() => document.documentElement.scrollHeight")
                    found["sideways"] = one.pixels_sideways()
                one.page.evaluate("() => document.querySelectorAll('details').forEach(e => { e.open = true })")
                for rule in Axe().run(one.page, options=AXE).response["violations"]:
                    violations |= {(rule["id"], node["html"][:140]) for node in rule["nodes"]}
    return found | {"axe": len(violations), "violations": sorted(violations)[:12]}


def _shoot(page, path: Path, name: str) -> None:
    """Keep a picture of the whole page, if a folder for pictures is named."""
    folder = os.environ.get("GPUBENCH_SHOTS")
    if folder:
        page.screenshot(path=Path(folder) / f"{path.parent.name}-{path.stem}-{name}.png", full_page=True)


def main(pages: list[str]) -> None:
    """Measure pages and print their numbers beside the goals."""
    with sync_playwright() as driver, tempfile.TemporaryDirectory() as scratch:
        browser, goals = launch(driver), GOAL
        if not pages:
            pages, goals = [str(Path(scratch) / "index.html")], RICH_GOAL
            Path(pages[0]).write_text(whole_page(rich_results()), encoding="utf-8")
        for page in pages:
            print(page)
            for name, value in measure(browser, Path(page)).items():
                goal = f"  (goal {goals[name]:,})" if name in goals else ""
                print(f"  {name:12} {value:,}{goal}" if isinstance(value, int) else f"  {name:12} {value}")
        browser.close()


if __name__ == "__main__":
    main(sys.argv[1:])
