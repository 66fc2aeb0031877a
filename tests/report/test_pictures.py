"""Pictures: predictable names, drawn by other processes, the same bytes as drawn here."""

from __future__ import annotations

import pytest

from gpubench_kit import page
from gpubench_kit.errors import ReportError
from gpubench_kit.page.elements import Markup
from gpubench_kit.page.section import Section
from gpubench_kit.report.pictures import Pictures, write_pictures


@pytest.fixture(scope="module")
def section(review_of_pages):
    """Return a section with one chart."""
    whole = page.power(review_of_pages.comparisons, review_of_pages.levels, review_of_pages.plan)
    name, chart = next(iter(whole.pictures.items()))
    return Section("power", "Power", Markup(""), pictures={name: chart})


def test_each_chart_is_drawn_light_and_dark_on_a_ground_and_without_as_svg_and_png(section, tmp_path):
    names = write_pictures([section], tmp_path)
    stem = next(iter(section.pictures))
    forms = [f"{theme}{ground}" for theme in ("dark", "light") for ground in ("", "-transparent")]
    assert names == sorted(f"{stem}-{form}.{ending}" for form in forms for ending in ("png", "svg"))
    assert sorted(path.name for path in (tmp_path / "pictures").iterdir()) == names


def test_another_process_draws_the_same_bytes(section, tmp_path):
    names = write_pictures([section], tmp_path)
    chart = next(iter(section.pictures.values()))
    for name in names:
        theme = "dark" if "-dark" in name else "light"
        here = chart.save(tmp_path / name, theme=theme, transparent="-transparent." in name)
        assert here.read_bytes() == (tmp_path / "pictures" / name).read_bytes()


def test_without_a_folder_nothing_is_drawn_and_the_section_is_shown(section):
    pictures = Pictures("")
    assert pictures.add(section) is section
    assert pictures.finish() == []


def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(ReportError, match="the folder cannot be made"):
        Pictures(tmp_path / "file")


def test_a_picture_that_cannot_be_written_is_an_error_of_the_report(section, tmp_path):
    pictures = Pictures(tmp_path)
    (tmp_path / "pictures").rmdir()
    pictures.add(section)
    with pytest.raises(ReportError, match="cannot be written"):
        pictures.finish()
