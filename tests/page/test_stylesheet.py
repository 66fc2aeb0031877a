"""The style sheet in a notebook: inside sections only, in JupyterLab's theme; on the page it stays as written."""

from __future__ import annotations

import re

from gpubench_kit.page.elements import MIME, in_a_notebook, look

SHEET = look()


def test_a_notebooks_theme_rules_over_the_readers_setting():
    css = in_a_notebook(SHEET.tokens, SHEET.rules)
    for theme, ground in (("true", "#fbfaf8"), ("false", "#141517")):
        declared = "".join(re.findall(rf'body\[data-jp-theme-light="{theme}"\]{{(.*?)}}', css, re.DOTALL))
        assert f"--g:{ground}" in declared


def test_every_rule_holds_inside_a_section_only():
    css = in_a_notebook(":root{--g:#fff}\n", "p{color:red}")
    assert ".kit.kit.kit{" in css
    assert css.index(".kit.kit.kit{") < css.index("p{color:red}")


def test_the_page_takes_over_the_style_sheet_as_written():
    bundle = SHEET._repr_mimebundle_()
    assert bundle[MIME]["style"] == SHEET.css
    assert "data-jp-theme-light" not in bundle[MIME]["style"]
    assert "data-jp-theme-light" in bundle["text/html"]


def test_every_variable_that_a_rule_uses_is_set():
    used = set(re.findall(r"var\((--[\w-]+)", SHEET.rules))
    assert used - {"--n"} <= set(re.findall(r"(--[\w-]+):", SHEET.css))


def test_the_style_sheet_fetches_nothing():
    addresses = re.findall(r"url\(([^)]{0,40})", SHEET.css)
    assert addresses
    assert all(one.startswith("data:font/woff2;base64,") for one in addresses)
