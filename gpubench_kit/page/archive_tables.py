"""The tables on the archive's page."""

from __future__ import annotations

import re

import pandas as pd

from gpubench_kit.archive.archive import Archive
from gpubench_kit.page.elements import (
    Column,
    Markup,
    bullets,
    details,
    join,
    paragraph,
    stacked,
    table,
    verdict_shown,
)
from gpubench_kit.wording.numbers import (
    MISSING,
    change_and_interval_text,
    count_text,
    number_text,
)
from gpubench_kit.wording.reasons import reason_sentences
from gpubench_kit.wording.terms import metric_of, scene_text, sentence

#: Rows of one table; a page with more is slow to open, and the tables beside it hold all.
MOST_LINES = 60

_ADVICE = {"keep": "keep", "drop": "can be dropped", "more_runs": "needs more rounds"}
_WHY = {
    "decides": "its rounds find the margin",
    "too_noisy": "too noisy, even at best",
    "noisy": "its rounds would miss the margin",
    "held_by_cap": "a cap or limit held it every time",
    "not_known": "its noise is not known yet",
}


_DAY = re.compile(r"(\d{4}-\d{2}-\d{2},?)")


def with_labels(rows: pd.DataFrame, archive: Archive) -> pd.DataFrame:
    """Return rows of cards or changes with a label each: card, date or drivers, bench where several had it."""
    several = archive.reviews["cards"].nunique() > 1
    return rows.assign(label=[_label(row, with_card=several) for row in rows.itertuples()])


def reviews_table(reviews: pd.DataFrame) -> Markup:
    """Return the reviews, the latest first."""
    columns = [
        Column("Review"), Column("Date"), Column("Card"), Column("Driver"), Column("Runs", is_number=True),
        Column("Sessions", is_number=True),
    ]  # fmt: skip
    shown = reviews.iloc[::-1].head(MOST_LINES)
    lines = [
        [
            row.name_,
            _date(row.date),
            row.cards,
            row.drivers,
            count_text(row.n_counted),
            count_text(row.n_sessions),
        ]
        for row in shown.rename(columns={"name": "name_"}).itertuples()
    ]
    return _limited(
        table(columns, lines, caption="Reviews in the archive, the latest first"), len(reviews), "reviews"
    )


def cards_table(cards: pd.DataFrame, archive: Archive) -> Markup:
    """Return every level of the metrics that decide, the latest first."""
    shown = cards[cards["metric"].isin(archive.primaries)].iloc[::-1]
    columns = [
        Column("Card"), Column("Date"), Column("Driver"), Column("Metric"), Column("Level", is_number=True),
        Column("Games", is_number=True), Column("Linked by games"),
    ]  # fmt: skip
    lines = [
        [row.card, _date(row.date), row.driver, metric_of(row.metric).label, number_text(row.level),
         count_text(row.n_games), f"family {row.linked}"]
        for row in shown.head(MOST_LINES).itertuples()
    ]  # fmt: skip
    return _limited(table(columns, lines, caption="Levels, the mean of a family being 100"), len(shown), "cards")


def noise_table(noise: pd.DataFrame, metric: str) -> Markup:
    """Return the noise of one metric, game by game, and on each bench where there are several."""
    rows = noise[noise["metric"] == metric]
    several = rows.loc[rows["scope"] == "bench", "bench"].nunique() > 1
    rows = rows if several else rows[rows["scope"] == "all"]
    columns = [
        Column("Game"), *([Column("Bench")] if several else []),
        Column("Noise", rows["unit"].iloc[0], is_number=True),
        Column("95 % interval", is_number=True), Column("Runs", is_number=True), Column("Sessions", is_number=True),
        Column("Reviews", is_number=True),
    ]  # fmt: skip
    ordered = rows.sort_values(["game", "setting", "scope", "bench"], kind="stable")
    lines = [
        [scene_text(row.game, row.setting), *([row.bench if row.scope == "bench" else "all"] if several else []),
         number_text(row.noise, decimals=2), _range(row.ci_low, row.ci_high), count_text(row.n),
         count_text(row.n_sessions), count_text(row.n_reviews)]
        for row in ordered.head(MOST_LINES).itertuples()
    ]  # fmt: skip
    caption = f"{sentence(metric_of(metric).label)}: noise from run to run within a session"
    return _limited(table(columns, lines, caption=caption), len(ordered), "run_noise")


