"""From an executed notebook to one self-contained page; the only import of nbconvert."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from nbformat import NotebookNode
from nbformat.v4 import new_code_cell, new_notebook

from gpubench_kit.late_loading import loaded_when_used
from gpubench_kit.model.errors import Fault, ReportError
from gpubench_kit.page.section import MIME, Section
from gpubench_kit.wording.catalogue import has, say

nbconvert = loaded_when_used("nbconvert")

_TEMPLATES = Path(__file__).parent / "templates"

#: Elements that fetch or run something, whatever their attributes.
_REFUSED_TAGS = frozenset(
    ["script", "iframe", "object", "embed", "link", "base", "form", "frame", "applet", "portal"]
)
_ADDRESSES = frozenset(
    ["src", "href", "xlink:href", "action", "data", "poster", "srcset", "formaction", "background"]
)
_RELATIVE = re.compile(r"(?![a-zA-Z][a-zA-Z0-9+.-]*:|//|\\)")
_FETCHING_STYLE = re.compile(r"url\((?!\s*['\"]?(?:#|data:font/woff2;))|@import|expression\(", re.IGNORECASE)
#: The page's own sign: a bar, a zero line and a dot.
ICON = (
    "data:image/svg+xml,%3Csvg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 32 32'%3E%3Crect width='32' "
    "height='32' rx='6' fill='%23191a1c'/%3E%3Crect x='11' y='5' width='10' height='22' fill='%23585b60'/%3E"
    "%3Cpath d='M6 16H26' stroke='%23fff' stroke-width='4'/%3E%3Ccircle cx='19' cy='16' r='5' fill='%23dda434'/%3E"
    "%3C/svg%3E"
)
_LEFT_OVERS = (
    (re.compile(r"<[\w. ]+ at 0x[0-9a-fA-F]+>"), "the name of an object in memory"),
    (re.compile(r"Traceback \(most recent call last\)"), "an error message of the interpreter"),
    (re.compile(r"ipykernel_\d+|/tmp/\w+/\d+\.py"), "a path of the notebook's process"),
)


def load_exporter() -> None:
    """Load what makes pages ahead of its use: it takes a second, and while a notebook runs there is time."""
    _ = nbconvert.exporters


def page_of(notebook: NotebookNode, *, after_head: Sequence[Section] = (), language: str = "en") -> str:
    """Return the page made of a notebook's sections.

    Parameters
    ----------
    notebook : an executed notebook; outputs that are not sections of the kit are not printed
    after_head : further sections, put between the head of the page and the notebook's sections
    language : language of the page

    Returns
    -------
    str : HTML, the same bytes for the same sections

    Raises
    ------
    ReportError : the notebook shows no head of the page, or the page would reach outside itself
    """
    outputs = list(_section_outputs(notebook))
    head = [output for output in outputs if output.data[MIME].get("is_summary")]
    if len(head) != 1:
        problem = f"it shows {len(head)} heads of the page; exactly one is expected."
        raise ReportError(Fault("notebook", problem, "Show the summary in one cell."))
    body = [NotebookNode({"data": one._repr_mimebundle_()}) for one in after_head]
    body += [output for output in outputs if output is not head[0] and not output.data[MIME].get("style")]
    shown = [output for output in body if not output.data[MIME]["left_out"]]
    about = head[0].data[MIME]
    page = {
        "language": language,
        "title": _page_title(about),
        "about": about["head"] | {"title": about["title"]},
        "icon": ICON,
        "style": "\n".join(output.data[MIME]["style"] for output in outputs if output.data[MIME].get("style")),
        "head": head[0].data["text/html"],
        "contents": [_entry(output.data[MIME]) for output in shown],
        "words": {name: say(f"page.{name}") for name in ("skip", "sections", "foot")},
        "left_out": _all_left_out(output.data[MIME] for output in body if output.data[MIME]["left_out"]),
    }
    html, _ = _exporter().from_notebook_node(_bare_notebook(shown), resources={"page": page})
    check_page(html)
    return html


def check_page(html: str) -> None:
    """Refuse a page that reaches outside itself, runs a script, or shows left-overs of its making.

    Parameters
    ----------
    html : the page

    Raises
    ------
    ReportError : with every fault found
    """
    reader = _PageReader()
    reader.feed(html)
    reader.close()
    if reader.faults:
        action = "This is an internal error: please report it."
        raise ReportError(Fault("page", problem, action) for problem in dict.fromkeys(reader.faults))


class _PageReader(HTMLParser):
    """Collects what a page must not hold."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.faults: list[str] = []
        self._in_style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._in_style = tag == "style"
        if tag in _REFUSED_TAGS and not (tag == "link" and dict(attrs) == {"rel": "icon", "href": ICON}):
            self.faults.append(f"it holds an element <{tag}>, which can fetch or run something.")
        for name, value in attrs:
            self.faults += _attribute_faults(tag, name, value or "")

    def handle_endtag(self, tag: str) -> None:
        self._in_style = False

    def handle_data(self, data: str) -> None:
        if self._in_style and _FETCHING_STYLE.search(data):
            self.faults.append("its style sheet fetches something.")
        for pattern, what in _LEFT_OVERS:
            if found := pattern.search(data):
                self.faults.append(f"it shows {what}: {found[0][:80]}.")


