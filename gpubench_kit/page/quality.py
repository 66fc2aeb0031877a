"""The section on data quality: every finding, every run left out and why, noise, and the order of the runs."""

from __future__ import annotations

from typing import Any

import pandas as pd

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.noise import draw_noise
from gpubench_kit.figures.order import draw_run_order
from gpubench_kit.figures.style import check_style
from gpubench_kit.model.findings import findings_table
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.page.elements import Column, Markup, details, heading, join, paragraph, table
from gpubench_kit.page.pairs import all_groups
from gpubench_kit.page.places import chart_grid, pictures_of
from gpubench_kit.page.section import Section
from gpubench_kit.wording.numbers import count_text, is_missing, significant_text, unit_text, value_text
from gpubench_kit.wording.terms import metric_of, scene_text, sentence

_SEVERITIES = {
    "stop": ("Withheld until explained", "Verdicts that need these runs are not given."),
    "exclude": ("Left out by a rule of the plan", "A rule of the plan, the same for all tunings."),
    "note": ("Noted", "Nothing was left out for these; they are here for the sceptic."),
}


def data_quality(
    findings: pd.DataFrame, runs: pd.DataFrame, *, noise: pd.DataFrame, usable: pd.DataFrame, plan
) -> Section:
    """Return the section on data quality.

    Parameters
    ----------
    findings : DataFrame, one row per finding; see ``tables.FINDINGS``
    runs : DataFrame, one row per run; see ``tables.RUNS``
    noise : DataFrame, one row per (card, bench, tuning, game, setting, metric); see ``tables.NOISE``
    usable : DataFrame, one row per usable run and metric; see ``tables.USABLE``
    plan : ReviewPlan

    Returns
    -------
    Section
    """
    metrics = [one for one in plan.analysis.metrics if one in set(noise["metric"])]
    charts = (
        [draw_noise(noise, plan, metric=metrics[0], group=group) for group in all_groups(plan)] if metrics else []
    )
    orders = _order_charts(usable, plan)
    told = pd.concat([findings, findings_table(check_style(plan.style))], ignore_index=True)
    parts = [_counts(runs), _left_out_runs(runs), _all_findings(told), _noise_part(noise, charts, plan)]
    body = join([*parts, _order_part(orders)])
    return Section("quality", "Data quality", body, pictures=pictures_of([*charts, *orders]))


def _counts(runs: pd.DataFrame) -> Markup:
    """Return how many runs there are and what they are for."""
    used = runs["used"].fillna(False)
    told = [f"{count_text(len(runs), 'run')} on the run sheet, {count_text(int(used.sum()))} of them used."]
    for purpose, word in (("warm_up", "for warming up"), ("idle", "at idle"), ("pilot", "as pilots")):
        counted = int(((runs["purpose"] == purpose) & ~used).sum())
        if counted:
            told.append(f"{count_text(counted, 'run')} {'was' if counted == 1 else 'were'} made {word}.")
    awaited = int((runs["excluded_for"] == "not_recorded").sum())
    if awaited:
        told.append(f"{count_text(awaited, 'run')} {'is' if awaited == 1 else 'are'} not recorded yet.")
    return paragraph(*told)


def _left_out_runs(runs: pd.DataFrame) -> Markup:
    """Return every run that is left out, with its reason."""
    is_left_out = ~runs["excluded_for"].isin(["", "not_recorded"])
    rows = runs[is_left_out & runs["purpose"].isin(["measure", "soak"])]
    title = heading("Runs left out")
    if not len(rows):
        return join([title, paragraph("No run that was meant to count was left out.")])
    columns = [Column("Run"), Column("Game"), Column("Tuning"), Column("Round", is_number=True), Column("Why")]
    lines = [
        [row.run, scene_text(row.game, row.setting), row.tuning, count_text(row.round), _plain(row.excluded_for)]
        for row in rows.itertuples()
    ]
    return join([title, table(columns, lines, caption="Runs that do not enter any verdict, and why")])


