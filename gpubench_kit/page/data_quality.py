"""Data quality in one line; behind it every run left out, every finding, the noise, the order and the method."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pandas as pd

from gpubench_kit.page.caution_lines import alerts
from gpubench_kit.page.charts.quality import noise_of_games, order_of_runs
from gpubench_kit.page.elements import (
    Field,
    Markup,
    figure,
    figures,
    heading,
    join,
    listing,
    paragraph,
    render,
)
from gpubench_kit.page.headline import short_reason
from gpubench_kit.page.method import method_body
from gpubench_kit.page.results import Results
from gpubench_kit.page.section import Section
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.names import capital, metric_label
from gpubench_kit.wording.numbers import count_text, is_missing, significant_text, unit_text, value_text
from gpubench_kit.wording.terms import names_text, scene_text

_CODE = re.compile(r"`([^`]+)`")
_SEVERITIES = ("stop", "exclude", "note")
#: Most rows of the table of noise: the noisiest; the table beside the page has all.
_NOISE_ROWS = 48


def quality(results: Results, *, tables: str = "tables") -> Section:
    """Return the section on data quality.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    tables : folder of the tables, as seen from the page
    """
    awaited = (results.runs["excluded_for"] == "not_recorded").any()
    primary = results.comparisons[results.comparisons["metric"] == results.plan.analysis.primary]
    none_judged = len(primary) and (primary["verdict"] == "no_verdict").all()
    is_open = bool(awaited or none_judged or (results.findings["severity"] == "stop").any() or alerts(results))
    values = {
        "tables": tables,
        "word": say("quality.open" if is_open else "quality.good"),
        "line": " ".join(_line(results)),
        "more": join(
            [left_out_runs(results.runs), all_findings(results.findings), _noise(results), _order(results)]
        ),
        "method": method_body(results) if len(results.comparisons) else "",
    }
    return Section("quality", say("quality.title"), render("quality.html.j2", values))


def _line(results: Results) -> Iterator[str]:
    """Yield how many runs count, what the others were for, and what the checks found."""
    runs = results.runs
    used = runs["used"].fillna(False).astype(bool)
    others = [say(f"quality.purpose.{one}", n=count) for one in ("warm_up", "idle", "pilot")
              if (count := int(((runs["purpose"] == one) & ~used).sum()))]  # fmt: skip
    out = runs[_is_left_out(runs)]
    causes = [
        f"{count_text(len(part))} {say_cause(cause)}" for cause, part in out.groupby("excluded_for", sort=False)
    ]
    others += [say("quality.left_out", n=len(out), causes=", ".join(causes))] * bool(len(out))
    counted = say("quality.count", n=int(used.sum()), of=len(runs))
    yield f"{counted}: {', '.join(others)}." if others else f"{counted}."
    awaited = int((runs["excluded_for"] == "not_recorded").sum())
    if awaited:
        yield say("quality.awaited", n=awaited)
    stops = int((results.findings["severity"] == "stop").sum())
    rows = results.comparisons[results.comparisons["metric"] == results.plan.analysis.primary]
    without = rows[rows["verdict"] == "no_verdict"]
    if len(without):
        why = names_text(dict.fromkeys(map(short_reason, without.itertuples())))
        yield say(
            "quality.no_verdict", n=len(without), of=len(rows), metric=metric_label(rows["metric"].iloc[0]), why=why
        )
    if stops or not len(without):
        yield say("quality.stops", n=stops) if stops else say("quality.no_stops")
    heat = [one for one in results.plan.analysis.metrics if one in set(_without_soak(results))]
    if heat:
        yield say("quality.no_soak", metrics=names_text([metric_label(one) for one in heat]))


def _without_soak(results: Results) -> list[str]:
    """Return the metrics that have no verdict since no soak runs were made."""
    rows = results.comparisons[results.comparisons["reason"] == "no_soak_runs"]
    return list(dict.fromkeys(rows["metric"]))


def _is_left_out(runs: pd.DataFrame) -> pd.Series:
    """Return which runs were meant to count and are left out."""
    return ~runs["excluded_for"].isin(["", "not_recorded"]) & runs["purpose"].isin(["measure", "soak"])


def say_cause(cause: str) -> str:
    """Return a cause for leaving a run out, in words."""
    return cause.replace("_", " ")


def left_out_runs(runs: pd.DataFrame) -> Markup:
    """Return every run that is left out, with its reason."""
    rows = list(runs[_is_left_out(runs)].itertuples())
    columns = [
        Field(say("table.run"), lambda row: row.run),
        Field(say("table.game"), lambda row: scene_text(row.game, row.setting)),
        Field(say("table.tuning"), lambda row: row.tuning),
        Field(say("table.round"), lambda row: count_text(row.round), is_number=True),
        Field(say("table.why"), lambda row: capital(say_cause(row.excluded_for))),
    ]
    listed = listing(columns, rows, caption=say("quality.left_out_caption"))
    return join([heading(say("quality.left_out_title")), listed or paragraph(say("quality.none_left_out"))])


def all_findings(findings: pd.DataFrame) -> Markup:
    """Return every finding, the severe ones first."""
    if not len(findings):
        return join([heading(say("quality.findings")), paragraph(say("quality.no_findings"))])
    columns = [
        Field(say("table.check"), lambda row: capital(row.check.replace("_", " "))),
        Field(say("table.run"), lambda row: row.run),
        Field(say("table.found_text"), lambda row: message_text(row.message)),
        Field(say("table.found"), lambda row: _amount(row.found, row.unit), is_number=True),
        Field(say("table.limit"), lambda row: _amount(row.limit, row.unit), is_number=True),
    ]
    parts = [heading(say("quality.findings"))]
    for severity in _SEVERITIES:
        rows = list(findings[findings["severity"] == severity].itertuples())
        parts.append(listing(columns, rows, caption=say(f"quality.severity.{severity}", n=len(rows))))
    return join(parts)


def message_text(message: str) -> str:
    """Return the message of a finding with a capital first letter, unless it begins with the name of a file."""
    names_file = "." in message.split(",")[0].split(" ")[0]
    return message if names_file else capital(message)


def finding_text(row: Any, start: str = "") -> str:
    """Return a finding in words: what was found, and what to do.

    Parameters
    ----------
    row : row of ``tables.FINDINGS``, as a named tuple
    start : how the message names its run, where that stands above it
    """
    message = message_text(row.message.removeprefix(start))
    return _CODE.sub(r"“\1”", f"{message} {row.action}".strip())


def _amount(value: float, unit: str) -> str:
    """Return a value with its unit; nothing where there is none."""
    return "" if is_missing(value) else unit_text(value, unit)


def _noise(results: Results) -> Markup:
    """Return how noisy the test setup is: charts and numbers."""
    noise = results.noise
    rows = noise[noise["cv_pct"].notna() & noise["metric"].isin(results.plan.analysis.metrics)]
    columns = [
        Field(say("table.game"), lambda row: scene_text(row.game, row.setting)),
        Field(say("table.tuning"), lambda row: row.tuning),
        Field(say("table.runs"), lambda row: count_text(row.n), is_number=True),
        Field(say("table.mean"), lambda row: value_text(row.mean, row.metric), is_number=True),
        Field(say("table.noise"), lambda row: significant_text(row.cv_pct, digits=2), unit="%", is_number=True),
        Field(
            say("table.detects"),
            lambda row: significant_text(row.detectable_pct, digits=2),
            unit="%",
            is_number=True,
        ),
    ]
    # The page prints the deciding metric; the table beside it has all.
    main = rows[rows["metric"] == results.plan.analysis.primary]
    shown, caption = main, say("quality.noise_caption")
    if len(main) > _NOISE_ROWS:
        shown = main.sort_values("cv_pct", ascending=False, kind="stable").head(_NOISE_ROWS)
        caption = say("quality.noise_part", n=len(shown), of=len(main))
    listed = listing(columns, list(shown.itertuples()), caption=caption)
    if not listed:
        return Markup("")
    margin = results.plan.margin_of(results.plan.analysis.primary)
    noise_chart = figures([figure(noise_of_games(main, metric=results.plan.analysis.primary, margin=margin))])
    return join([heading(say("quality.noise")), paragraph(say("quality.noise_help")), noise_chart, listed])


def _order(results: Results) -> Markup:
    """Return the runs in the order in which they were done."""
    chart = order_of_runs(results.usable, metric=results.plan.analysis.primary, states=results.states())
    return (
        join([heading(say("quality.order")), paragraph(say("quality.order_help")), figures([figure(chart)])])
        if chart
        else Markup("")
    )
