"""The notebook as a workbench: a real JupyterLab on this machine runs it, and shows verdicts and charts."""

from __future__ import annotations

import json
import os
import re
import secrets
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import nbformat
import pytest
from playwright.sync_api import Browser, Page, Route
from small_folder import write_small_review

from gpubench_kit.report.build import NOTEBOOK
from gpubench_kit.report.page_build import bundled_notebook

pytestmark = pytest.mark.slow

#: Seconds for the server to answer, and for all cells to be run on a busy machine.
_START_S, _RUN_S = 90, 180
_LOOPBACK = ("http://127.0.0.1:", "ws://127.0.0.1:", "data:", "blob:")

#: Nothing is asked for outside: no news, no updates, no list of extensions.
_OPTIONS = (
    "--no-browser", "--ServerApp.ip=127.0.0.1", "--ServerApp.port=0", "--ServerApp.allow_root=True",
    "--LabApp.news_url=None", "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
    "--LabApp.extension_manager=readonly",
)  # fmt: skip

#: All cells are kept on the page, seen or not; the dark theme is the harder one for charts.
_SETTINGS = {
    "notebook-extension/tracker": {"windowingMode": "none"},
    "apputils-extension/themes": {"theme": "JupyterLab Dark"},
    "apputils-extension/notification": {"fetchNews": "false", "checkForUpdates": False},
}

#: The notebook is drawn and its kernel waits: before that a menu would ask for another kernel.
_IS_READY = """() => !document.querySelector('.jp-Notebook ~ .jp-Spinner, .jp-NotebookPanel > .jp-Spinner')
    && /\\| Idle/.test(document.querySelector('#jp-bottom-panel, .jp-StatusBar-Widget')?.innerText || '')"""
_ARE_COUNTED = """() => {
    const counts = [...document.querySelectorAll('.jp-CodeCell .jp-InputPrompt')].map(e => e.innerText.trim());
    return counts.length > 0 && counts.every(text => /^\\[\\d+\\]/.test(text));
}"""
_SHOWN = """() => [...document.querySelectorAll('.jp-OutputArea-output')].map(e => e.innerText).join('\\n')"""
_ERROR = '.jp-OutputArea-output:has-text("PlanError")'
_CHARTS = """() => [...document.querySelectorAll('.jp-OutputArea-output svg[role=img]:not(.spark)')].filter(
    e => e.querySelector('text')).map(e => {
    const box = e.getBoundingClientRect();
    return [box.width, box.height, getComputedStyle(e.querySelector('path')).fill, e.getAttribute('aria-label')];
})"""
_GROUND = """() => {
    const section = document.querySelector('.jp-OutputArea-output section.kit');
    const style = getComputedStyle(section);
    return [style.backgroundColor, style.color];
}"""
#: How cells stand, and what lies behind their rows.
_TABLE_CELLS = """() => [...document.querySelectorAll('.kit tbody th, .kit tbody td')].map(
    e => [getComputedStyle(e).textAlign, getComputedStyle(e.parentElement).backgroundColor])"""
_FLOATS = """() => [...document.querySelectorAll('.kit dt, .kit dd')].map(e => getComputedStyle(e).cssFloat)
    .filter(float => float !== 'none')"""