def _all_findings(findings: pd.DataFrame) -> Markup:
    """Return every finding, the severe ones in sight and the notes folded."""
    title = heading("Findings")
    if not len(findings):
        return join([title, paragraph("The checks found nothing to report.")])
    parts = []
    for severity, (name, meaning) in _SEVERITIES.items():
        rows = findings[findings["severity"] == severity]
        listed = _findings_table(rows, caption=f"{name}. {meaning}")
        counted = f"{name}: {count_text(len(rows), 'finding')}"
        parts.append(details(counted, listed, is_open=severity != "note") if len(rows) else "")
    return join([title, *parts])


def _findings_table(rows: pd.DataFrame, *, caption: str) -> Markup:
    """Return findings of one severity as a table."""
    columns = [Column("Check"), Column("Run"), Column("What was found"), Column("Found", is_number=True),
               Column("Limit", is_number=True), Column("What to do")]  # fmt: skip
    return table(columns, [_finding_line(row) for row in rows.itertuples()], caption=caption)


def _finding_line(row: Any) -> list[str]:
    """Return the cells of one finding."""
    return [
        _plain(row.check),
        row.run,
        message_text(row.message),
        _amount(row.found, row.unit),
        _amount(row.limit, row.unit),
        row.action,
    ]


def message_text(message: str) -> str:
    """Return the message of a finding with a capital first letter, unless it begins with the name of a file."""
    names_file = "." in message.split(",")[0].split(" ")[0]
    return message if names_file else sentence(message)


def _amount(value: float, unit: str) -> str:
    """Return a value with its unit; nothing where there is none."""
    return "" if is_missing(value) else unit_text(value, unit)


def _noise_part(noise: pd.DataFrame, charts: list, plan) -> Markup:
    """Return how noisy the bench is: charts in sight, numbers folded."""
    text = (
        "Noise is how far runs of the same tuning differ. The smallest detectable difference is what this many "
        "runs of each side would find with a chance of 80 %."
    )
    rows = noise[noise["cv_pct"].notna() & noise["metric"].isin(plan.analysis.metrics)]
    columns = [Column("Game"), Column("Tuning"), Column("Metric"), Column("Runs", is_number=True),
               Column("Mean", is_number=True), Column("Noise", "%", is_number=True),
               Column("Detectable", "%", is_number=True)]  # fmt: skip
    listed = table(
        columns, [_noise_line(row) for row in rows.itertuples()], caption="Noise of every game and tuning"
    )
    shown = [heading("Run-to-run noise"), paragraph(text), chart_grid(charts), details("Numbers: noise", listed)]
    return join(shown) if len(rows) else Markup("")


def _order_charts(usable: pd.DataFrame, plan) -> list[DescribedFigure | None]:
    """Return the runs of the deciding metric in the order in which they were done, for each card and bench."""
    metric, measured = plan.analysis.primary, usable[usable["purpose"] == METRICS[plan.analysis.primary].purpose]
    places = measured.loc[measured["metric"] == metric, ["card", "bench"]].drop_duplicates()
    return [
        draw_run_order(measured, plan, metric=metric, card=card, bench=bench)
        for card, bench in places.itertuples(index=False, name=None)
    ]


def _order_part(charts: list[DescribedFigure | None]) -> Markup:
    """Return the runs in the order in which they were done."""
    text = (
        "Each run against its fellows, in the order in which runs were done. A slope would be a drift, such as a "
        "room that warms up; an order that alternates keeps it out of the comparisons."
    )
    shown = chart_grid(charts)
    return join([heading("Order of the runs"), paragraph(text), shown]) if shown else Markup("")


def _noise_line(row: Any) -> list[str]:
    """Return the cells of one game and tuning."""
    return [
        scene_text(row.game, row.setting), row.tuning, sentence(metric_of(row.metric).label), count_text(row.n),
        value_text(row.mean, row.metric), significant_text(row.cv_pct, digits=2),
        significant_text(row.detectable_pct, digits=2),
    ]  # fmt: skip


def _plain(name: str) -> str:
    """Return a name of the kit in words."""
    return sentence(name.replace("_", " "))
