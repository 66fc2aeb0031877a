"""Reports into Parquet files: all their tables, reviews in the order of time, runs that count once; its tables."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from gpubench_kit.archive.reports import Found, Report, admit, find_reports
from gpubench_kit.archive.store import PARQUET, QUESTIONS, Store
from gpubench_kit.model.errors import Fault, ReportError
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.tables import Column, Finding, Table, findings_table
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.wording.notes import note
from gpubench_kit.wording.numbers import count_text

SCOPES = ("all", "bench")

_SCENE = (Column("game", "text", "what was played"), Column("setting", "text", "resolution and quality"))
_SCOPE = (
    Column("scope", "text", "`all`: over all benches of the archive; `bench`: on the one named", allowed=SCOPES),
    Column("bench", "text", "rest of the machine"),
)
_METRIC = Column("metric", "text", "name of the metric")
_PLACE = Column("place_in_time", "integer", "number in the order of time")
_NAME = Column("name", "text", "title, with the folder where several reviews have that title")
_REVIEW = (Column("review", "text", "review"), _PLACE, Column("date", "text", "day of the review"))
#: What was measured, in a review, of a card that stands before it.
_MEASURED_KEY = ("card", "tuning", "review", "bench", "metric")
_MEASURED = (
    Column("tuning", "text", "reference tuning"),
    *_REVIEW,
    Column("bench", "text", "rest of the machine"),
    Column("driver", "text", "driver, or bench where no driver is stated"),
    _METRIC,
)
_UNIT = Column("unit", "text", "% on the ratio scale, else the metric's unit")

REVIEWS = Table(
    "reviews", "review", ("review",),
    (
        Column("review", "text", "short name of its content: first digits of a SHA-256 over manifest and tables"),
        Column("place_in_time", "integer", "number in the order of time; those without a date come last"),
        Column("date", "text", "day of the review, else of its first run; empty where not known or not plausible"),
        _NAME,
        Column("title", "text", "title"),
        Column("place", "text", "folder of the report below the folders given"),
        Column("cards", "text", "cards measured"),
        Column("drivers", "text", "drivers, or benches where no driver is stated"),
        Column("primary", "text", "the metric that decides"),
        Column("n_runs", "integer", "runs of its run sheet"),
        Column("n_counted", "integer", "runs that count here: used, and in no earlier review"),
        Column("n_sessions", "integer", "sessions of these: restarts of the machine, or mountings of a card"),
        Column("first_start", "text", "start of the first run as the sheet states it"),
        Column("last_start", "text", "start of the last run"),
        Column("format_version", "integer", "format version of the report"),
    ),
)  # fmt: skip

RUN_NOISE = Table(
    "run_noise", "scope, bench, game, setting and metric", ("scope", "bench", "game", "setting", "metric"),
    (
        *_SCOPE,
        *_SCENE,
        _METRIC,
        Column("n", "integer", "runs"),
        Column("n_reviews", "integer", "reviews"),
        Column("n_sessions", "integer", "sessions: runs between two restarts, in one review"),
        Column("df", "number", "degrees of freedom"),
        Column("sd", "number", "run-to-run standard deviation in a session, of the natural log on the ratio scale"),
        Column("noise", "number", "the same in `unit`"),
        Column("ci_low", "number", "lower end of its 95 % interval, in `unit`"),
        Column("ci_high", "number", "upper end of its 95 % interval, in `unit`"),
        _UNIT,
    ),
)  # fmt: skip

RESTART_SPREAD = Table(
    "restart_spread", "scope, bench and metric", ("scope", "bench", "metric"),
    (
        *_SCOPE,
        _METRIC,
        Column("restarts", "integer", "restarts after which one tuning of one card was measured again"),
        Column("n_reviews", "integer", "reviews in which that was done"),
        Column("n_games", "integer", "games and settings in which it was seen"),
        Column("spread", "number", "standard deviation between restarts, in `unit`"),
        Column("ci_low", "number", "lower end of its 95 % interval, in `unit`"),
        Column("ci_high", "number", "upper end of its 95 % interval, in `unit`; empty: not known"),
        Column("df", "number", "degrees of freedom of `spread`"),
        Column("widen_by", "number", "what confounded layouts are widened by, in `unit`; empty: too few"),
        Column("widen_restarts", "integer", "number of restarts that it counts as"),
        _UNIT,
    ),
)  # fmt: skip

_CHANGE = (
    Column("n_games", "integer", "games measured on both sides"),
    Column("n_sessions_of", "integer", "sessions of the later side"),
    Column("n_sessions_against", "integer", "sessions of the earlier side"),
    Column("change", "number", "later against earlier, in `unit`"),
    Column("ci_low", "number", "lower end of the 95 % interval, widened by the spread between restarts, in `unit`"),
    Column("ci_high", "number", "upper end"),
    Column("explaining_spread", "number", "spread between restarts that alone would explain the change, in `unit`"),
    Column("df", "number", "degrees of freedom"),
    Column("p_difference", "number", "p-value against no difference"),
    Column("p_difference_adjusted", "number", "the same, adjusted for the number of comparisons of this metric"),
    Column("p_equivalence_adjusted", "number", "p-value against a difference as large as the margin, adjusted"),
    Column("margin", "number", "smallest difference that matters, in `unit`"),
    Column("verdict", "text", "outcome", allowed=tuple(VERDICTS)),
    Column("reason", "text", "why there is no verdict, or what to know about the one given"),
    _UNIT,
)

DRIVER_CHANGES = Table(
    "driver_changes", "card, tuning, pair of drivers, metric and source",
    ("card", "tuning", "of_driver", "against_driver", "metric", "source", "review"),
    (
        Column("card", "text", "card that was measured"),
        Column("tuning", "text", "state of the card's limits"),
        Column("of_driver", "text", "later driver, or bench where no driver is stated"),
        Column("against_driver", "text", "earlier driver"),
        _METRIC,
        Column("source", "text", "`review`: compared by one review, as its report says; `archive`: across",
               allowed=("review", "archive")),
        Column("review", "text", "review that compared them; empty where the archive did"),
        Column("group", "text", "settings of one kind; `all` where the archive compared"),
        *_CHANGE,
    ),
)  # fmt: skip

CONTROL_RUNS = Table(
    "control_runs", "card, tuning, review, bench and metric", _MEASURED_KEY,
    (Column("card", "text", "card that was measured again"), *_MEASURED, *_CHANGE),
)  # fmt: skip

CARDS = Table(
    "cards", "card, tuning, review, bench and metric", _MEASURED_KEY,
    (
        Column("card", "text", "card that was measured"),
        *_MEASURED,
        Column("n_games", "integer", "games and settings measured"),
        Column("n", "integer", "runs"),
        Column("linked", "integer", "family of cards linked by games: its levels can be read together"),
        Column("level", "number", "level over the family's mean (100), fitted over all reviews"),
    ),
)  # fmt: skip

GAMES = Table(
    "games", "game, setting and metric", ("game", "setting", "metric"),
    (
        *_SCENE,
        _METRIC,
        Column("n_reviews", "integer", "reviews that compared tunings or cards in it"),
        Column("n_comparisons", "integer", "comparisons; of the same runs in several reviews the last one"),
        Column("n_decided", "integer", "of these, with a verdict other than `undecided`"),
        Column("n_held", "integer", "of these, frame-capped or with a declared frame limit"),
        Column("noise", "number", "run-to-run noise", "%"),
        Column("noise_ci_low", "number", "lower end of its 95 % interval", "%"),
        Column("rounds", "integer", "rounds that reviews usually give it (median)"),
        Column("detectable", "number", "smallest difference that these rounds find with 80 % chance", "%"),
        Column("detectable_at_best", "number", "the same with the lower end of the noise", "%"),
        Column("margin", "number", "smallest difference that matters (median)", "%"),
        Column("says_the_same_as", "text", "game that has given the same changes; empty: none"),
        Column("apart", "number", "upper 95 % limit of the spread between their changes", "%"),
        Column("advice", "text", "what to do with it", allowed=("keep", "drop", "more_runs")),
        Column("why", "text", "rule that the advice follows",
               allowed=("decides", "too_noisy", "noisy", "held_by_cap", "redundant", "not_known")),
    ),
)  # fmt: skip

CLAIMS_MADE = Table(
    "claims_made", "review", ("review",),
    (
        *_REVIEW,
        _NAME,
        Column("n", "integer", "claims in its script"),
        Column("supported", "integer", "of these, supported by the data"),
        Column("contradicted", "integer", "of these, contradicted"),
        Column("not_shown", "integer", "of these, not shown either way"),
        Column("n_overall", "integer", "results over these games, all metrics"),
        Column("n_claimed", "integer", "of these, spoken of by a claim over games"),
    ),
)  # fmt: skip

#: Every table of an archive's page by name, in the order written.
ARCHIVE_TABLES = {
    table.name: table
    for table in (REVIEWS, CARDS, RUN_NOISE, RESTART_SPREAD, CONTROL_RUNS, DRIVER_CHANGES, GAMES, CLAIMS_MADE)
}


#: What is kept of the conditions that the manifests state, by part: what makes an entry of it one, and the rest.
_CONDITIONS = {
    "benches": (("name",), ("driver", "room_c")),
    "cards": (("name",), ("model", "role", "power_measured_at")),
    "tunings": (("name",), ("reference",)),
    "games": (("name", "setting"), ("frames_counted", "generated_per_rendered", "versions")),
}


def gather(folders: Sequence[str | Path], folder: str | Path) -> Store:
    """Read all reports below folders into Parquet files.

    Parameters
    ----------
    folders : folders that hold report folders, at any depth
    folder : folder of the archive; its Parquet files go into ``parquet/``

    Returns
    -------
    Store with the tables of all reports, each with ``review`` in front; ``reviews``; what the manifests state of
    ``benches``, ``cards``, ``tunings`` and ``games``; ``repeated``, ``silent``, ``cells`` and ``findings``

    Raises
    ------
    ReportError : there is no report that can be read below the folders

    Notes
    -----
    All questions about noise, restarts, drivers and cards are answered from ``cells``, whose values are natural
    logs on the ratio scale. Only used runs of the purpose that the metric's verdicts use count, each once; games
    that a report says were held by a cap, or whose runs could not be trusted, are left out (``silent``).
    """
    found = find_reports(folders, but=folder)
    reports, findings = admit(found.candidates)
    check_any(reports, [*found.findings, *findings], found, folders=folders)
    store = Store(Path(folder) / PARQUET)
    reports, unreadable = store.read_reports(reports)
    check_any(reports, unreadable, found, folders=folders)
    reviews, clocks = reviews_table(reports)
    store.keep("reviews", reviews)
    for part, (key, others) in _CONDITIONS.items():
        columns = ["review", "number", *key, *others]
        rows = [
            [report.review, str(number), *(_text_of(entry.get(name)) for name in columns[2:])]
            for report in reports
            for number, entry in enumerate(report.measured[part], start=1)
        ]
        store.keep(part, pd.DataFrame(rows, columns=columns).astype("str").drop_duplicates(["review", *key]))
    repeated = mark_repeated(store)
    facts = [
        {"metric": name, "is_ratio": metric.scale == "ratio", "purpose_wanted": metric.purpose,
         "counts_frames": metric.needs in ("frames", "both"), "is_power": metric.is_by_power_measured_at}
        for name, metric in METRICS.items()
    ]  # fmt: skip
    store.keep("metric_facts", pd.DataFrame(facts))
    rates = ", ".join(f"'{name}'" for name, metric in METRICS.items() if metric.is_capped)
    store.derive("silent", QUESTIONS["silent"].format(frame_rates=rates))
    store.derive("cells", QUESTIONS["cells"])
    store.keep("findings", findings_table([*found.findings, *findings, *unreadable, *clocks, *repeated]))
    return store


def check_any(there: Sequence, findings: Sequence[Finding], found: Found, *, folders: Sequence[str | Path]) -> None:
    """Raise where nothing is left that could be read, with what was refused.

    Parameters
    ----------
    there : reports, or folders that look like reports, that are left
    findings : what was refused, and why
    found : how much was looked at
    folders : folders that were given

    Raises
    ------
    ReportError : nothing is left
    """
    if there:
        return
    looked = f"{count_text(found.n_files, 'file')} in {count_text(found.n_folders, 'folder')}"
    faults = [Fault("", f"{one.message} {one.action}".strip()) for one in findings]
    problem = f"no report that can be read lies below ({looked} looked at)."
    action = "Name folders in which `gpubench-kit report` wrote reports, for example reports."
    raise ReportError([Fault(", ".join(map(str, folders)), problem, action), *faults])


def _text_of(value: Any) -> str:
    """Return a value of a manifest as text; several are separated by commas."""
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return "" if value is None else str(value)


def mark_repeated(store: Store) -> list[Finding]:
    """Write the table ``repeated`` (review and run) of runs that an earlier review holds too, and tell of them.

    Parameters
    ----------
    store : holds ``runs``, ``run_metrics`` and ``reviews``

    Returns
    -------
    list of Finding, one for each pair of reviews: runs that count once, and runs that only may be the same

    Notes
    -----
    A run with a frame log is known by the log's hash. Typed runs are the same where card, bench, tuning, game,
    setting, purpose, round and all values agree, if so many agreements are no chance. That is calculated for the
    runs of one tuning in two reviews, from the last decimal that was typed and the spread of repeated runs: 101
    and 101 in a game whose runs hardly differ says nothing, ten numbers with two decimals say all. Runs that agree,
    but may do so by chance, count in both reviews, and that is told.
    """
    held = ("typed", "pairs", "judged")
    store.hold(held)
    store.derive("repeated", QUESTIONS["repeated"])
    findings = [
        note(f"archive.found.{check}", found=pair.n, n=pair.n, place=pair.place, other=pair.other)
        for check, question in (("same_run_twice", "same runs"), ("same_numbers_twice", "same numbers"))
        for pair in store.ask(QUESTIONS[question]).itertuples()
    ]
    store.let_go(held)
    return findings


#: No graphics card was measured by frame logs before this year.
_EARLIEST_YEAR = 2000
#: A review so many days away from every other was dated by a clock that was wrong.
_LONE_DAYS = 3 * 365
_LEAST_REVIEWS = 3
#: Runs that began so many days before the date of their review.
_LONG_AGO_DAYS = 400


def reviews_table(reports: Sequence[Report]) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the reviews in the order of time, and what cannot be right about their dates.

    Parameters
    ----------
    reports : reports that were read

    Returns
    -------
    DataFrame, one row per review; see ``archive.gather.REVIEWS``; list of Finding

    Notes
    -----
    A date that cannot be right is not used: the review stands at the end, without a date. Dates are compared with
    each other only; what day it is today does not count, so the same reports give the same archive.
    """
    dates, findings = _plausible_dates(reports)
    ordered = sorted(reports, key=lambda one: (dates[one.review] == "", dates[one.review], one.place))
    findings += _clocks(reports, [one for one in ordered if dates[one.review]])
    titles = [report.title for report in reports]
    rows = []
    for place_in_time, report in enumerate(ordered, start=1):
        title, measured = report.title, report.measured
        drivers = (str(bench.get("driver") or bench.get("name") or "") for bench in measured["benches"])
        rows.append({
            "review": report.review,
            "place_in_time": place_in_time,
            "date": dates[report.review],
            "name": title if titles.count(title) == 1 else f"{title} ({report.place})",
            "title": title,
            "place": report.place,
            "cards": ", ".join(str(card.get("name", "")) for card in measured["cards"]),
            "drivers": ", ".join(filter(None, drivers)),
            "primary": measured["primary"],
            "first_start": measured["first_start"],
            "last_start": measured["last_start"],
            "format_version": report.version,
        })  # fmt: skip
    return REVIEWS.frame(rows), findings


