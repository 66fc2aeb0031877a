"""The sweep as a section of a review's page."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from made_rivals import CARDS, GAMES, STEPS, SWEPT, RivalReview, measure
from made_sweeps import made_sweep, sweep_plan
from markupsafe import Markup

from gpubench_kit.cli import main
from gpubench_kit.model.table_checks import check_table
from gpubench_kit.page import downloads, tuning
from gpubench_kit.page.results import Results
from gpubench_kit.page.sweep import sweep_readings
from gpubench_kit.sweep.answers import BETWEEN, SWEEP_TABLES
from gpubench_kit.sweep.find import sweep_in_review

pytestmark = pytest.mark.usefixtures("notebooks_here")

DATA = Path(__file__).parents[2] / "data"
CLAIMS = """
[[claims]]
id = "few-frames"
text = "At 250 W the lower voltage gives up less than 4 % of the frame rate"
metric = "avg_fps"
at_w = 250
of = { tuning = "limit -20, low voltage" }
against = { tuning = "factory" }
loses_at_most = "4 %"
[[claims]]
id = "half"
text = "At 200 W the limit alone costs no more than 3 %"
metric = "avg_fps"
at_w = 200
of = { tuning = "limit -30" }
against = { tuning = "factory" }
loses_at_most = "3 %"
[[claims]]
id = "watts"
text = "Two percent of the frames are worth 40 W"
metric = "board_w"
at_loss_pct = 2
of = { tuning = "limit -20, low voltage" }
against = { tuning = "factory" }
saves_at_least = 40
"""
LADDER = {"sweep": {"ladder": "power_limit_pct"}}


def charts_of(section) -> list[str]:
    """Return the alternative texts of the charts of a section, in order."""
    return [one.replace("\u00a0", " ") for one in re.findall(r'<svg [^>]*aria-label="([^"]*)"', str(section.text))]


def text_of(section) -> str:
    """Return the words of a section, without charts."""
    html = re.sub(r"(?s)<svg.*?</svg>", "", section._repr_html_())
    return " ".join(str(Markup(html).striptags()).replace("\xa0", " ").split())


@pytest.fixture(scope="module")
def two_cards(tmp_path_factory):
    """Return the plan and the sweep of a review in which both cards were swept."""
    review = RivalReview(
        installed="ABBAAB", cards=CARDS, tunings=SWEPT, steps=STEPS, games=GAMES[:3], fps={"A": 1.02},
        watts={"A": 0.95}, sections=LADDER, installation_pct=0.15,
    )  # fmt: skip
    found = measure(review.write(tmp_path_factory.mktemp("two") / "review"))
    return found.plan, sweep_in_review(found.usable, found.runs, found.plan)


def test_the_section_tells_the_answer_the_readings_and_the_failures(made):
    found = sweep_in_review(made.usable, made.runs, made.plan)
    section = tuning(found, made.plan)
    text = text_of(section)
    answer = found.found.answers.iloc[0]
    assert f"“{answer.lowest_tuning}”" in text
    assert "Most efficient: " in text
    assert "Frame rate at equal power, with its range" in text
    assert "Power at equal frame rate, with its range" in text
    assert "without a stability test" in text
    assert [one.partition(".")[0] for one in charts_of(section)] == ["Frame rate against power along the ladder"]


def test_two_cards_have_a_picture_at_equal_power_and_one_at_equal_frame_rate(two_cards):
    plan, sweep = two_cards
    section = tuning(sweep, plan)
    charts = [one for one in charts_of(section) if " vs " in one]
    assert [one.partition(":")[0] for one in charts] == ["Frame rate at equal power", "Power at equal frame rate"]
    rows = sweep.found.between[sweep.found.between["reading"] == "rate_at_power"]
    assert all(f"at {given:.0f} W +" in charts[0] for given in rows["given"])
    assert "Larkmoor 4 vs Fernholt 3: frame rate at equal power" in text_of(section)
    assert charts == [one for one in charts_of(sweep_readings(sweep.found, plan)) if " vs " in one]
    assert "Most efficient on our Larkmoor 4: " in text_of(section)


def test_a_reading_is_the_same_as_a_change_and_as_a_difference(two_cards):
    _, sweep = two_cards
    table = sweep.found.between
    check_table(table, BETWEEN)
    against = table["difference"] / (table["change"] / 100)
    for row, base in zip(table.itertuples(), against, strict=True):
        assert base == pytest.approx({"rate_at_power": 92, "power_at_rate": 260}[row.reading], rel=0.15)
        assert row.difference_ci_low < row.difference < row.difference_ci_high
        assert (row.ci_low > 0) == (row.difference_ci_low > 0)
        assert (row.ci_high < 0) == (row.difference_ci_high < 0)


def test_the_tables_of_the_sweep_are_among_the_downloads(made):
    sweep = sweep_in_review(made.usable, made.runs, made.plan)
    none = pd.DataFrame()
    results = Results(made.plan, made.runs, none, none, made.usable, sweep=sweep)
    listed = downloads(results)._repr_html_()
    assert set(sweep.tables) == set(SWEEP_TABLES)
    assert all(f'href="tables/{name}.csv"' in listed for name in SWEEP_TABLES)
    assert "sweep_between" not in downloads(replace(results, sweep=None))._repr_html_()


def test_a_review_without_a_ladder_has_no_such_section(made):
    plan = sweep_plan(changes={"sweep": {}})
    found = sweep_in_review(made.usable, made.runs, plan)
    assert tuning(found, plan).left_out == "the plan names no ladder of settings"
    assert not found.tables


def test_nothing_measured_leaves_the_section_out(made):
    found = sweep_in_review(made.usable.head(0), made.runs, made.plan)
    assert tuning(found, made.plan).left_out == "no setting of it was measured"


def test_a_ladder_that_cannot_be_searched_does_not_keep_a_review_from_its_page(made):
    again = [{"name": one, "changes": {"power_limit_pct": -5}} for one in ("limit -5", "the same again")]
    plan = sweep_plan(changes={"tunings": [{"name": "factory", "reference": True}, *again]})
    found = sweep_in_review(made.usable, made.runs, plan)
    why = "the ladder cannot be searched: tunings 'limit -5' and 'the same again' make the same changes"
    assert tuning(found, plan).left_out == why


def test_without_power_there_are_answers_and_no_readings():
    made = made_sweep()
    rates = replace(made, usable=made.usable[made.usable["metric"] == "avg_fps"])
    section = tuning(sweep_in_review(rates.usable, rates.runs, rates.plan), rates.plan)
    assert "Lowest power losing less than 2 %" in text_of(section)
    assert "equal power, with its range" not in text_of(section)
    assert charts_of(section) == []


@pytest.mark.slow
def test_a_report_of_a_swept_card_has_the_section_the_tables_and_the_claims(tmp_path):
    shutil.copytree(DATA / "limit_sweep", tmp_path / "review", ignore=shutil.ignore_patterns("looks*.csv"))
    with (tmp_path / "review" / "plan.toml").open("a", encoding="utf-8") as stream:
        stream.write(CLAIMS)
    assert main(["report", str(tmp_path / "review"), "-o", str(tmp_path / "out"), "--quiet"]) == 0
    page = (tmp_path / "out" / "index.html").read_text(encoding="utf-8")
    assert "The tuning found, and equal power" in page
    tables = tmp_path / "out" / "tables"
    assert {f"{name}.csv" for name in SWEEP_TABLES} <= {path.name for path in tables.iterdir()}
    claims = pd.read_csv(tables / "claims.csv").set_index("id")["verdict"]
    # By the table of true changes in the README of the review.
    assert claims.to_dict() == {"few-frames": "supported", "half": "contradicted", "watts": "supported"}
    assert (tmp_path / "out" / "pictures" / "index.html").is_file()
