"""Pictures: predictable names, drawn by other processes, the same bytes as drawn here."""

from __future__ import annotations

from dataclasses import replace

import pytest
from joblib.externals.loky import ProcessPoolExecutor

from gpubench_kit.figures.energy import draw_rate_against_power
from gpubench_kit.model.errors import ReportError
from gpubench_kit.page.elements import Markup
from gpubench_kit.page.section import Section
from gpubench_kit.report import pictures
from gpubench_kit.report.pictures import Pictures, write_pictures


@pytest.fixture(scope="module")
def section(review_of_pages):
    """Return a section with one chart."""
    chart = draw_rate_against_power(review_of_pages.levels, review_of_pages.plan, group="all")
    return Section("power", "Power", Markup(""), pictures={chart.name: chart})


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
    charts = Pictures("")
    assert charts.add(section) is section
    assert charts.finish() == []


def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(ReportError, match="the folder cannot be made"):
        Pictures(tmp_path / "file")


def test_a_picture_that_cannot_be_written_is_an_error_of_the_report(section, tmp_path):
    charts = Pictures(tmp_path)
    (tmp_path / "pictures").rmdir()
    charts.add(section)
    with pytest.raises(ReportError, match="cannot be written"):
        charts.finish()


@pytest.fixture
def left_waiting(monkeypatch):
    """Return a list that is given what was still waiting, or under way, when the processes were ended."""
    work, left = [], []

    class Watched(ProcessPoolExecutor):
        def submit(self, *given):
            work.append(super().submit(*given))
            return work[-1]

        def shutdown(self, wait=True, kill_workers=False):
            left.extend(one for one in work if not one.done())
            super().shutdown(wait=wait, kill_workers=kill_workers)

    monkeypatch.setattr(pictures, "ProcessPoolExecutor", Watched)
    monkeypatch.setattr(pictures, "cpu_count", lambda: 2)
    yield left
    assert len(work) >= 2


def test_processes_that_were_not_needed_are_ended_once_they_have_begun(left_waiting, tmp_path):
    Pictures(tmp_path).finish()
    assert left_waiting == []


def test_after_a_failure_what_waits_is_called_off_before_the_processes_are_ended(left_waiting, section, tmp_path):
    name, chart = next(iter(section.pictures.items()))
    charts = Pictures(tmp_path)
    (tmp_path / "pictures").rmdir()
    charts.add(replace(section, pictures={f"{name}{copy}": chart for copy in range(20)}))
    with pytest.raises(ReportError, match="cannot be written"):
        charts.finish()
    assert left_waiting == []