def _days(report: Report) -> list[date | None]:
    """Return the days of a review's date, of its first run and of its last; None for what is no date."""
    days: list[date | None] = []
    for name in ("date", "first_start", "last_start"):
        try:
            days.append(date.fromisoformat(report.measured[name][:10]))
        except ValueError:
            days.append(None)
    return days


def _plausible_dates(reports: Sequence[Report]) -> tuple[dict[str, str], list[Finding]]:
    """Return the day of each review, empty where it is not known or cannot be right, and findings on the latter."""
    days = {one.review: stated or first for one in reports for stated, first, _ in [_days(one)]}
    dates, findings = {review: day.isoformat() if day else "" for review, day in days.items()}, []
    for report in reports:
        day, others = days[report.review], [one for review, one in days.items() if one and review != report.review]
        apart = [abs((day - one).days) for one in others if one.year >= _EARLIEST_YEAR] if day else []
        said: dict[str, Any] = {"place": report.place, "day": dates[report.review], "check": "date_not_plausible"}
        if day and day.year < _EARLIEST_YEAR:
            findings.append(note("archive.found.date_too_early", **said, year=_EARLIEST_YEAR))
        elif len(apart) >= _LEAST_REVIEWS and min(apart) > _LONE_DAYS:
            findings.append(note("archive.found.date_alone", **said, days=min(apart)))
        else:
            continue
        dates[report.review] = ""
    return dates, findings


def _clocks(reports: Sequence[Report], dated: Sequence[Report]) -> list[Finding]:
    """Return what the starts of runs say against the dates of their reviews, and against the order of the dates."""
    findings, odd = [], set()
    for report in reports:
        day, first, last = _days(report)
        if day and first and (first - day).days > 1:
            findings.append(note("archive.found.clock_after_date", place=report.place, start=first, day=day))
            odd.add(report.place)
        if day and last and (days := (day - last).days) > _LONG_AGO_DAYS:
            said: dict[str, Any] = {"place": report.place, "start": last, "days": days}
            findings.append(note("archive.found.clock_long_before_date", **said))
            odd.add(report.place)
    latest: tuple[date, str] | None = None
    for report in dated:
        _, first, last = _days(report)
        if report.place in odd or first is None or last is None:
            continue
        if latest is not None and last < latest[0]:
            said = {"place": report.place, "start": last, "other": latest[1], "first": latest[0]}
            findings.append(note("archive.found.clock_out_of_order", **said))
        if latest is None or first > latest[0]:
            latest = first, report.place
    return findings
