"""The page of the archive: what all reviews together say of the bench, its drivers, cards and games."""

from __future__ import annotations

import pandas as pd

from gpubench_kit.archive.archive import Archive
from gpubench_kit.archive.tables import ARCHIVE_TABLES
from gpubench_kit.page.archive_tables import (
    cards_table,
    changes_tables,
    claims_table,
    findings_table,
    games_tables,
    noise_table,
    restarts_table,
    reviews_table,
    with_labels,
)
from gpubench_kit.page.archive_words import (
    control_sentences,
    head_sentences,
    line_for_plan,
    method_terms,
    spread_sentences,
)
from gpubench_kit.page.charts.archives import MOST_ROWS, archive_noise_lanes, card_lanes, change_lanes
from gpubench_kit.page.drawn import figure, figures
from gpubench_kit.page.elements import bullets, details, heading, join, link, note, paragraph, terms
from gpubench_kit.page.section import Head, Section, left_out
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import count_text
from gpubench_kit.wording.terms import metric_of, sentence


def archive_head(archive: Archive) -> Section:
    """Return the head of the page: how much is in the archive, and what it says of the bench.

    Parameters
    ----------
    archive : see `gpubench_kit.archive.gather_archive`

    Returns
    -------
    Section
    """
    dates = archive.reviews["date"][archive.reviews["date"] != ""]
    span = f"{dates.min()} to {dates.max()}" if len(dates) else say("archive.no_dates")
    refused = int((archive.findings["severity"] == "exclude").sum())
    said = [paragraph(one, css="result") for one in head_sentences(archive)]
    more = (
        [note(f"{count_text(refused, 'report')} could not be read or counted; see what was skipped below.")]
        if refused
        else []
    )
    return Section(
        "result",
        archive.title,
        join([*said, *more]),
        head=Head((say("archive.kick"), archive.told, span)),
    )


def archive_cards(archive: Archive) -> Section:
    """Return the section on cards over time.

    Parameters
    ----------
    archive : as in `archive_head`

    Returns
    -------
    Section
    """
    cards = with_labels(archive.cards, archive)
    charts = [figure(card_lanes(cards, metric=metric)) for metric in _shown_metrics(archive)]
    text = (
        "Each card in its reference tuning, review by review. Reviews differ in their games, so a level is fitted "
        "through the games that reviews share. A level is no verdict: compare cards in one review."
    )
    body = [
        paragraph(text),
        figures(charts),
        details("Every level", cards_table(cards, archive)),
        reviews_table(archive.reviews),
    ]
    return Section("cards", "Cards over time", join(body))


def archive_noise(archive: Archive) -> Section:
    """Return the section on the noise of the bench: from run to run, and between restarts.

    Parameters
    ----------
    archive : as in `archive_head`

    Returns
    -------
    Section; left out where no tuning was run twice in any game
    """
    name, title = "noise", "Noise of this bench"
    noise = archive.run_noise
    if not len(noise):
        return left_out(name, title, "no tuning was run twice in one session of any game")
    shown = _shown_metrics(archive, noise["metric"])
    charts = [figure(archive_noise_lanes(noise, metric=metric)) for metric in shown]
    text = (
        "From run to run within a session, pooled over all reviews, cards and tunings of a game. Means of single "
        "tunings do not enter, so a difference between them is no noise."
    )
    tables = [
        details(sentence(metric_of(metric).label), noise_table(noise, metric))
        for metric in dict.fromkeys(noise["metric"])
    ]
    between = [
        heading("Between restarts"),
        *map(paragraph, spread_sentences(archive)),
        restarts_table(archive.restart_spread),
    ]
    return Section(
        name,
        title,
        join([paragraph(text), figures(charts), *tables, *between, line_for_plan(archive)]),
    )


def archive_control(archive: Archive) -> Section:
    """Return the section on the drift of control runs: the same card and tuning, measured again.

    Parameters
    ----------
    archive : as in `archive_head`

    Returns
    -------
    Section; left out where no card was measured again
    """
    name, title = "control", "Has the bench drifted?"
    rows = with_labels(archive.control_runs, archive)
    if not len(rows):
        return left_out(name, title, "no card was measured in its reference tuning in two reviews")
    draws = [
        figure(change_lanes(rows, metric=metric, title="The same card, measured again"))
        for metric in _shown_metrics(archive)
    ]
    text = (
        "The reference tuning of a card is the bench's control: the same card in the same games should give the "
        "same numbers. Each later time is compared with the first."
    )
    shown = rows.groupby(["metric", "card"], sort=False).tail(MOST_ROWS)
    tables = changes_tables(shown, archive, caption="later times against the first", name="control_runs")
    return Section(
        name,
        title,
        join([paragraph(text), paragraph(*control_sentences(archive)), figures(draws), tables]),
    )


