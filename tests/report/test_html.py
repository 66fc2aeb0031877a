"""The page: only sections of the kit, nothing from outside, no script, the same bytes."""

from __future__ import annotations

from dataclasses import replace

import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from gpubench_kit.model.errors import ReportError
from gpubench_kit.page.elements import Head, Section, StyleSheet, left_out, paragraph
from gpubench_kit.report.notebook_run import ICON, check_page, page_of

HEAD = Section(
    "result", "A <title>", paragraph("The result."), head=Head(("Larkmoor 4",), description="What was found.")
)


def _page(*shown, others=()):
    """Return the page of a notebook that shows the given objects, and other outputs."""
    outputs = [new_output("execute_result", data=one._repr_mimebundle_(), execution_count=1) for one in shown]
    return page_of(
        new_notebook(cells=[new_markdown_cell("# words"), new_code_cell("x = 1", outputs=[*outputs, *others])])
    )


def test_sections_stand_in_main_and_in_the_contents():
    html = _page(HEAD, Section("games", "Game by game", paragraph("Numbers.")))
    assert '<a href="#games">By game</a>' in html
    assert html.index("<main>") < html.index('<section class="kit" id="games"') < html.index("</main>")
    assert '<html lang="en">' in html
    assert "<title>A &lt;title&gt; – Larkmoor 4</title>" in html


def test_sections_without_data_are_named_once_with_the_reason():
    html = _page(HEAD, left_out("heat", "Temperatures", "no sensor was recorded"))
    assert html.count("Temperatures") == 1
    assert "Not shown, no data: Temperatures (no sensor was recorded)." in html


def test_nothing_but_sections_of_the_kit_reaches_the_page():
    others = [
        new_output("stream", text="printed words"),
        new_output("display_data", data={"text/html": "<b>a table</b>", "text/plain": "x"}),
        new_output("display_data", data={"image/svg+xml": "<svg/>"}),
    ]
    html = _page(HEAD, others=others)
    for gone in ("printed words", "a table", "<svg/>", "# words", "x = 1"):
        assert gone not in html


def test_the_style_sheet_stands_in_the_head():
    html = _page(StyleSheet("", "p{margin:0}"), HEAD)
    assert html.count("p{margin:0}") == 1
    assert html.index("p{margin:0}") < html.index("<body")


def test_the_policy_lets_nothing_in():
    assert "default-src &#39;none&#39;" not in _page(HEAD)
    assert """content="default-src 'none'; img-src data:; style-src 'unsafe-inline'""" in _page(HEAD)


@pytest.mark.parametrize("count", [0, 2])
def test_a_page_has_exactly_one_head(count):
    with pytest.raises(ReportError, match=rf"shows {count} heads of the page"):
        _page(*[HEAD] * count, Section("games", "Games", paragraph("x")))


REFUSED = {
    "script": ("<script>1</script>", "element <script>"),
    "outside picture": ('<img src="https://x.example/a.png">', "outside address"),
    "address without scheme": ('<a href="//x.example">x</a>', "outside address"),
    "script in an address": ('<a href="javascript:alert(1)">x</a>', "outside address"),
    "handler": ('<p onclick="x()">x</p>', "attribute 'onclick'"),
    "frame": ("<iframe></iframe>", "element <iframe>"),
    "style that fetches": ('<p style="background:url(a.png)">x</p>', "fetches something"),
    "style sheet that fetches": ("<style>@import 'x'</style>", "style sheet fetches"),
    "name of an object": ("<p>&lt;object object at 0x7f00aa&gt;</p>", "name of an object"),
    "traceback": ("<p>Traceback (most recent call last)</p>", "error message"),
}


@pytest.mark.parametrize(("body", "told"), REFUSED.values(), ids=REFUSED.keys())
def test_a_page_that_reaches_out_or_shows_left_overs_is_refused(body, told):
    with pytest.raises(ReportError, match=told):
        check_page(f"<p>{body}</p>")


def test_all_faults_of_a_page_are_listed_at_once():
    with pytest.raises(ReportError) as caught:
        check_page("".join(body for body, _ in REFUSED.values()))
    assert len(caught.value.faults) >= len(REFUSED) - 1


def test_places_on_the_page_and_files_beside_it_are_allowed():
    check_page('<a href="#games">x</a><a href="tables/runs.csv">x</a><g style="fill:url(#c1)"></g>')


def test_an_address_in_words_is_text():
    check_page("<p>See https://bench.example for more.</p>")


def test_the_same_sections_give_the_same_bytes():
    assert _page(HEAD) == _page(HEAD)


def test_the_page_says_what_it_is_to_those_who_share_it_and_names_no_address_unless_given():
    html = _page(HEAD)
    assert '<meta name="description" content="What was found.">' in html
    assert '<meta property="og:title" content="A &lt;title&gt; – Larkmoor 4">' in html
    assert "og:url" not in html
    placed = replace(HEAD, head=replace(HEAD.head, site_url="https://bench.example/larkmoor"))
    assert '<meta property="og:url" content="https://bench.example/larkmoor">' in _page(placed)


def test_only_the_kits_own_icon_is_let_through():
    check_page(f'<link rel="icon" href="{ICON}">')
    with pytest.raises(ReportError, match="element <link>"):
        check_page('<link rel="icon" href="data:image/svg+xml,other">')
