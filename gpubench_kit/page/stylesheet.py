"""The look of the page, as an object that a notebook can show and the page can take over."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Any

from gpubench_kit.figures.style import chart_css
from gpubench_kit.page.section import MIME

#: What a notebook's own style sheet does to tables and lists, undone; and room around each section.
_IN_A_NOTEBOOK = """.kit-section,.kit-summary{padding:1.3rem 1.4rem;margin:0;border:0;border-radius:.4rem}
.kit tr{background:none}.kit dt,.kit dd{float:none;width:auto;padding:0}
.kit a:link,.kit a:visited{color:var(--accent)}
"""

_LIGHT = re.compile(r"^:root\{(.*?)\}", re.MULTILINE | re.DOTALL)
_DARK = re.compile(r"@media screen and \(prefers-color-scheme:dark\)\{:root\{(.*?)\}\}", re.DOTALL)
_OWN = re.compile(r"(?<![\w.-])(\.(?:kit|chart)(?:-[a-z]+)?)(?=[\s:{,.>])")


@dataclass(frozen=True)
class StyleSheet:
    """A style sheet; shown in a notebook, it gives the sections below it the look of the page."""

    css: str

    def _repr_html_(self) -> str:
        """Return the style sheet as HTML, made to hold in a notebook."""
        return f"<style>\n{in_a_notebook(self.css)}\n</style>"

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


def in_a_notebook(css: str) -> str:
    """Return a style sheet of the page for a notebook: stronger than JupyterLab's own, and of its theme.

    Parameters
    ----------
    css : style sheet whose colours are variables of the root, dark ones by the reader's setting

    Notes
    -----
    JupyterLab marks its theme at the body, which may differ from the reader's setting; elsewhere the setting rules.
    """
    light = _LIGHT.sub(r':root{\1}body[data-jp-theme-light="true"]{\1}', css)
    themed = _DARK.sub(r'\g<0>@media screen{body[data-jp-theme-light="false"]{\1}}', light)
    return _OWN.sub(r"\1\1\1", themed + _IN_A_NOTEBOOK)