def archive_drivers(archive: Archive) -> Section:
    """Return the section on what changed from driver to driver.

    Parameters
    ----------
    archive : as in `archive_head`

    Returns
    -------
    Section; left out where no card was measured under two drivers
    """
    name, title = "drivers", "What changed between drivers"
    rows = with_labels(archive.driver_changes, archive)
    if not len(rows):
        return left_out(name, title, "no card was measured under two drivers, or benches")
    draws = [
        figure(change_lanes(rows, metric=metric, title="Driver against the one before"))
        for metric in _shown_metrics(archive)
    ]
    text = (
        "All runs of a card under one driver against all under the one before, in its reference tuning, over the "
        "games in common; p-values are adjusted for all changes of a metric. Whatever else changed with the "
        "driver, such as an update of a game that no run sheet names, is part of the change."
    )
    tables = changes_tables(rows, archive, caption="later driver against the one before", name="driver_changes")
    return Section(name, title, join([paragraph(text), figures(draws), tables]))


def archive_games(archive: Archive) -> Section:
    """Return the section on games that decide something, and on those that could be left out.

    Parameters
    ----------
    archive : as in `archive_head`

    Returns
    -------
    Section; left out where nothing was compared
    """
    name, title = "games", "Games worth keeping"
    if not len(archive.games):
        return left_out(name, title, "no review compared anything in a single game with a margin")
    text = (
        "A game can go where even the least noise that its interval allows keeps the usual rounds from finding a "
        "difference of the margin; where a cap held every comparison; or where it has said the same as another "
        "game in at least six reviews, to within half the margin. At least six games are kept. “Finds” is the "
        "smallest difference that the usual rounds find four times in five."
    )
    return Section(name, title, join([paragraph(text), games_tables(archive.games)]))


def archive_claims(archive: Archive) -> Section:
    """Return the section on claims made, review by review.

    Parameters
    ----------
    archive : as in `archive_head`

    Returns
    -------
    Section; left out where no review made a claim
    """
    name, title = "claims", "Claims made"
    rows = archive.claims_made
    if not int(rows["n"].sum()):
        return left_out(name, title, "no review holds claims against its data")
    total, supported = int(rows["n"].sum()), int(rows["supported"].sum())
    text = (
        f"Of {count_text(total, 'claim')} in all scripts the data supported {supported}. “Covered” counts the "
        "results over all games of a review, of every metric, that a claim speaks of."
    )
    return Section(name, title, join([paragraph(text), claims_table(rows)]))


def archive_findings(archive: Archive) -> Section:
    """Return the section on what was refused, passed over or noticed.

    Parameters
    ----------
    archive : as in `archive_head`

    Returns
    -------
    Section; left out where there was nothing
    """
    name, title = "findings", "What was skipped"
    if not len(archive.findings):
        return left_out(name, title, "every report below the folders was read, and counts")
    return Section(name, title, findings_table(archive.findings))


def archive_method(archive: Archive) -> Section:
    """Return the section on how all this was calculated.

    Parameters
    ----------
    archive : as in `archive_head`

    Returns
    -------
    Section
    """
    return Section("method", "How this was calculated", terms(method_terms()))


def archive_files(archive: Archive, *, version: str) -> Section:
    """Return the section with the downloads.

    Parameters
    ----------
    archive : as in `archive_head`
    version : version of the kit

    Returns
    -------
    Section
    """
    files = [
        join([link(f"tables/{name}.csv", f"{name}.csv"), f": one row per {one.row}."])
        for name, one in ARCHIVE_TABLES.items()
    ]
    files.append(join([link("tables.zip", "tables.zip"), ": all tables and their description in one file."]))
    files.append("parquet/, the folder beside this page: the tables of all reports, for questions in SQL.")
    facts = [("Made by", f"gpubench_kit {version}"), ("Reports read", count_text(len(archive.reviews)))]
    return Section(
        "files", "Where the numbers come from", join([terms(facts), heading("Downloads"), bullets(files)])
    )


def _shown_metrics(archive: Archive, there: pd.Series | None = None) -> list[str]:
    """Return the metrics with charts: those that decide, and board power."""
    wanted = dict.fromkeys([*archive.primaries[:2], "board_w"])
    return [name for name in wanted if there is None or name in set(there)]
