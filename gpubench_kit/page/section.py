"""One section of the page: it shows itself in a notebook and says what it is to the page."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

from gpubench_kit.page.elements import Markup, join, paragraph, render
from gpubench_kit.wording.catalogue import say

#: Kind of output by which the page knows its sections among a notebook's outputs.
MIME = "application/vnd.gpubench-kit.section+json"


@dataclass(frozen=True)
class Head:
    """What stands around the title of a page.

    Attributes
    ----------
    kick : above the title, the first in bold
    lines : below it
    description : of the page, for whoever shares it
    site_url : address of the page, for whoever shares it; empty for none
    """

    kick: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()
    description: str = ""
    site_url: str = ""


@dataclass(frozen=True)
class Section:
    """One section of the page.

    Attributes
    ----------
    name : address of the section on the page
    title : its heading
    text : what it shows below the heading
    left_out : why there is nothing to show; then the page names the section and this reason
    head : what stands around the title, if this is the head of the page; else None
    """

    name: str
    title: str
    text: Markup
    left_out: str = ""
    head: Head | None = None

    def _repr_html_(self) -> str:
        """Return the section as HTML; nothing where it is left out."""
        if self.left_out:
            return ""
        template = "section.html.j2" if self.head is None else "summary.html.j2"
        values = {"name": self.name, "title": self.title, "body": self.text, "head": self.head}
        return str(render(template, values))

    def _repr_mimebundle_(self, include=None, exclude=None) -> dict[str, Any]:
        """Return the section as HTML together with what the page must know about it."""
        about = {
            "name": self.name,
            "title": self.title,
            "left_out": self.left_out,
            "is_summary": self.head is not None,
            "head": asdict(self.head) if self.head else {},
        }
        # A notebook says what is left out where it would stand; the page does so once, at its end.
        reason = paragraph(say("section.left_out", title=self.title, why=self.left_out), css="kit small")
        return {"text/html": str(reason) if self.left_out else self._repr_html_(), MIME: about}

    def __repr__(self) -> str:
        return f"Section({self.title!r})" if not self.left_out else f"Section({self.title!r}, left out)"


def left_out(name: str, title: str, reason: str) -> Section:
    """Return a section that shows nothing, with the reason why."""
    return Section(name=name, title=title, text=Markup(""), left_out=reason)


def section(name: str, title: str, parts: Iterable[str | Markup], *, why: str) -> Section:
    """Return a section of parts; left out, with the reason ``why``, where none of them shows anything."""
    text = join(parts)
    return Section(name, title, text) if text else left_out(name, title, why)
