"""The archive's page answers in words what its tables hold, the latest first, metric by metric."""

from __future__ import annotations

import re
from copy import copy
from types import SimpleNamespace

import pandas as pd
import pytest
from made_reports import MadeReport, write_report
from second_language import said_in_english, wide_catalogue

from gpubench_kit.archive.archive import gather_archive
from gpubench_kit.archive.gather import ARCHIVE_TABLES
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.page.archive import (
    archive_cards,
    archive_claims,
    archive_control,
    archive_drivers,
    archive_files,
    archive_findings,
    archive_games,
    archive_head,
    archive_method,
    archive_noise,
    head_sentences,
)
from gpubench_kit.wording.catalogue import spoken

#: Card, month, driver, level [%]: the Larkmoor has its new driver first, the Aster (first by name) has it last.
_REVIEWS = (
    ("Larkmoor 4", 1, "571.1", 0.0),
    ("Aster 2", 2, "571.1", 5.0),
    ("Larkmoor 4", 3, "571.1", 0.0),
    ("Larkmoor 4", 4, "580.2", -4.0),
    ("Aster 2", 5, "580.2", -1.0),
)
CLAIM = {
    "id": "nothing-lost", "text": "Quiet loses nothing", "metric": "avg_fps", "of": {"tuning": "quiet"},
    "against": {"tuning": "factory"}, "over": "these_games", "says": "no_loss",
}  # fmt: skip


def _archive(folder, reviews):
    """Return the archive of reviews of one bench."""
    for number, (card, month, driver, level) in enumerate(reviews):
        made = MadeReport(
            title=f"Review {number}", date=f"2026-{month:02d}-05", card=card, driver=driver, level_pct=level,
            rounds=12, restart_pct=0.2, metrics=("avg_fps", "board_w"), sections={"claims": [CLAIM]},
        )  # fmt: skip
        write_report(folder / f"r{number}", made, seed=number, log_names=f"log{number}")
    return gather_archive(folder)


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    """Return the archive of two cards, each before and after an update."""
    return _archive(tmp_path_factory.mktemp("page"), _REVIEWS)


def _row_heads(table: str) -> list[str]:
    """Return the heads of a table's rows."""
    return re.findall(r'<th scope="row">(.*?)</th>', table)


def _column_heads(table: str) -> list[str]:
    """Return the heads of a table's columns."""
    return re.findall(r'<th scope="col"[^>]*>([^<]*?) ?(?:<span[^>]*>[^<]*</span>)?</th>', table)


def _tables(section) -> dict[str, str]:
    """Return the tables of a section by what stands before the colon of their captions."""
    found = re.findall(r"<table.*?</table>", str(section.text), re.DOTALL)
    return {re.search(r"<caption>([^:<]*)", one)[1]: one for one in found}


def test_drivers_stand_in_the_order_in_which_they_came_not_in_that_of_cards(archive):
    rows = archive.driver_changes
    assert list(rows.loc[rows["metric"] == "avg_fps", "card"]) == ["Larkmoor 4", "Aster 2"]


def test_the_head_tells_the_latest_change_and_how_many_there_are_besides(archive):
    told = str(archive_head(archive).text)
    assert "From “571.1” to “580.2” the average frame rate of the Aster 2 changed by −" in told
    assert "Changes found besides: 1." in told


def test_a_change_that_a_review_compared_itself_counts_once_in_the_head(archive):
    rows = archive.driver_changes
    own = rows[rows["card"] == "Larkmoor 4"].assign(
        source="review", review="r9", change=-4.4, ci_low=-5.0, ci_high=-3.8
    )
    both = pd.concat([rows[rows["card"] == "Larkmoor 4"], own], ignore_index=True)
    kept = {name: getattr(archive, name) for name in ("primaries", "run_noise", "restart_spread", "games")}
    once = SimpleNamespace(**kept, driver_changes=both)
    told = " ".join(head_sentences(once))
    assert "of the Larkmoor 4 changed by −4.4" in told
    assert "besides" not in told


