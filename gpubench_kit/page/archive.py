"""The page of the archive: what all reviews together say of the test setup, its drivers, cards and games."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Any

import pandas as pd

from gpubench_kit.archive.archive import Archive
from gpubench_kit.archive.gather import ARCHIVE_TABLES
from gpubench_kit.model.plan.rules import LEAST_RESTARTS
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.page import elements as html
from gpubench_kit.page.charts.from_tables import MOST_ROWS, archive_change_lanes, archive_noise_lanes, card_lanes
from gpubench_kit.page.elements import Column, Head, Markup, Section
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import MISSING, change_and_interval_text, change_text, count_text, number_text
from gpubench_kit.wording.terms import capital, metric_label, metric_of, names_text, reason_sentences, verdict_word

#: Rows of one table; a page with more is slow to open, and the tables beside it hold all.
MOST_LINES = 60
_LISTED = 3
_NO_FINDING = [name for name, row in VERDICTS.items() if not row.is_difference]
_OPEN = [name for name, row in VERDICTS.items() if row.is_open]
_METHOD = ("read", "counts", "noise", "spread", "change", "time")
_DAY = re.compile(r"(\d{4}-\d{2}-\d{2},?)")


def archive_head(archive: Archive) -> Section:
    """Return the head of the page: how much is in the archive, and what it says of the test setup.

    Parameters
    ----------
    archive : see `gpubench_kit.archive.archive.gather_archive`
    """
    dates = archive.reviews["date"][archive.reviews["date"] != ""]
    span = say("number.span", low=dates.min(), high=dates.max()) if len(dates) else say("archive.no_dates")
    refused = int((archive.findings["severity"] == "exclude").sum())
    body = [html.paragraph(one, css="result") for one in head_sentences(archive)]
    body += [html.note(say("archive.refused", n=refused))] * bool(refused)
    head = Head((archive.title, archive.summary, span))
    return Section("result", _title(archive), html.join(body), head=head)


def _title(archive: Archive) -> str:
    metric = archive.primaries[0]
    real, _ = _changes_of_drivers(archive, metric)
    if len(real):
        last = real.iloc[-1]
        told = {"card": last.card, "driver": last.of_driver, "metric": metric_label(metric)}
        return say("archive.title.driver", change=change_text(last.change, last.unit), **told)
    noise = _typical_noise(archive, metric)
    return (
        say("archive.title.noise", metric=metric_label(metric), noise=noise) if noise else say("archive.title.none")
    )


def head_sentences(archive: Archive) -> Iterator[str]:
    """Yield what the archive says of the test setup, most useful first."""
    metric = archive.primaries[0]
    label, spread = metric_of(metric).label, _over_all(archive.restart_spread, metric)
    if amount := _typical_noise(archive, metric):
        n_games = len(_over_all(archive.run_noise, metric))
        yield say("archive.head.noise", n=n_games, metric=label, noise=amount)
    for row in spread.head(1).itertuples():
        low, high = (number_text(one, decimals=2) for one in (row.ci_low, row.ci_high))
        with_range = f"{number_text(row.spread, decimals=2)} {row.unit} ({say('number.span', low=low, high=high)})"
        yield say("archive.head.restarts", spread=with_range, restarts=count_text(row.restarts, "restart"))
    if not len(spread):
        yield say("archive.head.no_restarts")
    real, n_judged = _changes_of_drivers(archive, metric)
    if len(real):
        last = real.iloc[-1]
        yield say(
            "archive.head.driver",
            before=last.against_driver, now=last.of_driver, metric=label, card=last.card,
            change=change_and_interval_text(last.change, last.ci_low, last.ci_high, unit=last.unit),
            verdict=verdict_word(last.verdict, metric, last.change),
        ) + (f" {say('archive.head.besides', count=len(real) - 1)}" if len(real) > 1 else "")  # fmt: skip
    elif n_judged:
        yield say("archive.head.no_change", metric=label, comparisons=count_text(n_judged, "comparison"))
    dropped = archive.games[archive.games["advice"] == "drop"]
    if len(dropped):
        names = [f"“{html.scene_of(row)}”" for row in dropped.head(_LISTED).itertuples()]
        more = len(dropped) - len(names)
        names += [say("archive.head.more", count=more)] * bool(more)
        yield say("archive.head.drop", games=names_text(names))


def _typical_noise(archive: Archive, metric: str) -> str:
    """Return the median of the noise over all games; empty where none is known."""
    noise = _over_all(archive.run_noise, metric)
    return f"{number_text(noise['noise'].median(), decimals=2)} {noise['unit'].iloc[0]}" if len(noise) else ""


def _changes_of_drivers(archive: Archive, metric: str) -> tuple[pd.DataFrame, int]:
    """Return the real changes of a metric, each once, and how many were judged."""
    rows = archive.driver_changes
    judged = rows[(rows["metric"] == metric) & (rows["verdict"] != "no_verdict")]
    real = judged[~judged["verdict"].isin(_NO_FINDING)]
    # As the review says that compared the two, else as the archive does.
    by_review_first = real.sort_values("source", ascending=False, kind="stable")
    once = by_review_first.drop_duplicates(["card", "of_driver", "against_driver"]).sort_index()
    return once, len(judged)


def archive_cards(archive: Archive) -> Section:
    """Return the section on cards over time, as `archive_head`."""
    cards = _with_labels(archive.cards, archive)
    charts = [html.figure(card_lanes(cards, metric=metric)) for metric in _shown_metrics(archive)]
    levels = [
        ("card", "card"), ("date", _date), ("driver", "driver"),
        ("metric", lambda row: metric_of(row.metric).label),
        ("level", lambda row: number_text(row.level), ""), ("games", "n_games", ""),
        ("linked", lambda row: say("archive.family", family=row.linked)),
    ]  # fmt: skip
    reviews = [
        ("review", "title"), ("date", _date), ("card", "cards"), ("driver", "drivers"), ("runs", "n_counted", ""),
        ("sessions", "n_sessions", ""),
    ]  # fmt: skip
    shown = cards[cards["metric"].isin(archive.primaries)].iloc[::-1]
    latest = archive.reviews.iloc[::-1].rename(columns={"name": "title"})
    return html.section("archive.cards", [
        html.paragraph(say("archive.cards.text")), html.figures(charts),
        html.details(say("archive.cards.every"), _limited(levels, shown, "cards", say("archive.cards.caption"))),
        _limited(reviews, latest, "reviews", say("archive.reviews.caption")),
    ])  # fmt: skip


def archive_noise(archive: Archive) -> Section:
    """Return the section on the noise from run to run and between restarts; left out where nothing was repeated."""
    noise, parts = archive.run_noise, []
    charts = [
        html.figure(archive_noise_lanes(noise, metric=one)) for one in _shown_metrics(archive, noise["metric"])
    ]
    tables = html.join(_noise_table(noise, metric) for metric in dict.fromkeys(noise["metric"]))
    if len(noise):
        parts = [
            html.paragraph(say("archive.noise.text")), html.figures(charts),
            html.details(say("archive.noise.every"), tables), html.heading(say("archive.restarts.title")),
            *map(html.paragraph, _on_restarts(archive)),
            _restarts_table(archive.restart_spread),
        ]  # fmt: skip
    if parts and archive.plan_line:
        line = Markup('<p class="code">{}</p>').format(archive.plan_line)
        parts += [html.paragraph(say("archive.restarts.line")), line]
    return html.section("archive.noise", parts)


def _noise_table(noise: pd.DataFrame, metric: str) -> Markup:
    """Return the noise of one metric, game by game, and on each bench where there are several."""
    rows, bench = _by_bench(noise[noise["metric"] == metric])
    columns = [
        ("game", html.scene_of), *bench,
        ("noise", lambda row: number_text(row.noise, decimals=2), rows["unit"].iloc[0]),
        ("interval", _interval, ""), ("runs", "n", ""), ("sessions", "n_sessions", ""),
        ("reviews", "n_reviews", ""),
    ]  # fmt: skip
    rows = rows.sort_values(["game", "setting", "scope", "bench"], kind="stable")
    return _limited(columns, rows, "run_noise", say("archive.noise.caption", metric=_label(metric)))


def _restarts_table(spread: pd.DataFrame) -> Markup:
    rows, bench = _by_bench(spread)

    def widening(row: Any) -> str:
        if pd.isna(row.widen_by):
            return say("archive.restarts.too_few")
        amount = f"{number_text(row.widen_by, decimals=2)} {row.unit}"
        return say("archive.restarts.widen", amount=amount, restarts=row.widen_restarts)

    columns = [
        ("metric", lambda row: _label(row.metric)), *bench,
        ("spread", lambda row: f"{number_text(row.spread, decimals=2)} {row.unit}", ""),
        ("interval", _interval, ""), ("restarts", "restarts", ""), ("reviews", "n_reviews", ""),
        ("widen_by", widening, ""),
    ]  # fmt: skip
    return _limited(columns, rows, "restart_spread", say("archive.restarts.caption"))


def _on_restarts(archive: Archive) -> Iterator[str]:
    """Yield what the spread between restarts is good for."""
    known = archive.restart_spread
    yield say("archive.restarts.use" if len(known) else "archive.restarts.how")
    if (known["widen_by"] > 1.005 * known["spread"]).any():
        yield say("archive.restarts.careful", least=LEAST_RESTARTS)
    short = known[(known["scope"] == "all") & known["widen_by"].isna()]
    if len(short):
        labels = names_text([metric_of(name).label for name in short["metric"]])
        yield say("archive.restarts.few", metrics=labels, least=LEAST_RESTARTS)


def archive_control(archive: Archive) -> Section:
    """Return the section on the same card and tuning, measured again; left out where there is none."""
    rows = _with_labels(archive.control_runs, archive)
    shown = rows.groupby(["metric", "card"], sort=False).tail(MOST_ROWS)
    body = _changes_shown(rows, archive, shown=shown, name="control")
    return html.section("archive.control", [*body, *map(html.paragraph, _control_told(archive))] if body else [])


def _control_told(archive: Archive) -> Iterator[str]:
    """Yield how many later times of a card show a change, under the driver of its first time and under others."""
    metric, who = archive.primaries[0], ["card", "tuning"]
    rows = archive.control_runs[archive.control_runs["metric"] == metric]
    known = archive.cards.sort_values(["place_in_time", "bench"], kind="stable").drop_duplicates(who)
    first = rows[who].merge(known[[*who, "driver"]], on=who, how="left")["driver"].to_numpy()
    is_same = rows["driver"].to_numpy() == first
    for key, part in (("same_driver", rows[is_same]), ("other_driver", rows[~is_same])):
        if len(part):
            found = int((~part["verdict"].isin(_NO_FINDING)).sum())
            open_ = int(part["verdict"].isin(_OPEN).sum())
            told = {"metric": metric_of(metric).label, "times": count_text(len(part), "later-time")}
            told["open"] = say("archive.control.open", count=open_) if open_ else ""
            yield say(f"archive.control.{key}", count=found or say("archive.control.none"), **told)


def archive_drivers(archive: Archive) -> Section:
    """Return the section on what changed from driver to driver; left out where no card had two."""
    rows = _with_labels(archive.driver_changes, archive)
    return html.section("archive.drivers", _changes_shown(rows, archive, shown=rows, name="drivers"))


def _changes_shown(rows: pd.DataFrame, archive: Archive, *, shown: pd.DataFrame, name: str) -> list[Markup]:
    """Return changes: the text, a chart for each metric that decides, a folded table for each, the first open."""
    if not len(rows):
        return []
    title = say(f"archive.{name}.chart")
    drawn = [
        html.figure(archive_change_lanes(rows, metric=metric, title=title)) for metric in _shown_metrics(archive)
    ]
    there = dict.fromkeys(shown["metric"])
    metrics = dict.fromkeys([*(one for one in archive.primaries if one in there), *there])
    tables = [(_label(one), _changes_table(shown[shown["metric"] == one], name=name)) for one in metrics]
    folds = [html.details(*one, is_open=place == 0) for place, one in enumerate(tables)]
    return [html.paragraph(say(f"archive.{name}.text")), html.figures(drawn), *folds]


def _changes_table(rows: pd.DataFrame, *, name: str) -> Markup:
    """Return the changes of one metric, the latest first; a reason that holds for all is said once, below."""
    rows = rows.assign(why=[" ".join(reason_sentences(one)) for one in rows["reason"]]).iloc[::-1]
    differ = rows["why"].nunique() > 1

    def what(row: Any) -> Markup:
        return html.join(_whole(part) if place % 2 else part for place, part in enumerate(_DAY.split(row.label)))

    def sessions(row: Any) -> str:
        return MISSING if pd.isna(row.n_sessions_of) else f"{row.n_sessions_against} → {row.n_sessions_of}"

    columns = [
        ("what", what),
        ("change", lambda row: html.stacked(
            change_and_interval_text(row.change, row.ci_low, row.ci_high, unit=row.unit)), ""),
        ("verdict", html.verdict_markup), ("games", "n_games", ""), ("sessions", sessions, ""),
        *[("why", "why")] * differ,
    ]  # fmt: skip
    caption = say(f"archive.{name}.caption", metric=_label(rows["metric"].iloc[0]))
    table = _limited(columns, rows, {"control": "control_runs", "drivers": "driver_changes"}[name], caption)
    return table if differ else html.join([table, html.paragraph(rows["why"].iloc[0])])


def archive_games(archive: Archive) -> Section:
    """Return the section on games that decide something and those that can go; left out where none was compared."""
    columns = [
        ("game", html.scene_of), ("advice", lambda row: say(f"archive.advice.{row.advice}")),
        ("why", lambda row: say(f"archive.why.{row.why}", game=row.says_the_same_as, apart=number_text(row.apart))),
        ("decided", lambda row: say("archive.of", count=row.n_decided, all=row.n_comparisons), ""),
        ("noise", lambda row: number_text(row.noise, decimals=2), "%"),
        ("detects", lambda row: number_text(row.detectable), "%"),
        ("margin", lambda row: number_text(row.margin), "%"), ("rounds", "rounds", ""),
    ]  # fmt: skip
    rank = {"drop": 0, "more_runs": 1, "keep": 2}
    rows = archive.games.assign(rank=archive.games["advice"].map(rank)).sort_values(
        ["metric", "rank"], kind="stable"
    )
    tables = [
        _limited(columns, part, "games", say("archive.games.caption", metric=_label(metric)))
        for metric, part in rows.groupby("metric", sort=False)
    ]
    return html.section("archive.games", [html.paragraph(say("archive.games.text")), *tables] if tables else [])


def archive_claims(archive: Archive) -> Section:
    """Return the section on claims made, review by review; left out where there is none."""
    made = archive.claims_made
    total, supported = int(made["n"].sum()), int(made["supported"].sum())
    columns = [
        ("review", "title"), ("date", _date), ("claims", "n", ""),
        *((name, name, "") for name in ("supported", "contradicted", "not_shown")),
        ("covered", lambda row: say("archive.of", count=row.n_claimed, all=row.n_overall), ""),
    ]  # fmt: skip
    rows = made[made["n"] > 0].iloc[::-1].rename(columns={"name": "title"})
    text = html.paragraph(say("archive.claims.text", claims=count_text(total, "claim"), supported=supported))
    table = _limited(columns, rows, "claims_made", say("archive.claims.caption"))
    return html.section("archive.claims", [text, table] if total else [])


def archive_findings(archive: Archive) -> Section:
    """Return the section on what was refused, skipped or noticed; left out where there was nothing."""
    found = archive.findings
    lines = [f"{row.message} {row.action}".strip() for row in found.head(MOST_LINES).itertuples()]
    more = len(found) - len(lines)
    rest = _rest(count_text(more, "more-finding"), "findings") if more else ""
    return html.section("archive.findings", [html.bullets(lines), rest])


def archive_method() -> Section:
    """Return the section on how all this was calculated."""
    return html.section("archive.method", [html.terms(html.said_terms("archive.method", _METHOD))])


def archive_files(archive: Archive, *, version: str) -> Section:
    """Return the section with the downloads.

    Parameters
    ----------
    archive : as in `archive_head`
    version : version of the kit
    """
    files: list[str | Markup] = [*html.table_links("tables", ARCHIVE_TABLES.values())]
    files.append(html.join([html.link("tables.zip", "tables.zip"), say("archive.files.zip")], ": "))
    files.append(say("archive.files.parquet"))
    facts = [
        (say("files.made_by"), f"gpubench_kit {version}"),
        (say("archive.files.read"), count_text(len(archive.reviews))),
    ]
    return html.section("files", [html.terms(facts), html.heading(say("downloads.title")), html.bullets(files)])


def _limited(columns: Iterable[Column], rows: pd.DataFrame, name: str, caption: str) -> Markup:
    """Return a table with word of the rows that it leaves out, which stand in the file of this name."""
    table = html.listing(columns, rows.head(MOST_LINES).itertuples(), caption=caption)
    more = len(rows) - MOST_LINES
    return table if more <= 0 else html.join([table, _rest(count_text(more, "more-row"), name)])


def _rest(what: str, name: str) -> Markup:
    return html.paragraph(say("archive.rest", what=what, file=f"tables/{name}.csv"))


def _by_bench(rows: pd.DataFrame) -> tuple[pd.DataFrame, list[Column]]:
    """Return the rows to show and the column of benches, where there are several."""
    if rows.loc[rows["scope"] == "bench", "bench"].nunique() < 2:
        return rows[rows["scope"] == "all"], []
    return rows, [("bench", lambda row: row.bench if row.scope == "bench" else say("archive.all_benches"))]


def _with_labels(rows: pd.DataFrame, archive: Archive) -> pd.DataFrame:
    """Return rows of cards or changes with a label each: card, date or drivers."""
    several = archive.reviews["cards"].nunique() > 1
    labels = []
    for row in rows.itertuples():
        is_change = hasattr(row, "of_driver")
        when = f"{row.against_driver} → {row.of_driver}" if is_change else row.date or say("archive.no_date")
        parts = (row.card * several, when, getattr(row, "driver", ""))
        within = f" {say('archive.within')}" if getattr(row, "source", "") == "review" else ""
        labels.append(f"{', '.join(filter(None, parts))}{within}")
    return rows.assign(label=labels)


def _shown_metrics(archive: Archive, there: pd.Series | None = None) -> list[str]:
    """Return the metrics with charts: those that decide, and board power."""
    wanted = dict.fromkeys([*archive.primaries[:2], "board_w"])
    return [name for name in wanted if there is None or name in set(there)]


def _over_all(table: pd.DataFrame, metric: str) -> pd.DataFrame:
    return table[(table["scope"] == "all") & (table["metric"] == metric)]


def _label(metric: str) -> str:
    return capital(metric_of(metric).label)


def _date(row: Any) -> Markup | str:
    """Return the day of a row, which never breaks at its hyphens."""
    return _whole(row.date) if row.date else MISSING


def _whole(text: str) -> Markup:
    return Markup('<span class="whole">{}</span>').format(text)


def _interval(row: Any) -> str:
    """Return the ends of an interval; an open one says from where."""
    if pd.isna(row.ci_low):
        return MISSING
    high = number_text(row.ci_high, decimals=2) if pd.notna(row.ci_high) else say("archive.any")
    return say("number.span", low=number_text(row.ci_low, decimals=2), high=high)