def restarts_table(spread: pd.DataFrame) -> Markup:
    """Return the spread between restarts of each metric."""
    several = spread.loc[spread["scope"] == "bench", "bench"].nunique() > 1
    rows = spread if several else spread[spread["scope"] == "all"]
    columns = [
        Column("Metric"), *([Column("Bench")] if several else []), Column("Spread", is_number=True),
        Column("95 % interval", is_number=True), Column("Restarts", is_number=True),
        Column("Reviews", is_number=True), Column("Widen by", is_number=True),
    ]  # fmt: skip
    lines = [
        [sentence(metric_of(row.metric).label),
         *([row.bench if row.scope == "bench" else "all"] if several else []),
         f"{number_text(row.spread, decimals=2)} {row.unit}", _range(row.ci_low, row.ci_high),
         count_text(row.restarts), count_text(row.n_reviews), _widening(row)]
        for row in rows.head(MOST_LINES).itertuples()
    ]  # fmt: skip
    return _limited(table(columns, lines, caption="Spread between restarts"), len(rows), "restart_spread")


def changes_tables(rows: pd.DataFrame, archive: Archive, *, caption: str, name: str) -> Markup:
    """Return changes with their verdicts, the latest first: one folded table a metric, the first one open.

    Parameters
    ----------
    rows : changes with ``label``, as in ``archive.tables``
    archive : gives the metrics that decide, which come first
    caption : what is compared with what
    name : file below tables/ that holds every row
    """
    there = dict.fromkeys(rows["metric"])
    metrics = list(dict.fromkeys([*(one for one in archive.primaries if one in there), *there]))
    return join(
        details(
            sentence(metric_of(metric).label),
            _changes_of_one_metric(rows[rows["metric"] == metric], caption=caption, name=name),
            is_open=place == 0,
        )
        for place, metric in enumerate(metrics)
    )


def _changes_of_one_metric(rows: pd.DataFrame, *, caption: str, name: str) -> Markup:
    """Return the changes of one metric; a reason that holds for all is said once, below the table."""
    whys = [" ".join(reason_sentences(reason)) for reason in rows["reason"]][::-1]
    differ = len(set(whys)) > 1
    columns = [
        Column("What"), Column("Change", is_number=True), Column("Verdict"), Column("Games", is_number=True),
        Column("Sessions", is_number=True), *([Column("Why")] if differ else []),
    ]  # fmt: skip
    lines = [
        [_with_whole_dates(row.label),
         stacked(change_and_interval_text(row.change, row.ci_low, row.ci_high, unit=row.unit)),
         verdict_shown(row.verdict, row.metric, row.change), count_text(row.n_games), _sessions(row),
         *([why] if differ else [])]
        for row, why in zip(rows.iloc[::-1].head(MOST_LINES).itertuples(), whys, strict=False)
    ]  # fmt: skip
    label = sentence(metric_of(rows["metric"].iloc[0]).label)
    shown = _limited(table(columns, lines, caption=f"{label}: {caption}", css="changes"), len(rows), name)
    return shown if differ or not whys[0] else join([shown, paragraph(whys[0])])


def games_tables(games: pd.DataFrame) -> Markup:
    """Return what each game decided and what to do with it, what could go first: one table a metric."""
    rank = {"drop": 0, "more_runs": 1, "keep": 2}
    rows = games.assign(rank=games["advice"].map(rank)).sort_values(["metric", "rank"], kind="stable")
    return join(_games_of_one_metric(one) for _, one in rows.groupby("metric", sort=False))


