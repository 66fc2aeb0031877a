"""The reviews of an archive in the order of time, and clocks that cannot be right."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any

import pandas as pd

from gpubench_kit.archive.reports import Report
from gpubench_kit.archive.tables import REVIEWS
from gpubench_kit.model.findings import Finding

#: No graphics card was measured by frame logs before this year.
_EARLIEST_YEAR = 2000
#: A review so many days away from every other was dated by a clock that was wrong.
_LONE_DAYS = 3 * 365
_LEAST_REVIEWS = 3
#: Runs that began so many days before the date of their review.
_LONG_AGO_DAYS = 400

_CHECK_CLOCK = "Check the clock of the machine, and `date` in the plan."


def reviews_table(reports: Sequence[Report]) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the reviews in the order of time, and what cannot be right about their dates.

    Parameters
    ----------
    reports : reports that were read

    Returns
    -------
    DataFrame, one row per review; see ``archive.tables.REVIEWS``; list of Finding

    Notes
    -----
    A date that cannot be right is not used: the review stands at the end, without a date. Dates are compared with
    each other only; what day it is today does not count, so the same reports give the same archive.
    """
    dates = {report.review: _date_of(report.manifest["measured"]) for report in reports}
    wrong = dict(_implausible(dates))
    findings = [_not_used(report, wrong[report.review]) for report in reports if report.review in wrong]
    clocks = {report.review: list(_clock_findings(report)) for report in reports}
    findings += [finding for several in clocks.values() for finding in several]
    known = {review: "" if review in wrong else when for review, when in dates.items()}
    ordered = sorted(reports, key=lambda one: (known[one.review] == "", known[one.review], one.place))
    findings += _out_of_order([one for one in ordered if known[one.review] and not clocks[one.review]])
    names = _names_of(ordered)
    rows = [
        _row(report, known[report.review], names[report.review]) | {"place_in_time": place}
        for place, report in enumerate(ordered, start=1)
    ]
    return REVIEWS.frame(rows), findings


def conditions_of(reports: Iterable[Report], part: str, names: Sequence[str]) -> pd.DataFrame:
    """Return what the manifests say of cards, benches, tunings or games, one row for each.

    Parameters
    ----------
    reports : reports that were read
    part : ``cards``, ``benches``, ``tunings`` or ``games``
    names : what is wanted of each

    Returns
    -------
    DataFrame with ``review``, ``number`` (place in its list) and the columns named, all text
    """
    rows = [
        {"review": report.review, "number": str(number), **{name: _text_of(entry.get(name)) for name in names}}
        for report in reports
        for number, entry in enumerate(report.manifest["measured"][part], start=1)
    ]
    frame = pd.DataFrame(rows, columns=["review", "number", *names]).astype("str")
    return frame.drop_duplicates(["review", names[0], *(["setting"] if "setting" in names else [])])


def _text_of(value: Any) -> str:
    """Return a value of a manifest as text; several are separated by commas."""
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return "" if value is None else str(value)


def _row(report: Report, when: str, name: str) -> dict[str, Any]:
    """Return the row of one review."""
    measured = report.manifest["measured"]
    return {
        "review": report.review,
        "place": report.place,
        "name": name,
        "title": report.manifest["title"],
        "date": when,
        "first_start": measured["first_start"],
        "last_start": measured["last_start"],
        "cards": ", ".join(str(card.get("name", "")) for card in measured["cards"]),
        "drivers": ", ".join(filter(None, (driver_of(bench) for bench in measured["benches"]))),
        "primary": measured["primary"],
        "format_version": report.version,
    }


def driver_of(bench: Mapping[str, Any]) -> str:
    """Return the driver of a bench; its name where no driver is stated."""
    return str(bench.get("driver") or bench.get("name") or "")


def _names_of(reports: Iterable[Report]) -> dict[str, str]:
    """Return a name for each review: its title, with its folder where several have that title."""
    titles = [report.manifest["title"] for report in reports]
    return {
        report.review: title if titles.count(title) == 1 else f"{title} ({report.place})"
        for report, title in zip(reports, titles, strict=True)
    }


def _date_of(measured: Mapping[str, Any]) -> str:
    """Return the day of a review: its date, else the day of its first run; empty where neither is known."""
    return next((day.isoformat() for day in map(_day, (measured["date"], measured["first_start"])) if day), "")


def _day(text: str) -> date | None:
    """Return the day of a date with or without a time."""
    try:
        return date.fromisoformat(text[:10])
    except ValueError:
        return None


def _implausible(dates: Mapping[str, str]) -> Iterable[tuple[str, str]]:
    """Yield the reviews whose date cannot be right, and why."""
    days = {review: _day(when) for review, when in dates.items() if when}
    for review, day in days.items():
        others = [other for name, other in days.items() if name != review and other.year >= _EARLIEST_YEAR]
        nearest = min((abs((day - other).days) for other in others), default=0)
        if day.year < _EARLIEST_YEAR:
            yield review, f"its date {day.isoformat()} is before the year {_EARLIEST_YEAR}"
        elif len(others) >= _LEAST_REVIEWS and nearest > _LONE_DAYS:
            yield review, f"its date {day.isoformat()} lies {nearest} days away from every other review"


def _not_used(report: Report, why: str) -> Finding:
    """Return the finding on a date that is not used."""
    told = f"{report.place}: {why}, so it is not used; the review stands at the end, without a date."
    return Finding("note", "date_not_plausible", told, action=_CHECK_CLOCK)


def _clock_findings(report: Report) -> Iterable[Finding]:
    """Yield what the starts of runs and the date of a review say against each other."""
    measured = report.manifest["measured"]
    day, first, last = (_day(measured[name]) for name in ("date", "first_start", "last_start"))
    if day and first and (first - day).days > 1:
        told = f"{report.place}: its first run started on {first.isoformat()}, after its date {day.isoformat()}."
        yield Finding("note", "clock_after_date", told, action=_CHECK_CLOCK)
    if day and last and (day - last).days > _LONG_AGO_DAYS:
        told = (
            f"{report.place}: its last run started on {last.isoformat()}, {(day - last).days} days before its date."
        )
        yield Finding("note", "clock_long_before_date", told, action=_CHECK_CLOCK)


def _out_of_order(ordered: Iterable[Report]) -> Iterable[Finding]:
    """Yield a finding for each review whose runs started before those of a review that has an earlier date."""
    latest: tuple[date, Report] | None = None
    for report in ordered:
        first, last = (_day(report.manifest["measured"][name]) for name in ("first_start", "last_start"))
        if first is None or last is None:
            continue
        if latest is not None and last < latest[0]:
            told = (
                f"{report.place}: its last run started on {last.isoformat()}, before the first of "
                f"{latest[1].place} ({latest[0].isoformat()}), though its date is not earlier. The dates count."
            )
            yield Finding("note", "clock_out_of_order", told, action=_CHECK_CLOCK)
        if latest is None or first > latest[0]:
            latest = first, report