@dataclass
class Workbench:
    """A notebook open in JupyterLab, and the addresses outside this machine that were asked for."""

    page: Page
    outside: list[str] = field(default_factory=list)

    def start_all(self) -> None:
        """Run all cells by the menu."""
        self.page.get_by_role("menuitem", name="Run", exact=True).click()
        self.page.locator(".lm-Menu").get_by_text("Run All Cells", exact=True).click()

    def run_all(self) -> None:
        """Run all cells by the menu, and wait until each has its number."""
        self.start_all()
        self.page.wait_for_function(_ARE_COUNTED, timeout=_RUN_S * 1000)


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the notebook, its parameter edited as a reviewer does, and a small review."""
    folder = tmp_path_factory.mktemp("desk")
    write_small_review(folder / "small")
    notebook = bundled_notebook(NOTEBOOK)
    cell = next(cell for cell in notebook.cells if "parameters" in cell.metadata.get("tags", []))
    cell.source = cell.source.replace("../data/ten_games", "small")
    nbformat.write(notebook, folder / "card_review.ipynb")
    cell.source = cell.source.replace('"small"', '"nowhere"')
    nbformat.write(notebook, folder / "wrong_folder.ipynb")
    return folder


@pytest.fixture(scope="module")
def address(desk: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Return the address of a notebook in a JupyterLab of its own, which ends with the tests."""
    home, token = tmp_path_factory.mktemp("home"), secrets.token_hex(16)
    for name, settings in _SETTINGS.items():
        path = home / "settings" / "@jupyterlab" / f"{name}.jupyterlab-settings"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(settings), encoding="utf-8")
    places = {name: str(home / name.lower()) for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_RUNTIME_DIR")}
    places |= {"JUPYTERLAB_SETTINGS_DIR": str(home / "settings"), "JUPYTERLAB_WORKSPACES_DIR": str(home / "spaces"),
               "IPYTHONDIR": str(home / "ipython"), "JUPYTER_TOKEN": token}  # fmt: skip
    command = [sys.executable, "-m", "jupyterlab", *_OPTIONS, f"--ServerApp.root_dir={desk}"]
    with (home / "log.txt").open("wb") as log:
        server = subprocess.Popen(command, env=os.environ | places, cwd=desk, stdout=log, stderr=log)
    try:
        port = _port(Path(places["JUPYTER_RUNTIME_DIR"]), server, log=home / "log.txt")
        yield f"http://127.0.0.1:{port}/lab/tree/NOTEBOOK?token={token}"
    finally:
        server.terminate()
        server.wait(timeout=30)


@contextmanager
def _opened(address: str, notebook: str, browser: Browser) -> Iterator[Workbench]:
    """Open a notebook in JupyterLab."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    bench = Workbench(context.new_page())
    context.route("**/*", lambda route: _only_here(route, bench.outside))
    bench.page.on("websocket", lambda socket: bench.outside.extend([socket.url] * (not _is_here(socket.url))))
    bench.page.goto(address.replace("NOTEBOOK", notebook), timeout=_START_S * 1000)
    bench.page.wait_for_selector(".jp-CodeCell", timeout=_START_S * 1000)
    bench.page.wait_for_function(_IS_READY, timeout=_START_S * 1000)
    yield bench
    context.close()


@pytest.fixture(scope="module")
def workbench(address: str, browser: Browser) -> Iterator[Workbench]:
    """Return the notebook open in JupyterLab, all cells run."""
    with _opened(address, "card_review.ipynb", browser) as bench:
        bench.run_all()
        yield bench


def test_run_all_is_a_look_that_is_counted_and_said(workbench, desk):
    assert "Look 1 of 2 planned, at 10 used runs; looks.csv keeps count." in workbench.page.evaluate(_SHOWN)
    assert len((desk / "small" / "looks.csv").read_text(encoding="utf-8").splitlines()) == 2


def test_the_cell_for_own_questions_draws_a_plot_of_the_kit_and_one_of_seaborn(workbench):
    last = workbench.page.locator(".jp-CodeCell").last.locator(".jp-OutputArea-output img")
    assert last.count() == 2


def test_all_cells_run_and_the_verdicts_are_shown(workbench):
    shown = workbench.page.evaluate(_SHOWN)
    assert "Larkmoor 4" in shown
    assert "Quiet: 3.0\u00a0% slower" in shown
    assert "slower" in shown
    assert "Traceback" not in shown


def test_charts_show_themselves_at_a_legible_size(workbench):
    charts = workbench.page.evaluate(_CHARTS)
    assert len(charts) >= 3
    for width, height, fill, label in charts:
        assert width > 300 or width == height == 0  # Folded away.
        assert fill
        assert len(label) > 40


def test_sections_follow_the_theme_of_jupyterlab(workbench):
    ground, ink = (sum(_channels(one)) for one in workbench.page.evaluate(_GROUND))
    assert ground < 120 < 600 < ink


def test_tables_and_lists_keep_the_look_of_the_page(workbench):
    cells = workbench.page.evaluate(_TABLE_CELLS)
    assert len(cells) > 4
    assert {(align, ground) for align, ground in cells} <= {
        (a, "rgba(0, 0, 0, 0)") for a in ("left", "right", "start")
    }
    assert cells[0][0] == "left"
    assert workbench.page.evaluate(_FLOATS) == []


def test_a_section_without_data_says_so_in_its_place(workbench):
    assert "Watts and frame rate: not shown, no power was compared." in workbench.page.evaluate(_SHOWN)


def test_nothing_is_asked_for_outside_this_machine(workbench):
    assert workbench.outside == []


def test_after_a_change_of_the_plan_one_run_gives_the_new_page(workbench, desk):
    plan = desk / "small" / "plan.toml"
    plan.write_text(
        plan.read_text(encoding="utf-8").replace("[analysis]", "[analysis]\nmargin_pct = 7"), encoding="utf-8"
    )
    workbench.run_all()
    workbench.page.wait_for_function(f"() => ({_SHOWN})().includes('7\u00a0%')", timeout=_RUN_S * 1000)


def test_a_wrong_folder_is_one_line_without_the_kits_own_code(address, browser):
    with _opened(f"{address}&reset", "wrong_folder.ipynb", browser) as bench:
        bench.start_all()
        bench.page.wait_for_selector(_ERROR, timeout=_RUN_S * 1000)
        shown = [one.strip() for one in bench.page.locator(_ERROR).all_inner_texts()]
    assert shown == [
        "PlanError: 'nowhere': there is no such folder. "
        "Name the folder of the review, or make one with: gpubench-kit new FOLDER"
    ]


def _port(folder: Path, server: subprocess.Popen, *, log: Path) -> int:
    """Return the port that a server chose, from the note that it leaves in its folder."""
    until = time.monotonic() + _START_S
    while time.monotonic() < until and server.poll() is None:
        for path in folder.glob("jpserver-*.json"):
            if (text := path.read_text(encoding="utf-8")).strip().endswith("}"):
                return json.loads(text)["port"]
        time.sleep(0.2)
    pytest.fail(f"JupyterLab did not start:\n{log.read_text(encoding='utf-8', errors='replace')[-2000:]}")


def _only_here(route: Route, refused: list[str]) -> None:
    """Let requests to this machine through; refuse and note all else."""
    if _is_here(route.request.url):
        route.continue_()
        return
    refused.append(route.request.url)
    route.abort()


def _is_here(address: str) -> bool:
    """Return whether an address is one of this machine."""
    return address.startswith(_LOOPBACK)


def _channels(colour: str) -> list[float]:
    """Return red, green and blue of a computed colour."""
    return [float(one) for one in re.findall(r"[\d.]+", colour)[:3]]