def _games_of_one_metric(rows: pd.DataFrame) -> Markup:
    """Return what each game decided in one metric."""
    columns = [
        Column("Game"), Column("Advice"), Column("Why"), Column("Decided", is_number=True),
        Column("Noise", "%", is_number=True), Column("Finds", "%", is_number=True),
        Column("Margin", "%", is_number=True), Column("Rounds", is_number=True),
    ]  # fmt: skip
    lines = [
        [scene_text(row.game, row.setting), _ADVICE[row.advice], _why(row),
         f"{row.n_decided} of {row.n_comparisons}", number_text(row.noise, decimals=2), number_text(row.detectable),
         number_text(row.margin), count_text(row.rounds)]
        for row in rows.head(MOST_LINES).itertuples()
    ]  # fmt: skip
    caption = f"{sentence(metric_of(rows['metric'].iloc[0]).label)}: what each game has decided"
    return _limited(table(columns, lines, caption=caption), len(rows), "games")


def claims_table(rows: pd.DataFrame) -> Markup:
    """Return the claims of each review, the latest first."""
    columns = [
        Column("Review"), Column("Date"), Column("Claims", is_number=True), Column("Supported", is_number=True),
        Column("Contradicted", is_number=True), Column("Not shown", is_number=True),
        Column("Covered", is_number=True),
    ]  # fmt: skip
    made = rows[rows["n"] > 0].iloc[::-1].rename(columns={"name": "name_"})
    lines = [
        [row.name_, _date(row.date), *map(count_text, (row.n, row.supported, row.contradicted, row.not_shown)),
         f"{row.n_claimed} of {row.n_overall}"]
        for row in made.head(MOST_LINES).itertuples()
    ]  # fmt: skip
    return _limited(
        table(columns, lines, caption="Claims compared with the data, the latest review first"),
        len(made),
        "claims_made",
    )


def findings_table(findings: pd.DataFrame) -> Markup:
    """Return what was refused first, then what was noticed."""
    lines = [f"{row.message} {row.action}".strip() for row in findings.head(MOST_LINES).itertuples()]
    more = len(findings) - len(lines)
    rest = paragraph(f"{count_text(more, 'more finding')} in tables/findings.csv.") if more > 0 else Markup("")
    return join([bullets(lines), rest])


def _label(row, *, with_card: bool) -> str:
    """Return what a row is about."""
    when = f"{row.against_driver} → {row.of_driver}" if hasattr(row, "of_driver") else row.date or "no date"
    source = " (within one review)" if getattr(row, "source", "") == "review" else ""
    driver = getattr(row, "driver", "")
    return f"{', '.join(filter(None, (row.card * with_card, when, driver)))}{source}"


def _limited(shown: Markup, count: int, name: str) -> Markup:
    """Return a table with word of the rows that it leaves out."""
    if count <= MOST_LINES:
        return shown
    return join([shown, paragraph(f"{count_text(count - MOST_LINES, 'more row')} in tables/{name}.csv.")])


def _date(day: str) -> Markup | str:
    """Return a day, which never breaks at its hyphens."""
    return Markup('<span class="whole">{}</span>').format(day) if day else MISSING


def _with_whole_dates(text: str) -> Markup:
    """Return text whose dates never break at their hyphens."""
    return join(_date(part) if place % 2 else part for place, part in enumerate(_DAY.split(text)))


def _range(low: float, high: float) -> str:
    """Return the ends of an interval; an open one says from where."""
    if pd.isna(low):
        return MISSING
    return f"{number_text(low, decimals=2)} to {number_text(high, decimals=2) if pd.notna(high) else 'any'}"


def _widening(row) -> str:
    """Return what intervals may be widened by."""
    if pd.isna(row.widen_by):
        return "too few restarts"
    return f"{number_text(row.widen_by, decimals=2)} {row.unit}, as {row.widen_restarts} restarts"


def _sessions(row) -> str:
    """Return the sessions of both sides."""
    if pd.isna(row.n_sessions_of):
        return MISSING
    return f"{row.n_sessions_against} → {row.n_sessions_of}"


def _why(row) -> str:
    """Return by which rule a game is kept or could go."""
    if row.why == "redundant":
        return f"has said the same as “{row.says_the_same_as}”, to within {number_text(row.apart, decimals=1)} %"
    return _WHY[row.why]
