"""The look of the page, as an object that a notebook can show and the page can take over."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Any

from gpubench_kit.figures.style import chart_css
from gpubench_kit.page.section import MIME


@dataclass(frozen=True)
class StyleSheet:
    """A style sheet; shown in a notebook, it gives the sections below it the look of the page."""

    css: str

    def _repr_html_(self) -> str:
        """Return the style sheet as HTML."""
        return f"<style>\n{self.css}\n</style>"

    def _repr_mimebundle_(self, include=None, exclude=None) -> dict[str, Any]:
        """Return the style sheet for a notebook, and for the page."""
        about = {"name": "style", "title": "", "left_out": "", "is_summary": False, "style": self.css}
        return {"text/html": self._repr_html_(), MIME: about}

    def __repr__(self) -> str:
        return "Style sheet of the page"


def look(plan) -> StyleSheet:
    """Return the look of the page, its charts included, in the plan's accent colour.

    Parameters
    ----------
    plan : ReviewPlan, gives ``style``
    """
    return StyleSheet(chart_css(plan.style) + page_css())


@lru_cache(maxsize=1)
def page_css() -> str:
    """Return the style sheet of the package."""
    return resources.files("gpubench_kit.page").joinpath("style.css").read_text(encoding="utf-8")
