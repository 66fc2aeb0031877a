"""Reports on a static site: in a sub-folder, listed on a page, under a policy that allows no script at all."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Iterator
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from gpubench_kit.report.build import write_site_index

pytestmark = pytest.mark.slow

#: What a careful site sends: nothing runs, nothing is fetched but what lies beside the page.
POLICY = (
    "default-src 'none'; script-src 'none'; style-src 'unsafe-inline'; img-src 'self' data:; font-src data:; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'"
)
FOLDER = "/blog/cards/reports"


class _Strict(SimpleHTTPRequestHandler):
    """Sends files with the policy; what is missing is counted."""

    missing: list[str]

    def end_headers(self) -> None:
        self.send_header("Content-Security-Policy", POLICY)
        self.send_header("X-Content-Type-Options", "nosniff")
        super().end_headers()

    def log_message(self, format: str, *words: object) -> None:
        """Write nothing."""

    def log_error(self, format: str, *words: object) -> None:
        """Note what was asked for and is not there; a browser asks for an icon by itself."""
        if not self.path.endswith("favicon.ico"):
            self.missing.append(self.path)


@pytest.fixture(scope="module")
def site(built_demo, built_real_scenes, tmp_path_factory) -> Path:
    """Return the root of a site with both bundled reports and their list in a sub-folder."""
    root = tmp_path_factory.mktemp("site")
    for report in (built_demo, built_real_scenes):
        shutil.copytree(report, root / FOLDER.strip("/") / report.name)
    write_site_index(root / FOLDER.strip("/"))
    return root


@pytest.fixture(scope="module")
def address(site) -> Iterator[str]:
    """Return the address of the list of reports on a server of this machine."""
    _Strict.missing = []
    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(_Strict, directory=site))
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}{FOLDER}/"
    server.shutdown()
    server.server_close()


@pytest.fixture
def visit(browser: Browser, address: str) -> Iterator[tuple[Page, list[str]]]:
    """Return the list of reports in a browser, and what it complained of or asked for elsewhere."""
    context = browser.new_context()
    context.set_default_timeout(120_000)
    page, complaints = context.new_page(), []
    page.on("console", lambda said: complaints.extend([said.text] * (said.type in ("error", "warning"))))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("request", lambda asked: complaints.extend([asked.url] * (not asked.url.startswith(address[:16]))))
    page.goto(address)
    yield page, complaints
    context.close()


def test_the_list_leads_to_every_report_and_each_is_whole(visit):
    page, complaints = visit
    links = [link.get_attribute("href") for link in page.get_by_role("link").all()]
    assert sorted(links) == ["real_scenes/index.html", "ten_games/index.html"]
    for link in links:
        page.locator(f'a[href="{link}"]').click()
        page.wait_for_load_state("load")
        assert page.locator("svg[role=img]").count() > 3
        weight = page.evaluate("() => getComputedStyle(document.querySelector('h1')).fontWeight")
        assert weight == "700"
        page.go_back()
    assert complaints == []
    assert _Strict.missing == []


def test_every_file_that_a_report_links_is_served(visit, address):
    page, _ = visit
    page.goto(f"{address}ten_games/index.html")
    links = {link.get_attribute("href") for link in page.locator("a[href]:not([href^='#'])").all()}
    assert len(links) > 8
    for link in links:
        assert not link.startswith(("/", "http"))
        assert page.request.get(f"{address}ten_games/{link}").status == 200
