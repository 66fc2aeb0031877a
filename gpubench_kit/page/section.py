"""One section of the page: it shows itself in a notebook and says what it is to the page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from gpubench_kit.page.elements import Markup, paragraph, render
from gpubench_kit.page.places import with_charts

#: Kind of output by which the page knows its sections among a notebook's outputs.
MIME = "application/vnd.gpubench-kit.section+json"


@dataclass(frozen=True)
class Section:
    """One section of the page.

    Attributes
    ----------
    name : address of the section on the page
    title : its heading
    text : what it shows below the heading, charts as places only: they are drawn when the section is shown,
        so that the processes that make pictures of them need not wait for that
    left_out : why there is nothing to show; then the page names the section and this reason
    is_summary : whether it is the head of the page, with the page's title as its heading
    pictures : the described figures on it, and those that are files only, by file name without ending
    """

    name: str
    title: str
    text: Markup
    left_out: str = ""
    is_summary: bool = False
    pictures: Mapping[str, Any] = field(default_factory=dict)

    @cached_property
    def body(self) -> Markup:
        """What it shows below the heading, with its charts drawn."""
        return with_charts(self.text, self.pictures)

    def _repr_html_(self) -> str:
        """Return the section as HTML; nothing where it is left out."""
        if self.left_out:
            return ""
        template = "summary.html.j2" if self.is_summary else "section.html.j2"
        return str(render(template, {"name": self.name, "title": self.title, "body": self.body}))

    def _repr_mimebundle_(self, include=None, exclude=None) -> dict[str, Any]:
        """Return the section as HTML together with what the page must know about it."""
        about = {
            "name": self.name,
            "title": self.title,
            "left_out": self.left_out,
            "is_summary": self.is_summary,
        }
        # A notebook says what is left out where it would stand; the page does so once, at its end.
        reason = paragraph(f"{self.title}: left out, {self.left_out}.", css="kit small")
        return {"text/html": str(reason) if self.left_out else self._repr_html_(), MIME: about}

    def __repr__(self) -> str:
        return f"Section({self.title!r})" if not self.left_out else f"Section({self.title!r}, left out)"


def left_out(name: str, title: str, reason: str) -> Section:
    """Return a section that shows nothing, with the reason why."""
    return Section(name=name, title=title, text=Markup(""), left_out=reason)
