"""Clocks set wrong: what the archive says of them, and that no run is lost by one."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from made_reports import MadeReport, write_report

from gpubench_kit.archive.archive import Archive, gather_archive

N_RUNS = 16


def _report(folder: Path, when: str, starts: tuple[str, str] = ("", "")) -> None:
    """Write a report with its date and the first and last start of its runs."""
    made = MadeReport(title=folder.name, date=when or "2026-01-01", games=2, rounds=4, rounds_per_session=2)
    write_report(folder, made, seed=len(folder.name), log_names=folder.name)
    path = folder / "manifest.json"
    manifest = json.loads(path.read_text(encoding="utf-8"))
    first, last = starts
    manifest["measured"] |= {"date": when, "first_start": first, "last_start": last}
    path.write_text(json.dumps(manifest), encoding="utf-8")


def _gathered(folder: Path) -> tuple[Archive, list[tuple[str, str]]]:
    """Return the archive and check and message of each finding, after checking that every run counts."""
    archive = gather_archive(folder)
    assert set(archive.reviews["n_counted"]) == {N_RUNS}
    assert (archive.findings["severity"] == "note").all()
    return archive, list(zip(archive.findings["check"], archive.findings["message"], strict=True))


def _order(archive: Archive) -> list[str]:
    """Return the titles in the order of time."""
    return list(archive.reviews.sort_values("place_in_time")["title"])


def test_clocks_that_agree_with_dates_are_passed_over(tmp_path):
    _report(tmp_path / "a", "2026-01-05", ("2026-01-02T20:00:00", "2026-01-04T23:00:00"))
    _report(tmp_path / "bb", "2026-02-05", ("2026-02-05T20:00:00", "2026-02-05T23:00:00"))
    archive, told = _gathered(tmp_path)
    assert (told, _order(archive)) == ([], ["a", "bb"])


@pytest.mark.parametrize(
    ("starts", "check", "words"),
    [
        (
            ("2031-03-01T20:00:00", "2031-03-02T01:00:00"),
            "clock_after_date",
            "its first run started on 2031-03-01, after its date 2026-02-05.",
        ),
        (
            ("2019-03-01T20:00:00", "2019-03-02T01:00:00"),
            "clock_long_before_date",
            "its last run started on 2019-03-02, 2532 days before its date.",
        ),
        (
            ("2025-12-01T20:00:00", "2025-12-02T01:00:00"),
            "clock_out_of_order",
            "its last run started on 2025-12-02, before the first of bench/a (2026-01-02), though its date is not "
            "earlier. The dates count.",
        ),
    ],
    ids=["in the future", "years ago", "before the others"],
)
def test_a_clock_against_the_date_is_told_and_the_date_counts(tmp_path, starts, check, words):
    desk = tmp_path / "bench"
    _report(desk / "a", "2026-01-05", ("2026-01-02T20:00:00", "2026-01-04T23:00:00"))
    _report(desk / "bb", "2026-02-05", starts)
    _report(desk / "ccc", "2026-03-05", ("2026-03-02T20:00:00", "2026-03-04T23:00:00"))
    archive, told = _gathered(desk)
    assert told == [(check, f"bench/bb: {words}")]
    assert (archive.findings["action"] == "Check the clock of the machine, and `date` in the plan.").all()
    assert _order(archive) == ["a", "bb", "ccc"]


@pytest.mark.parametrize(
    ("when", "words"),
    [
        ("2036-04-05", "its date 2036-04-05 lies 3684 days away from every other review"),
        ("1999-12-31", "its date 1999-12-31 is before the year 2000"),
    ],
)
@pytest.mark.parametrize("is_stated", [True, False], ids=["date of the plan", "start of the first run"])
def test_a_date_that_cannot_be_right_is_not_used_and_the_review_counts_all_the_same(
    tmp_path, when, words, is_stated
):
    desk = tmp_path / "bench"
    for number, name in enumerate(("a", "bb", "ccc"), start=1):
        _report(desk / name, f"2026-0{number}-05")
    start = f"{when}T20:00:00"
    _report(desk / "dddd", when if is_stated else "", ("", "") if is_stated else (start, start))
    archive, told = _gathered(desk)
    assert told == [
        (
            "date_not_plausible",
            f"bench/dddd: {words}, so it is not used; the review stands at the end, without a date.",
        )
    ]
    assert _order(archive) == ["a", "bb", "ccc", "dddd"]
    assert list(archive.reviews["date"])[-1] == ""


def test_one_clock_set_wrong_says_nothing_against_the_reviews_after_it(tmp_path):
    _report(tmp_path / "a", "2026-01-05", ("2031-01-02T20:00:00", "2031-01-04T23:00:00"))
    for number, name in enumerate(("bb", "ccc"), start=2):
        _report(tmp_path / name, f"2026-0{number}-05", (f"2026-0{number}-05T20:00:00",) * 2)
    _archive, told = _gathered(tmp_path)
    assert [check for check, _message in told] == ["clock_after_date"]
