"""Charts stand on a section as places, and are drawn when it is shown."""

from __future__ import annotations

from gpubench_kit.page.charts import chart_grid, pictures_of, with_charts
from gpubench_kit.page.elements import join, paragraph
from gpubench_kit.page.section import Section


class Chart:
    """A chart that counts how often it is drawn."""

    def __init__(self, name: str):
        self.name, self.drawn = name, 0

    def _repr_html_(self) -> str:
        self.drawn += 1
        return f"<svg>{self.name}</svg>"


def test_a_chart_is_drawn_once_and_only_when_its_section_is_shown():
    chart = Chart("avg-fps")
    section = Section(
        "games", "Games", join([paragraph("Above."), chart_grid([chart])]), pictures=pictures_of([chart])
    )
    assert chart.drawn == 0
    assert "<p>Above.</p>" in section._repr_html_()
    assert '<div class="charts"><svg>avg-fps</svg></div>' in section._repr_html_()
    assert chart.drawn == 1


def test_charts_stand_in_their_order_and_pictures_that_are_files_only_are_not_drawn():
    first, second, file_only = Chart("b"), Chart("a"), Chart("c")
    shown = with_charts(chart_grid([first, None, second]), pictures_of([first, second, file_only]))
    assert shown.index("<svg>b</svg>") < shown.index("<svg>a</svg>")
    assert file_only.drawn == 0


def test_text_of_a_user_that_looks_like_a_place_stays_text():
    text = paragraph("<!--chart a-->")
    assert with_charts(text, pictures_of([Chart("a")])) == "<p>&lt;!--chart a--&gt;</p>\n"


def test_no_charts_make_no_grid():
    assert chart_grid([None]) == ""
