"""The style sheet in a notebook: stronger than JupyterLab's own, in its theme; on the page it stays as written."""

from __future__ import annotations

import re

from gpubench_kit.figures.style import chart_css
from gpubench_kit.page.section import MIME
from gpubench_kit.page.stylesheet import StyleSheet, in_a_notebook, page_css

CSS = chart_css() + page_css()


def test_a_notebooks_theme_rules_over_the_readers_setting():
    css = in_a_notebook(CSS)
    for theme, ground in (("true", "#fff"), ("false", "#14191f")):
        declared = "".join(re.findall(rf'body\[data-jp-theme-light="{theme}"\]{{(.*?)}}', css, re.DOTALL))
        assert f"--ground:{ground}" in declared
        assert "--chart-ground:" in declared


def test_every_rule_of_the_kit_is_made_stronger_and_keeps_its_declarations():
    css = in_a_notebook(".kit td{color:red}\n.kit-summary .byline,.kit,.kit *{margin:0}\nbody.kit{margin:0}\n")
    assert ".kit.kit.kit td{color:red}" in css
    assert ".kit-summary.kit-summary.kit-summary .byline,.kit.kit.kit,.kit.kit.kit *{margin:0}" in css
    assert "body.kit{margin:0}" in css


def test_the_page_takes_over_the_style_sheet_as_written():
    bundle = StyleSheet(CSS)._repr_mimebundle_()
    assert bundle[MIME]["style"] == CSS
    assert "data-jp-theme-light" not in bundle[MIME]["style"]
    assert "data-jp-theme-light" in bundle["text/html"]
