"""The page of a sweep: the answers, the curves, every setting, what is read off, what to measure next."""

from __future__ import annotations

import pandas as pd

from gpubench_kit.page.charts.sweeps import power_over_ladder, rate_against_power, rate_over_ladder
from gpubench_kit.page.drawn import figure, figures
from gpubench_kit.page.elements import Markup, bullets, heading, join, link, note, paragraph, terms, tied
from gpubench_kit.page.section import Head, Section, left_out
from gpubench_kit.page.sweep_lines import answer_sentences, between_told, parts_of, together
from gpubench_kit.page.sweep_tables import failure_table, reading_tables, setting_tables
from gpubench_kit.page.sweep_words import (
    advice_sentences,
    notes_on,
)
from gpubench_kit.sweep.find import Sweep
from gpubench_kit.sweep.tables import SWEEP_TABLES
from gpubench_kit.wording.numbers import count_text, percent_text

_NOT_STABLE = (
    "No setting here is called stable. Hours without a failure only bound the failure rate, on this card, with "
    "this driver, in this room; another card of the same model may not hold the setting."
)


def sweep_head(sweep: Sweep, plan, *, cautions: list[str] | None = None) -> Section:
    """Return the head of the page: the lowest power without a loss that matters, and the most efficient setting.

    Parameters
    ----------
    sweep : see `gpubench_kit.sweep.find_tuning`
    plan : ReviewPlan
    cautions : what to know before any number, see `gpubench_kit.page.caution_lines`

    Returns
    -------
    Section
    """
    shown = [paragraph(one, css="result") for one in answer_sentences(sweep, plan)]
    if not shown:
        shown = [paragraph("No run at a setting of the ladder can be used yet, so nothing is found.", css="result")]
    more = [note(one) for one in [*(cautions or []), *notes_on(sweep, plan)]]
    body = join([_byline(sweep, plan), *shown, *more])
    return Section("result", f"Finding the tuning: {plan.review.title}", body, head=Head())


def sweep_response(sweep: Sweep, plan) -> Section:
    """Return the section with the charts over the ladder.

    Parameters
    ----------
    sweep, plan : as in `sweep_head`

    Returns
    -------
    Section; left out where fewer than two settings were measured
    """
    name, title = "response", "Over the ladder"
    parts = list(parts_of(sweep, plan))
    charts = [one for part in parts for one in (rate_over_ladder(part, plan), *power_over_ladder(part))]
    charts += [rate_against_power(lines) for lines in together(parts)]
    if not any(charts):
        return left_out(name, title, "fewer than two settings were measured")
    text = (
        "The tests look at the settings one by one and need no curve. The curve shows how frame rate follows the "
        "setting, where it bends, and what lies between the settings measured."
    )
    return Section(name, title, join([paragraph(text), figures(map(figure, charts))]))


def sweep_settings(sweep: Sweep, plan) -> Section:
    """Return the section with every setting: changes, tests, failures.

    Parameters
    ----------
    sweep, plan : as in `sweep_head`

    Returns
    -------
    Section; left out where nothing was measured
    """
    name, title = "settings", "Every setting"
    parts = list(parts_of(sweep, plan))
    if not parts:
        return left_out(name, title, "no setting was measured")
    text = (
        "The settings are tested from the factory state outward, each only if the one before it passed. “At most” "
        "is the largest loss that the runs do not rule out."
    )
    body = [paragraph(text), *(setting_tables(part) for part in parts)]
    body += [heading("Failures"), paragraph(_NOT_STABLE), failure_table(parts, sweep)]
    return Section(name, title, join(body))


def sweep_readings(sweep: Sweep, plan) -> Section:
    """Return the section on frame rate at equal power, and power at equal frame rate.

    Parameters
    ----------
    sweep, plan : as in `sweep_head`

    Returns
    -------
    Section; left out where no power was measured
    """
    name, title = "equal", "At equal power, at equal frame rate"
    parts = list(parts_of(sweep, plan))
    tables = [reading_tables(lines, sweep) for lines in together(parts)]
    if not any(tables):
        return left_out(name, title, "no power was measured at two settings")
    text = (
        "Read off the fitted curves of frame rate and power, between the settings as well. The ranges take in the "
        "bands of both curves. They speak of this card in these games."
    )
    return Section(name, title, join([paragraph(text), *tables, *between_told(sweep)]))


def sweep_next(sweep: Sweep, plan) -> Section:
    """Return the section on what to measure next, or why to stop.

    Parameters
    ----------
    sweep, plan : as in `sweep_head`

    Returns
    -------
    Section; left out where nothing was measured
    """
    name, title = "next", "What to measure next"
    parts = list(parts_of(sweep, plan))
    if not parts:
        return left_out(name, title, "no setting was measured")
    body: list[Markup] = []
    for part in parts:
        lead, items = advice_sentences(part, sweep)
        body += [paragraph(lead), bullets(items)]
    looks = (
        "Measuring more and looking again is another look: each makes a chance find likelier, so the tests then "
        "use a stricter level. State the number of looks in the plan before the first."
    )
    return Section(name, title, join([*body, paragraph(looks)]))


def sweep_files(sweep: Sweep, plan, *, version: str, looks_made: int = 0) -> Section:
    """Return the section on where the numbers come from, with the downloads.

    Parameters
    ----------
    sweep, plan : as in `sweep_head`
    version : version of the kit
    looks_made : looks at verdicts so far, this one included

    Returns
    -------
    Section
    """
    facts = [
        ("Made by", f"gpubench_kit {version}"),
        ("Plan fingerprint", plan.fingerprint),
        ("Seed", str(plan.analysis.seed)),
        ("Looks at verdicts", f"{max(looks_made, 1)} made, {plan.analysis.looks} planned"),
    ]
    files = [
        join([link(f"tuning/tables/{name}.csv", f"{name}.csv"), f": one row per {declared.row}."])
        for name, declared in SWEEP_TABLES.items()
    ]
    files.append(join([link("tuning/tables.zip", "tables.zip"), ": these and the tables of runs, in one file."]))
    return Section(
        "files", "Where the numbers come from", join([terms(facts), heading("Downloads"), bullets(files)])
    )


def _byline(sweep: Sweep, plan) -> Markup:
    """Return who measured, when, and how much."""
    settings: pd.DataFrame = sweep.settings[~sweep.settings["is_factory"].fillna(False).astype(bool)]
    parts = [
        plan.review.author,
        plan.review.date.isoformat() if plan.review.date else "",
        count_text(settings["tuning"].nunique(), "setting"),
        count_text(int(sweep.settings["n_games"].max()) if len(sweep.settings) else 0, "game"),
        f"margin {percent_text(plan.margin_of('avg_fps'))}",
    ]
    return paragraph(join(map(tied, parts), " · "), css="byline")
