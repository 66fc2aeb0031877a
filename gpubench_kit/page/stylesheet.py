"""The look of the page, as an object that a notebook can show and the page can take over."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Any

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.sections import Style
from gpubench_kit.page.charts import chart_css, font_faces, tokens_css
from gpubench_kit.page.section import MIME

_LIGHT = re.compile(r"^:root\{(.*?)\}", re.MULTILINE | re.DOTALL)
_DARK = re.compile(r"@media screen and \(prefers-color-scheme:dark\)\{:root\{(.*?)\}\}", re.DOTALL)


@dataclass(frozen=True)
class StyleSheet:
    """A style sheet; shown in a notebook, it gives the sections below it the look of the page.

    Attributes
    ----------
    tokens : colours and letters, as variables of the root
    rules : everything else
    """

    tokens: str
    rules: str

    @property
    def css(self) -> str:
        """The whole style sheet, for a page."""
        return f"{self.tokens}\n{self.rules}"

    def _repr_html_(self) -> str:
        """Return the style sheet as HTML, made to hold in a notebook."""
        return f"<style>\n{in_a_notebook(self.tokens, self.rules)}\n</style>"

    def _repr_mimebundle_(self, include=None, exclude=None) -> dict[str, Any]:
        """Return the style sheet for a notebook, and for the page."""
        about = {"name": "style", "title": "", "left_out": "", "is_summary": False, "head": {}, "style": self.css}
        return {"text/html": self._repr_html_(), MIME: about}

    def __repr__(self) -> str:
        return "Style sheet of the page"


#: A workbench stripes the rows of tables and floats the terms of lists in narrow columns; the page's own rules
#: follow and win.
_WITHOUT_THE_WORKBENCH = "tbody tr{background:none}dt,dd{float:none;width:auto}\n"


def look(plan: ReviewPlan | None = None) -> StyleSheet:
    """Return the look of the page, its charts and letters included.

    Parameters
    ----------
    plan : ReviewPlan, gives the accent colour; None for the kit's own
    """
    style = plan.style if plan else Style()
    tokens = f"{font_faces()}{tokens_css(style)}{_text('base.css')}"
    return StyleSheet(tokens, f"{_text('page.css')}\n{chart_css()}")


@lru_cache
def _text(name: str) -> str:
    """Return a style sheet of the package."""
    return resources.files("gpubench_kit.page").joinpath(name).read_text(encoding="utf-8")


def in_a_notebook(tokens: str, rules: str) -> str:
    """Return a style sheet of the page for a notebook: stronger than JupyterLab's own, and of its theme.

    Parameters
    ----------
    tokens : variables of the root, dark ones by the reader's setting
    rules : everything else; it is made to hold inside sections only

    Notes
    -----
    JupyterLab marks its theme at the body, which may differ from the reader's setting; elsewhere the setting rules.
    """
    light = _LIGHT.sub(r':root{\1}body[data-jp-theme-light="true"]{\1}', tokens)
    themed = _DARK.sub(r'\g<0>@media screen{body[data-jp-theme-light="false"]{\1}}', light)
    return f"{themed}\n.kit.kit.kit{{padding:1.1rem 1.3rem;\n{_WITHOUT_THE_WORKBENCH}{rules}}}"
