"""The end of the page: limits and cautions, provenance and downloads."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from gpubench_kit.model.tables import ALL_TABLES
from gpubench_kit.page.elements import (
    Column,
    Markup,
    bullets,
    details,
    heading,
    join,
    link,
    paragraph,
    table,
    terms,
)
from gpubench_kit.page.section import Section
from gpubench_kit.statistics.stability import pooled_failure_bound
from gpubench_kit.sweep.in_review import SweepInReview
from gpubench_kit.sweep.tables import SWEEP_TABLES
from gpubench_kit.wording.terms import names_text

_CAUTIONS = (
    "Tuning can void a warranty, lose unsaved work and stress parts. Back up first, change one limit at a time, "
    "stay inside the maker's limits, and watch temperatures.",
    "A tuning that ran for some hours without a fault is not proven stable, and another card of the same model may "
    "not hold it.",
    "Measuring power inline or at the wall is work on high currents or mains: use rated, enclosed instruments, "
    "never open a power supply, follow the local electrical code, and leave mains work to licensed people.",
    "Costs and savings, where they are given, are estimates.",
)


_SOURCES = (
    "Every number on this page comes from the tables below, which hold it in full precision. The same logs, run "
    "sheet and plan give the same page, byte for byte."
)


def limits(plan) -> Section:
    """Return the section on what the results do not say, with the cautions.

    Parameters
    ----------
    plan : ReviewPlan

    Returns
    -------
    Section
    """
    told = [
        *_card_limits(plan),
        "The bench is part of the result: another driver, case, processor or room temperature can change it.",
        "A scene is a stretch of a game, not the whole game.",
        "An interval covers run-to-run noise. It does not cover what all runs share, such as the scene chosen or "
        "an instrument that reads high.",
    ]
    body = join([
        bullets(told), heading("Stability"), bullets(_stability(plan)),
        heading("Before you try this at home"), bullets(_CAUTIONS),
    ])  # fmt: skip
    return Section("limits", "Limits and cautions", body)


def provenance(
    runs: pd.DataFrame, plan, *, version: str, looks_made: int = 0, sweep: SweepInReview | None = None
) -> Section:
    """Return the section on where the numbers come from, with the downloads.

    Parameters
    ----------
    runs : DataFrame, one row per run; see ``tables.RUNS``
    plan : ReviewPlan
    version : version of the kit
    looks_made : looks at verdicts so far, this one included
    sweep : the sweep in this review, whose tables stand beside the others; None for none

    Returns
    -------
    Section
    """
    facts = [
        ("Made by", f"gpubench_kit {version}"),
        ("Plan fingerprint", _code(plan.fingerprint)),
        ("Seed", str(plan.analysis.seed)),
        ("Looks at verdicts", f"{max(looks_made, 1)} made, {plan.analysis.looks} planned"),
        ("Licence", plan.review.licence or "not stated"),
    ]
    left_out = () if plan.claims else ("claims",)
    files = _downloads([*(one for one in ALL_TABLES if one not in left_out), *(sweep.tables if sweep else ())])
    body = join([
        paragraph(_SOURCES),
        terms(facts), heading("Downloads"), bullets(files), _hashes(runs),
    ])  # fmt: skip
    return Section("provenance", "Provenance and downloads", body)


def _card_limits(plan) -> Iterable[str]:
    """Yield what the number of cards allows to say."""
    for unit in plan.card_units:
        count = len(unit.cards)
        if count == 1:
            yield (
                f"One sample of the {unit.name} was measured, on one bench. Nothing here says what another card of "
                "the same model does."
            )
        else:
            yield f"{count} samples of the {unit.name} were measured; the card is then the unit of comparison."


def _stability(plan) -> Iterable[str]:
    """Yield what hours of testing say about each tuning, as the plan states them, and what they do not say."""
    stated = [one for one in plan.tunings if one.stability]
    for tuning in stated:
        bound = pooled_failure_bound((test.failures, test.hours) for test in tuning.stability)
        yield f"“{tuning.name}”: {bound.sentence}"
    if stated:
        yield "These hours speak of the cards tested, with their driver and in their room. None is proof."
    silent = [f"“{one.name}”" for one in plan.tunings if not one.stability and not one.reference]
    if silent:
        it = "it is" if len(silent) == 1 else "they are"
        yield f"No hours of testing are stated for {names_text(silent)}: nothing here says that {it} stable."


def _downloads(tables: Iterable[str]) -> Iterable[str | Markup]:
    """Yield a link to each file that stands beside the page."""
    declared = {**ALL_TABLES, **SWEEP_TABLES}
    for name in tables:
        yield join([link(f"tables/{name}.csv", f"{name}.csv"), f": one row per {declared[name].row}."])
    yield join([link("tables/claims.txt", "claims.txt"), ": what may be said, as plain text for the script."])
    yield join([link("tables/datapackage.json", "datapackage.json"), ": columns, units and meaning of all tables."])
    yield join([link("tables.zip", "tables.zip"), ": all tables and their description in one file."])
    yield join([link("manifest.json", "manifest.json"), ": versions, seed, verdicts, and a hash of every input."])
    yield join([link("notebooks/card_review.ipynb", "card_review.ipynb"), ": the notebook that was run."])
    yield "pictures/, the folder beside this page: every chart, and one for each game and metric, light and dark."


def _hashes(runs: pd.DataFrame) -> Markup:
    """Return the hash of every frame log."""
    rows = runs[runs["frame_log_sha256"] != ""]
    columns = [Column("Run"), Column("SHA-256 of its frame log")]
    lines = [[row.run, _code(row.frame_log_sha256)] for row in rows.itertuples()]
    return details("Hashes of the frame logs", table(columns, lines, caption="Frame logs of this review"))


def _code(text: str) -> Markup:
    """Return text in letters of one width."""
    return Markup('<span class="hash">{}</span>').format(text)
