"""A page opened from disk in a headless browser without a network, and what is wrong with it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from playwright.sync_api import Browser, ConsoleMessage, Page, Playwright, Route

#: Names under which systems have a browser that the driver can run.
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")

#: Nothing but the page is to be loaded: no sandbox, since tests may run as root in a container, and no calls home.
ARGUMENTS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip

_BROKEN_IMAGES = (
    "() => [...document.images].filter(i => !i.complete || !i.naturalWidth).map(i => i.outerHTML.slice(0, 200))"
)

_SIDEWAYS = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"

#: Elements that stick out of the window to the right and cannot be scrolled to within a region of their own.
_STICKING_OUT = """() => {
    const bars = ['auto', 'scroll'];
    const scrolls = e => e && (bars.includes(getComputedStyle(e).overflowX) || scrolls(e.parentElement));
    return [...document.body.querySelectorAll('*')]
        .filter(e => e.getBoundingClientRect().right > innerWidth + 1 && !scrolls(e.parentElement) && !scrolls(e))
        .map(e => e.outerHTML.slice(0, 120));
}"""

#: Drawings whose marks or texts reach outside their own frame and are cut off there.
_CUT_OFF = """() => [...document.querySelectorAll('svg')].flatMap(svg => {
    const frame = svg.viewBox.baseVal, drawn = svg.getBBox(), slack = 1;
    const inside = !frame || !frame.width || (drawn.x >= frame.x - slack && drawn.y >= frame.y - slack
        && drawn.x + drawn.width <= frame.x + frame.width + slack
        && drawn.y + drawn.height <= frame.y + frame.height + slack);
    return inside ? [] : [svg.getAttribute('aria-label') || svg.outerHTML.slice(0, 120)];
})"""

_LINKS = "() => [...document.querySelectorAll('a[href]')].map(a => a.getAttribute('href'))"


@dataclass
class Opened:
    """A page that is open, and what it did on the way."""

    page: Page
    outside_requests: list[str] = field(default_factory=list)
    console_errors: list[str] = field(default_factory=list)

    def broken_images(self) -> list[str]:
        """Return the pictures that did not load."""
        return self.page.evaluate(_BROKEN_IMAGES)

    def pixels_sideways(self) -> int:
        """Return how far the page scrolls sideways [px]."""
        return self.page.evaluate(_SIDEWAYS)

    def sticking_out(self) -> list[str]:
        """Return elements cut off at the right edge of the window."""
        return self.page.evaluate(_STICKING_OUT)

    def cut_off_drawings(self) -> list[str]:
        """Return drawings that reach outside their own frame."""
        return self.page.evaluate(_CUT_OFF)

    def dead_links(self, folder: Path) -> list[str]:
        """Return links that lead neither to a place on the page nor to a file of its folder."""
        places = set(self.page.evaluate("() => [...document.querySelectorAll('[id]')].map(e => e.id)"))
        links = self.page.evaluate(_LINKS)
        return [one for one in links if not ((one[:1] == "#" and one[1:] in places) or _is_file(folder, one))]


def browser_path() -> str | None:
    """Return the path of a browser of this machine, or None."""
    return next((found for found in map(shutil.which, BROWSERS) if found), None)


def launch(driver: Playwright) -> Browser:
    """Return a headless browser; one must be there."""
    return driver.chromium.launch(executable_path=browser_path(), args=list(ARGUMENTS))


@contextmanager
def opened(browser: Browser, path: Path, *, width: int = 1280, scheme: str = "light") -> Iterator[Opened]:
    """Open a page from disk; requests for anything but files beside it are refused and noted.

    Parameters
    ----------
    browser : from `launch`
    path : path of the page
    width : width of the window [px]
    scheme : ``light`` or ``dark``

    Yields
    ------
    Opened
    """
    window = {"width": width, "height": 900}
    context = browser.new_context(viewport=window, color_scheme=scheme, offline=True)
    context.set_default_timeout(120_000)
    one = Opened(context.new_page())
    context.route("**/*", lambda route: _only_files(route, one.outside_requests))
    one.page.on("console", lambda message: _note_error(message, one.console_errors))
    one.page.on("pageerror", lambda error: one.console_errors.append(str(error)))
    try:
        one.page.goto(path.resolve().as_uri(), wait_until="load")
        yield one
    finally:
        context.close()


def _only_files(route: Route, refused: list[str]) -> None:
    """Let files through; refuse and note all else."""
    if route.request.url.startswith("file:"):
        route.continue_()
        return
    refused.append(route.request.url)
    route.abort()


def _note_error(message: ConsoleMessage, errors: list[str]) -> None:
    """Note errors and warnings that the page wrote to the console."""
    if message.type in {"error", "warning"}:
        errors.append(message.text)


def _is_file(folder: Path, link: str) -> bool:
    """Return whether a link is the relative path of a file in a folder."""
    if ":" in link or link.startswith(("/", "#")):
        return False
    path = (folder / link.split("#")[0]).resolve()
    return path.is_file() and path.is_relative_to(folder.resolve())