def test_the_head_tells_that_no_driver_changed_anything(tmp_path):
    still = _archive(tmp_path, [(card, month, driver, 0.0) for card, month, driver, _ in _REVIEWS])
    assert "no change of the average frame rate was found, in 2 comparisons" in str(archive_head(still).text)


def test_drift_is_told_apart_from_what_came_with_another_driver(archive):
    told = str(archive_control(archive).text)
    assert "Under the driver of the first time, the average frame rate differs in none of 1 later time." in told
    assert "Under another driver, the average frame rate differs in 2 of 2 later times." in told


def test_changes_have_one_table_a_metric_the_latest_first(archive):
    tables = _tables(archive_drivers(archive))
    assert list(tables) == ["Average frame rate", "Board power"]
    for one in tables.values():
        assert _row_heads(one) == ["Aster 2, 571.1 → 580.2", "Larkmoor 4, 571.1 → 580.2"]


def test_a_reason_for_all_rows_is_said_once_and_others_have_a_column(archive):
    section = archive_drivers(archive)
    once = "Widened by the difference between restarts measured on this test setup."
    for one in _tables(section).values():
        assert "Why" not in _column_heads(one)
        assert once not in one
    assert str(section.text).count(once) == 2


def test_of_each_game_the_advice_and_its_reason_stand_before_the_numbers(archive):
    heads = _column_heads(_tables(archive_games(archive))["Average frame rate"])
    assert heads == ["Game", "Advice", "Why", "Decided", "Noise", "Detects", "Margin", "Rounds"]


def test_no_date_breaks_at_its_hyphens(archive):
    for section, count in ((archive_claims(archive), len(_REVIEWS)), (archive_control(archive), 6)):
        text = re.sub(r"<svg.*?</svg>", "", str(section.text), flags=re.DOTALL)
        assert len(re.findall(r"<span class=\"whole\">2026-\d\d-05,?</span>", text)) == count
        assert len(re.findall(r">[^<]*2026-", "".join(_tables(section).values()))) == count


def test_claims_are_told_with_what_they_cover(archive):
    section = archive_claims(archive)
    assert "Of 5 claims in all scripts the data supported" in section.text
    assert next(iter(_tables(section).values())).count(">1 of 2</td>") == len(_REVIEWS)


def test_every_sentence_of_the_page_is_in_the_catalogue(tmp_path):
    with spoken(wide_catalogue()):
        (tmp_path / "broken" / "tables").mkdir(parents=True)
        (tmp_path / "broken" / "manifest.json").write_text("{", encoding="utf-8")
        (tmp_path / ".made.part").mkdir()
        archive = _archive(tmp_path, _REVIEWS)
        sections = [
            *(part(archive) for part in (archive_head, archive_noise, archive_control, archive_drivers)),
            *(part(archive) for part in (archive_cards, archive_games, archive_claims, archive_findings)),
            archive_method(), archive_files(archive, version="1.0"),
        ]  # fmt: skip
        html = "".join(one._repr_html_() for one in sections)
    assert set(archive.findings["check"]) == {"half_written_report"}
    names = [*archive.reviews["name"], *archive.reviews["cards"], archive.plan_line, tmp_path.name]
    # Labels are the metrics', rows those of the declared tables.
    names += [*(one.label for one in METRICS.values()), *(one.row for one in ARCHIVE_TABLES.values())]
    names += [*archive.run_noise["game"].unique(), "broken", "made.part"]
    assert said_in_english(html, names=[one for one in names if one]) == []


def test_a_spread_that_is_widened_by_more_than_itself_says_why(archive):
    def text(factor):
        changed, spread = copy(archive), archive.restart_spread
        vars(changed)["restart_spread"] = spread.assign(widen_by=factor * spread["spread"])
        return str(archive_noise(changed).text)

    assert "that noise included" in text(1.4)
    assert "that noise included" not in text(1.0)
