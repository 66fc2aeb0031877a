"""Data quality in one line; behind it every run left out, every finding, the noise, the order and the method."""

from __future__ import annotations

import re
from typing import Any

import pandas as pd

from gpubench_kit.page.caveats import alerts
from gpubench_kit.page.charts.curves import order_of_runs
from gpubench_kit.page.charts.from_tables import noise_of_games
from gpubench_kit.page.elements import (
    Markup,
    Section,
    columns,
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
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import (
    count_text,
    is_missing,
    number_text,
    significant_text,
    unit_text,
    value_text,
)
from gpubench_kit.wording.terms import capital, check_words, metric_label, names_text, scene_text

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
    runs, stops = results.runs, int((results.findings["severity"] == "stop").sum())
    awaited = int((runs["excluded_for"] == "not_recorded").sum())
    compared = results.comparisons[results.comparisons["metric"] == results.plan.analysis.primary]
    without = compared[compared["verdict"] == "no_verdict"]
    is_open = bool(awaited or stops or alerts(results) or 0 < len(without) == len(compared))
    lines = [
        _counted(runs),
        say("quality.awaited", n=awaited) if awaited else "",
        _without_verdict(without, of=len(compared)),
        say("quality.stops", n=stops) if stops else "" if len(without) else say("quality.no_stops"),
        _without_soak(results),
    ]
    values = {
        "tables": tables,
        "word": say("quality.open" if is_open else "quality.good"),
        "line": " ".join(filter(None, lines)),
        "more": join([left_out_runs(runs), all_findings(results.findings), _noise(results), _order(results)]),
        "method": method_body(results) if len(results.comparisons) else "",
    }
    return Section("quality", say("quality.title"), render("quality.html.j2", values))


def _counted(runs: pd.DataFrame) -> str:
    """Return how many runs count, and what the others were for."""
    used, out = runs["used"].fillna(False).astype(bool), runs[_is_left_out(runs)]
    rest = runs.loc[~used, "purpose"].value_counts()
    others = [say(f"quality.purpose.{one}", n=rest[one]) for one in ("warm_up", "idle", "pilot") if one in rest]
    if len(out):
        causes = out["excluded_for"].value_counts(sort=False).items()
        listed = ", ".join(f"{count_text(count)} {say_cause(cause)}" for cause, count in causes)
        others.append(say("quality.left_out", n=len(out), causes=listed))
    counted = say("quality.count", n=int(used.sum()), of=len(runs))
    return f"{counted}: {', '.join(others)}." if others else f"{counted}."


def _without_verdict(rows: pd.DataFrame, *, of: int) -> str:
    """Return how many comparisons of the deciding metric have no verdict, and why; empty for none."""
    if not len(rows):
        return ""
    why = names_text(dict.fromkeys(map(short_reason, rows.itertuples())))
    return say("quality.no_verdict", n=len(rows), of=of, metric=metric_label(rows["metric"].iloc[0]), why=why)


def _without_soak(results: Results) -> str:
    """Return which metrics have no verdict since no soak runs were made."""
    rows = results.comparisons[results.comparisons["reason"] == "no_soak_runs"]
    heat = [metric_label(one) for one in results.plan.analysis.metrics if one in set(rows["metric"])]
    return say("quality.no_soak", metrics=names_text(heat)) if heat else ""


def _is_left_out(runs: pd.DataFrame) -> pd.Series:
    """Return which runs were meant to count and are left out."""
    return ~runs["excluded_for"].isin(["", "not_recorded"]) & runs["purpose"].isin(["measure", "soak"])


def say_cause(cause: str) -> str:
    """Return a cause for leaving a run out, in words."""
    return cause.replace("_", " ")


def left_out_runs(runs: pd.DataFrame) -> Markup:
    """Return every run that is left out, with its reason."""
    fields = columns({
        "run": lambda row: row.run, "game": lambda row: scene_text(row.game, row.setting),
        "tuning": lambda row: row.tuning, "round": lambda row: count_text(row.round),
        "why": lambda row: capital(say_cause(row.excluded_for)),
    }, numbers=("round",))  # fmt: skip
    listed = listing(fields, runs[_is_left_out(runs)].itertuples(), caption=say("quality.left_out_caption"))
    return join([heading(say("quality.left_out_title")), listed or paragraph(say("quality.none_left_out"))])


def all_findings(findings: pd.DataFrame) -> Markup:
    """Return every finding, the severe ones first."""
    fields = columns({
        "check": lambda row: check_words(row.check), "run": lambda row: row.run,
        "found_text": lambda row: message_text(row.message), "found": lambda row: _amount(row.found, row.unit),
        "limit": lambda row: _amount(row.limit, row.unit),
    }, numbers=("found", "limit"))  # fmt: skip
    tables = []
    for severity in _SEVERITIES:
        rows = list(findings[findings["severity"] == severity].itertuples())
        tables.append(listing(fields, rows, caption=say(f"quality.severity.{severity}", n=len(rows))))
    return join([heading(say("quality.findings")), join(tables) or paragraph(say("quality.no_findings"))])


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
    if is_missing(value):
        return ""
    is_whole = float(value).is_integer() or abs(value) >= _WHOLE_FROM
    return f"{number_text(value, decimals=0)} {unit}".strip() if is_whole else unit_text(value, unit)


#: Amounts of findings from here on are told without decimals.
_WHOLE_FROM = 1000.0


def _noise(results: Results) -> Markup:
    """Return how noisy the test setup is on the deciding metric: chart and numbers; the table beside has all."""
    primary, noise = results.plan.analysis.primary, results.noise
    rows = noise[noise["cv_pct"].notna() & (noise["metric"] == primary)]
    fields = columns({
        "game": lambda row: scene_text(row.game, row.setting), "tuning": lambda row: row.tuning,
        "runs": lambda row: count_text(row.n), "mean": lambda row: value_text(row.mean, row.metric),
        "noise": lambda row: significant_text(row.cv_pct, digits=2),
        "detects": lambda row: significant_text(row.detectable_pct, digits=2),
    }, numbers=("runs", "mean", "noise", "detects"), units={"noise": "%", "detects": "%"})  # fmt: skip
    shown, caption = rows, say("quality.noise_caption")
    if len(rows) > _NOISE_ROWS:
        shown = rows.sort_values("cv_pct", ascending=False, kind="stable").head(_NOISE_ROWS)
        caption = say("quality.noise_part", n=len(shown), of=len(rows))
    listed = listing(fields, shown.itertuples(), caption=caption)
    if not listed:
        return listed
    chart = figure(noise_of_games(rows, metric=primary, margin=results.plan.margin_of(primary)))
    return join([heading(say("quality.noise")), paragraph(say("quality.noise_help")), figures([chart]), listed])


def _order(results: Results) -> Markup:
    """Return the runs in the order in which they were done."""
    chart = order_of_runs(results.usable, metric=results.plan.analysis.primary, states=results.states())
    drawn = figures([figure(chart)])
    return join([heading(say("quality.order")), paragraph(say("quality.order_help")), drawn]) if drawn else drawn