def _attribute_faults(tag: str, name: str, value: str) -> Iterable[str]:
    """Yield what is wrong with one attribute."""
    if name.startswith("on"):
        yield f"an element <{tag}> has the attribute '{name}', which runs a script."
    if name in _ADDRESSES and not (_RELATIVE.match(value.strip()) or value.startswith("data:image/")):
        yield f"an element <{tag}> refers to an outside address: {value[:80]}."
    if name == "style" and _FETCHING_STYLE.search(value):
        yield f"the style of an element <{tag}> fetches something."


def _section_outputs(notebook: NotebookNode) -> Iterable[NotebookNode]:
    """Return the outputs that are sections of the kit, in order."""
    outputs = (output for cell in notebook.cells for output in cell.get("outputs", []))
    return (output for output in outputs if MIME in output.get("data", {}))


def _bare_notebook(outputs: Iterable[NotebookNode]) -> NotebookNode:
    """Return a notebook that holds nothing but the given outputs, so that nothing else can reach the page."""
    kept = [
        {
            "output_type": "display_data",
            "metadata": {},
            "data": NotebookNode({"text/html": output.data["text/html"]}),
        }
        for output in outputs
    ]
    cell = new_code_cell("", outputs=[NotebookNode(one) for one in kept], id="sections")
    return new_notebook(cells=[cell])


def _entry(about: dict[str, Any]) -> dict[str, str]:
    """Return a section for the list of sections: its address, and a short name where it has one."""
    key = f"nav.{about['name']}"
    return {"name": about["name"], "title": say(key) if has(key) else about["title"]}


def _page_title(about: dict[str, Any]) -> str:
    """Return the title of the page: the finding, and the card, which stands first above it."""
    kick = about["head"].get("kick") or [""]
    return " – ".join(one for one in (about["title"], kick[0]) if one)


def _all_left_out(sections: Iterable[dict[str, Any]]) -> str:
    """Return the sections that were left out, with the reasons; nothing where there are none."""
    parts = [f"{about['title']} ({about['left_out']})" for about in sections]
    return say("page.left_out", what="; ".join(parts)) if parts else ""


def _exporter() -> Any:
    """Return the exporter with the kit's own template; a reader's own settings are not looked at."""
    return nbconvert.exporters.TemplateExporter(
        template_name="report_page",
        template_file="index.html.j2",
        extra_template_basedirs=[str(_TEMPLATES)],
        file_extension=".html",
        exclude_input=True,
        exclude_input_prompt=True,
        exclude_output_prompt=True,
    )
